//! What a file is written as, and that it is read back as it was meant.

use std::{
    fs::{self, Permissions},
    os::unix::fs::{MetadataExt, PermissionsExt},
};

use proptest::prelude::*;

use super::*;
use crate::{
    loaners::{
        csv,
        shelf::{Mark, Shelf},
        testing::{FAMILY, SMALL},
    },
    profile::Code,
    terms::Mac,
};

fn load(text: &str) -> Shelf {
    load_text("shelf.toml", text, Path::new("/nonexistent"))
        .unwrap_or_else(|faults| panic!("{}\n{text}", faults.picture(false, 100)))
}

fn coot() -> Loaner {
    Loaner {
        label: "Coot \"the bald\"".into(),
        mark: Mark {
            serial: Some("TD-0090".into()),
            bssid: Some(Mac([2, 0, 0x5e, 0, 0, 0x5a])),
        },
        at: None,
        transmitter: Some("Red 1".into()),
        wanted: [
            ("model-lock", Wish::Value(Value::Number(12.into()))),
            ("bind-key", Wish::Unique),
            ("name", Wish::Value(Value::Text("Coot = bald".into()))),
        ]
        .map(|(name, wish)| (name.parse().expect("a name"), wish))
        .into(),
        line: 0,
    }
}

const COOT: &str = "\
[[loaner]]
label = 'Coot \"the bald\"'
serial = \"TD-0090\"
bssid = \"02:00:5e:00:00:5a\"
transmitter = \"Red 1\"
settings = { bind-key = \"unique\", model-lock = 12, name = \"Coot = bald\" }
";

#[test]
fn a_new_file_says_what_it_is_and_holds_every_row() {
    let rows = "label,serial,model-lock,waveform,output-rate,output-inverted\n\
                Heron,TD-0042,7,calm,100,on\nSmew,TD-0043,unique,,,\n";
    let rows = csv::load_text("rows.csv", rows, &FAMILY).expect("sound");
    let text = new_text("Tarn \"loan\" shelf", "sample-form", &FAMILY, &rows);
    let shelf = load(&text);
    assert_eq!(shelf.title, "Tarn \"loan\" shelf");
    assert_eq!(shelf.loaners.len(), 2);
    for (read, meant) in shelf.loaners.iter().zip(&rows) {
        assert_eq!((&read.label, &read.mark), (&meant.label, &meant.mark));
        for (name, wish) in &meant.wanted {
            assert!(read.wanted.get(name) == Some(wish), "{name}");
        }
    }
    assert!(text.starts_with("# A loan shelf"), "{text}");
    assert!(text.contains("\n[baseline]\n"), "{text}");
    let row = "settings = { model-lock = 7, output-inverted = true, output-rate = 100, waveform = \"calm\" }";
    assert!(text.contains(row), "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 100),
        "{text}"
    );
}

#[test]
fn a_receiver_is_known_by_either_mark_and_a_label_whatever_its_case() {
    let rows = "label,serial,bssid\nHeron,TD-0042,02:00:5e:00:00:01\nSmew,TD-0043,\n";
    let rows = csv::load_text("rows.csv", rows, &FAMILY).expect("sound");
    let same = |serial: Option<&str>, bssid: Option<&str>| {
        let mark = Mark {
            serial: serial.map(str::to_owned),
            bssid: bssid.map(|mac| mac.parse().expect("a MAC address")),
        };
        same_receiver(&rows, &mark).map(|row| row.label.as_str())
    };
    assert_eq!(same(Some("TD-0042"), None), Some("Heron"));
    assert_eq!(same(None, Some("02:00:5e:00:00:01")), Some("Heron"));
    assert_eq!(
        same(Some("TD-0043"), Some("02:00:5e:00:00:02")),
        Some("Smew")
    );
    // A row without a BSSID has none in common with one without.
    assert_eq!(same(Some("TD-0044"), None), None);
    assert_eq!(same(None, None), None);
    let label = |label| same_label(&rows, label).map(|row| row.line);
    assert_eq!((label("SMEW"), label("Teal")), (Some(3), None));
}

#[test]
fn a_label_fits_where_a_file_with_it_is_sound() {
    let long = "x".repeat(65);
    let labels = [
        "Coot",
        "Coot 2",
        "a\tb",
        "",
        " Coot",
        "Coot\u{202e}",
        "<b>",
        "#",
        &long,
    ];
    let mut fine = 0;
    for label in labels {
        let row = Loaner {
            label: label.into(),
            ..coot()
        };
        let text = with_row(SMALL, &row, &FAMILY);
        let is_sound = load_text("tarn.toml", &text, Path::new(".")).is_ok();
        assert_eq!(
            fits(label).is_ok(),
            is_sound,
            "{label:?}: {:?}",
            fits(label)
        );
        fine += usize::from(is_sound);
    }
    assert_eq!(fine, 4);
}

#[test]
fn a_row_is_added_at_the_end_and_all_else_stays_to_the_letter() {
    let with = with_row(SMALL, &coot(), &FAMILY);
    assert_eq!(with, format!("{SMALL}\n{COOT}"));
    let shelf = load(&with);
    assert_eq!(shelf.loaners.len(), 4);
    let coot = &shelf.loaners[3];
    assert_eq!(coot.label, "Coot \"the bald\"");
    assert_eq!(coot.wanted.get("bind-key"), Some(&Wish::Unique));
    // Without an end of the last line, with a comment there, and with other ends of lines.
    let bare = format!("{}  # the last", SMALL.trim_end());
    let with = with_row(&bare, &self::coot(), &FAMILY);
    assert_eq!(with, format!("{bare}\n\n{COOT}"));
    assert_eq!(load(&with).loaners.len(), 4);
    let crlf = format!("\u{feff}{}", SMALL.replace('\n', "\r\n"));
    let with = with_row(&crlf, &self::coot(), &FAMILY);
    assert_eq!(with, format!("{crlf}\r\n{}", COOT.replace('\n', "\r\n")));
    assert_eq!(load(&with).loaners.len(), 4);
}

#[test]
fn a_row_is_added_to_a_list_in_brackets_laid_out_as_the_rest() {
    let head = "format = 1 # one\ntitle = \"T\"\nfamily = \"sample-form\"\n";
    for (list, added) in [
        (
            "loaner = [\n  # the first\n  { label = \"Heron\", serial = \"A\" }, # grey\n  { label = \"Teal\", serial = \"B\" },\n]\n# end\n",
            "  { label = \"Teal\", serial = \"B\" },\n  { label = 'Coot \"the bald\"'",
        ),
        (
            "loaner = [{ label = \"Heron\", serial = \"A\" }]\n",
            "serial = \"A\" }, { label = 'Coot \"the bald\"'",
        ),
    ] {
        for ends in ["\n", "\r\n"] {
            let text = format!("{head}{list}").replace('\n', ends);
            let with = with_row(&text, &coot(), &FAMILY);
            assert!(with.contains(&added.replace('\n', ends)), "{with}");
            let before = load(&text).loaners.len();
            assert_eq!(load(&with).loaners.len(), before + 1);
            for comment in ["# one", "# the first", "# grey", "# end"] {
                assert_eq!(with.contains(comment), text.contains(comment), "{with}");
            }
            if ends == "\r\n" {
                assert!(!with.replace("\r\n", "").contains('\n'), "{with:?}");
            }
        }
    }
}

#[test]
fn no_value_of_a_secret_is_ever_written() {
    let mut coot = coot();
    for (name, value) in [
        ("bind-key", Value::Bytes(vec![0x4a; 6])),
        ("local-network", Value::Text("Boathouse".into())),
        ("nothing-known", Value::Text("Boathouse".into())),
    ] {
        coot.wanted
            .insert(name.parse().expect("a name"), Wish::Value(value));
    }
    let text = with_row(SMALL, &coot, &FAMILY);
    assert!(
        !text.contains("4a4a") && !text.contains("Boathouse"),
        "{text}"
    );
    assert!(text.contains("name = \"Coot = bald\""), "the rest is");
}

#[test]
fn a_row_that_does_not_fit_leaves_the_file_as_it_was() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("shelf.toml");
    fs::write(&path, SMALL).expect("written");
    fs::set_permissions(&path, Permissions::from_mode(0o640)).expect("our own");
    let refuses = |loaner: &Loaner| match add(&path, loaner) {
        Err(AddError::Faulty(faults)) => {
            let told = faults.list.iter();
            assert_eq!(fs::read_to_string(&path).expect("read"), SMALL);
            told.map(|fault| fault.code).collect::<Vec<_>>()
        }
        other => panic!("{other:?}"),
    };
    let with = |label: &str, serial: Option<&str>| Loaner {
        label: label.into(),
        mark: Mark {
            serial: serial.map(Into::into),
            bssid: None,
        },
        ..coot()
    };
    assert_eq!(refuses(&with("Heron", Some("X"))), [Code::LabelTwice]);
    assert_eq!(
        refuses(&with("Coot", Some("TD-0042"))),
        [Code::IdentityTwice]
    );
    assert_eq!(refuses(&with("Coot", None)), [Code::NoIdentity]);
    let escape = refuses(&with("Co\u{1b}ot", Some("X")));
    assert_eq!(escape, [Code::BadCharacter]);

    add(&path, &coot()).expect("it fits");
    let text = fs::read_to_string(&path).expect("read");
    assert_eq!(text, format!("{SMALL}\n{COOT}"));
    assert_eq!(fs::metadata(&path).expect("there").mode() & 0o777, 0o640);
    // A faulty file is not touched.
    let broken = text.replace("waveform = \"calm\"", "waveform = \"clam\"");
    fs::write(&path, &broken).expect("written");
    assert!(matches!(
        add(&path, &with("Eider", Some("Y"))),
        Err(AddError::Faulty(_))
    ));
    assert_eq!(fs::read_to_string(&path).expect("read"), broken);
    let none = add(&folder.path().join("none.toml"), &coot());
    assert!(matches!(none, Err(AddError::Unread(_))), "{none:?}");
}

proptest! {
    #[test]
    fn any_texts_are_read_back_as_they_were_written(
        label in "[^\\p{C}\\p{Z}]{1,20}",
        serial in "[\\\\'\"#=\\[\\]A-Z0-9-]{1,20}",
        name in "[ -~äöü]{0,24}",
        lock in 1..=40_i64,
    ) {
        prop_assume!(!label.chars().any(acts_on_a_screen));
        prop_assume!(!["unique", "absent"].contains(&name.as_str()));
        let mut row = coot();
        row.label = label;
        row.mark.serial = Some(serial);
        let wish = |value| Wish::Value(value);
        row.wanted.insert("name".parse().expect("a name"), wish(Value::Text(name.as_str().into())));
        row.wanted.insert("model-lock".parse().expect("a name"), wish(Value::Number(lock.into())));
        let shelf = load(&with_row(SMALL, &row, &FAMILY));
        let read = &shelf.loaners[3];
        prop_assert_eq!(&read.label, &row.label);
        prop_assert_eq!(&read.mark, &row.mark);
        for (name, wish) in &row.wanted {
            prop_assert!(read.wanted.get(name) == Some(wish), "{}", name);
        }
    }
}
