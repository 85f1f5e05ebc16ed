//! The README shows what the program really says.

use std::{
    fs::File,
    io::{Read, Seek},
    path::Path,
    process::Stdio,
};

use serde_json::Value as Json;

use crate::harness::{Call, Said};

pub(crate) fn readme() -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md");
    std::fs::read_to_string(file).expect("a README")
}

/// The first block of a language.
pub(crate) fn block(readme: &str, language: &str) -> String {
    let (_, rest) = readme
        .split_once(&format!("```{language}\n"))
        .expect("the block begins");
    let (block, _) = rest.split_once("```").expect("the block ends");
    block.to_owned()
}

/// How long the receiver was away is not the same in every run.
fn times_aside(text: &str) -> String {
    let lines = text
        .lines()
        .map(|line| match line.split_once("back after ") {
            Some((before, _)) => before,
            None => line,
        });
    lines.collect::<Vec<_>>().join("\n")
}

/// Runs a command with stdout and stderr going to one place, as on a terminal.
fn seen(words: &[&str]) -> String {
    let data = tempfile::tempdir().expect("a folder");
    let mut file: File = tempfile::tempfile().expect("a file");
    let mut command = Call::new(words)
        .words(&["--data-dir", &data.path().display().to_string()])
        .into_command();
    let status = command
        .stdin(Stdio::null())
        .stdout(file.try_clone().expect("the same file"))
        .stderr(file.try_clone().expect("the same file"))
        .status()
        .expect("the program runs");
    assert!(status.success(), "{words:?}");
    let mut text = String::new();
    file.rewind().expect("from the start");
    file.read_to_string(&mut text).expect("UTF-8");
    text
}

#[test]
fn its_first_command_says_what_it_shows() {
    let readme = readme();
    assert!(readme.contains("cargo run --release -- unlock --practice locked --yes\n"));
    let said = seen(&["unlock", "--practice", "locked", "--yes"]);
    assert_eq!(times_aside(&said), times_aside(&block(&readme, "console")));
}

#[test]
fn its_reading_shows_every_setting_as_it_is_printed() {
    let readme = readme();
    let shown = block(&readme, "text");
    let said = seen(&["read", "--practice", "locked"]);
    // Fingerprints are made with the key of each journal.
    let plain = |line: &&str| !line.contains("fingerprint");
    // On a terminal long lines go on below.
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    for line in shown.lines().filter(plain) {
        assert!(
            flat(&said).contains(&flat(line)),
            "`{line}` is not in:\n{said}"
        );
    }
}

#[test]
fn its_json_is_valid_by_the_schema() {
    let object: Json = serde_json::from_str(&block(&readme(), "json")).expect("JSON");
    let said = Said {
        code: Some(0),
        stdout: format!("{object}\n"),
        stderr: String::new(),
    };
    assert_eq!(said.json("change"), object);
}

#[test]
fn its_shelf_is_sound() {
    use std::{io::Write, os::unix::fs::OpenOptionsExt};
    let folder = tempfile::tempdir().expect("a folder");
    let mut key = std::fs::OpenOptions::new()
        .create_new(true)
        .write(true)
        .mode(0o600)
        .open(folder.path().join("tarn.key"))
        .expect("a file");
    key.write_all(b"4a1f009c77e2\n").expect("written");
    let shelf = linkmend::loaners::load_text("README.md", &block(&readme(), "toml"), folder.path())
        .unwrap_or_else(|faults| panic!("{}", faults.picture(false, 100)));
    let labels: Vec<&str> = shelf.loaners.iter().map(|one| &*one.label).collect();
    assert_eq!(labels, ["Heron", "Smew"]);
    assert_eq!(shelf.title, "Tarn Sailing School, loan shelf");
}

#[test]
fn its_table_names_every_command() {
    let readme = readme();
    let help = Call::new(&["--help"]).run();
    let listed = help
        .stdout
        .split_once("Commands:\n")
        .and_then(|(_, rest)| rest.split_once("\n\n"))
        .expect("a list of commands");
    let names = listed.0.lines().filter_map(|line| {
        let name = line.split_whitespace().next()?;
        line.starts_with(&format!("  {name}")).then_some(name)
    });
    let mut count = 0;
    for name in names {
        assert!(readme.contains(&format!("| `linkmend {name}")), "{name}");
        count += 1;
    }
    assert!(count > 9, "{count} commands");
}
