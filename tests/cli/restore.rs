//! `linkmend restore`: what was there is back and proved, and what must not be touched is not.

use mock_device::{Family, Scenario};
use serde_json::{Value as Json, json};

use crate::{
    browser, claims,
    harness::{Bench, side_by_side},
};

/// The number of the record that a reading is kept under.
fn record(bench: &Bench) -> String {
    let said = bench.linkmend(&["read", "--json"]).run().ends(0);
    said.json("read")["record"].to_string()
}

#[test]
fn lock_that_was_cleared_is_back_and_proved_by_the_number_of_its_record() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let at_first = bench.present();
        let said = bench.linkmend(&["unlock", "--yes", "--json"]).run().ends(0);
        let number = said.json("change")["record"].to_string();
        let before = bench.truth();
        let said = bench
            .linkmend(&["restore", &number, "--yes", "--json"])
            .run()
            .ends(0);
        let object = said.json("change");
        claims::are_true(&object, &before, &bench.truth());
        assert_eq!(object["outcome"], "done");
        assert_eq!(object["changes"][0]["before"]["value"], "off");
        assert_eq!(object["changes"][0]["after"]["value"], 7);
        assert_eq!(object["changes"][0]["proof"], "after-restart");
        let at_last = bench.present();
        assert_eq!(at_last.settings, at_first.settings);
        assert_eq!((at_last.saves, at_last.boots), (2, 2));
    });
}

#[test]
fn without_a_number_it_takes_the_record_before_the_last_change() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let at_first = bench.present();
    bench.linkmend(&["unlock", "--yes"]).run().ends(0);
    // A later reading is no change.
    bench.linkmend(&["read"]).run().ends(0);
    bench
        .linkmend(&["restore", "--yes"])
        .run()
        .ends(0)
        .says("from record 1,")
        .says("done, and proved model-lock off → slot 7 [proved: read after a witnessed restart]");
    assert_eq!(bench.present().settings, at_first.settings);
    // Where only the address tells a receiver, nobody guesses which record is its own.
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    bench.linkmend(&["unlock", "--yes"]).run().ends(0);
    let before = bench.truth();
    bench
        .linkmend(&["restore", "--yes"])
        .run()
        .ends(1)
        .says("there is no record from before a change of")
        .says("give a record's number")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn settings_of_all_forms_are_put_back_in_one_change() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let at_first = bench.present();
        let number = record(&bench);
        let mut alterations = vec![
            ("name", json!("Somebody's boat")),
            ("model-lock", json!("off")),
            ("bind-key", Json::Null),
            ("output-inverted", json!(false)),
            ("failsafe", json!("hold")),
            ("local-passphrase", json!("another one")),
            ("light", json!(99)),
        ];
        if *family == Family::SampleLogin {
            // It never shows these, or does not have them.
            let unseen = ["bind-key", "local-passphrase", "light"];
            alterations.retain(|(name, _)| !unseen.contains(name));
            alterations.push(("local-network", json!("another net")));
            alterations.push(("fallback-wait", json!(45)));
        }
        browser::alter(&bench, &alterations);
        let before = bench.truth();
        let said = bench
            .linkmend(&["restore", &number, "--yes", "--json"])
            .run()
            .ends(0);
        let object = said.json("change");
        claims::are_true(&object, &before, &bench.truth());
        assert_eq!(object["outcome"], "done", "{object}");
        let changes = object["changes"].as_array().expect("changes");
        let names: Vec<&str> = changes
            .iter()
            .map(|change| change["setting"].as_str().expect("a name"))
            .collect();
        let altered: Vec<&str> = alterations.iter().map(|(name, _)| *name).collect();
        assert_eq!(names, altered);
        for change in changes {
            assert_eq!(change["proof"], "after-restart", "{change}");
        }
        let (was, is) = (&before.devices[0], bench.present());
        assert_eq!(is.settings, at_first.settings);
        assert_eq!(is.unmapped, at_first.unmapped);
        let saves = match family {
            Family::SampleForm | Family::SampleLogin => 3,
            Family::SampleScript => 1,
        };
        assert_eq!(is.saves - was.saves, saves);
    });
}

#[test]
fn region_and_power_are_left_as_they_are_and_named() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let at_first = bench.present();
        let number = record(&bench);
        // One more that every family has.
        let changes = [
            ("region", json!("JP")),
            ("power", json!(100)),
            ("fallback-wait", json!(45)),
        ];
        browser::alter(&bench, &changes);
        bench
            .linkmend(&["restore", &number, "--yes"])
            .run()
            .ends(0)
            .says("note: `region` differs from the record and stays")
            .says("note: `power` differs from the record and stays");
        let now = bench.present().settings;
        assert_eq!([&now["region"], &now["power"]], [&json!("JP"), &json!(100)]);
        assert_eq!(now["fallback-wait"], at_first.settings["fallback-wait"]);
        // Where nothing else differs there is nothing to do, and it is said why.
        let before = bench.truth();
        bench
            .linkmend(&["restore", &number, "--yes"])
            .run()
            .ends(0)
            .says("nothing to do")
            .says("note: `region` differs from the record and stays");
        claims::is_untouched(&before, &bench.truth(), 0);
    });
}

#[test]
fn record_of_another_device_is_refused() {
    let one = Bench::seeded(Family::SampleForm, Scenario::Locked, 1);
    let other = Bench::seeded(Family::SampleForm, Scenario::Healthy, 2);
    let number = record(&one);
    let before = other.truth();
    let words = ["restore", &number, "--yes", "--trust-address"];
    one.through(&other.at(), &words)
        .run()
        .ends(6)
        .says(&format!("record {number} is of serial"))
        .says("answers here")
        .complains_once();
    claims::is_untouched(&before, &other.truth(), 0);
    // At another address, where only that could have told.
    let one = Bench::seeded(Family::SampleScript, Scenario::Locked, 1);
    let other = Bench::seeded(Family::SampleScript, Scenario::Healthy, 2);
    let number = record(&one);
    let before = other.truth();
    one.through(&other.at(), &["restore", &number, "--yes"])
        .run()
        .ends(6)
        .complains_once();
    claims::is_untouched(&before, &other.truth(), 0);
}

#[test]
fn unknown_record_is_wrong_usage() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    bench
        .linkmend(&["restore", "4711", "--yes"])
        .run()
        .ends(2)
        .says("there is no record 4711")
        .says("`linkmend history` lists the records")
        .complains_once();
    bench
        .linkmend(&["restore", "--yes"])
        .run()
        .ends(1)
        .says("there is no record from before a change of serial")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn dry_run_and_lack_of_consent_write_nothing() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let number = record(&bench);
    browser::alter(&bench, &[("light", json!(7)), ("name", json!("Nobody's"))]);
    let before = bench.truth();
    bench
        .linkmend(&["restore", &number, "--dry-run"])
        .run()
        .ends(0)
        .says("dry run: this would be written")
        .says("light 7 % → 40 %");
    bench
        .linkmend(&["restore", &number])
        .run()
        .ends(6)
        .says("add --yes")
        .complains_once();
    let said = bench
        .linkmend(&["restore", &number, "--json"])
        .run()
        .ends(6);
    assert_eq!(said.json("change")["outcome"], "refused");
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn across_two_firmware_versions_what_fits_is_back_and_the_rest_is_named() {
    // The same receiver, before and after somebody put another firmware on it.
    let old = Bench::new(Family::SampleForm, Scenario::Locked);
    let new = Bench::with_firmware(Family::SampleForm, Scenario::Locked, "3.0.2");
    let words = [
        "write",
        "name=Teal",
        "waveform=gale",
        "light=77",
        "failsafe=cut",
        "--yes",
    ];
    old.linkmend(&words).run().ends(0);
    let number = record(&old);
    let before = new.truth();
    let said = old
        .through(&new.at(), &["restore", &number, "--yes", "--json"])
        .run()
        .ends(0);
    let object = said.json("change");
    claims::are_true(&object, &before, &new.truth());
    assert_eq!(object["outcome"], "done", "{object}");
    let now = new.present().settings;
    assert_eq!(
        (&now["name"], &now["failsafe"]),
        (&json!("Teal"), &json!("cut"))
    );
    assert_eq!(now["waveform"], before.devices[0].settings["waveform"]);
    let notes = object["notes"].to_string();
    for note in [
        "not restored: `light` is on record, and this receiver has it no more",
        "not restored: `waveform` does not fit as gale:",
        "the record is of firmware 2.4.1, and this receiver has 3.0.2",
    ] {
        assert!(notes.contains(note), "{notes}");
    }
    // Where all that fits is there already, the rest is named all the same.
    let before = new.truth();
    let again = old.through(&new.at(), &["restore", &number, "--yes"]);
    let said = again.run().ends(0);
    said.says("nothing to do")
        .says("note: not restored: `waveform`");
    claims::is_untouched(&before, &new.truth(), 0);
    // And back: what the newer one did not have stays as it is.
    let said = new.linkmend(&["read", "--json"]).run().ends(0);
    let number = said.json("read")["record"].to_string();
    let light = old.setting("light");
    old.linkmend(&["write", "name=Smew", "--yes"]).run().ends(0);
    let said = new.through(&old.at(), &["restore", &number, "--yes"]).run();
    said.ends(0)
        .says("note: the record is of firmware 3.0.2, and this receiver has 2.4.1")
        .says("note: `light` is not on record and stays");
    assert_eq!(
        (old.setting("name"), old.setting("light")),
        (json!("Teal"), light)
    );
}

#[test]
fn a_setting_that_older_firmware_lacks_is_named_and_the_rest_is_back() {
    let new = Bench::new(Family::SampleLogin, Scenario::Locked);
    let old = Bench::with_firmware(Family::SampleLogin, Scenario::Locked, "1.7.3");
    let words = ["write", "name=Teal", "fallback-wait=90", "--yes"];
    new.linkmend(&words).run().ends(0);
    let number = record(&new);
    let before = old.truth();
    let call = new.through(&old.at(), &["restore", &number, "--yes", "--json"]);
    let object = call.run().ends(0).json("change");
    claims::are_true(&object, &before, &old.truth());
    assert_eq!(old.setting("name"), "Teal");
    let notes = object["notes"].to_string();
    assert!(notes.contains("not restored: `fallback-wait`"), "{notes}");
}
