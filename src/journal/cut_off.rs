//! Changes that were cut off, as they stand in the journal: where each stopped, by which rules, and
//! how one is closed that never wrote.

use super::{Archive, ChangeId, ChangeRow, Journal, JournalError, RecordRow, ledger};
use crate::{
    change::{CutOff, Trouble, Wanted},
    profile::{self, Faults, Profile},
    terms::output::Outcome,
};

/// A change that was cut off, read back from the journal.
#[derive(Clone)]
pub struct Unsettled {
    /// The change.
    pub change: ChangeRow,
    /// What was there before it.
    pub record: RecordRow,
    /// Where it stands, and what it wants; none: nothing of it can have been written.
    pub cut_off: Option<(CutOff, Wanted)>,
}

impl Unsettled {
    /// One change as it stands now.
    ///
    /// # Errors
    /// When its record is missing, or its rows are not what this program writes.
    pub fn of(archive: &Archive, change: ChangeRow) -> Result<Self, Trouble> {
        let record = archive
            .record(change.record)
            .map_err(|error| ledger::trouble(&error))?
            .ok_or_else(|| {
                Trouble::new(
                    "journal-damaged",
                    format!(
                        "change {} has lost the record of what was there",
                        change.id.0
                    ),
                    Some("close it with `linkmend resume CHANGE --close`"),
                )
            })?;
        let steps = ledger::read_steps(&change)?;
        Ok(Self {
            cut_off: CutOff::from_steps(record.snapshot.clone(), &steps),
            change,
            record,
        })
    }

    /// All that are unsettled, oldest first; `number`: only that one.
    ///
    /// # Errors
    /// As of one, or when the journal cannot be read.
    pub fn all(archive: &Archive, number: Option<i64>) -> Result<Vec<Self>, Trouble> {
        archive
            .unfinished()
            .map_err(|error| ledger::trouble(&error))?
            .into_iter()
            .filter(|change| number.is_none_or(|number| change.id == ChangeId(number)))
            .map(|change| Self::of(archive, change))
            .collect()
    }

    /// The rules of then.
    ///
    /// # Errors
    /// When this program does not read them any more.
    pub fn profile(&self) -> Result<Profile, Faults> {
        profile::load_text(&self.change.profile_file, &self.change.profile_text)
    }

    /// Closes it: nothing of it ever left for the device.
    ///
    /// # Errors
    /// When that cannot be written.
    pub async fn close_unwritten(&self, journal: &Journal) -> Result<(), JournalError> {
        let body = serde_json::json!({ "by": "resume", "written": false });
        journal.end(self.change.id, Outcome::Failed, body).await
    }
}
