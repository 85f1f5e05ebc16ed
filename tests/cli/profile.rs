//! `linkmend profile`: the families, their settings, and every fault of a file at once.

use std::path::Path;

use mock_device::{Family, Scenario};
use serde_json::Value as Json;

use crate::harness::{Bench, Call};

/// A file of this repository.
fn file(path: &str) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    root.join(path).display().to_string()
}

#[test]
fn list_names_every_family_for_a_person_and_for_a_script() {
    let said = Call::new(&["profile", "list"]).run().ends(0);
    assert_eq!(said.stderr, "");
    let families: Vec<&str> = said
        .stdout
        .lines()
        .map(|line| line.split_whitespace().next().unwrap_or_default())
        .collect();
    assert_eq!(families, ["sample-form", "sample-login", "sample-script"]);
    let object = Call::new(&["profile", "list", "--json"])
        .run()
        .ends(0)
        .json("profile-list");
    let listed = object["profiles"].as_array().expect("profiles");
    let names: Vec<&Json> = listed.iter().map(|profile| &profile["family"]).collect();
    assert_eq!(names, families);
    for profile in listed {
        assert!(profile["settings"].as_u64() >= Some(12), "{profile}");
    }
}

#[test]
fn show_tells_each_setting_with_its_range_and_whether_it_is_secret_or_read_only() {
    for family in ["sample-form", "sample-login", "sample-script"] {
        let object = Call::new(&["profile", "show", family, "--json"])
            .run()
            .ends(0)
            .json("profile-show");
        let settings = object["settings"].as_array().expect("settings");
        let of = |name: &str| {
            let found = settings.iter().find(|setting| setting["setting"] == name);
            found.unwrap_or_else(|| panic!("{family} has no `{name}`"))
        };
        for name in [
            "name",
            "firmware",
            "model-lock",
            "bind-key",
            "waveform",
            "region",
            "output",
            "failsafe",
            "local-network",
        ] {
            let secret = ["bind-key", "local-network"].contains(&name);
            assert_eq!(of(name)["secret"], secret, "{family} {name}");
        }
        assert_eq!(of("model-lock")["takes"], "a number from 1 to 40, or off");
        assert_eq!(of("firmware")["writable"], false);
        Call::new(&["profile", "show", family])
            .run()
            .ends(0)
            .says("model-lock a number from 1 to 40, or off")
            .says("(read only)")
            .says("(secret)");
    }
}

#[test]
fn show_tells_how_a_family_is_reached_and_bound() {
    let show = |family: &str| Call::new(&["profile", "show", family]);
    show("sample-form")
        .run()
        .ends(0)
        .says("A name like `TarnBoat *`, with the passphrase")
        .says("It opens 40 to 55 s after power-up")
        .says("Announced there as _tarn-boat._tcp")
        .says("3 short power cycles, one after the other.")
        .says("8 to 64 characters make its bind key");
    show("sample-script")
        .run()
        .ends(0)
        .says("`linkmend bind --mode` starts it.");

    let told = show("sample-form").word("--json").run().ends(0);
    assert!(!told.stdout.contains("reeds-and-rushes"), "{}", told.stdout);
    let told = told.json("profile-show");
    assert_eq!(told["network"]["names"][0], "TarnBoat *");
    assert_eq!(told["network"]["security"], "wpa2");
    assert_eq!(told["network"]["opens_s"]["to"], 55.0);
    assert_eq!(told["announced_as"], "_tarn-boat._tcp");
    assert_eq!(told["bind_mode"], "power-cycles");
    let settings = told["settings"].as_array().expect("settings");
    let key = settings.iter().find(|one| one["setting"] == "bind-key");
    assert_eq!(key.expect("it has one")["bind_words"]["from"], 8.0);
}

#[test]
fn built_in_profiles_are_sound_by_name_and_as_files() {
    for family in ["sample-form", "sample-login", "sample-script"] {
        for profile in [family.to_owned(), file(&format!("profiles/{family}.toml"))] {
            Call::new(&["profile", "check", &profile])
                .run()
                .ends(0)
                .says(&format!("{family}: sound,"));
            let object = Call::new(&["profile", "check", &profile, "--json"])
                .run()
                .ends(0)
                .json("profile-check");
            assert_eq!(object["faults"], serde_json::json!([]));
        }
    }
}

#[test]
fn ten_faults_are_told_in_one_run_with_line_caret_and_code() {
    let path = file("tests/profiles/ten-faults.toml");
    let said = Call::new(&["profile", "check", &path]).run().ends(2);
    assert_eq!(said.stdout, "", "faults are no result");
    let object = Call::new(&["profile", "check", &path, "--json"])
        .run()
        .ends(2)
        .json("profile-check");
    let faults = object["faults"].as_array().expect("faults");
    assert_eq!(faults.len(), 10, "{object:#}");
    for fault in faults {
        let (line, column) = (&fault["line"], &fault["column"]);
        let place = format!("ten-faults.toml:{line}:{column}");
        assert!(
            said.stderr.contains(&place),
            "{place} is not in:\n{}",
            said.stderr
        );
        let code = fault["code"].as_str().expect("a code");
        assert!(
            said.stderr.contains(code),
            "{code} is not in:\n{}",
            said.stderr
        );
    }
    // The lines in question stand there, and a mark below each.
    assert!(
        said.stderr.contains(r#"role = "reciever""#),
        "{}",
        said.stderr
    );
    let marks = said
        .stderr
        .lines()
        .filter(|line| line.contains('·') && line.contains('─'));
    assert_eq!(marks.count(), 10, "{}", said.stderr);
    said.says("receiver").says("10 faults");
}

#[test]
fn faulty_profile_reads_no_device_and_points_at_the_check() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let path = file("tests/profiles/ten-faults.toml");
    for command in ["read", "unlock", "restore"] {
        let said = bench
            .linkmend(&[command, "--profile", &path])
            .run()
            .ends(2)
            .says("10 faults");
        assert_eq!(said.stdout, "");
    }
    let said = bench
        .linkmend(&["unlock", "--yes", "--json", "--profile", &path])
        .run()
        .ends(2);
    let object = said.json("change");
    assert_eq!(object["error"]["code"], "profile-faulty");
    assert!(
        object["error"]["help"]
            .as_str()
            .is_some_and(|help| help.contains("linkmend profile check")),
        "{object}"
    );
    assert_eq!(bench.truth().requests, [], "the device was not even asked");
}

#[test]
fn file_that_cannot_be_read_is_one_clear_message() {
    let folder = tempfile::tempdir().expect("a folder");
    let none = folder.path().join("none.toml").display().to_string();
    let binary = folder.path().join("binary.toml");
    std::fs::write(&binary, [0xff, 0xfe, 0x00]).expect("written");
    let binary = binary.display().to_string();
    let inside = folder.path().display().to_string();
    for path in [&none, &binary, &inside] {
        for command in ["check", "show"] {
            Call::new(&["profile", command, path])
                .run()
                .ends(2)
                .says(&format!("`{path}`"))
                .complains_once();
            let said = Call::new(&["profile", command, path, "--json"])
                .run()
                .ends(2);
            assert_eq!(said.json("error")["error"]["code"], "profile-unreadable");
        }
    }
    Call::new(&["profile", "show", "sample-frm"])
        .run()
        .ends(2)
        .says("there is no profile `sample-frm`")
        .says("built in are sample-form, sample-login, sample-script")
        .complains_once();
}

#[test]
fn schema_is_the_committed_one_and_takes_every_built_in_profile() {
    let said = Call::new(&["profile", "schema"]).run().ends(0);
    let schema: Json = serde_json::from_str(&said.stdout).expect("JSON");
    let committed = std::fs::read_to_string(file("profiles/family.schema.json")).expect("read");
    let committed: Json = serde_json::from_str(&committed).expect("JSON");
    assert_eq!(schema, committed);
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    for family in ["sample-form", "sample-login", "sample-script"] {
        let text = std::fs::read_to_string(file(&format!("profiles/{family}.toml"))).expect("read");
        let profile: Json = toml::from_str(&text).expect("TOML");
        let faults: Vec<String> = validator
            .iter_errors(&profile)
            .map(|fault| fault.to_string())
            .collect();
        assert_eq!(faults, Vec::<String>::new(), "{family}");
    }
}

#[test]
fn shows_the_profile_itself_for_a_copy_that_is_sound() {
    let shown = Call::new(&["profile", "show", "sample-form", "--toml"])
        .run()
        .ends(0);
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("mine.toml");
    std::fs::write(&file, &shown.stdout).expect("written");
    Call::new(&["profile", "check", &file.display().to_string()])
        .run()
        .ends(0)
        .says("sample-form: sound, 16 settings");
}
