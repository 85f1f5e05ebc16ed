//! One change of one device, written into the journal as it goes.

use super::{
    Archive, ChangeId, ChangeRow, Journal, JournalError, Kept, NewChange, RecordFacts, RecordId,
    StepRow,
};
use crate::{
    change::{Line, PlanLine, Report, Step, Trouble, Unfinished, Wanted, ports::Ledger},
    judge::{Expectation, judge},
    profile::Source,
    terms::{Proof, Snapshot, output::Outcome},
};

/// Writes one change.
pub struct ChangeLedger {
    journal: Journal,
    command: String,
    source: Source,
    wanted: Wanted,
    simulated: bool,
    record: Option<RecordId>,
    change: Option<ChangeId>,
    resumed: bool,
    closes: bool,
}

impl ChangeLedger {
    /// For a new change by this command.
    pub fn new(
        journal: Journal,
        command: &str,
        source: Source,
        wanted: Wanted,
        simulated: bool,
    ) -> Self {
        Self {
            journal,
            command: command.into(),
            source,
            wanted,
            simulated,
            record: None,
            change: None,
            resumed: false,
            closes: false,
        }
    }

    /// The same, of a change that is over with its end however it ends: it writes no setting, so
    /// there is nothing to finish or to undo.
    #[must_use]
    pub fn closing(self) -> Self {
        Self {
            closes: true,
            ..self
        }
    }

    /// Goes on with a change that was cut off.
    pub fn resume(
        journal: Journal,
        change: &ChangeRow,
        source: Source,
        wanted: Wanted,
        dry_run: bool,
    ) -> Self {
        Self {
            record: Some(change.record),
            // A dry run leaves no trace in the change either.
            change: (!dry_run).then_some(change.id),
            resumed: true,
            ..Self::new(journal, &change.command, source, wanted, false)
        }
    }

    /// The record of what was there, once it is kept.
    pub fn record(&self) -> Option<RecordId> {
        self.record
    }

    /// The change, once it is begun.
    pub fn change(&self) -> Option<ChangeId> {
        self.change
    }
}

impl Ledger for ChangeLedger {
    async fn keep(&mut self, before: &Snapshot) -> Result<(), Trouble> {
        let facts = RecordFacts {
            kept: Kept::BeforeChange,
            condition: judge(before, &Expectation::default()).condition,
            profile_file: self.source.file.clone(),
            profile_text: self.source.text.clone(),
            simulated: self.simulated,
        };
        let record = self
            .journal
            .keep(before, facts)
            .await
            .map_err(|error| trouble(&error))?;
        let change = NewChange {
            record,
            command: self.command.clone(),
            profile_file: self.source.file.clone(),
            profile_text: self.source.text.clone(),
            body: wanted_to_json(&self.wanted)?,
        };
        self.change = Some(
            self.journal
                .begin(change)
                .await
                .map_err(|error| trouble(&error))?,
        );
        self.record = Some(record);
        Ok(())
    }

    async fn step(&mut self, step: &Step) -> Result<(), Trouble> {
        let Some(change) = self.change else {
            return Ok(());
        };
        let body = serde_json::to_value(step).map_err(|error| unwritable(&error))?;
        self.journal
            .append(change, step.name(), body)
            .await
            .map_err(|error| trouble(&error))?;
        Ok(())
    }

    async fn end(&mut self, report: &Report) -> Result<(), Trouble> {
        let settled = matches!(
            report.outcome,
            Outcome::Done | Outcome::PutBack | Outcome::Unproved
        );
        let Some(change) = self.change.filter(|_| !self.resumed || settled) else {
            return Ok(());
        };
        let lines: Vec<_> = report
            .lines
            .iter()
            .map(|line| (&line.plan, line.proof, &line.why))
            .collect();
        let trouble_code = report.trouble.as_ref().map(|trouble| &trouble.code);
        let body = serde_json::json!({ "lines": lines, "trouble": trouble_code });
        self.journal
            .end(change, report.outcome, body)
            .await
            .map_err(|error| trouble(&error))?;
        let not_shown = trouble_code.is_some_and(|code| code == Trouble::NOT_SHOWN);
        if report.outcome == Outcome::Unproved && (self.closes || not_shown) {
            // There is nothing that looking at the device once more could tell.
            let closed = self.journal.close(change).await;
            closed.map_err(|error| trouble(&error))?;
        }
        Ok(())
    }
}

/// The changes in a journal that are unfinished, for the machine to look out for.
///
/// # Errors
/// When the journal cannot be read.
pub fn unfinished(archive: &Archive) -> Result<Vec<Unfinished>, JournalError> {
    let mut found = Vec::new();
    for change in archive.unfinished()? {
        if let Some(record) = archive.record(change.record)?
            // A practice receiver ends with its process, and so does what was unfinished of it.
            && !record.simulated
        {
            found.push(Unfinished {
                change: change.id.0,
                device: record.snapshot.device,
            });
        }
    }
    Ok(found)
}

/// What a change wanted, as its row keeps it.
///
/// # Errors
/// When it cannot be written as JSON, which no value of ours makes happen.
fn wanted_to_json(wanted: &Wanted) -> Result<serde_json::Value, Trouble> {
    serde_json::to_value(wanted).map_err(|error| unwritable(&error))
}

/// Steps that the change itself did not take.
const BESIDE: [&str; 3] = [super::ENDED, super::CLOSED, super::SAID];

/// The steps of a change, read back from its row.
///
/// # Errors
/// When the row is not what this program writes.
pub fn read_steps(change: &ChangeRow) -> Result<Vec<Step>, Trouble> {
    let steps: Result<_, serde_json::Error> = change
        .steps
        .iter()
        .filter(|row| !BESIDE.contains(&row.kind.as_str()))
        .map(|row| serde_json::from_value(row.body.clone()))
        .collect();
    steps.map_err(|error| {
        Trouble::new(
            "journal-damaged",
            format!(
                "change {} in the journal is not readable: {error}",
                change.id.0
            ),
            Some("`linkmend history` shows its record of what was there"),
        )
    })
}

/// The settings of a change: as it ended last, or as far as it was planned.
pub fn read_lines(change: &ChangeRow) -> Vec<Line> {
    let ended = |row: &StepRow| -> Option<Vec<Line>> {
        let lines: Vec<(PlanLine, Proof, String)> =
            serde_json::from_value(row.body.get("lines")?.clone()).ok()?;
        let lines = lines.into_iter();
        Some(
            lines
                .map(|(plan, proof, why)| Line { plan, proof, why })
                .collect(),
        )
    };
    let mut ends = change
        .steps
        .iter()
        .rev()
        .filter(|row| row.kind == super::ENDED);
    if let Some(lines) = ends.find_map(ended) {
        return lines;
    }
    let steps = read_steps(change).unwrap_or_default();
    let planned = steps.into_iter().find_map(|step| match step {
        Step::Planned { lines, .. } => Some(lines),
        _ => None,
    });
    let lines = planned.unwrap_or_default().into_iter();
    lines
        .map(|plan| Line {
            plan,
            proof: Proof::None,
            why: "cut off".into(),
        })
        .collect()
}

/// Adds to a change what a person said after it: whether the device follows the sticks. That is
/// their word, and no proof of ours.
///
/// # Errors
/// When it cannot be written.
pub async fn say_follows(
    journal: &Journal,
    change: ChangeId,
    follows: bool,
) -> Result<(), JournalError> {
    let body = serde_json::json!({ "follows": follows });
    journal.append(change, super::SAID, body).await?;
    Ok(())
}

/// What a person said last about whether the device follows the sticks; none: nothing.
pub fn follows(change: &ChangeRow) -> Option<bool> {
    let mut said = change
        .steps
        .iter()
        .rev()
        .filter(|row| row.kind == super::SAID);
    said.find_map(|row| row.body.get("follows")?.as_bool())
}

/// A journal's error as a trouble of a change.
pub fn trouble(error: &JournalError) -> Trouble {
    Trouble {
        code: error.code().into(),
        message: error.to_string(),
        help: error.help(),
        exit: error.exit(),
    }
}

fn unwritable(error: &serde_json::Error) -> Trouble {
    Trouble::new(
        "journal-io",
        format!("a step could not be written: {error}"),
        None,
    )
}
