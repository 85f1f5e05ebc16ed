//! What returned is on the disk, and what failed has left nothing.

use std::sync::mpsc;

use jiff::Timestamp;
use serde_json::{Value as Json, json};

use super::{as_found_after_a_cut, begun, folder, kinds};
use crate::journal::{Archive, ChangeId, DataFolder, Journal, write};

#[tokio::test]
async fn what_returned_is_found_by_others_and_after_a_cut() {
    let (top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let (record, change) = begun(&journal).await;
    journal
        .append(change, "will-write", json!({"save": "radio"}))
        .await
        .expect("appended");

    let archive = Archive::open(&folder).expect("a reader beside the writer");
    assert_eq!(kinds(&archive, change), ["will-write"]);
    let cut = DataFolder::at(&top.path().join("cut"));
    as_found_after_a_cut(&folder, &cut);
    let after = Journal::open(&cut).expect("recovered");
    let unfinished = after.archive().expect("read").unfinished().expect("read");
    assert_eq!(unfinished.len(), 1);
    assert_eq!(unfinished[0].record, record);
    assert_eq!(unfinished[0].command, "unlock");
    assert_eq!(unfinished[0].profile_text, "format = 1\n");
    assert_eq!(unfinished[0].body, json!({"model-lock": "off"}));
    assert_eq!(unfinished[0].steps[0].body, json!({"save": "radio"}));

    journal
        .append(change, "wrote", Json::Null)
        .await
        .expect("appended");
    assert_eq!(kinds(&archive, change), ["will-write", "wrote"]);
}

#[tokio::test]
async fn commits_wait_for_the_disk() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let modes = journal
        .alone(|connection| {
            let number = |name| {
                connection
                    .pragma_query_value(None, name, |row| row.get::<_, i64>(0))
                    .expect(name)
            };
            let mode: String = connection
                .pragma_query_value(None, "journal_mode", |row| row.get(0))
                .expect("a mode");
            (
                mode,
                number("synchronous"),
                number("secure_delete"),
                number("temp_store"),
            )
        })
        .await
        .expect("asked");
    // FULL is 2, ON is 1, MEMORY is 2 (sqlite.org/pragma.html).
    assert_eq!(modes, ("wal".to_owned(), 2, 1, 2));
}

#[tokio::test]
async fn appends_that_queued_up_share_one_commit() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let (_, change) = begun(&journal).await;
    let before = journal.commits();

    // The writer is held at a gate while all queue up.
    let (gate, held) = mpsc::channel::<()>();
    let waiting = journal.alone(move |_| held.recv());
    let appends: Vec<_> = (0..64)
        .map(|n| {
            journal.write(move |connection| {
                write::step(connection, Timestamp::UNIX_EPOCH, change, "step", &json!(n))
            })
        })
        .collect();
    let nobody = journal.write(|connection| {
        write::step(
            connection,
            Timestamp::UNIX_EPOCH,
            ChangeId(99),
            "step",
            &Json::Null,
        )
    });
    drop(gate);
    waiting.await.expect("run").expect_err("the gate is open");
    let mut steps = Vec::new();
    for append in appends {
        steps.push(append.await.expect("appended"));
    }

    assert_eq!(journal.commits() - before, 1);
    assert!(
        steps.is_sorted(),
        "in the order in which they were asked for"
    );
    let refused = nobody.await.expect_err("no such change");
    assert_eq!(refused.code(), "journal-unknown-entry");
    let archive = journal.archive().expect("read");
    assert_eq!(kinds(&archive, change).len(), 64, "the others went on");
}

#[tokio::test]
async fn dropping_the_last_handle_writes_what_is_queued() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let (_, change) = begun(&journal).await;
    let (gate, held) = mpsc::channel::<()>();
    drop(journal.alone(move |_| held.recv()));
    for _ in 0..5 {
        drop(journal.write(move |connection| {
            write::step(
                connection,
                Timestamp::UNIX_EPOCH,
                change,
                "late",
                &Json::Null,
            )
        }));
    }
    drop(gate);
    drop(journal);
    let archive = Archive::open(&folder).expect("read");
    assert_eq!(kinds(&archive, change).len(), 5);
}

#[tokio::test]
async fn kept_rows_cannot_be_rewritten() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let (_, change) = begun(&journal).await;
    journal
        .append(change, "wrote", Json::Null)
        .await
        .expect("appended");
    for sql in [
        "UPDATE step SET kind = 'other'",
        "UPDATE record SET snapshot = '{}'",
        "UPDATE change SET body = '{}'",
    ] {
        let tried = journal.alone(move |connection| connection.execute_batch(sql));
        let error = tried.await.expect("run").expect_err(sql);
        assert!(error.to_string().contains("append-only"), "{error}");
    }
}

#[tokio::test]
async fn full_disk_fails_the_waiting_and_spares_the_rest() {
    let (_top, folder) = folder();
    let journal = Journal::open(&folder).expect("opened");
    let (_, change) = begun(&journal).await;
    let pages = |journal: &Journal, most: i64| {
        journal.alone(move |connection| {
            // SQLite lowers the bound to no less than what is in use.
            connection
                .pragma_update_and_check(None, "max_page_count", most, |row| row.get::<_, i64>(0))
        })
    };
    pages(&journal, 1).await.expect("run").expect("set");

    let (gate, held) = mpsc::channel::<()>();
    drop(journal.alone(move |_| held.recv()));
    let small = journal.write(move |connection| {
        write::step(
            connection,
            Timestamp::UNIX_EPOCH,
            change,
            "small",
            &Json::Null,
        )
    });
    let large = journal.write(move |connection| {
        let body = Json::from("sedge ".repeat(20_000));
        write::step(connection, Timestamp::UNIX_EPOCH, change, "large", &body)
    });
    drop(gate);
    for waiting in [small.await, large.await] {
        let error = waiting.expect_err("one commit, and it failed");
        assert_eq!(error.code(), "journal-full", "{error}");
        assert!(error.help().is_some_and(|help| help.contains("make room")));
    }
    let archive = journal.archive().expect("read");
    assert!(kinds(&archive, change).is_empty(), "nothing of it stays");

    pages(&journal, 1_000_000).await.expect("run").expect("set");
    journal
        .append(change, "after", Json::Null)
        .await
        .expect("the writer lives");
    assert_eq!(kinds(&archive, change), ["after"]);
    assert_eq!(
        archive.devices().expect("read").len(),
        1,
        "and so does what was before"
    );
}
