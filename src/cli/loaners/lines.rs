//! Where nobody watches a table: a line an event that matters, about three a loaner.
//!
//! A log of a night with 24 loaners is read in the morning: what was written, how each ended and what
//! somebody had to do is in it, the steps between are not.

use crate::{
    cli::screen::Tone,
    report::words,
    terms::output::loaners::{LoanerOut, ShelfEvent, ShelfLine, ShelfStep},
};

/// A line: its word, how it looks, and what it says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Said {
    /// At most eleven letters.
    pub word: &'static str,
    /// Its colour.
    pub tone: Tone,
    /// One line.
    pub text: String,
}

/// What is said of an event; none: nothing.
pub(super) fn of(line: &ShelfLine) -> Option<Said> {
    let at = words::since(line.at_s);
    let said = |word, tone, text: String| {
        Some(Said {
            word,
            tone,
            text: format!("{at}  {text}"),
        })
    };
    match &line.event {
        ShelfEvent::Began { run, loaners } => {
            let all = match loaners.len() {
                1 => "1 loaner".into(),
                all => format!("{all} loaners"),
            };
            said("began", Tone::Plain, format!("run {run}, {all}"))
        }
        ShelfEvent::Step {
            loaner,
            step,
            adapter,
            ..
        } => {
            let (word, tone) = match step {
                ShelfStep::Writing => ("write", Tone::Plain),
                ShelfStep::PuttingBack => ("put back", Tone::Careful),
                ShelfStep::LaterAgain => ("later", Tone::Careful),
                _ => return None,
            };
            let loaner = words::harmless(loaner);
            let more = match (step, adapter) {
                (ShelfStep::LaterAgain, _) => ", it is tried again at the end".into(),
                (_, Some(adapter)) => format!(", through {}", words::harmless(adapter)),
                (_, None) => String::new(),
            };
            said(word, tone, format!("{loaner}{more}"))
        }
        ShelfEvent::Power { on, off } => {
            let parts: Vec<String> = [("on: ", on), ("off: ", off)]
                .into_iter()
                .filter(|(_, labels)| !labels.is_empty())
                .map(|(what, labels)| format!("{what}{}", all(labels)))
                .collect();
            if parts.is_empty() {
                return None;
            }
            said("power", Tone::Strong, parts.join("; "))
        }
        ShelfEvent::Ended(loaner) => {
            let tone = super::table::tone(loaner.result);
            said(words::result(loaner.result), tone, ended(loaner))
        }
        ShelfEvent::Stranger(stranger) => {
            let name = stranger.name.as_deref().map(words::harmless);
            let marks = words::marks(&stranger.identity);
            let who = name.map_or(marks.clone(), |name| format!("{name} ({marks})"));
            said(
                "stranger",
                Tone::Careful,
                format!("{who} is in no row of the file; it is left alone"),
            )
        }
    }
}

fn ended(loaner: &LoanerOut) -> String {
    let label = words::harmless(&loaner.label);
    let outcome = words::outcome(loaner);
    if outcome.is_empty() {
        label
    } else {
        format!("{label}: {outcome}")
    }
}

fn all(labels: &[String]) -> String {
    let labels: Vec<String> = labels.iter().map(|label| words::harmless(label)).collect();
    labels.join(", ")
}
