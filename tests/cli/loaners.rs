//! `linkmend loaners`: the file of a shelf, made from a table, and its schema.

use std::{
    fs,
    os::unix::fs::{MetadataExt, PermissionsExt},
    path::{Path, PathBuf},
};

use serde_json::{Value as Json, json};
use tempfile::TempDir;

use crate::harness::{Call, Said};

/// A folder with a table in it.
struct Bench {
    folder: TempDir,
}

const ROWS: &str = "label,identity,transmitter,model-lock,name\n\
    Heron,TD-0042,Blue 3,7,\"Heron, the grey\"\n\
    Smew,02-00-5E-00-00-2B,,unique,\n\
    Teal,TD-0044,,,\n";

impl Bench {
    fn new(rows: &[u8]) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        fs::write(folder.path().join("rows.csv"), rows).expect("written");
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn word(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    /// `loaners init tarn.toml --from rows.csv` with more words.
    fn init(&self, more: &[&str]) -> Said {
        let (file, rows) = (self.word("tarn.toml"), self.word("rows.csv"));
        Call::new(&["loaners", "init", &file, "--from", &rows])
            .words(more)
            .run()
    }

    fn names(&self) -> Vec<String> {
        let entries = self.folder.path().read_dir().expect("a folder");
        let mut names: Vec<String> = entries
            .map(|entry| entry.expect("readable").file_name())
            .map(|name| name.to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

/// A file of this repository.
fn file(path: &str) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    root.join(path).display().to_string()
}

const FORM: [&str; 2] = ["--family", "sample-form"];

#[test]
fn init_writes_a_file_that_the_schema_takes_and_says_what_it_wrote() {
    let bench = Bench::new(ROWS.as_bytes());
    let said = bench
        .init(&["--family", "sample-form", "--title", "Tarn \"loan\" shelf"])
        .ends(0)
        .says(&format!(
            "written `{}`: 3 loaners of sample-form",
            bench.word("tarn.toml")
        ))
        .says("with model-lock, name of their own");
    assert_eq!(said.stdout.lines().count(), 1, "{}", said.stdout);
    assert_eq!(bench.names(), ["rows.csv", "tarn.toml"]);
    let text = fs::read_to_string(bench.path("tarn.toml")).expect("written");
    let table: toml::Table = text.parse().expect("TOML");
    let shelf = serde_json::to_value(table).expect("JSON");
    assert_eq!(shelf["title"], "Tarn \"loan\" shelf");
    assert_eq!(
        shelf["loaner"],
        json!([
            {
                "label": "Heron", "serial": "TD-0042", "transmitter": "Blue 3",
                "settings": { "model-lock": 7, "name": "Heron, the grey" },
            },
            { "label": "Smew", "bssid": "02:00:5e:00:00:2b", "settings": { "model-lock": "unique" } },
            { "label": "Teal", "serial": "TD-0044" },
        ])
    );
    let schema = Call::new(&["loaners", "schema"]).run().ends(0);
    let schema: Json = serde_json::from_str(&schema.stdout).expect("JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    assert!(validator.is_valid(&shelf), "{shelf:#}");
}

#[test]
fn init_tells_a_script_the_same_as_one_object() {
    let bench = Bench::new(ROWS.as_bytes());
    let said = bench.init(&["--family", "sample-form", "--json"]).ends(0);
    assert_eq!(said.stderr, "");
    assert_eq!(
        said.json("loaners-init"),
        json!({
            "format": 1, "file": bench.word("tarn.toml"), "title": "Loan shelf",
            "family": "sample-form", "loaners": ["Heron", "Smew", "Teal"],
            "settings": ["model-lock", "name"],
        })
    );
}

#[test]
fn init_never_writes_over_anything() {
    let bench = Bench::new(ROWS.as_bytes());
    fs::write(bench.path("tarn.toml"), "mine").expect("written");
    bench
        .init(&FORM)
        .ends(6)
        .says("is there already")
        .complains_once();
    let said = bench.init(&["--family", "sample-form", "--json"]).ends(6);
    assert_eq!(said.json("error")["error"]["code"], "file-there");
    let text = fs::read_to_string(bench.path("tarn.toml")).expect("there");
    assert_eq!(text, "mine");
    assert_eq!(bench.names(), ["rows.csv", "tarn.toml"]);
}

#[test]
fn a_faulty_table_writes_nothing_and_tells_every_fault_with_its_line() {
    let rows = "label,serial,model-lock,bind-key\r\n\
                Heron,TD-0042,41,\r\n\
                heron,TD-0042,7,4a1f009c77e2\r\n\
                Teal,,,,\r\n";
    let bench = Bench::new(rows.as_bytes());
    let said = bench.init(&FORM).ends(2).says("has 5 faults");
    assert_eq!(said.stdout, "");
    for code in [
        "bad-value",
        "label-twice",
        "identity-twice",
        "secret-in-clear",
        "ragged-row",
    ] {
        assert!(
            said.stderr.contains(code),
            "{code} is not in:\n{}",
            said.stderr
        );
    }
    assert!(!said.stderr.contains("4a1f"), "a key:\n{}", said.stderr);
    let said = bench.init(&["--family", "sample-form", "--json"]).ends(2);
    let object = said.json("error");
    assert_eq!(object["error"]["code"], "shelf-faulty");
    let told: Vec<(u64, &str)> = object["faults"]
        .as_array()
        .expect("faults")
        .iter()
        .map(|fault| {
            let line = fault["line"].as_u64().expect("a line");
            (line, fault["code"].as_str().expect("a code"))
        })
        .collect();
    assert_eq!(
        told,
        [
            (2, "bad-value"),
            (3, "label-twice"),
            (3, "identity-twice"),
            (3, "secret-in-clear"),
            (4, "ragged-row"),
        ]
    );
    assert!(!said.stdout.contains("4a1f"), "a key:\n{}", said.stdout);
    assert_eq!(bench.names(), ["rows.csv"]);
}

#[test]
fn a_file_or_family_that_is_none_is_one_clear_message() {
    let bench = Bench::new(b"label,serial\nR\xf6hrs\xe4nger,TD-0042\n");
    bench
        .init(&FORM)
        .ends(2)
        .says("is not UTF-8 text from byte 14 on")
        .says("CSV UTF-8")
        .complains_once();
    let bench = Bench::new(ROWS.as_bytes());
    bench
        .init(&[])
        .ends(2)
        .says("a shelf is of one family, and none is named")
        .says("sample-form, sample-login, sample-script")
        .complains_once();
    bench
        .init(&["--family", "sample-frm"])
        .ends(2)
        .says("there is no profile `sample-frm`")
        .complains_once();
    bench
        .init(&["--family", &file("tests/profiles/ten-faults.toml")])
        .ends(2)
        .says("10 faults");
    bench
        .init(&["--family", "sample-form", "--title", "two\nlines"])
        .ends(2)
        .says("bad-label");
    let nowhere = bench.word("none/tarn.toml");
    let rows = bench.word("rows.csv");
    Call::new(&["loaners", "init", &nowhere, "--from", &rows])
        .words(&FORM)
        .run()
        .ends(1)
        .says("cannot write")
        .complains_once();
    fs::remove_file(bench.path("rows.csv")).expect("ours");
    bench
        .init(&FORM)
        .ends(2)
        .says("cannot read the table")
        .says("No such file")
        .complains_once();
    assert_eq!(bench.names(), Vec::<String>::new());
}

#[test]
fn a_family_of_ones_own_is_named_so_that_it_is_found_from_the_new_file() {
    let bench = Bench::new(ROWS.as_bytes());
    let profile = file("profiles/sample-form.toml");
    fs::copy(&profile, bench.path("mine.toml")).expect("copied");
    let in_folder = |words: &[&str]| {
        let mut command = Call::new(words).into_command();
        command.current_dir(bench.folder.path());
        let output = command.output().expect("it runs");
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{stderr}");
    };
    let family = |name: &str| {
        let text = fs::read_to_string(bench.path(name)).expect("written");
        let table: toml::Table = text.parse().expect("TOML");
        table["family"].as_str().expect("text").to_owned()
    };
    let words = ["--from", "rows.csv", "--family", "mine.toml"];
    in_folder(&[&["loaners", "init", "here.toml"], &words[..]].concat());
    assert_eq!(family("here.toml"), "mine.toml");
    fs::create_dir(bench.path("below")).expect("made");
    in_folder(&[&["loaners", "init", "below/there.toml"], &words[..]].concat());
    let real = bench.path("mine.toml").canonicalize().expect("there");
    assert_eq!(
        Path::new(&family("below/there.toml"))
            .canonicalize()
            .expect("found"),
        real
    );
}

#[test]
fn a_new_file_has_the_rights_of_one() {
    let bench = Bench::new(ROWS.as_bytes());
    bench.init(&FORM).ends(0);
    // As any other program makes one, by this process's umask.
    let other = bench.path("other");
    fs::write(&other, "").expect("written");
    let mode = |path: &Path| fs::metadata(path).expect("there").permissions().mode();
    assert_eq!(mode(&bench.path("tarn.toml")), mode(&other));
    assert_eq!(fs::metadata(&other).expect("there").mode() & 0o7000, 0);
}

#[test]
fn what_a_table_says_cannot_act_on_a_terminal_nor_in_the_file() {
    let bench = Bench::new("label,serial\nHer\u{1b}[2Jon,\u{202e}TD\n".as_bytes());
    let said = bench.init(&FORM).ends(2).says("bad-character");
    assert!(
        !said.stderr.contains(['\u{1b}', '\u{202e}']),
        "{}",
        said.stderr
    );
    // Markup is text like any other, and stays what it is.
    let bench = Bench::new(b"label,serial\n<b>Heron</b>,=1+1\n");
    bench.init(&FORM).ends(0);
    let text = fs::read_to_string(bench.path("tarn.toml")).expect("written");
    assert!(
        text.contains("label = \"<b>Heron</b>\"\nserial = \"=1+1\"\n"),
        "{text}"
    );
}

#[test]
fn ten_thousand_rows_are_written_and_as_many_faults_are_told_shortly() {
    let rows: String = (0..10_000)
        .map(|n| format!("B{n},S{n},60\n"))
        .fold("label,serial,light\n".to_owned(), |all, row| all + &row);
    let bench = Bench::new(rows.as_bytes());
    bench.init(&FORM).ends(0).says("10000 loaners");
    let text = fs::read_to_string(bench.path("tarn.toml")).expect("written");
    assert_eq!(text.matches("[[loaner]]").count(), 10_000);
    let bench = Bench::new(rows.replace(",60\n", ",160\n").as_bytes());
    let said = bench
        .init(&FORM)
        .ends(2)
        .says("has 10000 faults")
        .says("… and 9950 more");
    assert_eq!(said.stderr.matches("bad-value").count(), 50);
    let said = bench.init(&["--family", "sample-form", "--json"]).ends(2);
    let faults = said.json("error")["faults"]
        .as_array()
        .expect("faults")
        .len();
    assert_eq!(faults, 10_000);
}

#[test]
fn schema_is_the_committed_one() {
    let said = Call::new(&["loaners", "schema"]).run().ends(0);
    let schema: Json = serde_json::from_str(&said.stdout).expect("JSON");
    let committed = fs::read_to_string(file("src/loaners/shelf.schema.json")).expect("read");
    let committed: Json = serde_json::from_str(&committed).expect("JSON");
    assert_eq!(schema, committed);
}
