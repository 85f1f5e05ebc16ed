//! The journal's promises, on real files: what the tests have in common.

mod durable;
mod history;
mod opening;

use std::{fs, path::Path};

use serde_json::json;
use tempfile::TempDir;

use super::{Archive, ChangeId, DataFolder, Journal, Kept, NewChange, RecordFacts, RecordId};
use crate::terms::{
    Bssid, Condition, Device, Entry, Identity, Raw, Reading, Role, Snapshot, Value, Witness,
};

fn folder() -> (TempDir, DataFolder) {
    let top = tempfile::tempdir().expect("a folder");
    let folder = DataFolder::at(&top.path().join("data"));
    (top, folder)
}

fn marks(serial: Option<&str>, bssid: Option<(u8, bool)>) -> Identity {
    Identity {
        serial: serial.map(Into::into),
        bssid: bssid.map(|(last, stable)| Bssid {
            mac: [2, 0, 0x5e, 0, 0, last],
            stable,
        }),
        address: Some("http://192.168.77.1".into()),
    }
}

fn snapshot(identity: Identity, name: &str, secret: &str) -> Snapshot {
    let entry = |value, secret| Entry {
        reading: Reading::Known(value),
        secret,
    };
    Snapshot {
        device: Device {
            identity,
            family: "sample-form".into(),
            role: Role::Receiver,
        },
        settings: [
            ("name", entry(Value::Text(name.into()), false)),
            ("local-passphrase", entry(Value::Text(secret.into()), true)),
        ]
        .into_iter()
        .map(|(name, entry)| (name.parse().expect("a name"), entry))
        .collect(),
        places: [("pass".parse().expect("a name"), Raw::Text(secret.into()))].into(),
        rest: [("/trim".to_owned(), Raw::Json(json!(121.487_919_511_619_45)))].into(),
        faulty: Some(false),
        witness: Some(Witness::Uptime(31.245_270_191_439_438)),
    }
}

pub(super) fn snapshot_of(serial: &str) -> Snapshot {
    snapshot(marks(Some(serial), None), "Heron", "reed warbler")
}

pub(super) fn facts() -> RecordFacts {
    RecordFacts {
        kept: Kept::BeforeChange,
        condition: Condition::Locked,
        profile_file: "sample-form.toml".into(),
        profile_text: "format = 1\n".into(),
        simulated: false,
    }
}

fn plan(record: RecordId) -> NewChange {
    NewChange {
        record,
        command: "unlock".into(),
        profile_file: "sample-form.toml".into(),
        profile_text: "format = 1\n".into(),
        body: json!({"model-lock": "off"}),
    }
}

/// One device, one record, one change that has begun.
async fn begun(journal: &Journal) -> (RecordId, ChangeId) {
    let heron = snapshot(marks(Some("TD-0042"), None), "Heron", "reed warbler");
    let record = journal.keep(&heron, facts()).await.expect("kept");
    let change = journal.begin(plan(record)).await.expect("begun");
    (record, change)
}

fn kinds(archive: &Archive, change: ChangeId) -> Vec<String> {
    let change = archive.change(change).expect("read").expect("there");
    change.steps.into_iter().map(|step| step.kind).collect()
}

/// Every file of a folder that holds what was kept, with its bytes.
fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<_> = fs::read_dir(folder)
        .expect("listed")
        .map(|entry| entry.expect("an entry"))
        .map(|entry| {
            (
                entry.file_name().into_string().expect("a text"),
                entry.path(),
            )
        })
        // The index of the log is rebuilt by whoever opens it, and holds nothing of its own; an
        // empty log is none.
        .filter(|(name, _)| name != "lock" && !name.ends_with("-shm"))
        .map(|(name, path)| (name, fs::read(path).expect("read")))
        .filter(|(name, bytes)| !(name.ends_with("-wal") && bytes.is_empty()))
        .collect();
    files.sort();
    files
}

/// What is on the disk at this moment, as it would be found after the power failed.
fn as_found_after_a_cut(folder: &DataFolder, to: &DataFolder) {
    fs::create_dir_all(to.path()).expect("made");
    for (name, bytes) in contents(folder.path()) {
        fs::write(to.path().join(name), bytes).expect("copied");
    }
}
