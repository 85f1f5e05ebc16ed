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

/// The address of a simulated receiver, and how long a run takes, are not the same each time.
fn is_the_same_each_time(line: &str) -> bool {
    !line.contains("127.0.0.1") && !line.contains("connection was refused")
}

#[test]
fn its_shelf_comes_to_what_it_shows() {
    let readme = readme();
    assert!(readme.contains("cargo run --release -- loaners reset --practice --yes\n"));
    let data = tempfile::tempdir().expect("a folder");
    let said = Call::new(&["loaners", "reset", "--practice", "--yes"])
        .words(&["--data-dir", &data.path().display().to_string()])
        .run()
        .ends(5);
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let said = flat(&said.stdout);
    let shown = block(&readme, "shelf");
    let mut count = 0;
    for line in shown.lines().filter(|line| is_the_same_each_time(line)) {
        let line = line.split(" in 9 s").next().unwrap_or_default();
        if line == "…" {
            continue;
        }
        assert!(said.contains(&flat(line)), "`{line}` is not in:\n{said}");
        count += 1;
    }
    assert!(count > 15, "{count} lines");
}

#[test]
fn its_table_of_a_run_is_what_the_table_shows() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/cli/loaners/golden/table-80.txt");
    let golden = std::fs::read_to_string(file).expect("a golden file");
    let readme = readme();
    let shown = block(&readme, "table");
    for line in shown.lines().filter(|line| *line != "…") {
        assert!(golden.lines().any(|one| one == line), "`{line}`");
    }
    assert!(readme.contains("(tests/report/report.png)"));
}

/// The script of every night, with the real program, on a good night and on a bad one.
#[test]
fn its_nightly_script_says_nothing_on_a_good_night_and_who_is_at_fault_on_a_bad_one() {
    use std::os::unix::fs::PermissionsExt;
    let shelf = crate::shelf::Loaners::new(2, "locked");
    let program = Path::new(env!("CARGO_BIN_EXE_linkmend"));
    // `linkmend` is found on the path, as a wrapper that knows the data folder of this test.
    let wrapper = format!(
        "#!/bin/sh\nexec '{}' \"$@\" --data-dir '{}'\n",
        program.display(),
        shelf.data().display()
    );
    std::fs::create_dir(shelf.path("bin")).expect("made");
    for (name, text) in [
        ("bin/linkmend", wrapper),
        ("nightly", block(&readme(), "nightly")),
    ] {
        shelf.write(name, &text);
        let rights = std::fs::Permissions::from_mode(0o700);
        std::fs::set_permissions(shelf.path(name), rights).expect("ours");
    }
    let night = |file: &str| {
        let output = std::process::Command::new("sh")
            .arg(shelf.path("nightly"))
            .arg(shelf.path(file))
            .env("PATH", format!("{}:/usr/bin:/bin", shelf.word("bin")))
            .stdin(Stdio::null())
            .output()
            .expect("it runs");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(errors, "");
        (output.status.code(), text)
    };
    let (code, text) = night("shelf.toml");
    assert_eq!(code, Some(4), "{text}");
    for label in shelf.labels("locked") {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(&format!("{label} differs")), "{text}");
    }
    let (code, text) = night("none.toml");
    assert_eq!(code, Some(2), "{text}");
    assert!(text.contains("No such file"), "{text}");
    shelf.reset(&[]).run().ends(0);
    assert_eq!(night("shelf.toml"), (Some(0), String::new()));
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
