//! What makes a program pleasant at a shell: help that fits and shows how, no colours where they
//! are not wanted, completions, a manual.

use std::{
    path::Path,
    process::{Command, Stdio},
};

use clap::CommandFactory;
use linkmend::cli::args::Cli;

use crate::harness::{Call, NO_BUS};

/// The words of every command, the program itself being none.
fn commands() -> Vec<Vec<String>> {
    fn collect(command: &clap::Command, path: &[String], all: &mut Vec<Vec<String>>) {
        all.push(path.to_vec());
        for inner in command.get_subcommands() {
            let path = [path, &[inner.get_name().to_owned()]].concat();
            collect(inner, &path, all);
        }
    }
    let mut all = Vec::new();
    collect(&Cli::command(), &[], &mut all);
    all
}

fn call(words: &[String], more: &[&str]) -> Call {
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    Call::new(&words).words(more)
}

#[test]
fn help_of_every_command_fits_80_columns_and_has_an_example() {
    let all = commands();
    assert!(all.len() > 10, "{all:?}");
    for words in &all {
        for columns in ["80", "200"] {
            let said = call(words, &["--help"])
                .env("COLUMNS", columns)
                .run()
                .ends(0);
            let longest = said.stdout.lines().map(|line| line.chars().count()).max();
            assert!(longest <= Some(80), "{words:?}:\n{}", said.stdout);
            let (_, examples) = said
                .stdout
                .split_once("Example")
                .unwrap_or_else(|| panic!("{words:?} has no example:\n{}", said.stdout));
            let with_words = ["linkmend", &words.join(" ")].join(" ");
            assert!(
                examples.contains(with_words.trim_end()),
                "{words:?}:\n{examples}"
            );
        }
    }
}

/// ECMA-48, 5.4: what begins a control sequence.
const CSI: &str = "\u{1b}[";

#[test]
fn colours_are_there_where_they_are_wanted_and_nowhere_else() {
    // no-color.org and bixense.com/clicolors, the two conventions for this.
    let forced = ("CLICOLOR_FORCE", "1");
    for words in [
        &["--help"][..],
        &["profile", "list"],
        &["unlock", "--at", "nowhere"],
    ] {
        let run = |more: &[&str], plain: &str| {
            let call = Call::new(words).words(more).env("NO_COLOR", plain);
            let said = call.env(forced.0, forced.1).run();
            format!("{}{}", said.stdout, said.stderr)
        };
        if words != ["profile", "list"] {
            assert!(run(&[], "").contains(CSI), "{words:?}");
        }
        assert!(!run(&["--no-color"], "").contains(CSI), "{words:?}");
        assert!(!run(&[], "1").contains(CSI), "{words:?}");
    }
}

/// What bash offers for the last of these words, with our completions sourced.
fn offered(words: &[&str]) -> Vec<String> {
    let program = Path::new(env!("CARGO_BIN_EXE_linkmend"));
    let folder = program.parent().expect("a folder").display();
    let last = words.len() - 1;
    let quoted: Vec<String> = words.iter().map(|word| format!("'{word}'")).collect();
    // As bash itself calls a completion function (bash manual, 8.6, Programmable Completion).
    let script = format!(
        "source <(linkmend completions bash)\n\
         COMP_WORDS=({words}) COMP_CWORD={last} COMP_TYPE=9\n\
         _clap_complete_linkmend linkmend '{current}' '{before}'\n\
         printf '%s\\n' \"${{COMPREPLY[@]}}\"",
        words = quoted.join(" "),
        current = words[last],
        before = words[last - 1],
    );
    let output = Command::new("bash")
        .args(["--norc", "--noprofile", "-c", &script])
        .env_clear()
        .env("PATH", format!("{folder}:/usr/bin:/bin"))
        .env("HOME", "/nonexistent")
        .env("DBUS_SYSTEM_BUS_ADDRESS", NO_BUS)
        .stdin(Stdio::null())
        .output()
        .expect("bash runs");
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && stderr.is_empty(),
        "{words:?}: {stderr}"
    );
    let stdout = String::from_utf8(output.stdout).expect("UTF-8");
    stdout
        .lines()
        .filter(|line| !line.is_empty())
        .map(str::to_owned)
        .collect()
}

#[test]
fn bash_completes_commands_options_and_the_words_of_families() {
    assert_eq!(offered(&["linkmend", "unl"]), ["unlock"]);
    assert_eq!(offered(&["linkmend", "unlock", "--dry"]), ["--dry-run"]);
    let conditions = offered(&["linkmend", "unlock", "--practice", "lock"]);
    assert!(conditions.contains(&"locked".to_owned()), "{conditions:?}");
    assert!(
        conditions.iter().all(|word| word.starts_with("lock")),
        "{conditions:?}"
    );
    assert_eq!(
        offered(&["linkmend", "read", "--profile", "sample-f"]),
        ["sample-form"]
    );
    assert_eq!(offered(&["linkmend", "read", "model"]), ["model-lock"]);
    assert_eq!(
        offered(&["linkmend", "read", "--expect", "model"]),
        ["model-lock="]
    );
    assert_eq!(
        offered(&["linkmend", "read", "--limit", "conn"]),
        ["connect-s="]
    );
    assert_eq!(offered(&["linkmend", "write", "lig"]), ["light="]);
    assert_eq!(offered(&["linkmend", "completions", "f"]), ["fish"]);
}

#[test]
fn there_are_completions_for_every_shell_and_no_other() {
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let said = Call::new(&["completions", shell]).run().ends(0);
        assert!(
            said.stdout.contains("LINKMEND_COMPLETE"),
            "{shell}:\n{}",
            said.stdout
        );
    }
    let _ = Call::new(&["completions", "heron"]).run().ends(2);
    // A shell that is asked for by the variable and does not exist.
    let _ = Call::new(&["--", ""])
        .env("LINKMEND_COMPLETE", "heron")
        .run()
        .ends(2);
}

#[test]
fn manual_has_a_page_for_every_command() {
    let folder = tempfile::tempdir().expect("a folder");
    let man = folder.path().join("man1");
    let said = Call::new(&["man", &man.display().to_string()])
        .run()
        .ends(0);
    let mut found: Vec<String> = std::fs::read_dir(&man)
        .expect("made")
        .map(|entry| {
            entry
                .expect("readable")
                .file_name()
                .into_string()
                .expect("UTF-8")
        })
        .collect();
    found.sort();
    let mut expected: Vec<String> = commands()
        .iter()
        .map(|words| {
            format!(
                "{}.1",
                [&["linkmend".to_owned()], &words[..]].concat().join("-")
            )
        })
        .collect();
    expected.sort();
    assert_eq!(found, expected);
    assert!(
        said.stdout.contains(&found.len().to_string()),
        "{}",
        said.stdout
    );
    for name in &found {
        let page = std::fs::read_to_string(man.join(name)).expect("a page");
        for section in ["NAME", "SYNOPSIS", "DESCRIPTION", "OPTIONS"] {
            assert!(
                page.contains(&format!(".SH {section}")),
                "{name}: {section}\n{page}"
            );
        }
        assert!(page.contains("Example"), "{name}:\n{page}");
    }
    let alone = Call::new(&["man"]).run().ends(0);
    let root = std::fs::read_to_string(man.join("linkmend.1")).expect("a page");
    assert_eq!(alone.stdout.trim_end(), root.trim_end());
}

#[test]
fn manual_that_cannot_be_written_says_so() {
    let file = tempfile::NamedTempFile::new().expect("a file");
    let below = file.path().join("man1").display().to_string();
    let _ = Call::new(&["man", &below]).run().ends(1).complains_once();
}
