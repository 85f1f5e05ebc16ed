//! `linkmend loaners init`: the file of a new shelf, from a table.

use std::{
    collections::BTreeSet,
    path::{Path, absolute},
};

use super::args::LoanersInit;
use crate::{
    change::Trouble,
    cli::{context::Context, failure::Failure, screen::Tone, target::named_profile},
    files::whole::{self, WholeError},
    loaners::{self, csv, shelf::Loaner, write},
    profile,
    terms::{
        Exit, SettingName, Untrusted,
        output::{FORMAT, loaners::ShelfInitOut},
    },
};

/// Runs the command.
pub(super) fn run(context: &Context, typed: &LoanersInit) -> Result<Exit, Failure> {
    let screen = context.screen;
    let name = typed.family.as_deref().ok_or_else(without_family)?;
    // A faulty profile is shown as such, before it is looked at as one of a shelf.
    let profile = named_profile(name)?;
    let written = as_seen_from(name, &typed.file)?;
    let folder = whole::folder(&typed.file);
    loaners::family(&written, folder).map_err(|(message, help)| Failure::usage(message, help))?;
    let rows = csv::load_file(&typed.from, &profile).map_err(Failure::shelf)?;
    let text = write::new_text(&typed.title, &written, &profile, &rows);
    let file = shown(&typed.file);
    // What the title does to it, and everything else once more, before it is on the disk.
    loaners::load_text(&file, &text, folder)
        .map_err(|faults| Failure::shelf(loaners::ShelfError::Faulty(Box::new(faults))))?;
    whole::create(&typed.file, &text).map_err(|error| unwritten(&error))?;
    let settings = settings(&rows);
    if screen.json {
        screen.object(&ShelfInitOut {
            format: FORMAT,
            file,
            title: typed.title.clone(),
            family: profile.family,
            loaners: rows.into_iter().map(|row| row.label).collect(),
            settings,
        });
        return Ok(Exit::Done);
    }
    let count = match rows.len() {
        1 => "1 loaner".to_owned(),
        many => format!("{many} loaners"),
    };
    let of = if settings.is_empty() {
        String::new()
    } else {
        format!(", with {} of their own", settings.join(", "))
    };
    let line = format!("written `{file}`: {count} of {}{of}", profile.family);
    screen.result(&Tone::Good.paint(&line));
    screen.remark(
        Tone::Plain,
        "Now say below its [baseline] what all of them should be.",
    );
    Ok(Exit::Done)
}

fn without_family() -> Failure {
    let known: Vec<String> = profile::built_in().into_iter().map(|p| p.family).collect();
    Failure::usage(
        "a shelf is of one family, and none is named",
        format!(
            "add --family NAME: built in are {}; a profile's file is given by its path",
            known.join(", ")
        ),
    )
}

/// The family as the new file names it: a path was typed as seen from here.
fn as_seen_from(name: &str, file: &Path) -> Result<String, Failure> {
    // As `named_profile` has it: a name without these may still be a file.
    let is_path = name.contains(['/', '.']) || Path::new(name).is_file();
    if !is_path {
        return Ok(name.to_owned());
    }
    if whole::folder(file) == Path::new(".") {
        let has_sign = name.contains(['/', '.']);
        return Ok(if has_sign {
            name.to_owned()
        } else {
            format!("./{name}")
        });
    }
    let path = absolute(name).map_err(|error| {
        Failure::usage(
            format!("the path `{}` leads nowhere: {error}", Untrusted::new(name)),
            "give the profile's whole path",
        )
    })?;
    Ok(path.display().to_string())
}

fn settings(rows: &[Loaner]) -> Vec<String> {
    let named: BTreeSet<&str> = rows
        .iter()
        .flat_map(|row| row.wanted.keys().map(SettingName::as_str))
        .collect();
    named.into_iter().map(str::to_owned).collect()
}

fn unwritten(error: &WholeError) -> Failure {
    let cause = std::error::Error::source(error).map(|cause| format!(": {cause}"));
    let message = format!("{error}{}", cause.unwrap_or_default());
    Failure::Trouble(match error {
        WholeError::There { .. } => {
            let help = "nothing is written over: take another name, or move that file away";
            Trouble::new("file-there", message, Some(help)).ending(Exit::Refused)
        }
        WholeError::Changed { .. } | WholeError::Unwritable { .. } => {
            let help = "is there such a folder, may you write into it, and has it room?";
            Trouble::new("file-unwritten", message, Some(help))
        }
    })
}

fn shown(path: &Path) -> String {
    Untrusted::new(path.display().to_string()).to_string()
}
