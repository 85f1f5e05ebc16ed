//! `linkmend unlock`, scenario by scenario, for every simulated family: what the person sees, the
//! exit code, and what is true of the device afterwards.

use std::sync::{Arc, Mutex};

use mock_device::{Family, Scenario};
use serde_json::json;

use crate::{
    browser, claims,
    harness::{Bench, side_by_side},
    relay::{Relay, Route},
};

mod looks;

use looks::looks;

/// Every family in every scenario, for a person and for a script.
fn every_case() -> Vec<(Family, Scenario, bool)> {
    let mut cases = Vec::new();
    for family in Family::ALL {
        for scenario in Scenario::ALL.into_iter().filter(|one| one.suits(family)) {
            cases.extend([(family, scenario, true), (family, scenario, false)]);
        }
    }
    cases
}

#[test]
fn every_scenario_ends_as_it_must_and_claims_only_what_is_true_of_the_device() {
    side_by_side(&every_case(), |(family, scenario, json)| {
        let looks = looks(*family, *scenario);
        let bench = Bench::new(*family, *scenario);
        let before = bench.truth();
        let words: &[&str] = if *json {
            &["unlock", "--yes", "--json"]
        } else {
            &["unlock", "--yes"]
        };
        let mut said = bench.linkmend(words).run().ends(looks.code);
        let after = bench.truth();
        let first = &after.devices[0];
        assert_eq!(
            (first.saves, first.boots),
            (looks.saves, looks.boots),
            "{family} {scenario}"
        );
        if *json {
            assert_eq!(said.stderr, "", "nothing beside the object");
            let object = said.json("change");
            claims::are_true(&object, &before, &after);
            assert_eq!(
                object["outcome"].as_str().unwrap_or_default(),
                looks.outcome
            );
            let proof = object.pointer("/changes/0/proof");
            let proof = proof.and_then(|proof| proof.as_str());
            assert_eq!(
                proof.unwrap_or_default(),
                looks.proof,
                "{family} {scenario}"
            );
        } else {
            for words in looks.words {
                said = said.says(words);
            }
            if looks.code != 0 {
                said.complains_once();
            }
        }
    });
}

#[test]
fn record_of_before_is_on_disk_when_the_save_reaches_the_device() {
    side_by_side(&Family::ALL, |family| {
        let bench = Arc::new(Bench::new(*family, Scenario::Locked));
        let told = Arc::new(Mutex::new(None));
        let (known, tell) = (Arc::downgrade(&bench), Arc::clone(&told));
        let address = bench.address();
        let relay = Relay::start(move |line, _| {
            let mut told = tell.lock().expect("the test goes on");
            // A login comes before, and writes nothing.
            let writes = line.starts_with("POST") && !line.starts_with("POST /come-in");
            if writes && told.is_none() {
                *told = known.upgrade().map(|bench| bench.history());
            }
            Route::To(address)
        });
        bench
            .through(&relay.at(), &["unlock", "--yes", "--trust-address"])
            .run()
            .ends(0);
        let told = told.lock().expect("the test goes on").take();
        let device = &told.expect("a save was sent")["devices"][0];
        assert_eq!(device["records"][0]["kept"], "before-change", "{device}");
        assert_eq!(device["records"][0]["condition"], "locked");
        assert_eq!(
            device["changes"][0]["record"],
            device["records"][0]["record"]
        );
        assert_eq!(
            device["changes"][0]["outcome"],
            json!(null),
            "it was not over"
        );
    });
}

#[test]
fn lookalike_that_takes_its_place_after_the_first_reading_is_never_written_to() {
    let first = Bench::seeded(Family::SampleForm, Scenario::Locked, 1);
    let lookalike = Bench::seeded(Family::SampleForm, Scenario::Locked, 2);
    let (one, other) = (first.address(), lookalike.address());
    // A dry run ends with the first reading, so it tells how many requests come before the second.
    let counting = Relay::start(move |_, _| Route::To(one));
    first
        .through(&counting.at(), &["unlock", "--dry-run"])
        .run()
        .ends(0);
    let until = counting.seen();
    let relay = Relay::start(move |_, number| Route::To(if number < until { one } else { other }));
    let before = (first.truth(), lookalike.truth());
    first
        .through(&relay.at(), &["unlock", "--yes"])
        .run()
        .ends(6)
        .says("refused; nothing was written")
        .says("another device answers there")
        .complains_once();
    claims::is_untouched(&before.0, &first.truth(), 0);
    claims::is_untouched(&before.1, &lookalike.truth(), 0);
}

#[test]
fn sets_the_lock_to_the_slot_of_the_transmitter() {
    let cases: Vec<_> = Family::ALL
        .into_iter()
        .flat_map(|family| [(family, Scenario::Locked), (family, Scenario::Healthy)])
        .collect();
    side_by_side(&cases, |(family, scenario)| {
        let bench = Bench::new(*family, *scenario);
        let before = bench.present();
        bench
            .linkmend(&["unlock", "--to", "3", "--yes"])
            .run()
            .ends(0)
            .says("→ slot 3")
            .says("select model memory 3 on the transmitter");
        let after = bench.present();
        assert_eq!(
            after.settings,
            claims::but(&before.settings, "model-lock", json!(3))
        );
        assert_eq!((after.saves, after.boots), (1, 1));
    });
}

#[test]
fn lock_that_is_as_wanted_already_is_left_alone() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let before = bench.truth();
        bench
            .linkmend(&["unlock", "--to", "7", "--yes"])
            .run()
            .ends(0)
            .says("nothing to do: it is set as wanted");
        claims::is_untouched(&before, &bench.truth(), 0);
    });
}

#[test]
fn slot_out_of_range_is_wrong_usage_and_the_range_is_said() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let before = bench.truth();
        for slot in ["41", "0", "-1", "3.5", "seven", ""] {
            let slot = format!("--to={slot}");
            bench
                .linkmend(&["unlock", &slot, "--yes"])
                .run()
                .ends(2)
                .says("a number from 1 to 40, or off")
                .complains_once();
        }
        claims::is_untouched(&before, &bench.truth(), 0);
    });
}

#[test]
fn dry_run_says_the_plan_and_changes_nothing_on_the_device_or_on_record() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let before = bench.truth();
        bench
            .linkmend(&["unlock", "--dry-run"])
            .run()
            .ends(0)
            .says("dry run: this would be written model-lock slot 7 → off");
        let said = bench
            .linkmend(&["unlock", "--dry-run", "--yes", "--json"])
            .run()
            .ends(0);
        assert_eq!(said.json("change")["outcome"], "planned");
        claims::is_untouched(&before, &bench.truth(), 0);
        bench.off_device(&["resume"]).run().ends(0);
    });
}

#[test]
fn without_yes_and_without_a_terminal_nothing_is_written() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let before = bench.truth();
        bench
            .linkmend(&["unlock"])
            .run()
            .ends(6)
            .says("nothing is written without consent, and there is no terminal to ask at")
            .says("add --yes")
            .complains_once();
        let said = bench.linkmend(&["unlock", "--json"]).run().ends(6);
        let object = said.json("change");
        assert_eq!(object["error"]["code"], "no-consent");
        assert_eq!(object["outcome"], "refused");
        claims::is_untouched(&before, &bench.truth(), 0);
        // Nothing is left to be finished either.
        bench
            .off_device(&["resume"])
            .run()
            .ends(0)
            .says("nothing is unfinished");
    });
}

#[test]
fn goes_on_only_with_the_device_that_was_named() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let before = bench.truth();
        bench
            .linkmend(&["unlock", "--yes", "--device", "Nobody's boat"])
            .run()
            .ends(6)
            .says("`Nobody's boat` was asked for, and")
            .complains_once();
        claims::is_untouched(&before, &bench.truth(), 0);
        let device = &before.devices[0];
        let name = device.settings["name"]
            .as_str()
            .expect("a name")
            .to_lowercase();
        let who = device.serial.clone().unwrap_or(name);
        bench
            .linkmend(&["unlock", "--yes", "--device", &who])
            .run()
            .ends(0);
        assert_eq!(bench.setting("model-lock"), "off");
    });
}

#[test]
fn device_that_was_named_is_not_taken_for_its_lookalike() {
    let bench = Bench::new(Family::SampleForm, Scenario::SwappedBeforeWrite);
    let before = bench.truth();
    let serial = before.devices[0].serial.clone().expect("a serial");
    bench
        .linkmend(&["unlock", "--yes", "--device", &serial])
        .run()
        .ends(6)
        .says("was asked for, and serial")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
    claims::is_untouched(&before, &bench.truth(), 1);
}

#[test]
fn device_that_only_its_address_tells_from_others_is_not_written_to_by_a_script() {
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let before = bench.truth();
    bench
        .distrusting(&["unlock", "--yes"])
        .run()
        .ends(6)
        .says("only its address tells this receiver from others")
        .says("--trust-address")
        .complains_once();
    let said = bench
        .distrusting(&["unlock", "--yes", "--json"])
        .run()
        .ends(6);
    assert_eq!(
        said.json("change")["error"]["code"],
        "identity-undetermined"
    );
    claims::is_untouched(&before, &bench.truth(), 0);
    // One that shows a serial needs no such word.
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    bench.distrusting(&["unlock", "--yes"]).run().ends(0);
}

#[test]
fn practice_receiver_that_comes_back_as_another_one_is_told_by_its_bssid() {
    // This family shows no serial. The bench is there for its data folder.
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let words = [
        "unlock",
        "--practice",
        "swapped-after-restart",
        "--profile",
        "sample-script",
        "--yes",
    ];
    bench
        .off_device(&words)
        .run()
        .ends(7)
        .says("another device answers there");
    // What it left unfinished refuses another run on the same folder, so this one has its own.
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let said = bench.off_device(&words).word("--json").run().ends(7);
    assert_eq!(said.json("change")["error"]["code"], "another-device");
}

#[test]
fn quiet_prints_the_result_alone_and_faults_all_the_same() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let said = bench
        .linkmend(&["unlock", "--yes", "--quiet"])
        .run()
        .ends(0);
    assert_eq!(said.stderr, "");
    assert!(
        said.stdout.starts_with("done, and proved\n"),
        "{}",
        said.stdout
    );
    let said = bench
        .linkmend(&["unlock", "--to", "3", "--quiet"])
        .run()
        .ends(6);
    assert!(
        said.stdout.starts_with("refused; nothing was written\n"),
        "{}",
        said.stdout
    );
    said.complains_once();
}

#[test]
fn stdout_of_a_script_holds_the_one_object_however_much_is_logged() {
    let bench = Bench::new(Family::SampleForm, Scenario::NoAnswer);
    let said = bench
        .linkmend(&["unlock", "--yes", "--json", "--verbose"])
        .env("RUST_LOG", "trace")
        .run()
        .ends(0);
    assert_eq!(said.json("change")["outcome"], "done");
    assert!(said.stderr.contains("POST"), "{}", said.stderr);
}

#[test]
fn practice_receiver_is_unlocked_as_a_real_one_and_said_to_be_simulated() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let words = ["unlock", "--practice", "locked", "--profile", family.word()];
        // Its made-up BSSID tells it, as if it had been joined.
        let said = bench.off_device(&words).words(&["--yes"]).run().ends(0);
        assert!(
            said.stdout.starts_with("done, and proved\n"),
            "{}",
            said.stdout
        );
        said.says("PRACTICE: this receiver is simulated in this program and 20 times faster")
            .says("Nothing real is read or changed.")
            .says("proof read after a witnessed restart");
        let said = bench
            .off_device(&words)
            .words(&["--dry-run", "--json"])
            .run()
            .ends(0);
        let object = said.json("change");
        assert_eq!(object["simulated"], true);
        assert!(
            object["device"]["identity"]["bssid"].is_string(),
            "{object}"
        );
        assert_eq!(bench.truth().requests, [], "no other device was asked");
    });
}

#[test]
fn no_secret_is_in_the_output_whatever_the_log_level() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let said = bench
            .linkmend(&["unlock", "--yes", "--verbose"])
            .run()
            .ends(0);
        assert!(said.stderr.contains("POST"), "it logs:\n{}", said.stderr);
        // Every secret changes hands: they are read, written and compared.
        browser::alter(
            &bench,
            &[
                ("bind-key", json!("0badcafe1234")),
                ("local-passphrase", json!("eel & <grass>")),
                ("local-network", json!("Old pier")),
            ],
        );
        let said = bench
            .linkmend(&["restore", "1", "--yes", "--verbose"])
            .env("RUST_LOG", "trace")
            .run()
            .ends(0);
        assert!(said.stderr.contains("DEBUG"), "it logs:\n{}", said.stderr);
        for secret in [
            "0badcafe1234",
            "0B:AD:CA",
            "11,173,202",
            "eel &",
            "eel+",
            "Old pier",
            // What lets the program into the family with a login.
            "pass=",
            "heron-on-one-leg",
        ] {
            claims::keep(&[secret.to_owned()], &said.stdout);
            claims::keep(&[secret.to_owned()], &said.stderr);
        }
    });
}
