//! Named points at which a test may cut the power.
//!
//! In debug builds each point that a run comes by is added as a line to the file of
//! `LINKMEND_CHECKPOINT_FILE`. When `LINKMEND_CHECKPOINT` names the point, or `POINT:3` its third
//! passing, the process parks there for good, so that a test can kill it exactly there. Release
//! builds hold none of this.

use super::step::Step;

/// The record of before is kept here; the steps that are kept after it have names of their own.
const KEPT: &str = "kept";

/// The acting requests that have points of their own.
const SENT: [&str; 2] = ["save", "restart"];

/// Every point: `before-NAME` and `after-NAME` of what is kept, and `sent-NAME` of a request.
pub fn points() -> Vec<String> {
    let kept = Step::NAMES.into_iter().chain([KEPT]);
    let around = kept.flat_map(|name| [format!("before-{name}"), format!("after-{name}")]);
    let sent = SENT.iter().map(|name| format!("sent-{name}"));
    around.chain(sent).collect()
}

/// Comes by a point.
#[cfg(debug_assertions)]
pub(super) fn pass(moment: &str, name: &str) {
    use std::{io::Write, path::Path};

    let point = format!("{moment}-{name}");
    debug_assert!(points().contains(&point), "`{point}` is not listed");
    let Ok(file) = std::env::var("LINKMEND_CHECKPOINT_FILE") else {
        return;
    };
    let earlier = std::fs::read_to_string(Path::new(&file)).unwrap_or_default();
    let passing = earlier.lines().filter(|line| *line == point).count() + 1;
    // A test waits for the line in vain when it cannot be written, and says so.
    let _ = std::fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(&file)
        .and_then(|mut file| file.write_all(format!("{point}\n").as_bytes()));
    let wanted = std::env::var("LINKMEND_CHECKPOINT").unwrap_or_default();
    if wanted == format!("{point}:{passing}") || (wanted == point && passing == 1) {
        loop {
            std::thread::park();
        }
    }
}

/// Comes by a point: nothing happens in release builds.
#[cfg(not(debug_assertions))]
pub(super) fn pass(_moment: &str, _name: &str) {}
