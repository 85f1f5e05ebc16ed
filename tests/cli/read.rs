//! `linkmend read`: every setting against the truth, the verdict, and what is expected.

use std::collections::BTreeSet;

use mock_device::{Family, Scenario};
use serde_json::{Value as Json, json};

use crate::{
    browser, claims,
    harness::{Bench, side_by_side},
    relay::Relay,
};

/// Settings whose values are shown by their fingerprints alone.
const SECRET: [&str; 3] = ["bind-key", "local-network", "local-passphrase"];

/// The settings of a reading, held against the truth.
#[track_caller]
fn are_the_settings_of(object: &Json, bench: &Bench) {
    let read = object["settings"].as_object().expect("settings");
    let truth = bench.present().settings;
    let names = |settings: &serde_json::Map<String, Json>| -> BTreeSet<String> {
        settings.keys().cloned().collect()
    };
    assert_eq!(names(read), names(&truth));
    for (name, setting) in read {
        let real = &truth[name];
        // It tells that it has a key, and of its passphrase nothing at all.
        let hides = match name.as_str() {
            "bind-key" => !real.is_null(),
            name => name == "local-passphrase",
        };
        if hides && bench.truth().family == Family::SampleLogin {
            assert_eq!(setting["state"], "write-only", "{name}");
            assert_eq!(setting["value"], Json::Null);
        } else if real.is_null() {
            assert_eq!(setting["state"], "absent", "{name}");
            assert_eq!(setting["value"], Json::Null);
        } else if SECRET.contains(&name.as_str()) {
            assert_eq!(setting["state"], "secret", "{name}");
            assert_eq!(setting["value"], Json::Null);
            assert!(setting["fingerprint"].is_string(), "{name}");
        } else {
            assert_eq!(setting["state"], "known", "{name}");
            assert_eq!(setting["value"], *real, "{name}");
        }
    }
}

/// The exit code and the error where nothing can be read.
fn unread(family: Family, scenario: Scenario) -> Option<(i32, &'static str)> {
    let code = match (scenario, family) {
        (Scenario::LengthTooLong, Family::SampleForm) => return None,
        (Scenario::Stalled | Scenario::CutOff | Scenario::LengthTooLong, _)
        | (Scenario::LengthTooShort, Family::SampleScript) => "answer-cut",
        (Scenario::EndlessBody | Scenario::Bomb, _) => "answer-too-large",
        (Scenario::DoubleLength | Scenario::ManyHeaders, _) => "no-answer",
        (Scenario::RedirectElsewhere, _) => "other-origin",
        (Scenario::RefusedLogin, _) => return Some((6, "login-refused")),
        (Scenario::DeepNesting, Family::SampleForm) => return Some((3, "page-over-limit")),
        (Scenario::DeepNesting, Family::SampleScript) => "json-unreadable",
        (Scenario::DeepNesting, Family::SampleLogin) => "page-unreadable",
        (Scenario::LengthTooShort, Family::SampleForm) => return Some((3, "no-receiver")),
        (Scenario::LengthTooShort, Family::SampleLogin) => "place-missing",
        _ => return None,
    };
    Some((1, code))
}

#[test]
fn every_scenario_gives_one_valid_object_that_is_true_and_writes_nothing() {
    let cases: Vec<_> = Family::ALL
        .into_iter()
        .flat_map(|family| Scenario::ALL.map(|scenario| (family, scenario)))
        .filter(|(family, scenario)| scenario.suits(*family))
        .collect();
    side_by_side(&cases, |(family, scenario)| {
        let bench = Bench::new(*family, *scenario);
        let before = bench.truth();
        let unread = unread(*family, *scenario);
        let said = bench
            .linkmend(&["read", "--json"])
            .run()
            .ends(unread.map_or(0, |(code, _)| code));
        assert_eq!(said.stderr, "");
        let object = said.json("read");
        for index in 0..before.devices.len() {
            claims::is_untouched(&before, &bench.truth(), index);
        }
        if let Some((_, error)) = unread {
            assert_eq!(object["error"]["code"], error, "{family} {scenario}");
            return;
        }
        let condition = match scenario {
            Scenario::Unbound => "unbound",
            Scenario::Healthy => "healthy",
            Scenario::Faulty => "faulty",
            _ => "locked",
        };
        assert_eq!(object["condition"], condition, "{family} {scenario}");
        assert_eq!(object["findings"][0]["condition"], condition);
        assert_eq!(object["device"]["family"], family.word());
        if *scenario != Scenario::SwappedBeforeWrite {
            are_the_settings_of(&object, &bench);
            let serial = before.devices[0].serial.clone();
            assert_eq!(object["device"]["identity"]["serial"], json!(serial));
        }
        // It is on record under the number that it says.
        let record = &bench.history()["devices"][0]["records"][0];
        assert_eq!(record["record"], object["record"]);
        assert_eq!(record["kept"], "read");
    });
}

#[test]
fn settings_that_a_person_changed_are_read_as_they_are_now() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let own = bench.present().settings;
        let mut alterations = vec![
            ("name", json!("Käthe & <Söhne> \"2\"")),
            ("model-lock", json!(40)),
            ("waveform", json!("gale")),
            ("region", json!("JP")),
            ("power", json!(100)),
            ("output", json!("serial-frames")),
            ("output-inverted", json!(false)),
            ("output-rate", json!(400)),
            ("failsafe", json!("cut")),
            ("local-network", Json::Null),
            ("local-passphrase", Json::Null),
            ("fallback-wait", json!(30)),
            ("light", json!(0)),
        ];
        alterations.retain(|(name, _)| own.contains_key(*name));
        if *family == Family::SampleLogin {
            // A blank keeps it; with its network it goes by itself.
            alterations.retain(|(name, _)| *name != "local-passphrase");
        }
        browser::alter(&bench, &alterations);
        let said = bench.linkmend(&["read", "--json"]).run().ends(0);
        are_the_settings_of(&said.json("read"), &bench);
        let said = bench
            .linkmend(&["read"])
            .run()
            .ends(0)
            .says("name Käthe & <Söhne> \"2\"")
            .says("model-lock slot 40")
            .says("power 100 mW")
            .says("output-rate 400 Hz")
            .says("local-network none");
        if own.contains_key("light") {
            said.says("light 0 %");
        }
    });
}

#[test]
fn fingerprints_of_secrets_are_equal_for_equal_and_keyed_by_the_journal() {
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let prints = |bench: &Bench| {
        let said = bench.linkmend(&["read", "--json"]).run().ends(0);
        let object = said.json("read");
        SECRET.map(|name| object["settings"][name]["fingerprint"].to_string())
    };
    let first = prints(&bench);
    assert_eq!(prints(&bench), first);
    browser::alter(&bench, &[("local-passphrase", json!("reeds, wet"))]);
    let [key, network, passphrase] = prints(&bench);
    assert_eq!([&key, &network], [&first[0], &first[1]]);
    assert_ne!(passphrase, first[2]);
    // Another journal, the same receiver: what is printed says nothing to who has no key.
    let other = Bench::new(Family::SampleScript, Scenario::Locked);
    assert_eq!(other.setting("bind-key"), bench.setting("bind-key"));
    assert_ne!(prints(&other)[0], key);
}

#[test]
fn named_settings_alone_are_printed() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let said = bench
            .linkmend(&["read", "model-lock", "name", "--json"])
            .run()
            .ends(0);
        let object = said.json("read");
        let names: Vec<&String> = object["settings"]
            .as_object()
            .expect("settings")
            .keys()
            .collect();
        assert_eq!(names, ["model-lock", "name"]);
        let said = bench.linkmend(&["read", "firmware"]).run().ends(0);
        assert!(said.stdout.contains("  firmware "), "{}", said.stdout);
        assert!(!said.stdout.contains("  waveform "), "{}", said.stdout);
    });
}

#[test]
fn unknown_setting_is_wrong_usage_with_the_nearest_name_where_one_is_near() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    bench
        .linkmend(&["read", "model-lok"])
        .run()
        .ends(2)
        .says("the family sample-form has no setting `model-lok`")
        .says("did you mean `model-lock`?")
        .complains_once();
    let said = bench
        .linkmend(&["read", "zzz"])
        .run()
        .ends(2)
        .says("it has name, firmware, model-lock")
        .complains_once();
    assert!(!said.stderr.contains("did you mean"), "{}", said.stderr);
    let said = bench
        .linkmend(&["read", "model-lok", "--json"])
        .run()
        .ends(2);
    assert_eq!(said.json("read")["error"]["code"], "usage");
}

#[test]
fn check_ends_with_4_unless_it_is_healthy_and_as_expected() {
    let cases: [(Scenario, &[&str], i32); 12] = [
        (Scenario::Locked, &["--check"], 4),
        (Scenario::Locked, &[], 0),
        (Scenario::Unbound, &["--check"], 4),
        (Scenario::Faulty, &["--check"], 4),
        (Scenario::Healthy, &["--check"], 0),
        // A lock on purpose is none.
        (
            Scenario::Locked,
            &["--check", "--expect", "model-lock=7"],
            0,
        ),
        (
            Scenario::Locked,
            &["--check", "--expect", "model-lock=8"],
            4,
        ),
        (
            Scenario::Healthy,
            &["--check", "--expect", "model-lock=7"],
            4,
        ),
        (
            Scenario::Healthy,
            &["--check", "--expect", "model-lock=off"],
            0,
        ),
        (
            Scenario::Healthy,
            &[
                "--check",
                "--expect",
                "waveform=breeze",
                "--expect",
                "output-rate=100",
            ],
            0,
        ),
        (
            Scenario::Healthy,
            &["--check", "--expect", "waveform=calm"],
            4,
        ),
        (Scenario::Healthy, &["--expect", "waveform=calm"], 0),
    ];
    let cases: Vec<_> = Family::ALL
        .into_iter()
        .flat_map(|family| cases.map(|case| (family, case)))
        .collect();
    side_by_side(&cases, |(family, (scenario, words, code))| {
        let bench = Bench::new(*family, *scenario);
        let said = bench
            .linkmend(&["read", "--json"])
            .words(words)
            .run()
            .ends(*code);
        let object = said.json("read");
        let healthy = object["condition"] == "healthy";
        if words.contains(&"--check") {
            assert_eq!(healthy, *code == 0, "{object}");
        }
        if let ["--expect", "waveform=calm"] = words {
            assert_eq!(object["findings"][0]["setting"], "waveform", "{object}");
        }
    });
}

#[test]
fn expectation_that_cannot_be_met_by_any_receiver_is_wrong_usage() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    for (word, says) in [
        ("model-lock", "has no `=`"),
        ("model-lock=41", "a number from 1 to 40, or off"),
        ("model-lock=", "is not a number from 1 to 40, or off"),
        ("model-lok=7", "did you mean `model-lock`?"),
        ("waveform=storm", "calm"),
        ("bind-key=4a1f009c77e2", "`bind-key` is a secret"),
        ("=7", "has no setting ``"),
    ] {
        bench
            .linkmend(&["read", "--expect", word])
            .run()
            .ends(2)
            .says(says)
            .complains_once();
    }
}

#[test]
fn profile_may_be_named_or_be_a_file_and_must_be_the_right_one() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let root = env!("CARGO_MANIFEST_DIR");
    let file = format!("{root}/profiles/sample-form.toml");
    for profile in ["sample-form", file.as_str()] {
        let said = bench
            .linkmend(&["read", "--json", "--profile", profile])
            .run()
            .ends(0);
        are_the_settings_of(&said.json("read"), &bench);
    }
    bench
        .linkmend(&["read", "--profile", "sample-script"])
        .run()
        .ends(3)
        .says("fits none of sample-script: its page is titled `Tarn deck receiver`")
        .complains_once();
}

#[test]
fn faulty_receiver_is_told_before_anything_else_that_is_wrong_with_it() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Faulty);
        // The key of the mast receiver can be changed, and not removed.
        let keyed = *family == Family::SampleLogin;
        let mut alterations = vec![("model-lock", json!(12)), ("bind-key", Json::Null)];
        let mut wanted = vec!["faulty", "unbound", "locked"];
        alterations.truncate(if keyed { 1 } else { 2 });
        wanted.retain(|condition| !keyed || *condition != "unbound");
        browser::alter(&bench, &alterations);
        let said = bench.linkmend(&["read", "--json"]).run().ends(0);
        let object = said.json("read");
        assert_eq!(object["condition"], "faulty");
        let conditions: Vec<&Json> = object["findings"]
            .as_array()
            .expect("findings")
            .iter()
            .map(|finding| &finding["condition"])
            .take(wanted.len())
            .collect();
        assert_eq!(conditions, wanted, "{object}");
        bench.linkmend(&["read"]).run().ends(0).says(
            "faulty its processor runs but does not reach its radio part; no setting mends that",
        );
    });
}

#[test]
fn what_a_device_calls_itself_never_acts_on_the_screen() {
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let name = "Sm\u{1b}[31mew\u{202e}\u{9b}2J\u{200b}";
    browser::alter(&bench, &[("name", json!(name))]);
    for words in [&["read"][..], &["unlock", "--dry-run"], &["history"]] {
        let call = if words == ["history"] {
            bench.off_device(words)
        } else {
            bench.linkmend(words)
        };
        let said = call.run().ends(0).says("Sm");
        for text in [&said.stdout, &said.stderr] {
            let acts = text
                .chars()
                .find(|c| (c.is_control() && *c != '\n') || ['\u{202e}', '\u{200b}'].contains(c));
            assert_eq!(acts, None, "{text:?}");
        }
    }
    // A script gets the very name, and its terminal does not.
    let said = bench.linkmend(&["read", "--json"]).run().ends(0);
    assert_eq!(said.json("read")["settings"]["name"]["value"], name);
    assert!(
        said.stdout.trim_end().chars().all(|c| !c.is_control()),
        "{:?}",
        said.stdout
    );
}

#[test]
fn proxies_of_the_environment_are_not_used() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let relay = Relay::page("<title>A proxy</title>");
    let mut call = bench.linkmend(&["read"]);
    for name in ["HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy"] {
        call = call.env(name, &relay.at());
    }
    call.run().ends(0);
    assert_eq!(relay.seen(), 0);
}
