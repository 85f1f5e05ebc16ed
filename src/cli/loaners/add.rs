//! `linkmend loaners add`: the receiver at hand as a new row, so that its sticker gets its identity.
//!
//! It guards against a row that is another receiver's already, and against one that nothing but its
//! address tells from the others.

use std::{
    collections::{BTreeMap, BTreeSet},
    path::Path,
    sync::Arc,
};

use super::{args::LoanersAdd, init::shown};
use crate::{
    change::{Trouble, out},
    cli::{
        args, context::Context, failure::Failure, guide::Guide, read, render, screen::Tone, target,
    },
    journal::Journal,
    judge::Expectation,
    loaners::{
        self, ShelfError,
        shelf::{Loaner, Mark},
        write::{self, AddError},
    },
    profile::Profile,
    terms::{
        Exit, Identity, Mac, Untrusted,
        output::{FORMAT, loaners::ShelfAddOut},
    },
};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &LoanersAdd) -> Result<Exit, Failure> {
    let (shelf, _) = loaners::load_file(&typed.file).map_err(Failure::shelf)?;
    let target = &typed.target;
    if target.practice.is_some() {
        return Err(Failure::usage(
            "a practice receiver is gone with this program, and stands on no shelf",
            "`linkmend loaners check --practice` goes over a simulated shelf",
        ));
    }
    if target.profile.is_some() {
        return Err(Failure::usage(
            format!("the shelf names its family: {}", shelf.profile.family),
            "leave --profile out",
        ));
    }
    let file = shown(&typed.file);
    let place = Place {
        context,
        profile: &shelf.profile,
        loaners: &shelf.loaners,
        file: &file,
    };
    for (option, text) in [("label", &typed.label), ("transmitter", &typed.transmitter)] {
        let Some(text) = text else { continue };
        write::fits(text).map_err(|why| {
            let text = Untrusted::new(text.as_str());
            Failure::usage(
                format!("--{option}: `{text}` {why}"),
                "write it as it stands there",
            )
        })?;
    }
    match &typed.label {
        Some(label) => place.is_new_label(label)?,
        None if context.screen.can_ask() => {}
        None => {
            return Err(Failure::usage(
                "a new row needs what stands on the sticker, and nobody is there to ask",
                "give --label TEXT",
            ));
        }
    }
    let journal = context.journal(false).await?;
    let taken = context
        .or_stopped(place.take_in(&journal, target, typed))
        .await?;
    add(&typed.file, &taken.loaner)?;
    if context.screen.json {
        context.screen.object(&ShelfAddOut {
            format: FORMAT,
            file,
            title: shelf.title,
            label: taken.loaner.label,
            identity: out::identity(&taken.identity),
            transmitter: taken.loaner.transmitter,
            record: taken.record,
            loaners: shelf.loaners.len() + 1,
        });
        return Ok(Exit::Done);
    }
    taken.say(context, &file);
    Ok(Exit::Done)
}

/// Writes the row.
pub(super) fn add(file: &Path, loaner: &Loaner) -> Result<(), Failure> {
    write::add(file, loaner).map_err(|error| match error {
        AddError::Unread(error) => Failure::shelf(ShelfError::Unread(error)),
        AddError::Faulty(faults) => Failure::shelf(ShelfError::Faulty(faults)),
        AddError::Unwritten(error) => Failure::unwritten(&error, "take another name"),
    })
}

/// What is to be known of a receiver but its settings.
pub(super) trait Named {
    /// What stands on its sticker; none: it is asked for.
    fn label(&self) -> Option<&str>;
    /// What its transmitter is called.
    fn transmitter(&self) -> Option<&str>;
}

impl Named for LoanersAdd {
    fn label(&self) -> Option<&str> {
        self.label.as_deref()
    }

    fn transmitter(&self) -> Option<&str> {
        self.transmitter.as_deref()
    }
}

/// Nothing was said of it: it is asked for.
pub(super) struct Unnamed;

impl Named for Unnamed {
    fn label(&self) -> Option<&str> {
        None
    }

    fn transmitter(&self) -> Option<&str> {
        None
    }
}

/// The shelf on which it is to stand.
pub(super) struct Place<'a> {
    /// Who is asked.
    pub context: &'a Context,
    /// The family.
    pub profile: &'a Arc<Profile>,
    /// Those that stand there.
    pub loaners: &'a [Loaner],
    /// The file, as messages call it.
    pub file: &'a str,
}

/// A receiver that was read, as a row.
pub(super) struct TakenIn {
    /// The row.
    pub loaner: Loaner,
    /// Who it is.
    pub identity: Identity,
    /// The record of what it was set to.
    pub record: i64,
}

impl TakenIn {
    /// Says that its row is written.
    pub(super) fn say(&self, context: &Context, file: &str) {
        let label = Untrusted::new(self.loaner.label.as_str());
        let line = format!(
            "added `{label}` to `{file}`: {}, record {}",
            self.identity, self.record
        );
        context.screen.result(&Tone::Good.paint(&line));
    }
}

impl Place<'_> {
    /// Reads the receiver at hand, keeps its record, and makes a row of it; asks what was not said.
    pub(super) async fn take_in(
        &self,
        journal: &Journal,
        target: &args::Target,
        named: &impl Named,
    ) -> Result<TakenIn, Failure> {
        let screen = self.context.screen;
        let known = self.known(journal)?;
        let profiles = vec![Arc::clone(self.profile)];
        let opened = target::open_new(self.context, journal, target, profiles, &known);
        let opened = Box::pin(opened).await?;
        let busy = screen.busy("reading");
        let expectation = Expectation::of(self.profile);
        let look = read::look(journal, &opened, target.device.clone(), &expectation).await?;
        drop(busy);
        let identity = look.snapshot.device.identity.clone();
        let mark = self.mark(&identity)?;
        let label = match named.label() {
            Some(label) => label.to_owned(),
            None => self.ask_label(&render::title(&look.snapshot)).await?,
        };
        let at = target.at.as_deref().map(target::origin).transpose()?;
        Ok(TakenIn {
            loaner: Loaner {
                label,
                mark,
                at,
                transmitter: named.transmitter().map(str::to_owned),
                wanted: BTreeMap::new(),
                line: 0,
            },
            identity,
            record: look.record.0,
        })
    }

    /// The hardware addresses of those that stand there: they may be powered too, and are not meant.
    fn known(&self, journal: &Journal) -> Result<BTreeSet<Mac>, Failure> {
        let mut known: BTreeSet<Mac> = self
            .loaners
            .iter()
            .filter_map(|one| one.mark.bssid)
            .collect();
        for device in journal.archive()?.devices()? {
            let stable = device.identity.bssid.filter(|bssid| bssid.stable);
            let serial = device.identity.serial.as_ref().map(Untrusted::raw);
            let stands = |one: &Loaner| serial.is_some() && one.mark.serial.as_deref() == serial;
            if let Some(bssid) = stable
                && device.family == self.profile.family
                && self.loaners.iter().any(stands)
            {
                known.insert(Mac(bssid.mac));
            }
        }
        Ok(known)
    }

    /// What tells it from its lookalikes, where no row has that already.
    fn mark(&self, identity: &Identity) -> Result<Mark, Failure> {
        let bssid = identity.bssid.filter(|bssid| bssid.stable);
        let mark = Mark {
            serial: identity
                .serial
                .as_ref()
                .map(|serial| serial.raw().to_owned()),
            bssid: bssid.map(|bssid| Mac(bssid.mac)),
        };
        if mark.serial.is_none() && mark.bssid.is_none() {
            let help = "reach it over its own network: its hardware address (BSSID) tells it apart \
                        where the family keeps it";
            let message = "it shows nothing but its address, and that tells it from no other";
            return Err(refused("no-identity", message.to_owned(), help));
        }
        match write::same_receiver(self.loaners, &mark) {
            None => Ok(mark),
            Some(other) => Err(refused(
                "identity-twice",
                format!(
                    "this one ({identity}) stands on the shelf already: {}",
                    self.row(other)
                ),
                "power the one that you mean, and switch that one off",
            )),
        }
    }

    fn is_new_label(&self, label: &str) -> Result<(), Failure> {
        match write::same_label(self.loaners, label) {
            None => Ok(()),
            Some(other) => Err(refused(
                "label-twice",
                format!("the label is another one's already: {}", self.row(other)),
                "each sticker has its own label",
            )),
        }
    }

    /// `Heron`, line 12 of `tarn.toml`.
    fn row(&self, loaner: &Loaner) -> String {
        let label = Untrusted::new(loaner.label.as_str());
        format!("`{label}`, line {} of `{}`", loaner.line, self.file)
    }

    async fn ask_label(&self, who: &str) -> Result<String, Failure> {
        let rows: Vec<(String, String)> = self
            .loaners
            .iter()
            .map(|one| (one.label.to_lowercase(), self.row(one)))
            .collect();
        let check = move |typed: &str| {
            let typed = typed.trim();
            write::fits(typed).map_err(|why| format!("`{}` {why}", Untrusted::new(typed)))?;
            let small = typed.to_lowercase();
            match rows.iter().find(|(label, _)| *label == small) {
                Some((_, row)) => Err(format!("that is another one's already: {row}")),
                None => Ok(typed.to_owned()),
            }
        };
        let guide = Guide::new(self.context);
        guide.title(&format!("It is {who}."));
        guide.text("What stands on its sticker?", HELP, check).await
    }
}

fn refused(code: &str, message: String, help: &str) -> Failure {
    Failure::Trouble(Trouble::new(code, message, Some(help)).ending(Exit::Refused))
}

const HELP: &str = "The label by which you know this receiver, such as the name of its boat. Lists, \
                    questions and the report call it so. Escape leaves it out.";
