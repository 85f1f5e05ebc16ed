//! `linkmend loaners init`: the file of a new shelf, from a table or from receivers as they come.

use std::{
    collections::{BTreeMap, BTreeSet},
    path::{Path, absolute},
    sync::Arc,
};

use super::{
    add::{Place, Unnamed, add},
    args::LoanersInit,
};
use crate::{
    change::Trouble,
    cli::{context::Context, failure::Failure, guide::Guide, screen::Tone, target::named_profile},
    files::whole::{self, WholeError},
    loaners::{
        self, csv,
        shelf::{Loaner, Mark},
        write,
    },
    profile::{self, Profile},
    terms::{
        Exit, SettingName, Untrusted,
        output::{FORMAT, loaners::ShelfInitOut},
    },
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &LoanersInit) -> Result<Exit, Failure> {
    let name = typed.family.as_deref().ok_or_else(without_family)?;
    // A faulty profile is shown as such, before it is looked at as one of a shelf.
    let profile = named_profile(name)?;
    let written = as_seen_from(name, &typed.file)?;
    let folder = whole::folder(&typed.file);
    loaners::family(&written, folder).map_err(|(message, help)| Failure::usage(message, help))?;
    let new = NewShelf {
        typed,
        family: written,
        profile,
    };
    match &typed.from {
        Some(table) => new.of_table(context, table),
        None => new.of_receivers(context).await,
    }
}

/// The shelf that is to be.
struct NewShelf<'a> {
    typed: &'a LoanersInit,
    /// As the file names it.
    family: String,
    profile: Profile,
}

impl NewShelf<'_> {
    fn of_table(self, context: &Context, table: &Path) -> Result<Exit, Failure> {
        let rows = csv::load_file(table, &self.profile).map_err(Failure::rows)?;
        self.create(&rows)?;
        self.say(context, &rows);
        Ok(Exit::Done)
    }

    /// Writes the file, where all of it is sound and there is none.
    fn create(&self, rows: &[Loaner]) -> Result<(), Failure> {
        let text = self.text(rows)?;
        whole::create(&self.typed.file, &text).map_err(|error| Failure::unwritten(&error, THERE))
    }

    /// Its text. What the title does to it, and everything else once more, is seen before it is on
    /// the disk.
    fn text(&self, rows: &[Loaner]) -> Result<String, Failure> {
        let NewShelf { typed, family, .. } = self;
        let text = write::new_text(&typed.title, family, &self.profile, rows);
        loaners::load_text(&shown(&typed.file), &text, whole::folder(&typed.file))
            .map_err(|faults| Failure::shelf(loaners::ShelfError::Faulty(Box::new(faults))))?;
        Ok(text)
    }

    fn say(self, context: &Context, rows: &[Loaner]) {
        let screen = context.screen;
        let file = shown(&self.typed.file);
        let settings = settings(rows);
        if screen.json {
            screen.object(&ShelfInitOut {
                format: FORMAT,
                file,
                title: self.typed.title.clone(),
                family: self.profile.family,
                loaners: rows.iter().map(|row| row.label.clone()).collect(),
                settings,
            });
            return;
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
        let line = format!("written `{file}`: {count} of {}{of}", self.profile.family);
        screen.result(&Tone::Good.paint(&line));
        let next = format!(
            "Now say below its [baseline] what all of them should be. Then `linkmend loaners check \
             {file}` compares them with it, and `reset` writes it; `add` takes in one more, and \
             `report` draws what came of a run."
        );
        screen.remark(Tone::Plain, &next);
    }

    /// Takes receivers in one after another, as a person powers them; the file is there from the
    /// first one on.
    async fn of_receivers(self, context: &Context) -> Result<Exit, Failure> {
        let typed = self.typed;
        if !context.screen.can_ask() {
            return Err(Failure::usage(
                "without a table there is nobody to ask which receiver is which",
                "give --from CSV, or call it at a terminal and without --json: it takes receivers in \
                 as you power them",
            ));
        }
        if typed.file.symlink_metadata().is_ok() {
            let path = typed.file.clone();
            return Err(Failure::unwritten(&WholeError::There { path }, THERE));
        }
        // The title is judged before anybody walks to a boat.
        self.text(&[sample()])?;
        let profile = Arc::new(self.profile.clone());
        let journal = context.journal(false).await?;
        let target = typed.target();
        let guide = Guide::new(context);
        let file = shown(&typed.file);
        let mut rows: Vec<Loaner> = Vec::new();
        loop {
            let title = match rows.len() {
                0 => "Power the first one, alone.".to_owned(),
                many => format!("{many} taken in. Power the next one; Escape ends."),
            };
            match guide.choose(&title, &NEXT, HELP).await {
                Ok(0) => {}
                Ok(_) | Err(Failure::Stopped) => break,
                Err(failure) => return Err(failure),
            }
            let place = Place {
                context,
                profile: &profile,
                loaners: &rows,
                file: &file,
            };
            let taken = context.or_stopped(place.take_in(&journal, &target, &Unnamed));
            let written = match taken.await {
                Ok(taken) if rows.is_empty() => {
                    let first = std::slice::from_ref(&taken.loaner);
                    self.create(first).map(|()| taken)
                }
                Ok(taken) => add(&typed.file, &taken.loaner).map(|()| taken),
                Err(failure) => Err(failure),
            };
            match written {
                Ok(taken) => {
                    taken.say(context, &file);
                    // As the file has them now, with their lines.
                    let (shelf, _) = loaners::load_file(&typed.file).map_err(Failure::shelf)?;
                    rows = shelf.loaners;
                }
                // This one was left out at its label, unless all is to stop.
                Err(Failure::Stopped) if *context.stop.borrow() => break,
                Err(Failure::Stopped) => {}
                Err(failure) => {
                    failure.say(context.screen);
                }
            }
        }
        if rows.is_empty() {
            let message = "no receiver was taken in, and no file written";
            let help = "power one alone and begin again, or give a table with --from CSV";
            let trouble = Trouble::new("nobody-taken-in", message, Some(help));
            return Err(Failure::Trouble(trouble.ending(Exit::Cancelled)));
        }
        // What the baseline gives them is not their own.
        for row in &mut rows {
            row.wanted.clear();
        }
        self.say(context, &rows);
        Ok(Exit::Done)
    }
}

/// A row that is sound in every shelf.
fn sample() -> Loaner {
    Loaner {
        label: "sample".into(),
        mark: Mark {
            serial: Some("sample".into()),
            bssid: None,
        },
        at: None,
        transmitter: None,
        wanted: BTreeMap::new(),
        line: 0,
    }
}

const THERE: &str = "nothing is written over: take another name, or move that file away";

const NEXT: [&str; 2] = [
    "It is powered: take it in when its network opens.",
    "That was the last one.",
];

const HELP: &str = "One receiver after another: power it, wait until its network opens, say what stands \
                    on its sticker. Each gets a row in the file at once, so nothing is lost when you \
                    stop; `linkmend loaners add` takes in more later.";

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

pub(super) fn shown(path: &Path) -> String {
    Untrusted::new(path.display().to_string()).to_string()
}
