//! `linkmend loaners add`, and `init` without a table: receivers at hand as rows of a shelf's file.

use std::{fs, path::PathBuf};

use mock_device::{Family, Scenario};
use serde_json::json;
use tempfile::TempDir;

use crate::{
    harness::{Bench, Call},
    terminal::Terminal,
};

/// A shelf's file with one loaner, and its own comments.
const FILE: &str = "# Ours.\nformat = 1\ntitle = \"Tarn loaners\"\nfamily = \"sample-form\"\n\n\
                    [[loaner]] # the grey one\nlabel = \"Heron\"\nserial = \"TD-0042\"\n";

struct Shelf {
    folder: TempDir,
}

impl Shelf {
    fn new(text: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        fs::write(folder.path().join("tarn.toml"), text).expect("written");
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn word(&self) -> String {
        self.path("tarn.toml").display().to_string()
    }

    fn text(&self) -> String {
        fs::read_to_string(self.path("tarn.toml")).expect("there")
    }

    /// `add` of the receiver of a bench.
    fn add(&self, bench: &Bench, words: &[&str]) -> Call {
        let file = self.word();
        bench.distrusting(&["loaners", "add", &file]).words(words)
    }
}

#[test]
fn a_receiver_is_read_and_gets_a_row_and_nothing_else_of_the_file_changes() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let shelf = Shelf::new(FILE);
    let serial = bench.present().serial.expect("it shows one");
    let said = shelf
        .add(&bench, &["--label", "Smew", "--transmitter", "Blue 3"])
        .run()
        .ends(0)
        .says(&format!("added `Smew` to `{}`", shelf.word()));
    assert_eq!(said.stdout.lines().count(), 1, "{}", said.stdout);
    let row = format!(
        "\n[[loaner]]\nlabel = \"Smew\"\nserial = \"{serial}\"\ntransmitter = \"Blue 3\"\n\
         at = \"{}\"\n",
        bench.at()
    );
    assert_eq!(shelf.text(), format!("{FILE}{row}"));
    assert_eq!(bench.present().saves, 0);
    let history = bench.history();
    let device = &history["devices"][0]["device"];
    assert_eq!(device["identity"]["serial"], serial.as_str());
    // The row that was written is one that a run reaches it by.
    let file = shelf.word();
    bench
        .off_device(&["loaners", "check", &file, "--only", "Smew"])
        .run()
        // It is the one of its row, and has a local network that a loaner should not have.
        .ends(4)
        .says("Smew differs");
}

#[test]
fn a_script_is_told_the_row_as_one_object() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Healthy);
    let shelf = Shelf::new(&FILE.replace("sample-form", "sample-login"));
    let said = shelf
        .add(&bench, &["--label", "Smew", "--json"])
        .run()
        .ends(0);
    assert_eq!(said.stderr, "");
    let told = said.json("loaners-add");
    let serial = bench.present().serial.expect("it shows one");
    assert_eq!(told["label"], "Smew");
    assert_eq!(told["identity"]["serial"], serial.as_str());
    assert_eq!(told["loaners"], 2);
    assert_eq!(told["title"], "Tarn loaners");
    let record = &bench.history()["devices"][0]["records"][0]["record"];
    assert_eq!(&told["record"], record);
}

#[test]
fn one_that_stands_there_already_is_refused_with_the_line_of_its_row() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let shelf = Shelf::new(FILE);
    shelf.add(&bench, &["--label", "Smew"]).run().ends(0);
    let text = shelf.text();
    let line = text
        .lines()
        .position(|line| line.contains("Smew"))
        .expect("it is");
    let place = format!("`Smew`, line {line} of `{}`", shelf.word());
    shelf
        .add(&bench, &["--label", "Teal"])
        .run()
        .ends(6)
        .says("stands on the shelf already")
        .says(&place)
        .complains_once();
    let said = shelf
        .add(&bench, &["--label", "Teal", "--json"])
        .run()
        .ends(6);
    assert_eq!(said.json("error")["error"]["code"], "identity-twice");
    // A label is seen before anybody is asked, whatever its case.
    let asked = bench.truth().requests.len();
    let said = shelf
        .add(&bench, &["--label", "SMEW", "--json"])
        .run()
        .ends(6);
    let error = &said.json("error")["error"];
    assert_eq!(error["code"], "label-twice");
    assert!(
        error["message"].as_str().expect("text").contains(&place),
        "{error}"
    );
    assert_eq!(bench.truth().requests.len(), asked);
    assert_eq!(shelf.text(), text);
}

#[test]
fn what_makes_no_row_is_one_clear_message_and_the_file_stays() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let shelf = Shelf::new(FILE);
    let add = |words: &[&str]| shelf.add(&bench, words).run();
    add(&[]).ends(2).says("give --label TEXT").complains_once();
    add(&["--label", ""])
        .ends(2)
        .says("is empty")
        .complains_once();
    add(&["--label", "Sm\new"])
        .ends(2)
        .says("cannot be seen")
        .complains_once();
    add(&["--label", "Smew", "--transmitter", " Blue"])
        .ends(2)
        .says("--transmitter")
        .complains_once();
    add(&["--label", "Smew", "--profile", "sample-login"])
        .ends(2)
        .says("the shelf names its family: sample-form")
        .complains_once();
    add(&["--label", "Smew", "--device", "TD-9"])
        .ends(6)
        .complains_once();
    let file = shelf.word();
    Call::new(&[
        "loaners",
        "add",
        &file,
        "--label",
        "Smew",
        "--practice",
        "healthy",
    ])
    .run()
    .ends(2)
    .says("stands on no shelf")
    .complains_once();
    assert_eq!(shelf.text(), FILE);
    // Of another family than the shelf.
    let other = Bench::new(Family::SampleScript, Scenario::Healthy);
    let said = shelf.add(&other, &["--label", "Smew", "--json"]).run();
    assert_ne!(said.code, Some(0));
    assert!(said.json("error")["error"]["code"].is_string());
    assert_eq!(shelf.text(), FILE);
    let faulty = Shelf::new("format = 1\ntitel = \"Tarn\"\n");
    faulty
        .add(&bench, &["--label", "Smew"])
        .run()
        .ends(2)
        .says("unknown-key");
    assert_eq!(faulty.text(), "format = 1\ntitel = \"Tarn\"\n");
}

#[test]
fn one_that_only_its_address_tells_from_others_gets_no_row() {
    let bench = Bench::new(Family::SampleScript, Scenario::Healthy);
    assert_eq!(
        bench.present().serial,
        None,
        "else another family is needed"
    );
    let text = "format = 1\ntitle = \"Tarn\"\nfamily = \"sample-script\"\n\
                [[loaner]]\nlabel = \"Heron\"\nbssid = \"02:00:5e:00:00:01\"\n";
    let shelf = Shelf::new(text);
    let said = shelf
        .add(&bench, &["--label", "Smew", "--json"])
        .run()
        .ends(6);
    assert_eq!(said.json("error")["error"]["code"], "no-identity");
    assert_eq!(shelf.text(), text);
}

#[test]
fn at_a_terminal_the_label_is_asked_for_until_it_is_a_new_one() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let shelf = Shelf::new(FILE);
    let serial = bench.present().serial.expect("it shows one");
    Terminal::start(shelf.add(&bench, &[]))
        .sees(&serial)
        .sees("What stands on its sticker?")
        .types("heron\r")
        .sees("that is another one's already")
        .types("\u{1b}")
        .ends()
        .with(130, "nothing was written");
    assert_eq!(shelf.text(), FILE);
    Terminal::start(shelf.add(&bench, &[]))
        .sees("What stands on its sticker?")
        .types("Smew\r")
        .ends()
        .with(0, "added `Smew`");
    let table: toml::Table = shelf.text().parse().expect("TOML");
    let row = &table["loaner"][1];
    assert_eq!(json!(row["label"]), json!("Smew"));
    assert_eq!(json!(row["serial"]), json!(serial));
}

#[test]
fn a_shelf_without_a_table_is_made_at_a_terminal_alone() {
    let shelf = Shelf::new(FILE);
    let new = shelf.path("new.toml").display().to_string();
    let words = ["loaners", "init", &new, "--family", "sample-form"];
    Call::new(&words)
        .run()
        .ends(2)
        .says("give --from CSV, or call it at a terminal")
        .complains_once();
    let said = Call::new(&words).word("--json").run().ends(2);
    assert_eq!(said.json("error")["error"]["code"], "usage");
    let rows = shelf.path("rows.csv").display().to_string();
    Call::new(&words)
        .words(&["--from", &rows, "--adapter", "wlan0"])
        .run()
        .ends(2)
        .says("cannot be used with");
    let data = shelf.path("data").display().to_string();
    let call = |words: &[&str]| Call::new(words).words(&["--data-dir", &data]);
    Terminal::start(call(&words))
        .sees("Power the first one, alone.")
        .sees("Which one?")
        .types("\u{1b}")
        .ends()
        .with(130, "no file written");
    Terminal::start(call(&words).words(&["--title", "two\nlines"]))
        .ends()
        .with(2, "bad-label");
    let there = shelf.word();
    let words = ["loaners", "init", &there, "--family", "sample-form"];
    Terminal::start(call(&words))
        .ends()
        .with(6, "is there already");
    assert_eq!(shelf.text(), FILE);
    assert!(!shelf.path("new.toml").exists());
}
