//! The shape of the file, what is looked at before it is trusted, and how an older one is brought
//! up.
//!
//! The look is taken through a connection that cannot write: closing one that can would move the
//! write-ahead log into the file, and a refused journal must stay as it was.

use std::{
    fs, io,
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension, params};

use super::{DataFolder, JournalError, files, fingerprint::FingerprintKey};

/// The letters `lmnd` as a 32-bit number, most significant first: what `PRAGMA application_id` and
/// `file` tell this journal by. Our own choice, free of the list in `SQLite`'s `magic.txt` (from
/// memory).
const APPLICATION_ID: i32 = 0x6C6D_6E64;
/// How long a statement waits for another program's lock: longer than any checkpoint of a journal,
/// shorter than a person's patience (no source).
const LOCK_WAIT: Duration = Duration::from_secs(5);

/// What brings a journal from one version to the next. The n-th makes version n; one that was
/// released never changes, and none goes back.
pub(super) type Migrations = &'static [&'static str];

/// All versions of the journal.
pub(super) const MIGRATIONS: Migrations = &[
    "
    CREATE TABLE meta (
        name TEXT PRIMARY KEY,
        value BLOB NOT NULL
    ) STRICT;
    CREATE TABLE profile (
        id INTEGER PRIMARY KEY,
        file TEXT NOT NULL,
        digest BLOB NOT NULL,                -- SHA-256 of the text
        text TEXT NOT NULL,
        UNIQUE (digest, file)
    ) STRICT;
    CREATE TABLE device (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        family TEXT NOT NULL,
        role TEXT NOT NULL,
        serial TEXT,
        bssid TEXT,                          -- 02:00:5e:00:00:01
        bssid_stable INTEGER,
        address TEXT,
        name TEXT
    ) STRICT;
    CREATE INDEX device_by_family ON device (family);
    CREATE TABLE record (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        device INTEGER NOT NULL REFERENCES device,
        at TEXT NOT NULL,                    -- RFC 3339, UTC
        kept TEXT NOT NULL,
        condition TEXT NOT NULL,
        simulated INTEGER NOT NULL,
        profile INTEGER NOT NULL REFERENCES profile,
        snapshot TEXT NOT NULL               -- JSON
    ) STRICT;
    CREATE INDEX record_by_device ON record (device);
    CREATE TABLE change (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        record INTEGER NOT NULL REFERENCES record,
        at TEXT NOT NULL,
        command TEXT NOT NULL,
        profile INTEGER NOT NULL REFERENCES profile,
        body TEXT NOT NULL,                  -- JSON
        outcome TEXT                         -- null: cut off, or running
    ) STRICT;
    CREATE INDEX change_by_record ON change (record);
    CREATE TABLE step (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        change INTEGER NOT NULL REFERENCES change,
        at TEXT NOT NULL,
        kind TEXT NOT NULL,
        body TEXT NOT NULL                   -- JSON
    ) STRICT;
    CREATE INDEX step_by_change ON step (change);
    CREATE TRIGGER step_stays BEFORE UPDATE ON step
        BEGIN SELECT RAISE(ABORT, 'steps are append-only'); END;
    CREATE TRIGGER record_stays
        BEFORE UPDATE OF at, kept, condition, simulated, profile, snapshot ON record
        BEGIN SELECT RAISE(ABORT, 'records are append-only'); END;
    CREATE TRIGGER plan_stays BEFORE UPDATE OF record, at, command, profile, body ON change
        BEGIN SELECT RAISE(ABORT, 'what was planned is append-only'); END;
",
    "
    CREATE TABLE away (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        adapter TEXT NOT NULL,
        at TEXT NOT NULL,
        boot TEXT NOT NULL,                  -- which start of the computer
        home TEXT NOT NULL,                  -- JSON
        came TEXT                            -- null: not back yet
    ) STRICT;
    CREATE TRIGGER home_stays BEFORE UPDATE OF adapter, at, boot, home ON away
        BEGIN SELECT RAISE(ABORT, 'the way home is append-only'); END;
",
    "
    CREATE INDEX device_by_serial ON device (family, serial);
    CREATE INDEX device_by_bssid ON device (family, bssid);
    CREATE INDEX device_by_address ON device (family, address);
    CREATE TABLE shelf_run (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        title TEXT NOT NULL,
        family TEXT NOT NULL,
        file TEXT NOT NULL,                  -- fingerprint of its text
        command TEXT NOT NULL,
        dry_run INTEGER NOT NULL,
        pid INTEGER NOT NULL,
        holder INTEGER NOT NULL,             -- which opening of this journal
        began TEXT NOT NULL,
        ended TEXT,                          -- null: cut off, or running
        state TEXT
    ) STRICT;
    CREATE INDEX shelf_run_by_title ON shelf_run (title);
    CREATE TABLE shelf_result (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        run INTEGER NOT NULL REFERENCES shelf_run,
        label TEXT NOT NULL,
        row TEXT NOT NULL,                   -- fingerprint of its row
        at TEXT NOT NULL,
        body TEXT NOT NULL                   -- JSON
    ) STRICT;
    CREATE INDEX shelf_result_by_run ON shelf_result (run);
    CREATE TABLE shelf_value (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        title TEXT NOT NULL,
        label TEXT NOT NULL,
        setting TEXT NOT NULL,
        at TEXT NOT NULL,
        value TEXT NOT NULL,                 -- JSON
        UNIQUE (title, label, setting)
    ) STRICT;
    CREATE TABLE shelf_summary (
        run INTEGER PRIMARY KEY REFERENCES shelf_run (id),
        body TEXT NOT NULL                   -- JSON
    ) STRICT;
    CREATE TRIGGER shelf_result_stays BEFORE UPDATE ON shelf_result
        BEGIN SELECT RAISE(ABORT, 'results are append-only'); END;
    CREATE TRIGGER shelf_value_stays BEFORE UPDATE ON shelf_value
        BEGIN SELECT RAISE(ABORT, 'what was drawn stays'); END;
    CREATE TRIGGER shelf_run_stays
        BEFORE UPDATE OF title, family, file, command, dry_run, pid, holder, began ON shelf_run
        BEGIN SELECT RAISE(ABORT, 'runs are append-only'); END;
",
];

/// Opens a journal that is only read.
///
/// Even a reader makes the log's index beside the file. Where it may not (a disk mounted read-only)
/// and there is no log, nobody is writing, and the file alone is read as it stands.
pub(super) fn open_to_read(file: &Path) -> Result<Connection, JournalError> {
    if let Err(error) = file.metadata() {
        return Err(JournalError::reading(file, error));
    }
    let connection = reader(file.to_owned())
        // What SQLite says of a file that may not be read is "unable to open".
        .map_err(|error| match error.sqlite_error_code() {
            Some(ErrorCode::CannotOpen) => {
                JournalError::reading(file, io::ErrorKind::PermissionDenied.into())
            }
            _ => JournalError::sqlite(file, error),
        })?;
    let version: rusqlite::Result<i64> = pragma(&connection, "user_version");
    match version.err().and_then(|error| error.sqlite_error_code()) {
        Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly) if !has_log(file) => {
            let Ok(mut address) = url::Url::from_file_path(file) else {
                return Ok(connection);
            };
            address.set_query(Some("immutable=1"));
            reader(address.as_str().into()).map_err(|error| JournalError::sqlite(file, error))
        }
        // Whatever else is wrong, looking at it will tell.
        _ => Ok(connection),
    }
}

fn reader(file: PathBuf) -> rusqlite::Result<Connection> {
    let connection = Connection::open_with_flags(
        file,
        OpenFlags::SQLITE_OPEN_READ_ONLY
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | OpenFlags::SQLITE_OPEN_URI,
    )?;
    connection.busy_timeout(LOCK_WAIT)?;
    // Sorting a large history must not spill secrets into a file of /tmp.
    connection.pragma_update(None, "temp_store", "MEMORY")?;
    Ok(connection)
}

/// Opens a journal that is written: what returned from a commit is on the disk, and what is deleted
/// is overwritten.
pub(super) fn open_to_write(file: &Path) -> Result<Connection, JournalError> {
    let failed = |error| JournalError::sqlite(file, error);
    let connection = Connection::open_with_flags(
        file,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )
    .map_err(failed)?;
    let mode = (|| {
        connection.busy_timeout(LOCK_WAIT)?;
        connection.pragma_update(None, "temp_store", "MEMORY")?;
        connection.pragma_update(None, "secure_delete", "ON")?;
        connection.pragma_update(None, "foreign_keys", "ON")?;
        let mode: String =
            connection.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))?;
        // In WAL mode anything less loses the last commits when the power fails.
        connection.pragma_update(None, "synchronous", "FULL")?;
        Ok(mode)
    })()
    .map_err(failed)?;
    if mode.eq_ignore_ascii_case("wal") {
        Ok(connection)
    } else {
        Err(JournalError::UnsafeFolder {
            folder: file.parent().unwrap_or(file).to_owned(),
            reason: "its file system does not carry a write-ahead log".into(),
        })
    }
}

/// Makes a journal that holds nothing yet. It appears under its name only when it is whole, so that
/// whatever is found under that name later was a journal once.
pub(super) fn create(folder: &DataFolder, migrations: Migrations) -> Result<(), JournalError> {
    let new = folder.beginning();
    remove_with_logs(&new)?;
    files::make_private(&new, folder.owner())
        .map_err(|error| JournalError::writing(&new, error))?;
    let mut connection = open_to_write(&new)?;
    bring_up(&mut connection, &new, 0, migrations)?;
    connection
        .close()
        .map_err(|(_, error)| JournalError::sqlite(&new, error))?;
    let file = folder.journal();
    files::put_in_place(&new, &file).map_err(|error| JournalError::writing(&file, error))
}

/// Looks whether the file is a sound journal that this program understands, and gives its version.
pub(super) fn look(
    connection: &Connection,
    file: &Path,
    migrations: Migrations,
) -> Result<i64, JournalError> {
    let failed = |error| JournalError::sqlite(file, error);
    let damaged = |detail: String| {
        Err(JournalError::Damaged {
            file: file.to_owned(),
            detail,
        })
    };
    let application: i32 = pragma(connection, "application_id").map_err(failed)?;
    let version: i64 = pragma(connection, "user_version").map_err(failed)?;
    if application != APPLICATION_ID {
        return damaged(format!(
            "it does not bear this program's mark (application id {application:#010x})"
        ));
    }
    let known = last_version(migrations);
    if version > known {
        return Err(JournalError::Newer {
            file: file.to_owned(),
            found: version,
            known,
        });
    }
    if version < 1 {
        return damaged(format!("it claims version {version}"));
    }
    // A few milliseconds for some megabytes; it reads every page once.
    let verdict: String = connection
        .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
        .map_err(failed)?;
    if verdict != "ok" {
        return damaged(verdict);
    }
    let page: u32 = pragma(connection, "page_size").map_err(failed)?;
    if is_cut(file, page.into()).map_err(|error| JournalError::reading(file, error))? {
        return damaged("its last page is cut off".into());
    }
    Ok(version)
}

/// Whether the file ends within a page, which `SQLite` takes for zeros. While the log holds
/// something it may: the missing end is there then.
fn is_cut(file: &Path, page: u64) -> io::Result<bool> {
    Ok(!has_log(file) && fs::metadata(file)?.len() % page.max(1) != 0)
}

fn has_log(file: &Path) -> bool {
    let mut log = file.as_os_str().to_owned();
    log.push("-wal");
    fs::metadata(log).is_ok_and(|log| log.len() > 0)
}

/// Brings a journal from a version to the last one, after a copy of it.
pub(super) fn migrate(
    connection: &mut Connection,
    folder: &DataFolder,
    from: i64,
    migrations: Migrations,
) -> Result<(), JournalError> {
    let last = last_version(migrations);
    if from < last {
        copy(connection, folder, &folder.copy_before(last))?;
        bring_up(connection, &folder.journal(), from, migrations)?;
    }
    Ok(())
}

/// The key under which this journal shows secrets.
pub(super) fn fingerprint_key(
    connection: &Connection,
    file: &Path,
) -> Result<FingerprintKey, JournalError> {
    let key: Option<Vec<u8>> = connection
        .query_row(
            "SELECT value FROM meta WHERE name = 'fingerprint-key'",
            [],
            |row| row.get(0),
        )
        .optional()
        .map_err(|error| JournalError::sqlite(file, error))?;
    key.map(FingerprintKey::kept)
        .ok_or_else(|| JournalError::Damaged {
            file: file.to_owned(),
            detail: "the key of its fingerprints is missing".into(),
        })
}

/// The version that the last of these makes.
pub(super) fn last_version(migrations: Migrations) -> i64 {
    i64::try_from(migrations.len()).unwrap_or(i64::MAX)
}

fn bring_up(
    connection: &mut Connection,
    file: &Path,
    from: i64,
    migrations: Migrations,
) -> Result<(), JournalError> {
    let key = FingerprintKey::random().map_err(|error| JournalError::reading(file, error))?;
    let steps = migrations
        .iter()
        .zip(1_i64..)
        .filter(|(_, version)| *version > from);
    for (sql, version) in steps {
        bring_to(connection, sql, version, &key)
            .map_err(|error| JournalError::sqlite(file, error))?;
    }
    Ok(())
}

fn bring_to(
    connection: &mut Connection,
    sql: &str,
    version: i64,
    key: &FingerprintKey,
) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(sql)?;
    if version == 1 {
        transaction.execute(
            "INSERT INTO meta (name, value) VALUES ('fingerprint-key', ?1)",
            params![key.bytes()],
        )?;
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    }
    transaction.pragma_update(None, "user_version", version)?;
    transaction.commit()
}

/// The copy appears under its name only when it is whole.
fn copy(connection: &Connection, folder: &DataFolder, to: &Path) -> Result<(), JournalError> {
    let mut part = to.as_os_str().to_owned();
    part.push(".part");
    let part = Path::new(&part);
    remove_with_logs(part)?;
    files::make_private(part, folder.owner())
        .map_err(|error| JournalError::writing(part, error))?;
    connection
        .backup("main", part, None::<fn(rusqlite::backup::Progress)>)
        .map_err(|error| JournalError::sqlite(part, error))?;
    files::put_in_place(part, to).map_err(|error| JournalError::writing(to, error))
}

/// Removes what an earlier run began and did not finish: a file that no program has open.
fn remove_with_logs(file: &Path) -> Result<(), JournalError> {
    for end in ["", "-wal", "-shm", "-journal"] {
        let mut path = file.as_os_str().to_owned();
        path.push(end);
        let path = Path::new(&path);
        match fs::remove_file(path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(JournalError::writing(path, error));
            }
            _ => {}
        }
    }
    Ok(())
}

fn pragma<T: rusqlite::types::FromSql>(connection: &Connection, name: &str) -> rusqlite::Result<T> {
    connection.pragma_query_value(None, name, |row| row.get(0))
}
