//! What goes into the journal and what comes out of it.
//!
//! Bodies may hold secrets, so their debug forms leave them out.

use std::fmt;

use jiff::Timestamp;
use serde_json::Value as Json;

use crate::terms::{Condition, Identity, Role, Snapshot, Untrusted, output::Outcome};

macro_rules! numbers {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub i64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    )+};
}

numbers! {
    /// The number of a record; a later record has a larger one, and none is used twice.
    RecordId;
    /// The number of a change; a later change has a larger one, and none is used twice.
    ChangeId;
    /// The number of a device.
    DeviceId;
    /// The number of a step; a later step has a larger one, over all changes.
    StepId;
}

/// Why a record was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// The device was only read.
    Read,
    /// It is what was there before a change.
    BeforeChange,
}

impl Kept {
    /// The word that commands print.
    pub fn word(self) -> &'static str {
        match self {
            Kept::Read => "read",
            Kept::BeforeChange => "before-change",
        }
    }

    pub(super) fn from_word(word: &str) -> Option<Self> {
        [Kept::Read, Kept::BeforeChange]
            .into_iter()
            .find(|kept| kept.word() == word)
    }
}

/// What is kept beside a snapshot.
#[derive(Clone)]
pub struct RecordFacts {
    /// Why it is kept.
    pub kept: Kept,
    /// The verdict.
    pub condition: Condition,
    /// Where the profile stood: a file, or the name of one that comes with the program.
    pub profile_file: String,
    /// The profile's whole text.
    pub profile_text: String,
    /// Whether it is a practice receiver.
    pub simulated: bool,
}

/// A change that is about to begin.
#[derive(Clone)]
pub struct NewChange {
    /// The record of what is there.
    pub record: RecordId,
    /// The command that makes it.
    pub command: String,
    /// Where the profile stood.
    pub profile_file: String,
    /// The profile's whole text, so that `resume` uses the rules of now.
    pub profile_text: String,
    /// What is planned.
    pub body: Json,
}

/// One device, with all that was learned of who it is.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceRow {
    /// Its number.
    pub id: DeviceId,
    /// All known marks; the address is where it was reached last.
    pub identity: Identity,
    /// Whether it has no mark but its address, so that several devices may stand behind it.
    pub undetermined: bool,
    /// The family, by its profile's name.
    pub family: String,
    /// Which end.
    pub role: Role,
    /// What its owner calls it, as last read.
    pub name: Option<Untrusted>,
    /// When its last record was kept, by the clock of then.
    pub last_seen: Timestamp,
}

/// One record.
#[derive(Clone, PartialEq)]
pub struct RecordRow {
    /// Its number.
    pub id: RecordId,
    /// Of which device.
    pub device: DeviceId,
    /// When, by the clock of then.
    pub at: Timestamp,
    /// Why it was kept.
    pub kept: Kept,
    /// The verdict of then.
    pub condition: Condition,
    /// Whether it is a practice receiver.
    pub simulated: bool,
    /// Where the profile stood.
    pub profile_file: String,
    /// The profile's text of then.
    pub profile_text: String,
    /// All that was read.
    pub snapshot: Snapshot,
}

/// One change.
#[derive(Clone, PartialEq)]
pub struct ChangeRow {
    /// Its number.
    pub id: ChangeId,
    /// The record of what was there.
    pub record: RecordId,
    /// Of which device.
    pub device: DeviceId,
    /// When it began, by the clock of then.
    pub at: Timestamp,
    /// The command that made it.
    pub command: String,
    /// Where the profile stood.
    pub profile_file: String,
    /// The profile's text of then.
    pub profile_text: String,
    /// What was planned.
    pub body: Json,
    /// How it ended; none: it was cut off, or runs now.
    pub outcome: Option<Outcome>,
    /// What was done, in order.
    pub steps: Vec<StepRow>,
}

/// One step of a change.
#[derive(Clone, PartialEq)]
pub struct StepRow {
    /// Its number.
    pub id: StepId,
    /// When, by the clock of then.
    pub at: Timestamp,
    /// What kind of step.
    pub kind: String,
    /// What belongs to it.
    pub body: Json,
}

/// What [`super::Journal::forget`] removed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Forgotten {
    /// Records of the device.
    pub records: usize,
    /// Its changes.
    pub changes: usize,
    /// The steps of those.
    pub steps: usize,
    /// True when another program was reading all the time, so that traces are still in the
    /// write-ahead log; the next program that writes here removes them.
    pub traces_left: bool,
}

impl fmt::Debug for RecordFacts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("RecordFacts")
            .field("kept", &self.kept)
            .field("condition", &self.condition)
            .field("profile_file", &self.profile_file)
            .field("simulated", &self.simulated)
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for NewChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("NewChange")
            .field("record", &self.record)
            .field("command", &self.command)
            .field("profile_file", &self.profile_file)
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for RecordRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("RecordRow")
            .field("id", &self.id)
            .field("device", &self.device)
            .field("at", &self.at)
            .field("kept", &self.kept)
            .field("condition", &self.condition)
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for ChangeRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ChangeRow")
            .field("id", &self.id)
            .field("record", &self.record)
            .field("at", &self.at)
            .field("command", &self.command)
            .field("outcome", &self.outcome)
            .field("steps", &self.steps)
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for StepRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("StepRow")
            .field("id", &self.id)
            .field("at", &self.at)
            .field("kind", &self.kind)
            .finish_non_exhaustive()
    }
}
