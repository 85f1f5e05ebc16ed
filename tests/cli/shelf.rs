//! A whole shelf of simulated receivers, its file, and what is true of it beside the wire.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
    time::Duration,
};

use mock_device::{
    DeviceTruth, Family,
    shelf::{Keys, ReceiverTruth, Shelf, ShelfOptions},
};
use serde_json::{Map, Value as Json};
use tempfile::TempDir;

use crate::{
    claims::secrets,
    harness::{Call, RUNTIME, SPEED, Said, schema_file},
};

/// Bounds that keep a test short, as those of a receiver alone.
const QUICK: [&str; 4] = ["--limit", "answer-s=2", "--limit", "leave-s=2"];

/// A shelf with its file and a data folder of its own.
pub(crate) struct Loaners {
    shelf: Shelf,
    folder: TempDir,
}

impl Loaners {
    /// So many `sample-form` receivers in these conditions, all with the school's bind key and each
    /// to have a slot of its own. Their order follows from the seed.
    pub(crate) fn new(count: usize, conditions: &str) -> Self {
        let mut options = ShelfOptions::new(Family::SampleForm, count);
        options.conditions = conditions.parse().expect("conditions");
        options.keys = Keys::OfTheSchool;
        options.speed = Some(SPEED);
        options.pause = Duration::from_millis(6);
        let shelf = RUNTIME
            .block_on(mock_device::shelf::start(options))
            .expect("a shelf");
        let folder = tempfile::tempdir().expect("a folder");
        let loaners = Self { shelf, folder };
        loaners.write("shelf.toml", &loaners.shelf.toml());
        loaners
    }

    /// Writes a file into its folder.
    pub(crate) fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).expect("written");
    }

    /// The text of its file, as it was made.
    pub(crate) fn toml(&self) -> String {
        self.shelf.toml()
    }

    /// A file of its folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The same as a word.
    pub(crate) fn word(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    /// The data folder.
    pub(crate) fn data(&self) -> PathBuf {
        self.path("data")
    }

    /// `loaners COMMAND` on its file.
    pub(crate) fn command(&self, command: &str, more: &[&str]) -> Call {
        self.off_shelf(&["loaners", command, &self.word("shelf.toml")])
            .words(&QUICK)
            .words(more)
    }

    /// `loaners reset --yes` on its file.
    pub(crate) fn reset(&self, more: &[&str]) -> Call {
        self.command("reset", &["--yes"]).words(more)
    }

    /// A command with its data folder, and its secrets.
    pub(crate) fn off_shelf(&self, words: &[&str]) -> Call {
        let all = self.receivers();
        let kept = all.iter().flat_map(|one| &one.truth.devices);
        Call::new(words)
            .words(&["--data-dir", &self.word("data")])
            .keeping(kept.flat_map(secrets).collect())
    }

    /// What is true of all of them, in the order of the file.
    pub(crate) fn receivers(&self) -> Vec<ReceiverTruth> {
        self.shelf.truth().receivers
    }

    /// The devices that stand there, by the label of their rows.
    pub(crate) fn devices(&self) -> BTreeMap<String, DeviceTruth> {
        let of = |one: ReceiverTruth| (one.row.label, one.truth.devices[0].clone());
        self.receivers().into_iter().map(of).collect()
    }

    /// The labels of those that are like this, in the order of the file.
    pub(crate) fn labels(&self, condition: &str) -> Vec<String> {
        let all = self.shelf.lent().iter();
        let alike = all.filter(|one| one.condition.word() == condition);
        alike.map(|one| one.label.clone()).collect()
    }

    /// The slot that a loaner is to have.
    pub(crate) fn slot(&self, label: &str) -> u8 {
        let row = self.shelf.lent().iter().find(|one| one.label == label);
        row.and_then(|row| row.slot).expect("a slot")
    }

    /// Gives one its power, or takes it.
    pub(crate) fn power(&self, label: &str, on: bool) {
        let all = self.shelf.lent();
        let index = all.iter().position(|one| one.label == label);
        // What is due by itself is waited for in the runtime.
        let _runtime = RUNTIME.enter();
        assert!(self.shelf.power(index.expect("a row"), on));
    }

    /// Asserts that none of them was asked for anything.
    #[track_caller]
    pub(crate) fn is_unasked(&self) {
        let all = self.receivers();
        assert!(all.iter().all(|one| one.truth.requests.is_empty()));
    }

    /// How many requests that act were ever sent to any of them.
    pub(crate) fn acts(&self) -> usize {
        let all = self.receivers();
        let requests = all.iter().flat_map(|one| &one.truth.requests);
        requests.filter(|request| request.acts).count()
    }

    /// Asserts that what a summary says of each loaner is so.
    #[track_caller]
    pub(crate) fn is_true(&self, summary: &Json, before: &BTreeMap<String, DeviceTruth>) {
        let now = self.devices();
        for one in summary["loaners"].as_array().expect("loaners") {
            let label = one["label"].as_str().expect("a label");
            let (was, is) = (&before[label], &now[label]);
            match one["result"].as_str().expect("a result") {
                "done" | "as-wanted" => {
                    let slot = u64::from(self.slot(label));
                    assert_eq!(is.settings["model-lock"], slot, "{label}: {one:#}");
                    assert_eq!(is.settings["failsafe"], "neutral", "{label}");
                    assert!(is.settings["local-network"].is_null(), "{label}");
                    assert_eq!(others(&is.settings), others(&was.settings), "{label}");
                }
                "put-back" => assert_eq!(is.settings, was.settings, "{label}: {one:#}"),
                "unproved" => {}
                _ => assert_eq!(
                    (is.saves, &is.settings),
                    (was.saves, &was.settings),
                    "{label}"
                ),
            }
        }
    }
}

/// What the file says nothing of.
fn others(settings: &Map<String, Json>) -> Map<String, Json> {
    let mut settings = settings.clone();
    for name in [
        "model-lock",
        "failsafe",
        "local-network",
        "local-passphrase",
    ] {
        settings.remove(name);
    }
    settings
}

/// The lines of `--json`, each valid by the schema; the last is the summary.
#[track_caller]
pub(crate) fn lines(said: &Said) -> Vec<Json> {
    let text = fs::read_to_string(schema_file("loaners")).expect("a committed schema");
    let schema = serde_json::from_str(&text).expect("a schema is JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    let lines: Vec<Json> = said
        .stdout
        .lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}")))
        .collect();
    for line in &lines {
        let errors: Vec<String> = validator.iter_errors(line).map(|e| e.to_string()).collect();
        assert!(errors.is_empty(), "{errors:?}\n{line:#}");
    }
    lines
}

/// The summary of a run with `--json`.
#[track_caller]
pub(crate) fn summary(said: &Said) -> Json {
    let last = lines(said).pop().expect("a summary");
    assert!(last["loaners"].is_array(), "{last:#}");
    last
}

/// How each ended, by label.
pub(crate) fn results(summary: &Json) -> BTreeMap<&str, &str> {
    let all = summary["loaners"].as_array().expect("loaners").iter();
    let text = |one: &'_ Json, key: &str| one[key].as_str().map(ToOwned::to_owned);
    assert!(all.clone().all(|one| text(one, "label").is_some()));
    all.filter_map(|one| Some((one["label"].as_str()?, one["result"].as_str()?)))
        .collect()
}

/// The pages of runs in a data folder.
pub(crate) fn pages(data: &Path) -> Vec<PathBuf> {
    let entries = data.join("reports").read_dir();
    let mut all: Vec<PathBuf> = entries
        .into_iter()
        .flatten()
        .map(|entry| entry.expect("readable").path())
        .collect();
    all.sort();
    all
}
