//! The statements that write, each run by the writer thread inside of a group's transaction.
//!
//! What is refused is refused before the first statement that writes, so that one caller's mistake
//! leaves nothing in the transaction of the others.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};
use serde::{Serialize, de::DeserializeOwned};
use serde_json::Value as Json;
use sha2::{Digest, Sha256};

use crate::terms::{Role, Snapshot, Witness, output::Outcome};

use super::{
    ChangeId, DeviceId, Forgotten, JournalError, NewChange, RecordFacts, RecordId, StepId, device,
};

/// Why one piece of writing did not happen.
#[derive(Debug)]
pub(super) enum Refusal {
    /// It cannot be done; the rest of the group goes on.
    Refused(JournalError),
    /// `SQLite` failed; nothing of the group happens.
    Broken(rusqlite::Error),
}

impl From<rusqlite::Error> for Refusal {
    fn from(error: rusqlite::Error) -> Self {
        Self::Broken(error)
    }
}

/// Keeps one record.
pub(super) fn record(
    connection: &Connection,
    at: Timestamp,
    snapshot: &Snapshot,
    facts: &RecordFacts,
) -> Result<RecordId, Refusal> {
    let body = encode(&storable(snapshot))?;
    let device = device::row_for(connection, snapshot)?;
    let profile = profile(connection, &facts.profile_file, &facts.profile_text)?;
    connection.execute(
        "INSERT INTO record (device, at, kept, condition, simulated, profile, snapshot)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        params![
            device,
            time(at),
            facts.kept.word(),
            facts.condition.word(),
            facts.simulated,
            profile,
            body,
        ],
    )?;
    Ok(RecordId(connection.last_insert_rowid()))
}

/// Begins a change.
pub(super) fn change(
    connection: &Connection,
    at: Timestamp,
    change: &NewChange,
) -> Result<ChangeId, Refusal> {
    if !has(connection, "record", change.record.0)? {
        return Err(unknown("record", change.record.0));
    }
    let profile = profile(connection, &change.profile_file, &change.profile_text)?;
    connection.execute(
        "INSERT INTO change (record, at, command, profile, body) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![
            change.record.0,
            time(at),
            change.command,
            profile,
            change.body.to_string(),
        ],
    )?;
    Ok(ChangeId(connection.last_insert_rowid()))
}

/// Appends one step.
pub(super) fn step(
    connection: &Connection,
    at: Timestamp,
    change: ChangeId,
    kind: &str,
    body: &Json,
) -> Result<StepId, Refusal> {
    if !has(connection, "change", change.0)? {
        return Err(unknown("change", change.0));
    }
    connection.execute(
        "INSERT INTO step (change, at, kind, body) VALUES (?1, ?2, ?3, ?4)",
        params![change.0, time(at), kind, body.to_string()],
    )?;
    Ok(StepId(connection.last_insert_rowid()))
}

/// Ends a change with a last step. One that ended unproved may be settled later; every other
/// outcome is the last word.
pub(super) fn end(
    connection: &Connection,
    at: Timestamp,
    change: ChangeId,
    outcome: Outcome,
    body: &Json,
) -> Result<(), Refusal> {
    let before: Option<Option<String>> = connection
        .query_row(
            "SELECT outcome FROM change WHERE id = ?1",
            params![change.0],
            |row| row.get(0),
        )
        .optional()?;
    match before {
        None => return Err(unknown("change", change.0)),
        Some(Some(word)) if word != word_of(Outcome::Unproved) => {
            return Err(Refusal::Refused(JournalError::Ended {
                change: change.0,
                outcome: word,
            }));
        }
        Some(_) => {}
    }
    step(connection, at, change, super::ENDED, body)?;
    connection.execute(
        "UPDATE change SET outcome = ?2 WHERE id = ?1",
        params![change.0, word_of(outcome)],
    )?;
    Ok(())
}

/// Closes a change as unproved with a last step of its own kind.
pub(super) fn close(
    connection: &Connection,
    at: Timestamp,
    change: ChangeId,
) -> Result<(), Refusal> {
    end(connection, at, change, Outcome::Unproved, &Json::Null)?;
    step(connection, at, change, super::CLOSED, &Json::Null)?;
    Ok(())
}

/// Deletes a device with all that hangs on it, and profiles that nothing needs any more.
pub(super) fn forget(connection: &Connection, device: DeviceId) -> Result<Forgotten, Refusal> {
    if !has(connection, "device", device.0)? {
        return Err(unknown("device", device.0));
    }
    super::shelf::forget(connection, device)?;
    let delete = |sql: &str| connection.execute(sql, params![device.0]);
    let forgotten = Forgotten {
        steps: delete(
            "DELETE FROM step WHERE change IN (SELECT change.id FROM change
             JOIN record ON record.id = change.record WHERE record.device = ?1)",
        )?,
        changes: delete(
            "DELETE FROM change WHERE record IN (SELECT id FROM record WHERE device = ?1)",
        )?,
        records: delete("DELETE FROM record WHERE device = ?1")?,
        traces_left: false,
    };
    delete("DELETE FROM device WHERE id = ?1")?;
    connection.execute(
        "DELETE FROM profile WHERE id NOT IN
         (SELECT profile FROM record UNION SELECT profile FROM change)",
        [],
    )?;
    Ok(forgotten)
}

/// A unit variant's word in JSON, which is also what commands print.
pub(super) fn word_of<T: Serialize>(variant: T) -> String {
    match serde_json::to_value(variant) {
        Ok(Json::String(word)) => word,
        _ => String::new(),
    }
}

/// The variant of a word.
pub(super) fn from_word<T: DeserializeOwned>(word: &str) -> Option<T> {
    serde_json::from_value(Json::from(word)).ok()
}

pub(super) fn role_word(role: Role) -> String {
    word_of(role)
}

/// The same text is kept once, however many changes used it.
fn profile(connection: &Connection, file: &str, text: &str) -> rusqlite::Result<i64> {
    let digest = Sha256::digest(text.as_bytes());
    let key = params![digest.as_slice(), file];
    let known = connection
        .prepare_cached("SELECT id FROM profile WHERE digest = ?1 AND file = ?2")?
        .query_row(key, |row| row.get(0))
        .optional()?;
    if let Some(id) = known {
        return Ok(id);
    }
    connection.execute(
        "INSERT INTO profile (digest, file, text) VALUES (?1, ?2, ?3)",
        params![digest.as_slice(), file, text],
    )?;
    Ok(connection.last_insert_rowid())
}

/// JSON has no number for an uptime that is none (a device may print `NaN`), and such a mark is
/// worth nothing as a witness.
fn storable(snapshot: &Snapshot) -> Snapshot {
    let mut snapshot = snapshot.clone();
    if matches!(snapshot.witness, Some(Witness::Uptime(seconds)) if !seconds.is_finite()) {
        snapshot.witness = None;
    }
    snapshot
}

fn encode(snapshot: &Snapshot) -> rusqlite::Result<String> {
    serde_json::to_string(snapshot)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))
}

fn has(connection: &Connection, table: &str, id: i64) -> rusqlite::Result<bool> {
    connection
        .prepare_cached(&format!("SELECT 1 FROM {table} WHERE id = ?1"))?
        .exists(params![id])
}

fn unknown(what: &'static str, number: i64) -> Refusal {
    Refusal::Refused(JournalError::Unknown { what, number })
}

/// RFC 3339 in UTC, to the millisecond.
pub(super) fn time(at: Timestamp) -> String {
    format!("{at:.3}")
}
