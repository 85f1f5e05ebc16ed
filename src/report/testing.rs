//! The ends of runs that the tests draw; `tests/report/sample.py` makes them.

use crate::terms::output::loaners::ShelfOut;

/// A shelf of 24, three of which misbehave.
pub(crate) fn shelf() -> ShelfOut {
    serde_json::from_str(include_str!("../../tests/report/shelf.json")).expect("the sample")
}

/// A shelf whose every text means to do harm.
pub(crate) fn hostile() -> ShelfOut {
    serde_json::from_str(include_str!("../../tests/report/hostile.json")).expect("the sample")
}
