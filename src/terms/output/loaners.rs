//! What `loaners check` and `loaners reset` tell as it happens, and the summary at their end.
//!
//! The screens, the JSON lines and the report are all drawn from these.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{ChangeLine, Fault, IdentityOut};
use crate::terms::Condition;

/// What a run over a shelf does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ShelfCommand {
    /// Reads and compares; writes nothing.
    Check,
    /// Writes what the file names.
    Reset,
}

/// Where a loaner is on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ShelfStep {
    /// Not there yet: it is to be powered, or its window has not come.
    Waiting,
    /// In range, and no adapter is free for it.
    InRange,
    /// Its network is being joined, or its page asked for the first time.
    Joining,
    /// Its settings are read.
    Reading,
    /// A setting is written.
    Writing,
    /// It restarts, and is awaited.
    Restarting,
    /// What was written is read again.
    Proving,
    /// It did not take: what was there is written again.
    PuttingBack,
    /// It failed, and is tried again at the end.
    LaterAgain,
    /// It is through; the result says how.
    Through,
}

/// How it ended for one loaner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LoanerResult {
    /// It is set as the file wants it; nothing was written.
    AsWanted,
    /// A check found it otherwise.
    Differs,
    /// Written and proved.
    Done,
    /// A dry run: this is what would be written.
    Planned,
    /// It did not take; what was there is back, proved.
    PutBack,
    /// Refused; nothing was written.
    Refused,
    /// Written, and not proved: see `resume`.
    Unproved,
    /// Failed; nothing was written.
    Failed,
    /// It never came in range.
    Missing,
    /// The run ended before its turn.
    NotTried,
}

/// A stretch of time of one loaner, for the timeline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SpanOut {
    /// What went on.
    pub step: ShelfStep,
    /// When it began, in s since the run began.
    pub from_s: f64,
    /// When it ended, in s since the run began.
    pub to_s: f64,
    /// Through which adapter; none: through none, or the device was reachable already.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub adapter: Option<String>,
}

/// One loaner at the end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LoanerOut {
    /// What stands on its sticker.
    pub label: String,
    /// Who it is: as it was read, else as the file says.
    pub identity: IdentityOut,
    /// Its transmitter, as the file calls it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transmitter: Option<String>,
    /// How it ended.
    pub result: LoanerResult,
    /// The verdict, as it was last read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<Condition>,
    /// What differs from what it should be (check), or what was to be written with its proof (reset).
    pub changes: Vec<ChangeLine>,
    /// Settings that the file does not name, left as they are.
    pub left: Vec<String>,
    /// The record of what was there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<i64>,
    /// The change, where one was begun.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<i64>,
    /// How often it was tried in this run.
    pub tries: u32,
    /// The strongest signal that was heard of it, in percent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signal: Option<u8>,
    /// Whether an earlier run over this shelf proved it, and this one left it alone.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub earlier: bool,
    /// What else a person should know.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// Why it did not end as wanted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error: Option<Fault>,
    /// What went on when.
    pub spans: Vec<SpanOut>,
}

impl LoanerOut {
    /// One of whom only its label is known, and how it ended.
    pub fn named(label: &str, result: LoanerResult) -> Self {
        Self {
            label: label.to_owned(),
            identity: IdentityOut {
                serial: None,
                bssid: None,
                address: None,
            },
            transmitter: None,
            result,
            condition: None,
            changes: Vec::new(),
            left: Vec::new(),
            record: None,
            change: None,
            tries: 0,
            signal: None,
            earlier: false,
            notes: Vec::new(),
            error: None,
            spans: Vec::new(),
        }
    }
}

/// Somebody in range who looks like the family and is in no row of the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StrangerOut {
    /// Who.
    pub identity: IdentityOut,
    /// The name of its network, escaped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Its signal, in percent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signal: Option<u8>,
}

/// What is wrong across the shelf.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShelfFinding {
    /// A stable kebab-case code: `shared-pair`, `shared-key-without-lock`, `one-identity-twice`,
    /// `mixed-firmware`, `faulty`, `unbound`, `missing`, `stranger`, `file-changed` (since the run that was cut off),
    /// `file-changed-meanwhile`.
    pub code: String,
    /// Which loaners, by label.
    pub loaners: Vec<String>,
    /// In words.
    pub text: String,
}

/// How many loaners ended how.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShelfCounts {
    /// All of this run.
    pub all: usize,
    /// Set as the file wants it when it was read; nothing was written.
    pub as_wanted: usize,
    /// Written and proved, by this run or by the one that it goes on with.
    pub done: usize,
    /// Found to differ, or planned in a dry run.
    pub differ: usize,
    /// Put back, refused or failed: nothing of it holds.
    pub failed: usize,
    /// Written, and not proved.
    pub unproved: usize,
    /// Never in range, or not tried.
    pub missing: usize,
}

/// The summary, and the last line of `loaners check|reset --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShelfOut {
    /// Always 1.
    pub format: u32,
    /// The run's number in the journal.
    pub run: i64,
    /// What it did.
    pub command: ShelfCommand,
    /// The shelf's title.
    pub title: String,
    /// The family, by its profile's name.
    pub family: String,
    /// When it began, by this computer's clock (RFC 3339, UTC).
    pub began: String,
    /// How long it took, in s.
    pub took_s: f64,
    /// Through which adapters.
    pub adapters: Vec<String>,
    /// One a loaner, in the order of the file.
    pub loaners: Vec<LoanerOut>,
    /// Who else was in range.
    pub strangers: Vec<StrangerOut>,
    /// What is wrong across the shelf, the gravest first.
    pub findings: Vec<ShelfFinding>,
    /// The sums.
    pub counts: ShelfCounts,
    /// Why it ended before all had their turn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error: Option<Fault>,
    /// Whether it only said what would be written.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub dry_run: bool,
    /// True for practice receivers.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
}

/// What happened, as it happens: a line of `loaners check|reset --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShelfLine {
    /// Always 1.
    pub format: u32,
    /// When, in s since the run began.
    pub at_s: f64,
    /// What.
    pub event: ShelfEvent,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ShelfEvent {
    /// The run begins.
    Began {
        /// Its number in the journal.
        run: i64,
        /// The labels of its loaners, in the order of the file.
        loaners: Vec<String>,
    },
    /// A loaner goes on to this step.
    Step {
        /// Its label.
        loaner: String,
        /// The step.
        step: ShelfStep,
        /// Through which adapter.
        adapter: Option<String>,
        /// Its signal, in percent.
        signal: Option<u8>,
        /// When it is expected to be over, in s since the run began.
        until_s: Option<f64>,
    },
    /// Somebody has to do something: power these next, in this order, and switch those off.
    Power {
        /// To be powered now, by label.
        on: Vec<String>,
        /// To be switched off now, by label.
        off: Vec<String>,
    },
    /// A loaner is through, or is put off until the end.
    Ended(Box<LoanerOut>),
    /// Somebody who is in no row is in range.
    Stranger(StrangerOut),
}

/// `linkmend loaners init --json`: the file that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShelfInitOut {
    /// Always 1.
    pub format: u32,
    /// The new file.
    pub file: String,
    /// The shelf's title.
    pub title: String,
    /// The family, by its profile's name.
    pub family: String,
    /// The labels of its loaners, in the order of the file.
    pub loaners: Vec<String>,
    /// Settings that at least one row names.
    pub settings: Vec<String>,
}

/// `linkmend loaners add --json`: the row that was added.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShelfAddOut {
    /// Always 1.
    pub format: u32,
    /// The shelf's file.
    pub file: String,
    /// The shelf's title.
    pub title: String,
    /// What stands on its sticker.
    pub label: String,
    /// Its marks, as it showed them. Of the BSSID the row has it where the family keeps it, of the
    /// address where it was typed.
    pub identity: IdentityOut,
    /// Its transmitter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transmitter: Option<String>,
    /// The record of what it was set to.
    pub record: i64,
    /// How many loaners stand on the shelf now.
    pub loaners: usize,
}

/// Either line of `linkmend loaners check|reset --json`.
#[derive(JsonSchema)]
#[serde(untagged)]
#[expect(dead_code, reason = "it exists for its schema")]
pub(super) enum ShelfLines {
    Line(ShelfLine),
    Last(ShelfOut),
}
