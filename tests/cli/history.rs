//! `linkmend history`: what was read and changed, and forgetting it.

use mock_device::{Family, Scenario};
use serde_json::json;

use crate::harness::{Bench, side_by_side};

#[test]
fn tells_records_and_changes_newest_first_with_their_outcomes() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        bench.linkmend(&["read"]).run().ends(0);
        bench.linkmend(&["unlock", "--yes"]).run().ends(0);
        bench.linkmend(&["unlock", "--to", "3"]).run().ends(6);
        let history = bench.history();
        let device = &history["devices"][0];
        let truth = bench.present();
        assert_eq!(device["name"], truth.settings["name"]);
        assert_eq!(device["device"]["identity"]["serial"], json!(truth.serial));
        let records: Vec<_> = device["records"]
            .as_array()
            .expect("records")
            .iter()
            .map(|record| (record["kept"].clone(), record["condition"].clone()))
            .collect();
        assert_eq!(
            records,
            [
                (json!("before-change"), json!("healthy")),
                (json!("before-change"), json!("locked")),
                (json!("read"), json!("locked")),
            ]
        );
        let [refused, done] = device["changes"].as_array().expect("changes").as_slice() else {
            panic!("two changes: {device:#}");
        };
        assert_eq!([&refused["outcome"], &done["outcome"]], ["refused", "done"]);
        assert_eq!(done["command"], "unlock");
        assert_eq!(done["changes"][0]["before"]["value"], 7);
        assert_eq!(done["changes"][0]["after"]["value"], "off");
        assert_eq!(done["changes"][0]["proof"], "after-restart");
        assert_eq!(refused["changes"][0]["proof"], "none");
        bench
            .off_device(&["history"])
            .run()
            .ends(0)
            .says("unlock: done model-lock slot 7 → off")
            .says("record 1");
    });
}

#[test]
fn names_a_device_by_serial_or_name_and_forgets_it_on_consent_alone() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    bench.linkmend(&["unlock", "--yes"]).run().ends(0);
    let truth = bench.present();
    let serial = truth.serial.expect("a serial");
    let name = truth.settings["name"].as_str().expect("a name").to_owned();
    for who in [serial.as_str(), name.as_str()] {
        let said = bench.off_device(&["history", who, "--json"]).run().ends(0);
        assert_eq!(
            said.json("history")["devices"].as_array().map(Vec::len),
            Some(1)
        );
    }
    bench
        .off_device(&["history", "Nobody"])
        .run()
        .ends(3)
        .says("the journal knows no device `Nobody`")
        .complains_once();
    bench
        .off_device(&["history", &serial, "--forget"])
        .run()
        .ends(6)
        .says("nothing is forgotten without consent")
        .complains_once();
    assert_eq!(bench.history()["devices"].as_array().map(Vec::len), Some(1));
    bench
        .off_device(&["history", &serial, "--forget", "--yes"])
        .run()
        .ends(0)
        .says("forgotten: 1 record and 1 change");
    assert_eq!(bench.history()["devices"], json!([]));
    let secret = truth.settings["local-passphrase"].as_str().expect("a text");
    for entry in std::fs::read_dir(bench.data()).expect("listed") {
        let path = entry.expect("an entry").path();
        let bytes = std::fs::read(&path).expect("read");
        let found = bytes
            .windows(secret.len())
            .any(|part| part == secret.as_bytes());
        assert!(!found, "its secret is still in `{}`", path.display());
    }
}

#[test]
fn empty_journal_is_no_fault() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    bench
        .off_device(&["history"])
        .run()
        .ends(0)
        .says("nothing is on record yet");
    assert_eq!(bench.history()["devices"], json!([]));
    assert_eq!(
        bench.data().read_dir().expect("listed").count(),
        0,
        "and makes none"
    );
}

#[test]
fn practice_takes_the_first_family_that_can_be_in_the_condition() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let said = bench
        .off_device(&["read", "--practice", "refused-login", "--json"])
        .run()
        .ends(6);
    assert_eq!(said.json("read")["error"]["code"], "login-refused");
}

#[test]
fn practice_receivers_have_a_journal_of_their_own() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let said = bench
        .off_device(&["read", "--practice", "healthy", "--json"])
        .run()
        .ends(0);
    assert_eq!(said.json("read")["simulated"], true);
    assert_eq!(bench.history()["devices"], json!([]));
    let said = bench
        .off_device(&["history", "--practiced", "--json"])
        .run()
        .ends(0);
    assert_eq!(
        said.json("history")["devices"].as_array().map(Vec::len),
        Some(1)
    );
}

#[test]
fn what_is_unfinished_is_not_forgotten() {
    let bench = Bench::new(Family::SampleForm, Scenario::LostRestart);
    bench.linkmend(&["unlock", "--yes"]).run().ends(7);
    let serial = bench.present().serial.expect("a serial");
    bench
        .off_device(&["history", &serial, "--forget", "--yes"])
        .run()
        .ends(6)
        .says("change 1 of it is unfinished, and its way back would be lost")
        .complains_once();
    bench.off_device(&["resume", "1", "--close"]).run().ends(0);
    bench
        .off_device(&["history", &serial, "--forget", "--yes"])
        .run()
        .ends(0)
        .says("forgotten: 1 record and 1 change");
}
