//! Runs over a loan shelf: which one, how each loaner ended, and the values that were drawn for
//! them.
//!
//! A run has its row before anything is done and is ended last, so that one without an end was cut
//! off. Whoever holds the journal is the only one that writes it: a row that is still open and was
//! begun by another holder is of a process that has ended.

use std::{
    collections::BTreeMap,
    sync::atomic::{AtomicU64, Ordering},
};

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::{Archive, DeviceId, Journal, JournalError, write::Refusal};
use crate::terms::{
    SettingName, Value,
    output::loaners::{LoanerOut, ShelfCommand},
};

/// One run over a shelf; a later one has a larger number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct RunId(pub i64);

/// A run that is about to begin.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewRun {
    /// The shelf's title: what a shelf is known by.
    pub title: String,
    /// The family, by its profile's name.
    pub family: String,
    /// The fingerprint of the file's whole text, under this journal's key.
    pub file: String,
    /// What it does.
    pub command: ShelfCommand,
    /// Whether it only plans.
    pub dry_run: bool,
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RunState {
    /// All had their turn.
    Done,
    /// It was stopped before, by the person or by too many failures.
    Stopped,
}

impl RunState {
    fn word(self) -> &'static str {
        match self {
            RunState::Done => "done",
            RunState::Stopped => "stopped",
        }
    }
}

/// A run of the past, or of this moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunRow {
    /// Its number.
    pub id: RunId,
    /// What it was to do.
    pub run: NewRun,
    /// The process that began it.
    pub pid: u32,
    /// When, by the clock of then (RFC 3339, UTC).
    pub began: String,
    /// How it ended; none: it was cut off, or runs now.
    pub state: Option<RunState>,
}

/// How a loaner ended in a run.
#[derive(Debug, Clone, PartialEq)]
pub struct ResultRow {
    /// The fingerprint of its row in the file, of all that it was to be.
    pub row: String,
    /// How it ended, as it was told.
    pub out: LoanerOut,
}

/// What became of the wish to begin a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Begun {
    /// It may go on.
    Run(RunId),
    /// Another one over this shelf is under way in this very program.
    UnderWay(RunRow),
}

impl Journal {
    /// Begins a run, unless another over the same shelf is under way through this journal; other
    /// programs are kept out by the lock of its folder, which ends with its process. `proved` are
    /// results of earlier runs that hold in this one too: all of it is on the disk, or nothing.
    pub async fn begin_run(
        &self,
        run: NewRun,
        proved: Vec<ResultRow>,
    ) -> Result<Begun, JournalError> {
        let at = self.stamp();
        let holder = self.holder();
        self.write(move |connection| {
            let begun = begin(connection, &at, holder, &run)?;
            if let Begun::Run(run) = begun {
                for result in &proved {
                    keep(connection, &at, run, result)?;
                }
            }
            Ok(begun)
        })
        .await
    }

    /// Puts on record how a loaner ended; it is on the disk when this returns. A later one of the
    /// same run counts.
    pub async fn loaner_ended(&self, run: RunId, result: ResultRow) -> Result<(), JournalError> {
        let at = self.stamp();
        self.write(move |connection| Ok(keep(connection, &at, run, &result)?))
            .await
    }

    /// Ends a run.
    pub async fn end_run(&self, run: RunId, state: RunState) -> Result<(), JournalError> {
        let at = self.stamp();
        self.write(move |connection| {
            connection.execute(
                "UPDATE shelf_run SET ended = ?2, state = ?3 WHERE id = ?1 AND ended IS NULL",
                params![run.0, at, state.word()],
            )?;
            Ok(())
        })
        .await
    }

    /// Keeps values that were drawn for the loaners of a shelf, by label; it is on the disk when
    /// this returns. What was drawn before for one of them stays; what holds now is given back.
    pub async fn keep_drawn(
        &self,
        title: &str,
        drawn: BTreeMap<(String, SettingName), Value>,
    ) -> Result<BTreeMap<(String, SettingName), Value>, JournalError> {
        let at = self.stamp();
        let title = title.to_owned();
        self.write(move |connection| {
            let sql = "INSERT OR IGNORE INTO shelf_value (title, label, setting, at, value) \
                       VALUES (?1, ?2, ?3, ?4, ?5)";
            let mut statement = connection.prepare_cached(sql)?;
            for ((label, setting), value) in &drawn {
                statement.execute(params![title, label, setting.as_str(), at, json(value)?])?;
            }
            Ok(self::drawn(connection, &title)?)
        })
        .await
    }
}

impl Archive {
    /// The last run over a shelf by this command that was no dry run.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn last_run(
        &self,
        title: &str,
        command: ShelfCommand,
    ) -> Result<Option<RunRow>, JournalError> {
        self.read(|reader| {
            let sql = format!(
                "SELECT {RUN} FROM shelf_run WHERE title = ?1 AND command = ?2 AND dry_run = 0 \
                 ORDER BY id DESC LIMIT 1"
            );
            let mut rows = reader.all(&sql, params![title, command_word(command)], run_row)?;
            Ok(rows.pop())
        })
    }

    /// The run that has no end and was begun last, of any shelf: where another program holds the
    /// journal, the one that is under way there.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn open_run(&self) -> Result<Option<RunRow>, JournalError> {
        self.read(|reader| {
            let sql =
                format!("SELECT {RUN} FROM shelf_run WHERE ended IS NULL ORDER BY id DESC LIMIT 1");
            Ok(reader.all(&sql, [], run_row)?.pop())
        })
    }

    /// How the loaners of a run ended, by label.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn results(&self, run: RunId) -> Result<BTreeMap<String, ResultRow>, JournalError> {
        self.read(|reader| {
            let sql = "SELECT label, row, body FROM shelf_result WHERE run = ?1 ORDER BY id";
            let rows = reader.all(sql, params![run.0], |row| {
                Ok((
                    row.get::<_, String>(0)?,
                    ResultRow {
                        row: row.get(1)?,
                        out: from_json(row, 2)?,
                    },
                ))
            })?;
            Ok(rows.into_iter().collect())
        })
    }

    /// What was drawn for the loaners of a shelf, by label and setting.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn drawn(
        &self,
        title: &str,
    ) -> Result<BTreeMap<(String, SettingName), Value>, JournalError> {
        self.read(|reader| drawn(reader.connection, title))
    }
}

/// What tells this opening of a journal from every other one, of this process and of others.
pub(super) fn new_holder() -> u64 {
    static OPENED: AtomicU64 = AtomicU64::new(0);
    let random = getrandom::u64().unwrap_or_else(|_| u64::from(std::process::id()));
    // SQLite's integers have a sign.
    (random ^ OPENED.fetch_add(1, Ordering::Relaxed)) >> 1
}

const RUN: &str = "id, title, family, file, command, dry_run, pid, began, state";

fn begin(connection: &Connection, at: &str, holder: u64, run: &NewRun) -> Result<Begun, Refusal> {
    let holder = i64::try_from(holder).unwrap_or(i64::MAX);
    let sql = format!(
        "SELECT {RUN} FROM shelf_run WHERE title = ?1 AND holder = ?2 AND ended IS NULL LIMIT 1"
    );
    let under_way = connection
        .query_row(&sql, params![run.title, holder], run_row)
        .optional()?;
    if let Some(other) = under_way {
        return Ok(Begun::UnderWay(other));
    }
    connection.execute(
        "INSERT INTO shelf_run (title, family, file, command, dry_run, pid, holder, began) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        params![
            run.title,
            run.family,
            run.file,
            command_word(run.command),
            run.dry_run,
            std::process::id(),
            holder,
            at
        ],
    )?;
    Ok(Begun::Run(RunId(connection.last_insert_rowid())))
}

fn keep(connection: &Connection, at: &str, run: RunId, result: &ResultRow) -> rusqlite::Result<()> {
    let sql = "INSERT INTO shelf_result (run, label, row, at, body) VALUES (?1, ?2, ?3, ?4, ?5)";
    let ResultRow { row, out } = result;
    connection
        .prepare_cached(sql)?
        .execute(params![run.0, out.label, row, at, json(out)?])?;
    Ok(())
}

fn run_row(row: &Row<'_>) -> rusqlite::Result<RunRow> {
    let state: Option<String> = row.get(8)?;
    Ok(RunRow {
        id: RunId(row.get(0)?),
        run: NewRun {
            title: row.get(1)?,
            family: row.get(2)?,
            file: row.get(3)?,
            command: match row.get::<_, String>(4)?.as_str() {
                "check" => ShelfCommand::Check,
                _ => ShelfCommand::Reset,
            },
            dry_run: row.get(5)?,
        },
        pid: row.get(6)?,
        began: row.get(7)?,
        state: state.map(|word| {
            if word == RunState::Done.word() {
                RunState::Done
            } else {
                RunState::Stopped
            }
        }),
    })
}

fn drawn(
    connection: &Connection,
    title: &str,
) -> rusqlite::Result<BTreeMap<(String, SettingName), Value>> {
    let sql = "SELECT label, setting, value FROM shelf_value WHERE title = ?1 ORDER BY id";
    let mut statement = connection.prepare_cached(sql)?;
    let rows = statement.query_map(params![title], |row| {
        let setting: String = row.get(1)?;
        let setting = setting.parse().map_err(|_| unreadable(row, 1))?;
        Ok(((row.get(0)?, setting), from_json(row, 2)?))
    })?;
    rows.collect()
}

/// Removes what runs over shelves kept of a device: its results, and what was drawn for it.
pub(super) fn forget(connection: &Connection, device: DeviceId) -> rusqlite::Result<()> {
    const OF_IT: &str = "SELECT shelf_result.id FROM shelf_result, device
         WHERE device.id = ?1
         AND (json_extract(body, '$.identity.serial') = device.serial
              OR json_extract(body, '$.identity.bssid') = device.bssid
              OR json_extract(body, '$.record') IN
                 (SELECT record.id FROM record WHERE record.device = device.id))";
    let drawn = format!(
        "DELETE FROM shelf_value WHERE (title, label) IN
         (SELECT shelf_run.title, shelf_result.label FROM shelf_result
          JOIN shelf_run ON shelf_run.id = shelf_result.run WHERE shelf_result.id IN ({OF_IT}))"
    );
    connection.execute(&drawn, params![device.0])?;
    let results = format!("DELETE FROM shelf_result WHERE id IN ({OF_IT})");
    connection.execute(&results, params![device.0])?;
    Ok(())
}

fn command_word(command: ShelfCommand) -> &'static str {
    match command {
        ShelfCommand::Check => "check",
        ShelfCommand::Reset => "reset",
    }
}

fn json<T: serde::Serialize>(value: &T) -> rusqlite::Result<String> {
    serde_json::to_string(value)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))
}

/// What was written as JSON. It may hold a secret, so the error leaves it out.
fn from_json<T: serde::de::DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|_| unreadable(row, column))
}

fn unreadable(row: &Row<'_>, column: usize) -> rusqlite::Error {
    let name = row.as_ref().column_name(column).unwrap_or("?").to_owned();
    rusqlite::Error::FromSqlConversionFailure(
        column,
        rusqlite::types::Type::Text,
        format!("`{name}` of a shelf is not understood").into(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{journal::DataFolder, terms::output::loaners::LoanerResult};

    fn run(title: &str, command: ShelfCommand) -> NewRun {
        NewRun {
            title: title.into(),
            family: "sample-form".into(),
            file: "00ff".into(),
            command,
            dry_run: false,
        }
    }

    fn ended(label: &str, result: LoanerResult) -> LoanerOut {
        let mut out = LoanerOut::named(label, result);
        out.identity.serial = Some("TD-00471".into());
        out.tries = 1;
        out
    }

    async fn begun(journal: &Journal, run: NewRun) -> RunId {
        match journal.begin_run(run, Vec::new()).await.expect("written") {
            Begun::Run(id) => id,
            Begun::UnderWay(other) => panic!("{other:?} is under way"),
        }
    }

    #[tokio::test]
    async fn what_a_run_came_to_is_there_after_it_was_cut_off_and_the_last_word_counts() {
        let top = tempfile::tempdir().expect("a folder");
        let folder = DataFolder::at(&top.path().join("data"));
        let journal = Journal::open(&folder).expect("opened");
        let first = begun(&journal, run("Tarn loaners", ShelfCommand::Reset)).await;
        for result in [LoanerResult::Failed, LoanerResult::Done] {
            let heron = ResultRow {
                row: "aa".into(),
                out: ended("Heron", result),
            };
            journal.loaner_ended(first, heron).await.expect("kept");
        }
        drop(journal);

        let journal = Journal::open(&folder).expect("opened again");
        let archive = journal.archive().expect("read");
        let last = archive.last_run("Tarn loaners", ShelfCommand::Reset);
        let last = last.expect("read").expect("there");
        assert_eq!((last.id, last.state), (first, None));
        assert_eq!(archive.open_run().expect("read"), Some(last));
        let results = archive.results(first).expect("read");
        assert_eq!(results["Heron"].out, ended("Heron", LoanerResult::Done));
        for (title, command) in [
            ("Tarn loaners", ShelfCommand::Check),
            ("Other", ShelfCommand::Reset),
        ] {
            assert_eq!(archive.last_run(title, command).expect("read"), None);
        }
        // The process that held it has ended, so it keeps nobody out; this one does.
        let second = begun(&journal, run("Tarn loaners", ShelfCommand::Reset)).await;
        let proved = vec![ResultRow {
            row: "aa".into(),
            out: ended("Heron", LoanerResult::Done),
        }];
        let refused = journal.begin_run(run("Tarn loaners", ShelfCommand::Check), proved);
        match refused.await.expect("written") {
            Begun::UnderWay(other) => {
                assert_eq!((other.id, other.pid), (second, std::process::id()));
            }
            Begun::Run(id) => panic!("{id:?} began beside the other"),
        }
        let ended = journal.end_run(second, RunState::Done).await;
        ended.expect("ended");
        begun(&journal, run("Tarn loaners", ShelfCommand::Check)).await;
        let last = archive.last_run("Tarn loaners", ShelfCommand::Reset);
        let state = last.expect("read").and_then(|run| run.state);
        assert_eq!(state, Some(RunState::Done));
    }

    #[tokio::test]
    async fn a_device_that_is_forgotten_leaves_neither_results_nor_what_was_drawn_for_it() {
        let top = tempfile::tempdir().expect("a folder");
        let folder = DataFolder::at(&top.path().join("data"));
        let journal = Journal::open(&folder).expect("opened");
        let read = crate::journal::tests::snapshot_of("TD-00471");
        let facts = crate::journal::tests::facts();
        journal.keep(&read, facts).await.expect("kept");
        let first = begun(&journal, run("Tarn loaners", ShelfCommand::Reset)).await;
        let mut smew = ended("Smew", LoanerResult::Done);
        smew.identity.serial = Some("TD-2".into());
        for out in [ended("Heron", LoanerResult::Done), smew] {
            let result = ResultRow {
                row: "aa".into(),
                out,
            };
            journal.loaner_ended(first, result).await.expect("kept");
        }
        let lock: SettingName = "model-lock".parse().expect("a name");
        let drawn = ["Heron", "Smew"].map(|label| ((label.to_owned(), lock.clone()), Value::Off));
        let kept = journal.keep_drawn("Tarn loaners", drawn.into()).await;
        kept.expect("kept");
        let archive = journal.archive().expect("read");
        let device = archive.find("TD-00471").expect("read")[0].id;
        journal.forget(device).await.expect("forgotten");
        let results = archive.results(first).expect("read");
        assert_eq!(results.keys().collect::<Vec<_>>(), ["Smew"]);
        let drawn = archive.drawn("Tarn loaners").expect("read");
        assert!(drawn.keys().all(|(label, _)| label == "Smew") && drawn.len() == 1);
    }

    #[tokio::test]
    async fn what_was_drawn_once_stays() {
        let top = tempfile::tempdir().expect("a folder");
        let folder = DataFolder::at(&top.path().join("data"));
        let journal = Journal::open(&folder).expect("opened");
        let one = |label: &str, slot: i64| {
            let name = "model-lock".parse().expect("a name");
            ((label.to_owned(), name), Value::Number(slot.into()))
        };
        let first = BTreeMap::from([one("Heron", 4)]);
        let kept = journal.keep_drawn("Tarn loaners", first.clone()).await;
        assert!(kept.expect("kept") == first);
        let again = BTreeMap::from([one("Heron", 9), one("Smew", 5)]);
        let kept = journal.keep_drawn("Tarn loaners", again).await;
        let both = BTreeMap::from([one("Heron", 4), one("Smew", 5)]);
        assert!(kept.expect("kept") == both);
        let archive = journal.archive().expect("read");
        assert!(archive.drawn("Tarn loaners").expect("read") == both);
        assert!(archive.drawn("Other").expect("read").is_empty());
    }
}
