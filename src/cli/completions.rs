//! `linkmend completions`: what a shell needs to complete commands with the Tab key.
//!
//! ```text
//! $ source <(linkmend completions bash)
//! $ linkmend unlock --practice lo<Tab>
//! ```
//!
//! The shell asks this program at each Tab, through an environment variable, so what it completes
//! is never older than the program. Nothing is asked of a device or of the journal for it.

use std::{
    collections::{BTreeMap, BTreeSet},
    ffi::{OsStr, OsString},
    path::Path,
};

use clap::{Arg, Command, CommandFactory};
use clap_complete::{
    ArgValueCandidates, ArgValueCompleter, CompleteEnv, CompletionCandidate, PathCompleter,
    engine::ValueCompleter, env::Shells,
};

use super::{args, context::Context, failure::Failure};
use crate::{profile, session::Limit, terms::Exit};

/// The variable by which a shell asks.
const ASKED: &str = "LINKMEND_COMPLETE";
/// What the shell calls: the program as it is found by its name.
const PROGRAM: &str = "linkmend";

/// Answers a shell that asks what could stand there; whether one did.
pub(super) fn answered() -> Result<bool, clap::Error> {
    let here = std::env::current_dir().ok();
    CompleteEnv::with_factory(command)
        .var(ASKED)
        .try_complete(std::env::args_os(), here.as_deref())
}

/// Runs the command.
pub(super) fn run(context: &Context, typed: &args::Completions) -> Result<Exit, Failure> {
    let name = typed.shell.to_string();
    let shells = Shells::builtins();
    let mut script = Vec::new();
    let written = shells
        .completer(&name)
        .map(|shell| shell.write_registration(ASKED, PROGRAM, PROGRAM, PROGRAM, &mut script));
    if !matches!(written, Some(Ok(()))) {
        return Err(Failure::usage(
            format!("there are no completions for `{name}`"),
            "see `linkmend completions --help`",
        ));
    }
    context.screen.text(&String::from_utf8_lossy(&script));
    Ok(Exit::Done)
}

/// All commands, with the words that could be the values of their arguments.
fn command() -> Command {
    with_words(args::Cli::command())
}

fn with_words(command: Command) -> Command {
    command.mut_args(words).mut_subcommands(with_words)
}

/// What could be the value of an argument, by its name.
fn words(argument: Arg) -> Arg {
    match argument.get_id().as_str() {
        "practice" => argument.add(ArgValueCandidates::new(practice)),
        "profile" | "family" => argument.add(ArgValueCompleter::new(name_or_file)),
        "settings"
            if argument
                .get_value_names()
                .is_some_and(|names| names[0] == "SETTING") =>
        {
            argument.add(ArgValueCandidates::new(|| settings("")))
        }
        "settings" => argument.add(ArgValueCandidates::new(|| settings("="))),
        "expect" => argument.add(ArgValueCandidates::new(|| settings("="))),
        "limit" => argument.add(ArgValueCandidates::new(limits)),
        "data_dir" | "folder" => argument.add(ArgValueCompleter::new(PathCompleter::dir())),
        "adapter" => argument.add(ArgValueCandidates::new(adapters)),
        "login_file" | "passphrase_file" | "words_file" | "key_file" | "from" => {
            argument.add(ArgValueCompleter::new(PathCompleter::file()))
        }
        _ => argument,
    }
}

#[cfg(feature = "practice")]
fn practice() -> Vec<CompletionCandidate> {
    mock_device::Scenario::ALL
        .iter()
        .map(|scenario| {
            CompletionCandidate::new(scenario.word()).help(Some(scenario.about().into()))
        })
        .collect()
}

#[cfg(not(feature = "practice"))]
fn practice() -> Vec<CompletionCandidate> {
    Vec::new()
}

/// The built-in families, and files.
fn name_or_file(current: &OsStr) -> Vec<CompletionCandidate> {
    let typed = current.to_string_lossy();
    let families = profile::built_in().into_iter();
    let mut words: Vec<_> = families
        .filter(|family| family.family.starts_with(&*typed))
        .map(|family| CompletionCandidate::new(family.family).help(Some(family.title.into())))
        .collect();
    words.extend(PathCompleter::file().complete(current));
    words
}

/// The settings of all built-in families.
fn settings(after: &str) -> Vec<CompletionCandidate> {
    let mut labels = BTreeMap::new();
    for profile in profile::built_in() {
        for setting in profile.settings {
            labels
                .entry(setting.name.to_string())
                .or_insert(setting.label);
        }
    }
    labels
        .into_iter()
        .map(|(name, label)| {
            CompletionCandidate::new(format!("{name}{after}")).help(Some(label.into()))
        })
        .collect()
}

fn limits() -> Vec<CompletionCandidate> {
    Limit::names()
        .map(|name| CompletionCandidate::new(format!("{name}=")))
        .collect()
}

/// The Wi-Fi adapters of this computer, as Linux lists them; elsewhere none.
fn adapters() -> Vec<CompletionCandidate> {
    adapters_of(Path::new("/sys/class/net"))
        .into_iter()
        .map(CompletionCandidate::new)
        .collect()
}

/// Those of a list of network adapters that have a radio.
fn adapters_of(list: &Path) -> BTreeSet<OsString> {
    let entries = list.read_dir().into_iter().flatten().flatten();
    entries
        .filter(|entry| entry.path().join("phy80211").exists())
        .map(|entry| entry.file_name())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn adapters_are_those_with_a_radio() {
        let top = tempfile::tempdir().expect("a folder");
        for made in ["eth0", "wlan1/phy80211", "wlan0/phy80211"] {
            std::fs::create_dir_all(top.path().join(made)).expect("made");
        }
        assert!(adapters_of(top.path()).iter().eq(["wlan0", "wlan1"]));
        assert!(adapters_of(&top.path().join("nowhere")).is_empty());
    }

    #[test]
    fn every_argument_that_words_are_known_for_exists() {
        fn names(command: &Command, all: &mut Vec<String>) {
            all.extend(command.get_arguments().map(|arg| arg.get_id().to_string()));
            for inner in command.get_subcommands() {
                names(inner, all);
            }
        }
        let mut all = Vec::new();
        names(&command(), &mut all);
        for known in [
            "practice",
            "profile",
            "settings",
            "expect",
            "limit",
            "data_dir",
            "folder",
            "login_file",
            "adapter",
            "passphrase_file",
            "words_file",
            "key_file",
            "family",
            "from",
        ] {
            assert!(all.iter().any(|name| name == known), "{known}");
        }
    }
}
