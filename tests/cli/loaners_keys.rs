//! `linkmend loaners reset` where slots and bind keys are drawn: the same ones in every run, and keys
//! reach whoever types them before a loaner has them.

use std::{
    collections::BTreeSet,
    fs,
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
};

use mock_device::{
    Family,
    shelf::{self, Shelf, ShelfOptions},
};
use serde_json::Value as Json;
use tempfile::TempDir;

use crate::{
    claims::keep,
    harness::{Call, RUNTIME, SPEED, until},
    terminal::Terminal,
};

/// Three locked loaners, a file in which each is to have a slot and a key of its own, and a folder.
struct Bench {
    shelf: Shelf,
    folder: TempDir,
}

impl Bench {
    fn new() -> Self {
        let options = ShelfOptions {
            speed: Some(SPEED),
            ..ShelfOptions::new(Family::SampleForm, 3)
        };
        let bench = Self {
            shelf: RUNTIME.block_on(shelf::start(options)).expect("a shelf"),
            folder: tempfile::tempdir().expect("a folder"),
        };
        bench.write(&["", "", ""]);
        bench
    }

    /// Writes the file; each row with settings of its own.
    fn write(&self, own: &[&str]) {
        let mut text = "format = 1\ntitle = \"Tarn loaners\"\nfamily = \"sample-form\"\n\
                        [baseline]\nmodel-lock = \"unique\"\nbind-key = \"unique\"\n"
            .to_owned();
        for ((number, lent), own) in (1..).zip(self.shelf.lent()).zip(own) {
            let serial = lent.serial.as_ref().expect("it shows one");
            let row = format!(
                "[[loaner]]\nlabel = \"{}\"\nserial = \"{serial}\"\nat = \"{}\"\n\
                 transmitter = \"Blue {number}\"\nsettings = {{ {own} }}\n",
                lent.label,
                lent.at()
            );
            text.push_str(&row);
        }
        fs::write(self.path("tarn.toml"), text).expect("written");
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn word(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    fn loaners(&self, words: &[&str]) -> Call {
        let data = self.word("data");
        Call::new(&["loaners", words[0], &self.word("tarn.toml")])
            .words(&words[1..])
            .words(&["--data-dir", &data, "--limit", "leave-s=2"])
    }

    /// `reset --yes`, with the keys to a file.
    fn reset(&self, keys: &str) -> Call {
        self.loaners(&["reset", "--yes", "--keys-to", &self.word(keys)])
    }

    fn setting(&self, name: &str) -> Vec<Json> {
        let truth = |index| self.shelf.truth_of(index).expect("there");
        (0..3)
            .map(|index| truth(index).devices[0].settings[name].clone())
            .collect()
    }

    fn saves(&self) -> u64 {
        let truth = |index| self.shelf.truth_of(index).expect("there");
        (0..3).map(|index| truth(index).devices[0].saves).sum()
    }

    /// The keys that the loaners have.
    fn keys(&self) -> Vec<String> {
        let keys = self.setting("bind-key").into_iter();
        keys.map(|key| key.as_str().expect("bound").to_owned())
            .collect()
    }

    /// The lines of a file of keys, without its head.
    fn handed(&self, name: &str) -> Vec<Vec<String>> {
        let text = fs::read_to_string(self.path(name)).expect("written");
        assert!(
            text.starts_with("# The bind keys that linkmend drew"),
            "{text}"
        );
        text.lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| line.split('\t').map(str::to_owned).collect())
            .collect()
    }
}

/// Every text below a folder but the journal itself, which keeps secrets to restore them.
fn told_in(folder: &Path) -> String {
    let mut all = String::new();
    for entry in folder.read_dir().expect("a folder") {
        let path = entry.expect("readable").path();
        if path.is_dir() {
            all += &told_in(&path);
        } else if path
            .extension()
            .is_some_and(|end| end == "html" || end == "csv")
        {
            all += &fs::read_to_string(&path).expect("text");
        }
    }
    all
}

#[test]
fn slots_and_keys_are_drawn_once_and_handed_over_before_they_are_written() {
    let bench = Bench::new();
    let before = bench.keys();
    let said = bench.reset("keys.txt").word("--json").run().ends(0);
    let keys = bench.keys();
    let all: BTreeSet<&String> = keys.iter().chain(&before).collect();
    assert_eq!(all.len(), 6, "each has a new one");
    let locks = bench.setting("model-lock");
    let slots: BTreeSet<String> = locks.iter().map(Json::to_string).collect();
    assert_eq!(slots.len(), 3, "{locks:?}");
    let labels = bench.shelf.lent().iter().map(|lent| lent.label.clone());
    let rows: Vec<Vec<String>> = (1..)
        .zip(labels.zip(&keys))
        .map(|(number, (label, key))| vec![label, format!("Blue {number}"), key.clone()])
        .collect();
    assert_eq!(bench.handed("keys.txt"), rows);
    let mode = fs::metadata(bench.path("keys.txt"))
        .expect("there")
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o600);
    // Once more by the same words: the file is there and is what it would be.
    let saves = bench.saves();
    let again = bench
        .reset("keys.txt")
        .run()
        .ends(0)
        .says("3 bind keys are in")
        .says("already");
    assert_eq!(
        (bench.keys(), bench.setting("model-lock")),
        (keys.clone(), locks)
    );
    assert_eq!(bench.saves(), saves, "nothing is written twice");
    bench.reset("others.txt").run().ends(0);
    let text = |name| fs::read(bench.path(name)).expect("written");
    assert_eq!(text("others.txt"), text("keys.txt"));
    // A key stands in the file and nowhere else.
    let report = bench.word("run.csv");
    let data = bench.word("data");
    let words = ["loaners", "report", &report, "--data-dir", &data];
    let paper = Call::new(&words).word("--json").run().ends(0);
    let told = told_in(bench.folder.path());
    assert!(
        told.contains("<html") && told.contains("bind-key"),
        "{told}"
    );
    for text in [
        &said.stdout,
        &said.stderr,
        &again.stdout,
        &again.stderr,
        &paper.stdout,
        &told,
    ] {
        keep(&keys, text);
    }
}

#[test]
fn keys_that_nobody_would_have_are_not_drawn() {
    let bench = Bench::new();
    let before = bench.keys();
    let refused = bench.loaners(&["reset", "--yes"]).run().ends(6);
    refused
        .says("there is nobody to hand them to")
        .says("--keys-to FILE")
        .complains_once();
    let said = bench.loaners(&["reset", "--yes", "--json"]).run().ends(6);
    assert_eq!(said.json("loaners")["error"]["code"], "keys-for-nobody");
    // What is there is never written over.
    fs::write(bench.path("mine.txt"), "mine").expect("written");
    let said = bench.reset("mine.txt").word("--json").run().ends(6);
    assert_eq!(said.json("loaners")["error"]["code"], "file-there");
    assert_eq!(fs::read(bench.path("mine.txt")).expect("there"), b"mine");
    let said = bench.reset("none/keys.txt").run().ends(1);
    said.says("cannot write").complains_once();
    // Nor taken for ours where others can read it.
    bench
        .reset("keys.txt")
        .word("--only")
        .word("Swan")
        .run()
        .ends(2);
    assert_eq!((bench.saves(), bench.keys()), (0, before));
}

#[test]
fn a_file_of_keys_that_others_can_read_is_not_taken_for_handed_over() {
    let bench = Bench::new();
    bench.reset("keys.txt").run().ends(0);
    let open = fs::Permissions::from_mode(0o644);
    fs::set_permissions(bench.path("keys.txt"), open).expect("ours");
    bench
        .reset("keys.txt")
        .run()
        .ends(6)
        .says("is there already");
}

#[test]
fn a_run_that_is_killed_leaves_the_keys_to_the_next_one() {
    let bench = Bench::new();
    let points = bench.word("points");
    let run = bench
        .reset("keys.txt")
        .env("LINKMEND_CHECKPOINT", "before-writing")
        .env("LINKMEND_CHECKPOINT_FILE", &points)
        .start();
    until("it is about to write", || {
        fs::read_to_string(&points).is_ok_and(|passed| passed.contains("before-writing"))
    });
    run.kill();
    let handed = bench.handed("keys.txt");
    assert_eq!(handed.len(), 3);
    assert_eq!(bench.saves(), 0);
    bench.reset("again.txt").run().ends(0);
    assert_eq!(bench.handed("again.txt"), handed);
    let keys: Vec<&String> = handed.iter().map(|row| &row[2]).collect();
    assert_eq!(bench.keys().iter().collect::<Vec<_>>(), keys);
}

#[test]
fn at_a_terminal_keys_are_shown_once_on_a_screen_of_their_own() {
    let bench = Bench::new();
    Terminal::start(bench.loaners(&["reset"]))
        .sees("Reset 3 loaners")
        .types("y\r")
        .sees("Show them here, once?")
        .types("n\r")
        .ends()
        .with(6, "--keys-to FILE");
    assert_eq!(bench.saves(), 0);
    let left = Terminal::start(bench.loaners(&["reset", "--yes"]))
        .sees("3 bind keys are drawn.")
        .sees("Show them here, once?")
        .types("y\r")
        .sees("Are all typed in?")
        .types("y\r")
        .ends()
        .with(0, "3 done");
    let (_, shown) = left.seen().split_once("\u{1b}[?1049h").expect("a screen");
    let (private, after) = shown.split_once("\u{1b}[?1049l").expect("it is left");
    let flat: String = private.split_whitespace().collect();
    for key in bench.keys() {
        assert!(flat.contains(&key), "{private}");
    }
    keep(&bench.keys(), &after.split_whitespace().collect::<String>());
}

#[test]
fn a_check_draws_nothing_and_a_dry_run_says_what_the_reset_writes() {
    let bench = Bench::new();
    let said = bench.loaners(&["check"]).run().ends(4);
    said.says("is to be unique, and none is drawn for it yet");
    let planned = bench
        .loaners(&["reset", "--dry-run", "--json"])
        .run()
        .ends(0);
    let changes = |stdout: &str| -> Vec<Json> {
        let last: Json = stdout
            .lines()
            .last()
            .and_then(|line| serde_json::from_str(line).ok())
            .expect("a summary");
        let loaners = last["loaners"].as_array().expect("loaners").clone();
        let of = |loaner: Json| loaner["changes"].as_array().expect("changes").clone();
        let all = loaners.into_iter().flat_map(of);
        all.map(|line| line["after"].clone()).collect()
    };
    assert_eq!(bench.saves(), 0);
    let done = bench.reset("keys.txt").word("--json").run().ends(0);
    let planned = changes(&planned.stdout);
    assert_eq!(planned.len(), 6, "a slot and a key for each: {planned:?}");
    assert_eq!(planned, changes(&done.stdout));
    bench.loaners(&["check"]).run().ends(0);
}

#[test]
fn what_was_drawn_and_is_another_rows_by_now_is_told() {
    let bench = Bench::new();
    bench.reset("keys.txt").run().ends(0);
    let locks = bench.setting("model-lock");
    bench.write(&["", "", &format!("model-lock = {}", locks[0])]);
    let saves = bench.saves();
    let said = bench.reset("again.txt").word("--json").run().ends(6);
    assert_eq!(said.json("loaners")["error"]["code"], "drawn-taken");
    assert_eq!(bench.saves(), saves);
    assert!(!bench.path("again.txt").exists());
}
