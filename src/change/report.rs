//! How a change ended, in full.

use super::plan::PlanLine;
use crate::terms::{Exit, Proof, Snapshot, output::Outcome};

/// What went wrong, with what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// A stable kebab-case code.
    pub code: String,
    /// What and where, escaped.
    pub message: String,
    /// What to do.
    pub help: Option<String>,
    /// How the run ends when this stops it before anything was written; afterwards every trouble
    /// ends it as unproved.
    pub exit: Exit,
}

impl Trouble {
    /// The code of a change that went as far as it can, of which the device never shows a part.
    pub const NOT_SHOWN: &'static str = "not-shown";

    /// The code of a value for which the device, as its page is, offers no way to be set.
    pub const NOT_OFFERED: &'static str = "value-not-offered";

    /// A trouble that ends a run as failed when nothing was written.
    pub fn new(code: &str, message: impl Into<String>, help: Option<&str>) -> Self {
        Self {
            code: code.into(),
            message: message.into(),
            help: help.map(Into::into),
            exit: Exit::Failed,
        }
    }

    /// The same, ending the run in another way.
    #[must_use]
    pub fn ending(mut self, exit: Exit) -> Self {
        self.exit = exit;
        self
    }
}

/// One setting of a change with its proof.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What was planned.
    pub plan: PlanLine,
    /// How well the wanted value is proved.
    pub proof: Proof,
    /// What the proof rests on, or why there is none.
    pub why: String,
}

impl Report {
    /// Of a change that was cut off before anything of it left for the device.
    pub fn not_written(before: &Snapshot) -> Self {
        Self {
            outcome: Outcome::Failed,
            // Of the change this is the end; the run that closes it has done what it should.
            exit: Exit::Done,
            lines: Vec::new(),
            trouble: None,
            notes: vec!["it was cut off before anything was written; it is closed now".into()],
            last: Some(Box::new(before.clone())),
            wrote: false,
        }
    }

    /// For a run of a change that an earlier one had begun. A run that ended before it wrote says
    /// of itself that nothing was written. Of the change that is not so: an earlier run of it wrote,
    /// or may have.
    pub fn left_unfinished(&mut self) {
        if !matches!(self.outcome, Outcome::Refused | Outcome::Failed) {
            return;
        }
        self.notes
            .push("the change that was cut off is as unfinished as before".into());
        if matches!(self.exit, Exit::Failed | Exit::Cancelled) {
            self.outcome = Outcome::Unproved;
            self.exit = Exit::Unproved;
        }
    }
}

/// How a change ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// In one word.
    pub outcome: Outcome,
    /// As an exit code.
    pub exit: Exit,
    /// Setting by setting.
    pub lines: Vec<Line>,
    /// Why it did not end as wanted.
    pub trouble: Option<Trouble>,
    /// What else a person should know.
    pub notes: Vec<String>,
    /// The device as it was last read.
    pub last: Option<Box<Snapshot>>,
    /// Whether an acting request left, so that the device may differ from what was read first.
    pub wrote: bool,
}
