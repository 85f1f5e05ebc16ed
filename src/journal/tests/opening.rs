//! What a folder must be like, and what is refused untouched.

use std::{fs, path::Path};

use jiff::Timestamp;
use rusqlite::Connection;

use super::{as_found_after_a_cut, begun, contents, folder};
use crate::journal::{
    Archive, DataFolder, Holder, Journal, JournalError, RecordId, schema::MIGRATIONS,
};

#[cfg(unix)]
#[tokio::test]
async fn folder_and_files_are_the_persons_alone() {
    use std::os::unix::fs::MetadataExt;
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    begun(&journal).await;
    let mode = |path: &Path| fs::metadata(path).expect("its facts").mode() & 0o777;
    assert_eq!(mode(folder.path()), 0o700);
    for file in [
        "journal.sqlite3",
        "journal.sqlite3-wal",
        "journal.sqlite3-shm",
        "lock",
    ] {
        assert_eq!(mode(&folder.path().join(file)), 0o600, "{file}");
    }
}

#[cfg(unix)]
#[tokio::test]
async fn journal_that_others_could_read_is_closed_to_them() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    let (_top, folder) = folder();
    drop(Journal::open(&folder).expect("opened"));
    fs::set_permissions(folder.journal(), fs::Permissions::from_mode(0o644)).expect("set");
    let _journal = Journal::open(&folder).expect("opened");
    let mode = fs::metadata(folder.journal()).expect("its facts").mode();
    assert_eq!(mode & 0o777, 0o600);
}

#[tokio::test]
async fn second_writer_is_told_who_holds_the_folder() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let clone = journal.clone();
    let error = Journal::open(&folder).expect_err("held");
    assert_eq!(error.code(), "journal-busy");
    let pid = std::process::id();
    assert!(matches!(error, JournalError::Busy { pid: Some(held), .. } if held == pid));
    assert_eq!(folder.holder(), Some(Holder { pid: Some(pid) }));
    assert_eq!(folder.practice().holder(), None);
    drop(journal);
    assert!(Journal::open(&folder).is_err(), "a clone still holds it");
    drop(clone);
    assert_eq!(folder.holder(), None);
    Journal::open(&folder).expect("let in");
    Journal::open(&folder.practice()).expect("practice has a journal of its own");
}

#[test]
fn history_without_a_journal_is_empty_and_makes_nothing() {
    let (_top, folder) = folder();
    let archive = Archive::open(&folder).expect("opened");
    assert!(archive.devices().expect("read").is_empty());
    assert!(archive.unfinished().expect("read").is_empty());
    assert_eq!(archive.record(RecordId(1)).expect("read"), None);
    assert!(!folder.path().exists());
}

#[cfg(unix)]
#[tokio::test]
async fn history_can_be_read_where_nothing_can_be_written() {
    use std::os::unix::fs::PermissionsExt;
    let top = tempfile::tempdir().expect("a folder");
    // Characters that mean something in an address must not change which file it is.
    let folder = DataFolder::at(&top.path().join("50% of? #all"));
    let journal = Journal::open(&folder).expect("opened");
    begun(&journal).await;
    drop(journal);
    assert_eq!(contents(folder.path()).len(), 1, "no log");
    let mode = |mode| fs::set_permissions(folder.path(), fs::Permissions::from_mode(mode));
    mode(0o500).expect("set");
    // Root may write there all the same, and reads by the usual way.
    let devices = Archive::open(&folder).and_then(|archive| archive.devices());
    mode(0o700).expect("set");
    assert_eq!(devices.expect("read").len(), 1);
}

#[test]
fn beginning_that_was_cut_off_is_begun_anew() {
    let (_top, folder) = folder();
    folder.make().expect("made");
    let part = folder.beginning();
    fs::write(&part, "half a page").expect("written");
    assert!(
        Archive::open(&folder)
            .expect("opened")
            .devices()
            .expect("read")
            .is_empty()
    );
    Journal::open(&folder).expect("begun");
    assert!(!part.exists());
    assert!(folder.journal().exists());
}

/// Both doors refuse with this code, and no byte of the folder changes.
fn refused_untouched(folder: &DataFolder, code: &str, what: &str) {
    let before = contents(folder.path());
    let error = Journal::open(folder).expect_err(what);
    assert_eq!(error.code(), code, "{what}: {error}");
    assert!(
        error
            .help()
            .is_some_and(|help| help.contains("not touched")),
        "{what}"
    );
    assert_eq!(contents(folder.path()), before, "{what}: the writer");
    let error = Archive::open(folder).expect_err(what);
    assert_eq!(error.code(), code, "{what}: {error}");
    assert_eq!(contents(folder.path()), before, "{what}: the reader");
}

#[tokio::test]
async fn journal_of_a_later_program_is_refused_untouched() {
    let (top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    begun(&journal).await;
    journal
        .alone(|connection| connection.pragma_update(None, "user_version", 99))
        .await
        .expect("run")
        .expect("set");
    // A cut left the version in the log alone, so that opening it carelessly would move it.
    let cut = DataFolder::at(&top.path().join("cut"));
    as_found_after_a_cut(&folder, &cut);
    assert_eq!(contents(cut.path()).len(), 2, "file and log");
    refused_untouched(&cut, "journal-newer", "version 99");
    let error = Journal::open(&cut).expect_err("newer");
    assert!(error.to_string().contains("has version 99"), "{error}");
}

#[tokio::test]
async fn damaged_journal_is_refused_untouched() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    for _ in 0..20 {
        begun(&journal).await;
    }
    drop(journal);
    let sound = fs::read(folder.journal()).expect("read");
    let flipped = |at: usize| {
        let mut bytes = sound.clone();
        bytes[at] ^= 0x5a;
        bytes
    };
    // Bytes that look random and are the same in every run (a linear congruential generator with
    // the constants of Numerical Recipes).
    let noise = |length: usize| -> Vec<u8> {
        (0..length)
            .scan(42_u32, |state, _| {
                *state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                Some(state.to_be_bytes()[0])
            })
            .collect()
    };
    let page = 4096;
    assert!(sound.len() > 3 * page, "several pages");
    for (what, bytes) in [
        ("nothing at all", Vec::new()),
        ("one byte", noise(1)),
        ("a header of noise", noise(100)),
        ("noise", noise(20_000)),
        ("a text", b"dear heron".repeat(900)),
        ("cut within the first page", sound[..1000].to_vec()),
        ("cut after the first page", sound[..page].to_vec()),
        (
            "cut within the last page",
            sound[..sound.len() - 100].to_vec(),
        ),
        ("flipped magic", flipped(3)),
        ("flipped page size", flipped(16)),
        ("flipped application id", flipped(68)),
        ("flipped kind of the first page", flipped(100)),
        ("flipped kind of a later page", flipped(2 * page)),
    ] {
        fs::write(folder.journal(), bytes).expect("written");
        refused_untouched(&folder, "journal-damaged", what);
    }
    fs::write(folder.journal(), &sound).expect("written");
    Journal::open(&folder).expect("the sound one still opens");
}

#[test]
fn database_of_another_program_is_refused_untouched() {
    let (_top, folder) = folder();
    folder.make().expect("made");
    Connection::open(folder.journal())
        .and_then(|other| other.execute_batch("CREATE TABLE bird (name TEXT)"))
        .expect("made");
    refused_untouched(&folder, "journal-damaged", "another program's");
}

/// The journal as it was at first.
const FIRST: &[&str] = &[MIGRATIONS[0]];

#[tokio::test]
async fn earlier_journal_is_copied_before_it_is_brought_up() {
    let (_top, folder) = folder();
    let then = || Journal::open_with(&folder, FIRST, Timestamp::now);
    let journal = then().expect("opened");
    let (record, _) = begun(&journal).await;
    let shown = journal.fingerprint(b"sedge");
    drop(journal);
    let last = i64::try_from(MIGRATIONS.len()).expect("few");
    let copy = folder.copy_before(3);
    fs::write(copy.with_added_extension("part"), "cut off while copying").expect("written");

    let archive = Archive::open(&folder).expect("brought up for a reader too");
    assert!(archive.record(record).expect("read").is_some());
    assert_eq!(archive.fingerprint(b"sedge"), shown, "the key stays");
    let version = |file: &Path| {
        Connection::open(file)
            .and_then(|file| file.pragma_query_value(None, "user_version", |row| row.get(0)))
    };
    assert_eq!(version(&folder.journal()), Ok(last));
    assert_eq!(version(&copy), Ok(1));
    assert_eq!(copy.file_name(), Some("journal.sqlite3.before-v3".as_ref()));
    assert!(!copy.with_added_extension("part").exists());
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let mode = fs::metadata(&copy).expect("its facts").mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    let error = then().expect_err("no way back");
    assert_eq!(error.code(), "journal-newer");

    // The copy is a whole journal: put in place, it opens with the rules of then.
    drop(archive);
    fs::remove_file(folder.journal()).expect("removed");
    for log in ["-wal", "-shm"] {
        let mut path = folder.journal().into_os_string();
        path.push(log);
        let _ = fs::remove_file(path);
    }
    fs::rename(&copy, folder.journal()).expect("put in place");
    drop(then().expect("version 1 again"));
    let journal = Journal::open(&folder).expect("brought up once more");
    assert!(
        journal
            .archive()
            .expect("read")
            .record(record)
            .expect("read")
            .is_some()
    );
}

#[tokio::test]
async fn failing_migration_leaves_the_journal_at_its_version() {
    const BROKEN: &[&str] = &[
        MIGRATIONS[0],
        MIGRATIONS[1],
        MIGRATIONS[2],
        "CREATE TABLE berth (n); UPDATE nowhere SET n = 1;",
    ];
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    begun(&journal).await;
    drop(journal);
    Journal::open_with(&folder, BROKEN, Timestamp::now).expect_err("a faulty step");
    let journal = Journal::open(&folder).expect("still the last version");
    assert_eq!(
        journal
            .archive()
            .expect("read")
            .devices()
            .expect("read")
            .len(),
        1
    );
}

#[test]
fn folder_that_cannot_be_made_is_named() {
    let (top, _) = folder();
    let file = top.path().join("file");
    fs::write(&file, "heron").expect("written");
    let error = Journal::open(&DataFolder::at(&file.join("data"))).expect_err("below a file");
    assert_eq!(error.code(), "journal-folder-not-writable");
    assert!(
        error.to_string().contains("file/data` is not writable"),
        "{error}"
    );
}
