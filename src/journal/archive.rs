//! Reading the journal, while another program writes it or when there is none yet.
//!
//! Every answer is of one moment: what a writer adds meanwhile is in the next.

use std::{
    fmt,
    path::PathBuf,
    sync::{Mutex, MutexGuard, PoisonError},
};

use jiff::Timestamp;
use rusqlite::{Connection, Params, Row, params};

use crate::terms::Untrusted;

use super::{
    ChangeId, ChangeRow, DataFolder, DeviceId, DeviceRow, Journal, JournalError, Kept, RecordId,
    RecordRow, StepId, StepRow,
    device::{IDENTITY_COLUMNS, identity_of, parse_mac},
    fingerprint::FingerprintKey,
    schema::{self, MIGRATIONS, Migrations},
    write::from_word,
};

/// The reading side of a data folder's journal; there may be any number of them.
pub struct Archive {
    /// None while there is no journal, which is an empty history.
    connection: Option<Mutex<Connection>>,
    file: PathBuf,
    key: FingerprintKey,
}

impl Archive {
    /// Opens the folder's journal for reading. Where there is none, nothing is made, and the
    /// history is empty. One of an earlier version is brought up first, as a writer would.
    pub fn open(folder: &DataFolder) -> Result<Archive, JournalError> {
        Self::open_with(folder, MIGRATIONS)
    }

    /// The same with other versions.
    pub(super) fn open_with(
        folder: &DataFolder,
        migrations: Migrations,
    ) -> Result<Archive, JournalError> {
        let file = folder.journal();
        let there = file
            .try_exists()
            .map_err(|error| JournalError::reading(&file, error))?;
        folder.refuse_odd_files()?;
        if !there {
            return Self::empty(file);
        }
        let mut connection = schema::open_to_read(&file)?;
        if schema::look(&connection, &file, migrations)? < schema::last_version(migrations) {
            drop(connection);
            drop(Journal::open_with(folder, migrations, Timestamp::now)?);
            connection = schema::open_to_read(&file)?;
        }
        let key = schema::fingerprint_key(&connection, &file)?;
        Ok(Archive {
            connection: Some(Mutex::new(connection)),
            file,
            key,
        })
    }

    /// The same beside a journal of this process, which was looked at when it was opened, and is not
    /// read through once more.
    pub(super) fn beside(
        folder: &DataFolder,
        key: FingerprintKey,
    ) -> Result<Archive, JournalError> {
        let file = folder.journal();
        folder.refuse_odd_files()?;
        Ok(Archive {
            connection: Some(Mutex::new(schema::open_to_read(&file)?)),
            file,
            key,
        })
    }

    /// All devices; the one seen last stands first.
    pub fn devices(&self) -> Result<Vec<DeviceRow>, JournalError> {
        self.read(|reader| {
            reader.all(
                &format!(
                    "SELECT device.id, device.family, device.role, device.name, record.at,
                            {IDENTITY_COLUMNS}
                     FROM device JOIN record ON record.id =
                         (SELECT max(id) FROM record WHERE device = device.id)
                     ORDER BY record.id DESC"
                ),
                [],
                device_row,
            )
        })
    }

    /// The devices that somebody may mean: by serial or address as they stand, by BSSID, or by
    /// name in any case. The one seen last stands first.
    pub fn find(&self, who: &str) -> Result<Vec<DeviceRow>, JournalError> {
        let mut devices = self.devices()?;
        devices.retain(|device| is_meant(device, who.trim()));
        Ok(devices)
    }

    /// The records of a device, oldest first.
    pub fn records(&self, device: DeviceId) -> Result<Vec<RecordRow>, JournalError> {
        self.read(|reader| reader.records("record.device = ?1", device.0))
    }

    /// The last record of a device.
    pub fn last_record(&self, device: DeviceId) -> Result<Option<RecordRow>, JournalError> {
        self.read(|reader| {
            let which = "record.id = (SELECT max(id) FROM record WHERE device = ?1)";
            Ok(reader.records(which, device.0)?.pop())
        })
    }

    /// One record.
    pub fn record(&self, record: RecordId) -> Result<Option<RecordRow>, JournalError> {
        self.read(|reader| Ok(reader.records("record.id = ?1", record.0)?.pop()))
    }

    /// The last record of the device of this one, and when this one was kept; none: it was forgotten.
    pub fn last_since(
        &self,
        record: RecordId,
    ) -> Result<Option<(RecordId, Timestamp)>, JournalError> {
        self.read(|reader| {
            let sql = "SELECT (SELECT max(id) FROM record WHERE device = this.device), this.at
                       FROM record AS this WHERE this.id = ?1";
            let row = |row: &Row<'_>| Ok((RecordId(row.get(0)?), time(row, 1)?));
            Ok(reader.all(sql, params![record.0], row)?.pop())
        })
    }

    /// The changes of a device, oldest first.
    pub fn changes(&self, device: DeviceId) -> Result<Vec<ChangeRow>, JournalError> {
        self.read(|reader| reader.changes("record.device = ?1", params![device.0]))
    }

    /// One change.
    pub fn change(&self, change: ChangeId) -> Result<Option<ChangeRow>, JournalError> {
        self.read(|reader| Ok(reader.changes("change.id = ?1", params![change.0])?.pop()))
    }

    /// Whether an adapter is away from home, for a run that was ended or for one that is at work now.
    pub fn is_away(&self) -> Result<bool, JournalError> {
        self.read(|reader| {
            let sql = "SELECT id FROM away WHERE came IS NULL LIMIT 1";
            let rows = reader.all(sql, [], |row| row.get::<_, i64>(0))?;
            Ok(!rows.is_empty())
        })
    }

    /// Changes that are not settled, oldest first: cut off, or running in another program now, or
    /// ended unproved and not closed since.
    pub fn unfinished(&self) -> Result<Vec<ChangeRow>, JournalError> {
        self.read(|reader| {
            reader.changes(
                "(change.outcome IS NULL OR change.outcome = 'unproved') AND NOT EXISTS \
                 (SELECT 1 FROM step WHERE step.change = change.id AND step.kind = 'closed')",
                [],
            )
        })
    }

    /// What is shown of a secret, as [`super::Journal::fingerprint`] does. While there is no
    /// journal there is nothing to agree with, and every archive has a key of its own.
    pub fn fingerprint(&self, secret: &[u8]) -> String {
        self.key.of(secret)
    }

    fn empty(file: PathBuf) -> Result<Archive, JournalError> {
        let key = FingerprintKey::random().map_err(|error| JournalError::reading(&file, error))?;
        Ok(Archive {
            connection: None,
            file,
            key,
        })
    }

    /// Runs several statements as of one moment.
    pub(super) fn read<T: Default>(
        &self,
        work: impl FnOnce(&Reader<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, JournalError> {
        let Some(connection) = &self.connection else {
            return Ok(T::default());
        };
        // A reader that panicked has left nothing half done.
        let connection: MutexGuard<'_, Connection> =
            connection.lock().unwrap_or_else(PoisonError::into_inner);
        let result = connection.unchecked_transaction().and_then(|moment| {
            work(&Reader {
                connection: &moment,
            })
        });
        result.map_err(|error| match error {
            rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::InvalidColumnType(..) => JournalError::Damaged {
                file: self.file.clone(),
                detail: error.to_string(),
            },
            error => JournalError::sqlite(&self.file, error),
        })
    }
}

impl fmt::Debug for Archive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Archive")
            .field("file", &self.file)
            .finish_non_exhaustive()
    }
}

pub(super) struct Reader<'a> {
    pub(super) connection: &'a Connection,
}

impl Reader<'_> {
    pub(super) fn all<T>(
        &self,
        sql: &str,
        with: impl Params,
        row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<Vec<T>> {
        self.connection
            .prepare_cached(sql)?
            .query_map(with, row)?
            .collect()
    }

    fn records(&self, which: &str, number: i64) -> rusqlite::Result<Vec<RecordRow>> {
        self.all(
            &format!(
                "SELECT record.id, record.device, record.at, record.kept, record.condition,
                        record.simulated, profile.file, profile.text, record.snapshot
                 FROM record JOIN profile ON profile.id = record.profile
                 WHERE {which} ORDER BY record.id"
            ),
            params![number],
            |row| {
                Ok(RecordRow {
                    id: RecordId(row.get(0)?),
                    device: DeviceId(row.get(1)?),
                    at: time(row, 2)?,
                    kept: parsed(row, 3, Kept::from_word)?,
                    condition: parsed(row, 4, from_word)?,
                    simulated: row.get(5)?,
                    profile_file: row.get(6)?,
                    profile_text: row.get(7)?,
                    snapshot: parsed(row, 8, |text| serde_json::from_str(text).ok())?,
                })
            },
        )
    }

    fn changes(&self, which: &str, with: impl Params) -> rusqlite::Result<Vec<ChangeRow>> {
        let mut changes = self.all(
            &format!(
                "SELECT change.id, change.record, record.device, change.at, change.command,
                        profile.file, profile.text, change.body, change.outcome
                 FROM change
                 JOIN record ON record.id = change.record
                 JOIN profile ON profile.id = change.profile
                 WHERE {which} ORDER BY change.id"
            ),
            with,
            |row| {
                let outcome: Option<String> = row.get(8)?;
                Ok(ChangeRow {
                    id: ChangeId(row.get(0)?),
                    record: RecordId(row.get(1)?),
                    device: DeviceId(row.get(2)?),
                    at: time(row, 3)?,
                    command: row.get(4)?,
                    profile_file: row.get(5)?,
                    profile_text: row.get(6)?,
                    body: parsed(row, 7, |text| serde_json::from_str(text).ok())?,
                    outcome: outcome.map(|_| parsed(row, 8, from_word)).transpose()?,
                    steps: Vec::new(),
                })
            },
        )?;
        for change in &mut changes {
            change.steps = self.steps(change.id)?;
        }
        Ok(changes)
    }

    fn steps(&self, change: ChangeId) -> rusqlite::Result<Vec<StepRow>> {
        self.all(
            "SELECT id, at, kind, body FROM step WHERE change = ?1 ORDER BY id",
            params![change.0],
            |row| {
                Ok(StepRow {
                    id: StepId(row.get(0)?),
                    at: time(row, 1)?,
                    kind: row.get(2)?,
                    body: parsed(row, 3, |text| serde_json::from_str(text).ok())?,
                })
            },
        )
    }
}

fn device_row(row: &Row<'_>) -> rusqlite::Result<DeviceRow> {
    let identity = identity_of(row, 5)?;
    let name: Option<String> = row.get(3)?;
    Ok(DeviceRow {
        id: DeviceId(row.get(0)?),
        undetermined: !identity.is_strong(),
        identity,
        family: row.get(1)?,
        role: parsed(row, 2, from_word)?,
        name: name.map(Untrusted::new),
        last_seen: time(row, 4)?,
    })
}

fn is_meant(device: &DeviceRow, who: &str) -> bool {
    let identity = &device.identity;
    let serial = identity
        .serial
        .as_ref()
        .is_some_and(|serial| serial.raw() == who);
    let bssid = identity
        .bssid
        .is_some_and(|bssid| parse_mac(who) == Some(bssid.mac));
    let address = identity
        .address
        .as_ref()
        .is_some_and(|address| bare(address) == bare(who));
    let name = device
        .name
        .as_ref()
        .is_some_and(|name| name.raw().to_lowercase() == who.to_lowercase());
    serial || bssid || address || name
}

/// An address as people type it: `http://` and a last slash are left out.
fn bare(address: &str) -> &str {
    address
        .strip_prefix("http://")
        .unwrap_or(address)
        .trim_end_matches('/')
}

fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    parsed(row, column, |text| text.parse().ok())
}

/// A text column as what it stands for. The text itself may be a secret, so the error leaves it out.
fn parsed<T>(
    row: &Row<'_>,
    column: usize,
    parse: impl FnOnce(&str) -> Option<T>,
) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    parse(&text).ok_or_else(|| {
        let number: i64 = row.get(0).unwrap_or_default();
        let name = row.as_ref().column_name(column).unwrap_or("?").to_owned();
        rusqlite::Error::FromSqlConversionFailure(
            column,
            rusqlite::types::Type::Text,
            format!("`{name}` of row {number} is not understood").into(),
        )
    })
}
