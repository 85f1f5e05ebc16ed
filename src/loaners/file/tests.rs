//! What a shelf's file comes to.

use std::{
    fmt::Write as _,
    fs::{self, Permissions},
    os::unix::fs::PermissionsExt,
};

use super::*;
use crate::{
    loaners::{shelf::Loaner, testing::SMALL},
    terms::{Mac, untrusted::acts_on_a_screen},
};

fn load(text: &str) -> Shelf {
    load_text("small.toml", text, Path::new("/nonexistent"))
        .unwrap_or_else(|faults| panic!("{}", faults.picture(false, 100)))
}

/// The faults of the small shelf after some replacements, as `code: message`.
fn faults(changes: &[(&str, &str)]) -> Vec<String> {
    let text = changes.iter().fold(SMALL.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "`{from}` is not in the small shelf");
        text.replacen(from, to, 1)
    });
    load_text("small.toml", &text, Path::new("/nonexistent")).map_or_else(
        |faults| {
            let said = faults.list.iter();
            said.map(|fault| format!("{}: {fault}", fault.code))
                .collect()
        },
        |_| Vec::new(),
    )
}

fn wanted(loaner: &Loaner, name: &str) -> Option<Value> {
    match loaner.wanted.get(name)? {
        Wish::Value(value) => Some(value.clone()),
        Wish::Unique => None,
    }
}

/// Found by a damaged shelf at random.
#[test]
fn path_of_a_profile_that_is_none_cannot_act_on_a_screen() {
    let folder = tempfile::tempdir().expect("a folder");
    for sign in ['\u{13440}', '\u{202e}', '\u{1b}'] {
        let told = family(&format!("sampl.{sign}calm"), folder.path());
        let (message, _) = told.map(|_| ()).expect_err("there is none");
        assert!(message.contains("cannot read the profile"), "{message}");
        assert!(!message.contains(acts_on_a_screen), "{message:?}");
    }
}

#[test]
fn each_loaner_is_the_baseline_with_its_own_settings_over_it() {
    let shelf = load(SMALL);
    assert_eq!(shelf.title, "Tarn Sailing School, loan shelf");
    assert_eq!(shelf.profile.family, "sample-form");
    let [heron, smew, teal] = shelf.loaners.as_slice() else {
        panic!("{shelf:?}");
    };
    assert_eq!((heron.label.as_str(), heron.line), ("Heron", 11));
    assert_eq!((smew.label.as_str(), smew.line), ("Smew", 17));
    assert_eq!(heron.mark.serial.as_deref(), Some("TD-0042"));
    assert_eq!(smew.mark.bssid, Some(Mac([2, 0, 0x5e, 0, 0, 0x2b])));
    assert_eq!(teal.mark.bssid, Some(Mac([2, 0, 0x5e, 0, 0, 0x2c])));
    assert_eq!(heron.transmitter.as_deref(), Some("Blue 3"));
    let at = smew.at.as_ref().map(ToString::to_string);
    assert_eq!(at.as_deref(), Some("http://192.0.2.7"));
    assert_eq!(wanted(heron, "model-lock"), Some(Value::Number(7.into())));
    assert_eq!(smew.wanted.get("model-lock"), Some(&Wish::Unique));
    for loaner in &shelf.loaners {
        let calm = Value::Choice("calm".into());
        assert_eq!(wanted(loaner, "waveform"), Some(calm));
        for own in ["local-network", "local-passphrase"] {
            assert_eq!(wanted(loaner, own), Some(Value::Absent), "{own}");
        }
    }
}

#[test]
fn region_and_power_are_wanted_and_never_among_what_is_written() {
    let shelf = load(&SMALL.replace("region = \"GB\"", "region = \"GB\"\npower = 25"));
    let heron = &shelf.loaners[0];
    assert_eq!(wanted(heron, "region"), Some(Value::Choice("GB".into())));
    assert_eq!(wanted(heron, "power"), Some(Value::Number(25.into())));
    let written: Vec<&str> = heron.to_write().map(|(name, _)| name.as_str()).collect();
    assert_eq!(
        written,
        [
            "local-network",
            "local-passphrase",
            "model-lock",
            "name",
            "waveform"
        ]
    );
}

#[test]
fn a_local_network_that_is_wanted_keeps_its_passphrase() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("network");
    fs::write(&file, "Boathouse\n").expect("written");
    fs::set_permissions(&file, Permissions::from_mode(0o600)).expect("our own");
    let text = SMALL.replace(
        "[baseline]",
        "[baseline]\nlocal-network = { file = \"network\" }",
    );
    let shelf = load_text("small.toml", &text, folder.path())
        .unwrap_or_else(|faults| panic!("{}", faults.picture(false, 100)));
    let heron = &shelf.loaners[0];
    let boathouse = Value::Text("Boathouse".into());
    assert_eq!(wanted(heron, "local-network"), Some(boathouse));
    assert_eq!(heron.wanted.get("local-passphrase"), None);
    assert!(!format!("{shelf:?}").contains("Boathouse"), "a secret");
}

#[test]
fn a_key_file_is_taken_only_where_nobody_else_can_read_it_and_it_holds_a_key() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("shelf.key");
    let text = SMALL.replace("name = \"Heron\"", "bind-key = { file = \"shelf.key\" }");
    let said = |words: &str, mode: u32| {
        fs::write(&file, words).expect("written");
        fs::set_permissions(&file, Permissions::from_mode(mode)).expect("our own");
        load_text("small.toml", &text, folder.path())
            .map(|shelf| wanted(&shelf.loaners[0], "bind-key"))
            .map_err(|faults| {
                let fault = &faults.list[0];
                (
                    fault.code,
                    fault.line,
                    fault.message.clone(),
                    faults.list.len(),
                )
            })
    };
    let key = Value::Bytes(vec![0x4a, 0x1f, 0, 0x9c, 0x77, 0xe2]);
    assert_eq!(said("4A-1F-00-9C-77-E2\r\n", 0o600), Ok(Some(key)));
    for (words, mode, why) in [
        (
            "4a1f009c77e2",
            0o640,
            "others on this computer can read or change",
        ),
        ("4a1f", 0o600, "this is no `bind-key`: it takes 6 bytes"),
        ("4a1f009c77e2\n2\n", 0o600, "has more than one line"),
    ] {
        let (code, line, message, count) = said(words, mode).expect_err("it is refused");
        assert_eq!(
            (code, line, count),
            (Code::BadSecretFile, 15, 1),
            "{message}"
        );
        assert!(message.contains(why), "{message}");
        assert!(!message.contains("4a1f"), "{message}");
    }
}

#[test]
fn values_are_taken_by_the_kinds_of_the_family_alone() {
    for (typed, why) in [
        (
            "41",
            "bad-value: `41` is out of range: a number from 1 to 40, or off",
        ),
        (
            "2.5",
            "bad-value: `2.5` is out of range: a number from 1 to 40, or off",
        ),
        (
            "\"7\"",
            "bad-value: `7` is not a number from 1 to 40, or off",
        ),
        (
            "true",
            "bad-value: `true` is not a number from 1 to 40, or off",
        ),
        (
            "[7]",
            "bad-value: `[7]` is not a number from 1 to 40, or off",
        ),
        (
            "1979-05-27",
            "wrong-type: `loaner[0].settings.model-lock` is a date or an endless number, not a value",
        ),
        (
            "{ file = \"a\" }",
            "out-of-place: `model-lock` is no secret",
        ),
        (
            "\"absent\"",
            "cannot-write: `model-lock` cannot be set to none on this family",
        ),
    ] {
        let said = faults(&[("model-lock = 7", &format!("model-lock = {typed}"))]);
        assert_eq!(said[0], why, "{said:?}");
        assert_eq!(said.len(), 1, "{said:?}");
    }
    for (from, to) in [
        ("model-lock = 7", "model-lock = \"off\""),
        ("name = \"Heron\"", "output-inverted = true"),
        ("name = \"Heron\"", "output-inverted = \"on\""),
        ("name = \"Heron\"", "output-rate = 50"),
        ("name = \"Heron\"", "bind-key = \"unique\""),
        ("name = \"Heron\"", "bind-key = \"absent\""),
    ] {
        assert_eq!(faults(&[(from, to)]), Vec::<String>::new(), "{to}");
    }
}

#[test]
fn a_byte_order_mark_and_any_ends_of_lines_are_taken() {
    let text = format!("\u{feff}{}", SMALL.replace('\n', "\r\n"));
    let shelf = load(&text);
    assert_eq!(shelf.loaners.len(), 3);
    assert_eq!(shelf.loaners[1].line, 17);
}

#[test]
fn a_shelf_without_loaners_is_none_however_that_is_written() {
    let head = "format = 1\ntitle = \"Empty\"\nfamily = \"sample-form\"\n";
    let codes = |text: &str| {
        let faults = load_text("empty.toml", text, Path::new(".")).expect_err("no shelf");
        let codes = faults.list.iter().map(|fault| fault.code.word());
        codes.collect::<Vec<_>>()
    };
    assert_eq!(codes(head), ["missing-key"]);
    assert_eq!(codes(&format!("{head}loaner = []\n")), ["empty"]);
    assert_eq!(codes(""), ["missing-key"; 4]);
    assert_eq!(codes("format = 2\n"), ["newer-format"]);
}

#[test]
fn one_broken_line_is_one_fault_and_makes_up_no_other() {
    for (sound, broken) in [
        ("serial = \"TD-0042\"", "serial = \"TD-0042"),
        ("label = \"Smew\"", "label \"Smew\""),
        ("settings = { model-lock = 7", "settings = { model-lock 7"),
    ] {
        let said = faults(&[(sound, broken)]);
        assert_eq!(said.len(), 1, "{broken}: {said:?}");
        assert!(said[0].starts_with("not-toml: "), "{said:?}");
    }
}

#[test]
fn a_family_may_be_a_file_beside_the_shelf_and_its_faults_are_told_there() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = SMALL.replace("\"sample-form\"", "\"./mine.toml\"");
    let code = |text: &str| {
        let faults = load_text("small.toml", text, folder.path()).expect_err("faulty");
        let told: Vec<_> = faults.list.iter().map(|f| (f.code, f.line)).collect();
        assert_eq!(
            told,
            [(Code::BadFamily, 4)],
            "{}",
            faults.picture(false, 100)
        );
        faults.list[0].message.clone()
    };
    assert!(
        code(&text).contains("cannot read the profile"),
        "none there"
    );
    let family = profile::named("sample-form").expect("built in").source.text;
    let path = folder.path().join("mine.toml");
    fs::write(
        &path,
        family.replace("bssid = \"stable\"", "bssid = \"steady\""),
    )
    .expect("written");
    assert!(code(&text).contains("has a fault in line"), "a faulty one");
    let transmitter = family.replace("role = \"receiver\"", "role = \"transmitter\"");
    fs::write(&path, transmitter).expect("written");
    assert_eq!(code(&text), "`sample-form` are transmitters");
    fs::write(&path, &family).expect("written");
    let shelf = load_text("small.toml", &text, folder.path());
    assert_eq!(shelf.expect("sound").loaners.len(), 3);
    // A family that gives its network another BSSID each time is told by its serial alone.
    fs::write(
        &path,
        family.replace("bssid = \"stable\"", "bssid = \"changes\""),
    )
    .expect("written");
    let faults = load_text("small.toml", &text, folder.path()).expect_err("faulty");
    let told: Vec<_> = faults.list.iter().map(|f| (f.code, f.line)).collect();
    assert_eq!(told, [(Code::NoSuchMark, 19), (Code::NoSuchMark, 25)]);
}

#[test]
fn keys_and_locks_are_judged_over_what_each_loaner_comes_to() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("shelf.key");
    fs::write(&file, "4a1f009c77e2").expect("written");
    fs::set_permissions(&file, Permissions::from_mode(0o600)).expect("our own");
    let with = |lock: &str, own: &str| {
        let text = SMALL
            .replace(
                "model-lock = \"unique\"",
                &format!("bind-key = {{ file = \"shelf.key\" }}\nmodel-lock = {lock}"),
            )
            .replace("model-lock = 7", own);
        let told = load_text("small.toml", &text, folder.path()).map(drop);
        told.map_err(|faults| {
            let told = faults.list.iter();
            told.map(|f| (f.code.word(), f.line)).collect::<Vec<_>>()
        })
    };
    assert_eq!(with("\"unique\"", "model-lock = 7"), Ok(()));
    // Smew and Teal share what the baseline says; the place is the baseline's lock.
    assert_eq!(with("3", "model-lock = 7"), Err(vec![("shared-pair", 10)]));
    assert_eq!(
        with("\"off\"", "model-lock = 7"),
        Err(vec![("shared-key-without-lock", 10)])
    );
    assert_eq!(
        with("\"unique\"", "model-lock = \"off\""),
        Err(vec![("shared-key-without-lock", 10)])
    );
    // A key of its own each, and no lock at all, is as good.
    let text = SMALL.replace("[baseline]", "[baseline]\nbind-key = \"unique\"");
    let text = text.replace("model-lock = \"unique\"", "model-lock = \"off\"");
    assert!(load_text("small.toml", &text, folder.path()).is_ok());
}

#[test]
fn ten_thousand_rows_are_loaded_and_ten_thousand_faults_are_told() {
    let mut text = SMALL.replace("model-lock = \"unique\"", "");
    for n in 0..10_000 {
        let (a, b) = (n / 256, n % 256);
        let _ = write!(
            text,
            "\n[[loaner]]\nlabel = \"B{n}\"\nserial = \"S{n}\"\nbssid = \"06:00:00:00:{a:02x}:{b:02x}\"\nsettings = {{ light = 60 }}\n"
        );
    }
    assert_eq!(load(&text).loaners.len(), 10_003);
    let faulty = text.replace("light = 60", "light = 160");
    let faults = load_text("many.toml", &faulty, Path::new(".")).expect_err("faulty");
    assert_eq!(faults.list.len(), 10_000);
    let last = faults.list.last().expect("a fault");
    assert_eq!(last.line, faulty.lines().count());
}
