//! The signs of the page: drawn rather than written, so that no font has to hold them.

use maud::{Markup, html};

use super::words::{self, Weight};
use crate::terms::{Proof, output::loaners::LoanerResult};

/// All signs and patterns, once a page, out of sight. Each is drawn on 16 × 16 units.
pub(super) fn all() -> Markup {
    html! {
        svg .store width="0" height="0" aria-hidden="true" focusable="false" {
            @for (name, path) in SIGNS {
                symbol id={ "sign-" (name) } viewBox="0 0 16 16" { path d=(path) {} }
            }
            pattern #pattern-restarting width="5" height="5" patternUnits="userSpaceOnUse" {
                rect .ground width="5" height="5" {} path .line d="M-1 6 6-1M-1 1 1-1M4 6 6 4" {}
            }
            pattern #pattern-proving width="4" height="4" patternUnits="userSpaceOnUse" {
                rect .ground width="4" height="4" {} path .line d="M0 2H4" {}
            }
            pattern #pattern-putting-back width="5" height="5" patternUnits="userSpaceOnUse" {
                rect .ground width="5" height="5" {} path .line d="M-1 6 6-1M-1-1 6 6" {}
            }
            pattern #pattern-bad width="6" height="6" patternUnits="userSpaceOnUse" {
                rect .ground width="6" height="6" {} path .line d="M-1 7 7-1M-1 1 1-1M5 7 7 5" {}
            }
            pattern #pattern-open width="6" height="6" patternUnits="userSpaceOnUse" {
                rect .ground width="6" height="6" {} circle .line cx="3" cy="3" r="1" {}
            }
        }
    }
}

/// The sign of a result. The word always stands beside it.
pub(super) fn result(result: LoanerResult) -> Markup {
    sign(match result {
        LoanerResult::AsWanted | LoanerResult::Done => "good",
        LoanerResult::Differs => "differs",
        LoanerResult::Planned => "planned",
        LoanerResult::PutBack => "back",
        LoanerResult::Refused => "refused",
        LoanerResult::Unproved => "question",
        LoanerResult::Failed => "cross",
        LoanerResult::Missing => "missing",
        LoanerResult::NotTried => "not-tried",
    })
}

/// The sign of a proof.
pub(super) fn proof(proof: Proof) -> Markup {
    sign(match proof {
        Proof::None => "question",
        Proof::ReadBack | Proof::AfterRestart => "good",
    })
}

/// The sign of something that a person should look at.
pub(super) fn look() -> Markup {
    sign("look")
}

/// The class that colours what asks so much of a person.
pub(super) fn class(weight: Weight) -> &'static str {
    match weight {
        Weight::Good => "good",
        Weight::Careful => "careful",
        Weight::Bad => "bad",
        Weight::Open => "open",
    }
}

/// A result as sign and word.
pub(super) fn with_word(of: LoanerResult) -> Markup {
    html! {
        span.mark.(class(words::weight(of))) { (result(of)) (words::result(of)) }
    }
}

fn sign(name: &str) -> Markup {
    html! {
        svg.sign width="16" height="16" aria-hidden="true" focusable="false" {
            use href={ "#sign-" (name) } {}
        }
    }
}

/// Strokes, by name.
const SIGNS: [(&str, &str); 10] = [
    ("good", "M2.5 8.5 6.5 12.5 13.5 4"),
    ("cross", "M3.5 3.5 12.5 12.5M12.5 3.5 3.5 12.5"),
    ("differs", "M3 6H13M3 10H13M11 2.5 5 13.5"),
    ("planned", "M2.5 8H13M9 4 13 8 9 12"),
    ("back", "M5.5 3 2.5 6 5.5 9M2.5 6H10A3.5 3.5 0 0 1 10 13H6"),
    (
        "refused",
        "M8 2.5A5.5 5.5 0 1 1 8 13.5 5.5 5.5 0 1 1 8 2.5M4.2 4.2 11.8 11.8",
    ),
    (
        "question",
        "M5 5.5A3 3 0 1 1 9 8.2Q8 8.8 8 10.2M8 12.8V13.2",
    ),
    ("missing", "M2.5 8H4.5M7 8H9M11.5 8H13.5"),
    ("not-tried", "M8 3A5 5 0 1 1 8 13 5 5 0 1 1 8 3"),
    ("look", "M8 2 14.5 13.5H1.5ZM8 6.5V9.5M8 11.4V11.8"),
];
