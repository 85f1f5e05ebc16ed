//! What is kept comes back, in order, under the right device, until it is forgotten.

use std::{
    fs,
    sync::atomic::{AtomicI64, Ordering},
    time::Duration,
};

use jiff::Timestamp;
use rusqlite::Connection;
use serde_json::{Value as Json, json};

use super::{begun, facts, folder, kinds, marks, plan, snapshot};
use crate::{
    journal::{DataFolder, Journal, Kept, RecordId, ledger, schema::MIGRATIONS},
    terms::{Condition, Witness, output::Outcome},
};

#[tokio::test]
async fn order_is_the_rows_when_the_clock_jumps_back() {
    static NOW: AtomicI64 = AtomicI64::new(1_000_000);
    fn backwards() -> Timestamp {
        let now = NOW.fetch_sub(1000, Ordering::SeqCst);
        Timestamp::from_second(now).expect("a time")
    }
    let (_top, folder) = folder();
    let journal = Journal::open_with(&folder, MIGRATIONS, backwards).expect("opened");
    let (_, change) = begun(&journal).await;
    for kind in ["first", "second", "third"] {
        journal
            .append(change, kind, Json::Null)
            .await
            .expect("appended");
    }
    let teal = snapshot(marks(Some("TD-0043"), None), "Teal", "sedge");
    journal.keep(&teal, facts()).await.expect("kept");

    let archive = journal.archive().expect("read");
    assert_eq!(kinds(&archive, change), ["first", "second", "third"]);
    let steps = archive.change(change).expect("read").expect("there").steps;
    assert!(steps[0].at > steps[2].at, "the clock did jump");
    let devices = archive.devices().expect("read");
    let names: Vec<_> = devices.iter().flat_map(|device| &device.name).collect();
    assert_eq!(names, [&"Teal".into(), &"Heron".into()], "seen last, first");
}

#[tokio::test]
async fn change_is_unfinished_until_it_ends_and_unproved_can_be_settled() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let (record, change) = begun(&journal).await;
    let archive = journal.archive().expect("read");
    assert_eq!(archive.unfinished().expect("read")[0].id, change);

    let end = |outcome| journal.end(change, outcome, json!({"why": "tests"}));
    end(Outcome::Unproved).await.expect("ended");
    assert_eq!(archive.unfinished().expect("read")[0].id, change);
    end(Outcome::Done).await.expect("settled");
    assert!(archive.unfinished().expect("read").is_empty());
    let error = end(Outcome::Failed).await.expect_err("done is done");
    assert_eq!(error.code(), "journal-change-ended");
    let ended = archive.change(change).expect("read").expect("there");
    assert_eq!(ended.outcome, Some(Outcome::Done));
    assert_eq!(kinds(&archive, change), ["end", "end"]);
    assert_eq!(archive.changes(ended.device).expect("read"), [ended]);

    let error = journal.begin(plan(RecordId(record.0 + 1))).await;
    assert_eq!(
        error.expect_err("no such record").to_string(),
        "the journal holds no record `2`"
    );
}

#[tokio::test]
async fn word_of_a_person_is_added_after_the_end_and_settles_nothing() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("a journal");
    let (_, change) = begun(&journal).await;
    let row = |journal: &Journal| {
        let archive = journal.archive().expect("an archive");
        archive.change(change).expect("read").expect("there")
    };
    assert_eq!(ledger::follows(&row(&journal)), None);
    journal
        .end(change, Outcome::Unproved, json!({}))
        .await
        .expect("ended");
    for follows in [true, false] {
        ledger::say_follows(&journal, change, follows)
            .await
            .expect("said");
        assert_eq!(ledger::follows(&row(&journal)), Some(follows));
    }
    let row = row(&journal);
    assert_eq!(row.outcome, Some(Outcome::Unproved));
    let kinds: Vec<&str> = row.steps.iter().map(|step| step.kind.as_str()).collect();
    assert_eq!(kinds, ["end", "said", "said"], "nothing is rewritten");
    assert_eq!(
        ledger::read_steps(&row),
        Ok(Vec::new()),
        "no step of the change"
    );
    let archive = journal.archive().expect("an archive");
    assert_eq!(archive.unfinished().expect("read").len(), 1);
}

#[tokio::test]
async fn closed_change_stays_unproved_and_is_unfinished_no_more() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let (_, change) = begun(&journal).await;
    journal.close(change).await.expect("closed");
    let archive = journal.archive().expect("read");
    assert!(archive.unfinished().expect("read").is_empty());
    let closed = archive.change(change).expect("read").expect("there");
    assert_eq!(closed.outcome, Some(Outcome::Unproved));
}

#[tokio::test]
async fn snapshot_comes_back_to_the_last_digit() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let mut heron = snapshot(
        marks(Some("TD-0042"), Some((1, false))),
        "Heron",
        "\u{0}\u{1b}[2J",
    );
    let record = journal.keep(&heron, facts()).await.expect("kept");
    let archive = journal.archive().expect("read");
    let row = archive.record(record).expect("read").expect("there");
    assert_eq!(row.snapshot, heron);
    assert_eq!(
        (row.kept, row.condition),
        (Kept::BeforeChange, Condition::Locked)
    );
    assert_eq!(row.profile_text, "format = 1\n");
    assert!(!format!("{row:?}").contains('\u{1b}'));

    heron.witness = Some(Witness::Uptime(f64::NAN));
    let record = journal.keep(&heron, facts()).await.expect("kept");
    let row = archive.record(record).expect("read").expect("there");
    assert_eq!(row.snapshot.witness, None);
}

#[tokio::test]
async fn devices_are_told_apart_by_their_strong_marks() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let archive = journal.archive().expect("read");
    let device = async |identity, name| {
        let record = journal
            .keep(&snapshot(identity, name, "sedge"), facts())
            .await
            .expect("kept");
        archive.record(record).expect("read").expect("there").device
    };
    let heron = device(marks(Some("TD-1"), Some((1, true))), "Heron").await;
    let teal = device(marks(Some("TD-2"), Some((1, true))), "Teal").await;
    assert_ne!(heron, teal, "another serial is another device");
    let grebe = device(marks(None, Some((9, true))), "Grebe").await;
    assert_eq!(device(marks(None, Some((9, true))), "Grebe").await, grebe);
    assert_eq!(
        device(marks(Some("TD-9"), Some((9, true))), "Dabchick").await,
        grebe
    );
    let nobody = device(marks(None, Some((5, false))), "Coot").await;
    assert_eq!(device(marks(None, Some((6, false))), "Coot").await, nobody);

    let devices = archive.devices().expect("read");
    let ids: Vec<_> = devices.iter().map(|device| device.id).collect();
    assert_eq!(ids, [nobody, grebe, teal, heron]);
    assert!(devices[0].undetermined);
    assert!(!devices[1].undetermined);
    assert_eq!(
        devices[1].identity,
        marks(Some("TD-9"), Some((9, true))),
        "marks are added"
    );
    assert_eq!(archive.records(grebe).expect("read").len(), 3);

    let found = |who: &str| -> Vec<_> {
        let found = archive.find(who).expect("read");
        found.into_iter().map(|device| device.id).collect()
    };
    assert_eq!(found("TD-9"), [grebe]);
    assert_eq!(found("dabCHICK"), [grebe]);
    assert_eq!(found("Grebe"), [], "the name of before");
    assert_eq!(found("02:00:5E:00:00:01"), [teal, heron]);
    assert_eq!(found("192.168.77.1/"), ids);
    assert_eq!(found("td-9"), [], "a serial is taken to the letter");
}

#[tokio::test]
async fn rows_that_prove_to_be_one_device_become_one() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    for identity in [
        marks(Some("TD-1"), None),
        marks(None, Some((1, true))),
        marks(Some("TD-1"), Some((1, true))),
    ] {
        let read = snapshot(identity, "Heron", "sedge");
        journal.keep(&read, facts()).await.expect("kept");
    }
    let archive = journal.archive().expect("read");
    let devices = archive.devices().expect("read");
    assert_eq!(devices.len(), 1);
    assert_eq!(devices[0].identity, marks(Some("TD-1"), Some((1, true))));
    assert_eq!(archive.records(devices[0].id).expect("read").len(), 3);
}

#[tokio::test]
async fn secret_has_one_fingerprint_within_a_journal_and_for_good() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let shown = journal.fingerprint(b"reed warbler");
    assert_eq!(
        journal
            .archive()
            .expect("read")
            .fingerprint(b"reed warbler"),
        shown
    );
    drop(journal);
    let journal = Journal::open(&folder).expect("opened");
    assert_eq!(journal.fingerprint(b"reed warbler"), shown);
    assert_ne!(journal.fingerprint(b"reed bunting"), shown);
}

#[tokio::test]
async fn row_that_is_not_understood_is_named_without_its_text() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    begun(&journal).await;
    journal
        .alone(|connection| {
            connection.execute_batch(
                "DROP TRIGGER record_stays; UPDATE record SET snapshot = '{\"pass\": \"sedge\"}'",
            )
        })
        .await
        .expect("run")
        .expect("spoiled");
    let error = journal.archive().expect("opened").record(RecordId(1));
    let error = error.expect_err("no snapshot");
    assert_eq!(error.code(), "journal-damaged");
    assert!(error.to_string().contains("`snapshot` of row 1"), "{error}");
    assert!(!error.to_string().contains("sedge"), "{error}");
}

#[tokio::test]
async fn forgetting_leaves_no_byte_of_a_secret_in_any_file() {
    const SECRET: &str = "bittern-in-the-reeds";
    const OTHER: &str = "osprey-over-the-lake";
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    fs::write(folder.copy_before(1), SECRET).expect("a copy from before an upgrade");
    // Rows of both devices lie side by side and grow over pages.
    for round in 0..30 {
        for (serial, secret) in [("TD-1", SECRET), ("TD-2", OTHER)] {
            let read = snapshot(marks(Some(serial), None), secret, &secret.repeat(round + 1));
            let record = journal.keep(&read, facts()).await.expect("kept");
            let change = journal.begin(plan(record)).await.expect("begun");
            journal
                .append(
                    change,
                    "read-back",
                    json!({ "pass": secret.repeat(round * 30) }),
                )
                .await
                .expect("appended");
        }
    }
    assert!(holds(&folder, SECRET));
    let archive = journal.archive().expect("read");
    let bittern = archive.find("TD-1").expect("read")[0].id;

    let forgotten = journal.forget(bittern).await.expect("forgotten");
    assert_eq!(
        (
            forgotten.records,
            forgotten.changes,
            forgotten.steps,
            forgotten.traces_left
        ),
        (30, 30, 30, false)
    );
    assert!(!holds(&folder, SECRET));
    assert!(!holds(&folder, "TD-1"));
    assert!(holds(&folder, OTHER));
    assert!(archive.find("TD-1").expect("read").is_empty());
    let osprey = archive.find("TD-2").expect("read")[0].id;
    assert_eq!(archive.records(osprey).expect("read").len(), 30);
    assert_eq!(archive.changes(osprey).expect("read").len(), 30);

    let again = journal.forget(bittern).await.expect_err("gone");
    assert_eq!(again.code(), "journal-unknown-entry");
    let read = snapshot(marks(Some("TD-3"), None), "Coot", "sedge");
    let record = journal.keep(&read, facts()).await.expect("kept");
    assert_eq!(record, RecordId(61), "no number is used twice");
}

#[tokio::test]
async fn traces_that_a_reader_holds_are_told_and_gone_at_the_next_opening() {
    const SECRET: &str = "bittern-in-the-reeds";
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let read = snapshot(marks(Some("TD-1"), None), "Bittern", SECRET);
    journal.keep(&read, facts()).await.expect("kept");
    let bittern = journal.archive().expect("read").devices().expect("read")[0].id;
    let reader = Connection::open(folder.journal()).expect("opened");
    reader
        .execute_batch("BEGIN; SELECT * FROM record")
        .expect("reading");
    journal
        .alone(|connection| connection.busy_timeout(Duration::ZERO))
        .await
        .expect("run")
        .expect("set");

    let forgotten = journal.forget(bittern).await.expect("forgotten");
    assert!(forgotten.traces_left);
    assert!(holds(&folder, SECRET));
    drop(journal);
    drop(reader);
    drop(Journal::open(&folder).expect("opened"));
    assert!(!holds(&folder, SECRET));
}

fn holds(folder: &DataFolder, text: &str) -> bool {
    fs::read_dir(folder.path())
        .expect("listed")
        .map(|entry| fs::read(entry.expect("an entry").path()).expect("read"))
        .any(|bytes| {
            bytes
                .windows(text.len())
                .any(|part| part == text.as_bytes())
        })
}
