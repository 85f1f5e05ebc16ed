//! What a table comes to.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::{
    loaners::{shelf::Wish, testing::FAMILY},
    profile::named,
    terms::{Mac, Value},
};

fn load(text: &str) -> Vec<Loaner> {
    load_text("rows.csv", text, &FAMILY)
        .unwrap_or_else(|faults| panic!("{}", faults.picture(false, 100)))
}

/// The faults of a table, as code, line and column.
fn faults(text: &str) -> Vec<(&'static str, usize, usize)> {
    let faults = load_text("rows.csv", text, &FAMILY).expect_err("faulty");
    let told = faults.list.iter();
    told.map(|fault| (fault.code.word(), fault.line, fault.column))
        .collect()
}

#[test]
fn columns_stand_in_any_order_and_an_empty_cell_names_nothing() {
    let rows = load(
        "Model Lock,transmitter,IDENTITY,label,at,output_inverted\n\
         7,Blue 3,TD-0042,Heron,,yes\n\
         ,, 02-00-5E-00-00-2B ,Smew,http://192.0.2.7,\n\
         unique,,0200.5e00.002c,Teal,,off\n",
    );
    let [heron, smew, teal] = rows.as_slice() else {
        panic!("{rows:?}");
    };
    assert_eq!((heron.label.as_str(), heron.line), ("Heron", 2));
    assert_eq!(heron.mark.serial.as_deref(), Some("TD-0042"));
    assert_eq!(heron.transmitter.as_deref(), Some("Blue 3"));
    let lock = Wish::Value(Value::Number(7.into()));
    assert_eq!(heron.wanted.get("model-lock"), Some(&lock));
    let inverted = Wish::Value(Value::Flag(true));
    assert_eq!(heron.wanted.get("output-inverted"), Some(&inverted));
    assert_eq!(smew.mark.bssid, Some(Mac([2, 0, 0x5e, 0, 0, 0x2b])));
    assert_eq!(smew.mark.serial, None);
    assert_eq!(smew.wanted.len(), 0);
    assert_eq!(teal.wanted.get("model-lock"), Some(&Wish::Unique));
    assert_eq!(teal.line, 4);
}

#[test]
fn quotes_and_ends_of_lines_are_read_by_rfc_4180() {
    // RFC 4180 section 2: 1 CRLF, 2 no end of the last line, 5 to 7 quotes.
    let rows = load(
        "\u{feff}\"label\",serial,\"name\"\r\n\
         \"Heron, grey\",TD-0042,\"the \"\"tall\"\" one\"\r\n\
         \"Smew\",\"TD-0043\",\"\"\r\n\
         Teal,TD-0044,Teal",
    );
    assert_eq!(rows[0].label, "Heron, grey");
    let name = Wish::Value(Value::Text("the \"tall\" one".into()));
    assert_eq!(rows[0].wanted.get("name"), Some(&name));
    assert_eq!(rows[1].wanted.get("name"), None);
    assert_eq!(rows[2].label, "Teal");
    let lines: Vec<usize> = rows.iter().map(|row| row.line).collect();
    assert_eq!(lines, [2, 3, 4]);
}

#[test]
fn semicolons_tabs_and_rows_of_nothing_are_what_spreadsheets_write() {
    for delimiter in [",", ";", "\t"] {
        let text = "serial|model-lock|label\rTD-0042|7|Heron\rTD-0043||Smew\r";
        let rows = load(&text.replace('|', delimiter));
        let told: Vec<&str> = rows.iter().map(|row| &*row.label).collect();
        assert_eq!(told, ["Heron", "Smew"], "{delimiter:?}, ends as of old");
        let text = "label|serial|model-lock\nHeron|TD-0042|7\n||\n\nSmew|TD-0043|\n||\n";
        let rows = load(&text.replace('|', delimiter));
        let told: Vec<(&str, usize)> = rows.iter().map(|r| (&*r.label, r.line)).collect();
        assert_eq!(told, [("Heron", 2), ("Smew", 5)], "{delimiter:?}");
    }
}

#[test]
fn every_fault_has_its_line_and_its_cell() {
    assert_eq!(
        faults(
            "label,serial,model-lock,waveform,bind-key\r\n\
             Heron,TD-0042,41,breze,unique\r\n\
             \r\n\
             \"Smew\",TD-0042,\"7\",calm,4a1f009c77e2\r\n\
             ,TD-0044,,,\r\n\
             Teal,,,,\r\n\
             Coot,TD-0045\r\n"
        ),
        [
            ("bad-value", 2, 15),
            ("bad-value", 2, 18),
            ("identity-twice", 4, 8),
            ("secret-in-clear", 4, 25),
            ("empty", 5, 1),
            ("no-identity", 6, 1),
            ("ragged-row", 7, 1),
        ]
    );
}

#[test]
fn a_line_break_in_quotes_is_no_label_and_no_value_and_counts_as_a_line() {
    assert_eq!(
        faults("label,serial,name\n\"He\nron\",TD-0042,\nSmew,TD-0043,\"a\nb\"\nTeal,,\n"),
        [
            ("bad-label", 2, 2),
            ("bad-value", 4, 15),
            ("no-identity", 6, 1)
        ]
    );
}

#[test]
fn an_empty_table_and_one_of_another_encoding_are_told() {
    for text in ["", "\u{feff}", "\r\n\r\n", ",,\n"] {
        assert_eq!(faults(text), [("empty", 1, 1)], "{text:?}");
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("rows.csv");
    std::fs::write(&path, b"label,serial\nR\xf6hrs\xe4nger,TD-0042\n").expect("written");
    let error = load_file(&path, &FAMILY).expect_err("not UTF-8");
    let said = error.to_string();
    assert!(
        said.ends_with("is no table of UTF-8 text: it is not UTF-8 text from byte 14 on"),
        "{said}"
    );
}

#[test]
fn heads_that_say_one_thing_twice_or_nothing_are_faults() {
    assert_eq!(
        faults("label,,identity,bssid\nHeron,,TD-0042,\n"),
        [("column-twice", 1, 1), ("unknown-column", 1, 7)]
    );
    assert_eq!(faults("serial\nTD-0042\n"), [("missing-column", 1, 1)]);
    assert_eq!(faults("label\nHeron\n"), [("missing-column", 1, 1)]);
}

#[test]
fn an_identity_is_what_the_family_has() {
    let rows = "label,identity\nCoot,02005e00002b\n";
    let keel = named("sample-script").expect("built in");
    let read = load_text("rows.csv", rows, &keel).expect("it shows no serial");
    assert_eq!(read[0].mark.bssid, Some(Mac([2, 0, 0x5e, 0, 0, 0x2b])));
    assert_eq!(faults(rows), [("either-identity", 2, 6)]);
    let serial = load("label,serial\nCoot,02005e00002b\n");
    assert_eq!(serial[0].mark.serial.as_deref(), Some("02005e00002b"));
    let faults = load_text("rows.csv", "label,identity\nCoot,TD-0042\n", &keel);
    let faults = faults.expect_err("no MAC address");
    assert_eq!(faults.list[0].code, Code::BadMac);
}

/// By one that was taken for a serial the loaner would never be found.
#[test]
fn a_bssid_that_was_mistyped_is_no_serial() {
    let table = |identity: &str| format!("label,identity\nSmew,{identity}\n");
    for mistyped in [
        "02:0:5e:0:0:2E",
        "02:00:5e:00:00",
        "02:00:5e",
        "02:00:5e:00:00:2b:2c",
        "02:00:5e::00:2b",
        "02:OO:5e:00:00:2b",
        "02:00-5e:00:00:2b",
        "02-00-5E-00-2B",
        "02-00-5E-0-0-2B",
    ] {
        assert_eq!(faults(&table(mistyped)), [("bad-mac", 2, 6)], "{mistyped}");
        let said = format!("label,serial\nSmew,{mistyped}\n");
        assert_eq!(load(&said)[0].mark.serial.as_deref(), Some(mistyped));
    }
    for serial in [
        "TD-91131",
        "12-34",
        "24-03-17",
        "24-03-17-02",
        "a1:b2",
        "AB-12-XY-34-56",
        "4471",
        "0200-5e00-002b",
        "SN:02:00",
    ] {
        let read = load(&table(serial));
        assert_eq!(read[0].mark.serial.as_deref(), Some(serial), "{serial}");
    }
}

/// Cells as people write them: quotes, commas, blanks inside, letters of any script.
fn cell() -> impl Strategy<Value = String> {
    let quoted = "[a-z\"',; ]{1,12}".prop_map(|text| text.trim().to_owned());
    prop_oneof!["[A-Za-z0-9 äöü№,;\"'-]{1,20}", quoted]
        .prop_map(|text| text.trim().to_owned())
        .prop_filter("not blank", |text| !text.is_empty())
}

proptest! {
    /// What the library of the same name writes in any of its ways is read as it was meant.
    #[test]
    fn any_table_is_read_as_it_was_written(
        labels in proptest::collection::vec(cell(), 1..12),
        names in proptest::collection::vec("[A-Za-z0-9,;\"' -]{0,12}", 12),
        delimiter in prop_oneof![Just(b','), Just(b';'), Just(b'\t')],
        crlf in any::<bool>(),
        always in any::<bool>(),
        mark in any::<bool>(),
    ) {
        let mut seen = BTreeSet::new();
        let labels: Vec<&String> = labels.iter().filter(|l| seen.insert(l.to_lowercase())).collect();
        let mut writer = ::csv::WriterBuilder::new()
            .delimiter(delimiter)
            .terminator(if crlf { ::csv::Terminator::CRLF } else { ::csv::Terminator::Any(b'\n') })
            .quote_style(if always { ::csv::QuoteStyle::Always } else { ::csv::QuoteStyle::Necessary })
            .from_writer(Vec::new());
        writer.write_record(["name", "label", "serial"]).expect("memory");
        for (at, label) in labels.iter().enumerate() {
            let serial = format!("TD-{at}");
            writer.write_record([&names[at], *label, &serial]).expect("memory");
        }
        let mut text = String::from_utf8(writer.into_inner().expect("memory")).expect("UTF-8");
        if mark {
            text.insert(0, '\u{feff}');
        }
        let rows = load(&text);
        prop_assert_eq!(rows.len(), labels.len());
        for (at, row) in rows.iter().enumerate() {
            prop_assert_eq!(&row.label, labels[at]);
            prop_assert_eq!(row.line, at + 2);
            let serial = format!("TD-{at}");
            prop_assert_eq!(row.mark.serial.as_ref(), Some(&serial));
            let name = names[at].trim();
            let wanted = match name {
                "" => None,
                name => Some(Wish::Value(Value::Text(name.into()))),
            };
            prop_assert_eq!(row.wanted.get("name"), wanted.as_ref());
        }
    }
}
