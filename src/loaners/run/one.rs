//! One loaner, from the first reading to its end: is it the one of its row, what differs, may it be
//! written, and what came of it.

use std::{collections::BTreeSet, rc::Rc};

use super::{
    Agreed, COMMAND,
    findings::{self, Seen},
    night::Shared,
    outs,
    settle::{self, Settled},
    told::Told,
    way::{LoanerReach, Now, NowDevice},
};
use crate::{
    change::{
        Line, Machine, Options, Plan, PlanLine, Report, Trouble, Wanted,
        driver::{self, World as ChangeWorld},
        out, over_session, secrets,
    },
    journal::{
        Kept, RecordFacts, Unsettled,
        ledger::{self, ChangeLedger},
    },
    judge::{Expectation, judge},
    loaners::{
        pairs::{Pair, SHARED_PAIR},
        schedule::Tried,
        shelf::{Loaner, is_only_compared},
    },
    session::Harvest,
    terms::{
        Exit, Identity, Proof, Reading, Sameness, SettingName, Snapshot, Untrusted,
        output::{
            Outcome,
            loaners::{LoanerOut, LoanerResult, ShelfCommand, ShelfStep},
        },
    },
    wifi::NetworkName,
};

/// A loaner that is reached.
pub(super) struct Link {
    /// The session with it.
    pub(super) now: Now,
    /// The way back to it.
    pub(super) reach: LoanerReach,
    /// The open network through which it is reached; none: it is no open one.
    pub(super) open: Option<NetworkName>,
    /// Its first reading, where it was read already.
    pub(super) harvest: Option<Harvest>,
}

/// One try of one loaner.
pub(super) struct Visit {
    pub(super) shared: Rc<Shared>,
    pub(super) loaner: usize,
    pub(super) told: Told,
}

/// Why a try ended early.
pub(super) struct Ended {
    pub(super) result: LoanerResult,
    pub(super) trouble: Trouble,
    /// Whether a second try may help.
    pub(super) again: bool,
}

impl Ended {
    pub(super) fn failed(trouble: Trouble) -> Self {
        Self {
            // Who was stopped before its turn was over was not tried.
            result: match trouble.exit {
                Exit::Cancelled => LoanerResult::NotTried,
                _ => LoanerResult::Failed,
            },
            trouble,
            again: true,
        }
    }

    pub(super) fn refused(code: &str, message: impl Into<String>, help: &str) -> Self {
        Self {
            result: LoanerResult::Refused,
            trouble: Trouble::new(code, message, Some(help)).ending(Exit::Refused),
            again: false,
        }
    }
}

/// A journal that fails ends the try; nothing is written without it.
impl From<crate::journal::JournalError> for Ended {
    fn from(error: crate::journal::JournalError) -> Self {
        Self::failed(ledger::trouble(&error))
    }
}

impl Visit {
    /// Its row.
    pub(super) fn row(&self) -> &Loaner {
        &self.shared.order.shelf.loaners[self.loaner]
    }

    /// A whole try over a link that stands, or the reason why none does.
    pub(super) async fn serve(&self, link: Result<Link, Ended>) -> (LoanerOut, Tried) {
        let mut out = outs::blank(self.row(), &self.shared.order.shelf.profile);
        let ended = match link {
            Ok(link) => self.attempt(link, &mut out).await,
            Err(ended) => Err(ended),
        };
        let tried = match ended {
            Ok(()) => match out.result {
                LoanerResult::PutBack
                | LoanerResult::Unproved
                | LoanerResult::Failed
                | LoanerResult::Refused => Tried::Failed,
                _ => Tried::Well,
            },
            Err(ended) => {
                outs::failed(&mut out, ended.result, &ended.trouble);
                if ended.again {
                    Tried::Failed
                } else {
                    Tried::ForGood
                }
            }
        };
        out.signal = self.told.signal();
        out.spans = self.told.spans();
        (out, tried)
    }

    async fn attempt(&self, mut link: Link, out: &mut LoanerOut) -> Result<(), Ended> {
        let shared = &self.shared;
        let harvest = self.read(&mut link).await?;
        let snapshot = &harvest.snapshot;
        self.is_it(&snapshot.device.identity)?;
        out.identity = out::identity(&snapshot.device.identity);
        let wanted = self.wanted()?;
        self.saw(snapshot, Some(&wanted), out);
        out.left = outs::left(&shared.order.shelf.profile, snapshot, &wanted);
        self.is_alone(&snapshot.device.identity)?;
        match shared.order.command {
            ShelfCommand::Check => self.check(snapshot, &wanted, out).await,
            ShelfCommand::Reset => self.reset(link, harvest, wanted, out).await,
        }
    }

    pub(super) async fn read(&self, link: &mut Link) -> Result<Harvest, Ended> {
        if let Some(harvest) = link.harvest.take() {
            return Ok(harvest);
        }
        self.told.step(ShelfStep::Reading, None);
        let session = link.now.session();
        let read = self.shared.or_stopped(session.read()).await?;
        read.map_err(|error| Ended::failed(over_session::trouble(&error)))
    }

    /// Who is written to is who the row means, by a mark that tells it from its lookalikes.
    pub(super) fn is_it(&self, identity: &Identity) -> Result<(), Ended> {
        let stable = self.shared.order.shelf.profile.identity.bssid_stable;
        let expected = self.row().mark.identity(stable);
        match expected.compare(identity) {
            Sameness::Same => Ok(()),
            Sameness::Different => Err(Ended::refused(
                "another-device",
                format!("{expected} is meant, and {identity} answers"),
                "see whether the row is right, and whether another loaner has its sticker",
            )),
            Sameness::Undetermined => Err(Ended::refused(
                "no-identity",
                format!("nothing that it shows says that it is {expected}"),
                "an address alone says nothing among lookalikes: give the row the mark that the \
                 family shows, and reach it by its own network",
            )),
        }
    }

    /// Two rows that lead to one device are both suspect: the second is left alone.
    fn is_alone(&self, identity: &Identity) -> Result<(), Ended> {
        let stable = self.shared.order.shelf.profile.identity.bssid_stable;
        let marks = findings::marks_of(&out::identity(identity), stable);
        let other = self.shared.seen.borrow_mut().marks(self.loaner, marks);
        match other {
            None => Ok(()),
            Some(other) => Err(Ended::refused(
                "one-identity-twice",
                format!(
                    "it shows the identity of `{}`",
                    Untrusted::new(self.shared.label(other))
                ),
                "each loaner needs a mark of its own: compare both stickers with what they show",
            )),
        }
    }

    /// What is wanted of it; a check goes without what is still to be drawn.
    fn wanted(&self) -> Result<Wanted, Ended> {
        let asked = &self.shared.wanted[self.loaner];
        match (self.shared.order.command, asked.undrawn.first()) {
            (ShelfCommand::Check, _) | (_, None) => Ok(asked.values.clone()),
            (ShelfCommand::Reset, Some(setting)) => Err(Ended::refused(
                "not-drawn",
                format!("`{setting}` is to be unique, and no value was drawn for it"),
                "run the command again; it draws what is missing",
            )),
        }
    }

    /// Notes what was read, for the pairs and for the findings at the end.
    fn saw(&self, snapshot: &Snapshot, wanted: Option<&Wanted>, out: &mut LoanerOut) {
        let profile = &self.shared.order.shelf.profile;
        let expectation = Expectation {
            wanted: wanted.cloned().unwrap_or_default(),
            ..Expectation::of(profile)
        };
        out.condition = Some(judge(snapshot, &expectation).condition);
        let pair = Pair::read(snapshot, profile);
        let mut seen = self.shared.seen.borrow_mut();
        let Seen { pairs, majors, .. } = &mut *seen;
        pairs.set(self.loaner, pair.clone());
        if let Some(major) = outs::major(snapshot) {
            majors.insert(self.loaner, major);
        }
        let expected = match wanted {
            // Until it is through it counts as what it is to be.
            Some(wanted) => pair.with(|name| wanted.get(name)),
            None => pair,
        };
        self.shared.pairs.borrow_mut().set(self.loaner, expected);
    }

    async fn keep(&self, snapshot: &Snapshot, out: &mut LoanerOut) -> Result<(), Ended> {
        let source = &self.shared.order.shelf.profile.source;
        let facts = RecordFacts {
            kept: Kept::Read,
            condition: judge(snapshot, &Expectation::default()).condition,
            profile_file: source.file.clone(),
            profile_text: source.text.clone(),
            simulated: self.shared.world.simulated,
        };
        let record = self.shared.world.journal.keep(snapshot, facts).await?;
        out.record = Some(record.0);
        Ok(())
    }

    async fn check(
        &self,
        snapshot: &Snapshot,
        wanted: &Wanted,
        out: &mut LoanerOut,
    ) -> Result<(), Ended> {
        self.keep(snapshot, out).await?;
        if let Some(number) = self.shared.unsettled_of(&snapshot.device.identity) {
            out.notes.push(format!(
                "change {number} of it was cut off: `linkmend resume` settles it, and a reset does"
            ));
        }
        let profile = &self.shared.order.shelf.profile;
        let undrawn = &self.shared.wanted[self.loaner].undrawn;
        let mut differs = !undrawn.is_empty();
        out.notes.extend(undrawn.iter().map(|name| {
            format!("`{name}` is to be unique, and none is drawn for it yet: a reset does that")
        }));
        for (name, value) in wanted {
            let alone = Wanted::from([(name.clone(), value.clone())]);
            let lines = match Plan::new(profile, snapshot, &alone) {
                Ok(plan) => plan.lines,
                Err(error) => {
                    differs = true;
                    out.notes.push(error.to_string());
                    continue;
                }
            };
            for line in lines {
                let hidden = line.before == Reading::WriteOnly;
                if hidden {
                    out.notes.push(format!(
                        "`{name}` is never shown: whether it is as wanted cannot be told"
                    ));
                    continue;
                }
                differs = true;
                self.tells(out, line, "it is not as the file wants it");
            }
        }
        out.result = if differs {
            LoanerResult::Differs
        } else {
            LoanerResult::AsWanted
        };
        Ok(())
    }

    /// Adds a setting that is not as wanted, and is not written.
    fn tells(&self, out: &mut LoanerOut, plan: PlanLine, why: &str) {
        let line = Line {
            plan,
            proof: Proof::None,
            why: why.into(),
        };
        let journal = &self.shared.world.journal;
        let print = |bytes: &[u8]| journal.fingerprint(bytes);
        let profile = &self.shared.order.shelf.profile;
        out.changes.push(out::change_line(&line, profile, &print));
    }

    async fn reset(
        &self,
        link: Link,
        harvest: Harvest,
        wanted: Wanted,
        out: &mut LoanerOut,
    ) -> Result<(), Ended> {
        let mut settled = None;
        let ended = self
            .settle_and_reset(link, harvest, wanted, out, &mut settled)
            .await;
        settle::at_least(settled, ended, out)
    }

    async fn settle_and_reset(
        &self,
        link: Link,
        harvest: Harvest,
        mut wanted: Wanted,
        out: &mut LoanerOut,
        settled: &mut Option<Settled>,
    ) -> Result<(), Ended> {
        let Some((link, harvest)) = self.settle(link, harvest, out, settled).await? else {
            return Ok(());
        };
        let by_rules = self.leave_what_rules_set(&harvest.snapshot, &mut wanted, out);
        let plan = self.plan(&harvest.snapshot, &wanted)?;
        if plan.is_empty() && !by_rules {
            if settled.is_some() {
                // It is as wanted by the change that was cut off.
                out.result = LoanerResult::Done;
                return Ok(());
            }
            self.keep(&harvest.snapshot, out).await?;
            out.result = LoanerResult::AsWanted;
            return Ok(());
        }
        if plan.is_empty() {
            // What local rules set is all that differs, and stays.
            out.result = LoanerResult::Refused;
            return Ok(());
        }
        self.may_have(&harvest.snapshot, &wanted)?;
        self.may_be_sent(&link, &wanted)?;
        let rules = out.error.take();
        self.change(link, harvest, wanted, out).await;
        if out.error.is_none() {
            out.error = rules;
        }
        Ok(())
    }

    fn plan(&self, snapshot: &Snapshot, wanted: &Wanted) -> Result<Plan, Ended> {
        let profile = &self.shared.order.shelf.profile;
        Plan::new(profile, snapshot, wanted)
            .map_err(|error| Ended::refused(error.code(), error.to_string(), error.help()))
    }

    /// Takes out of what is wanted what is only compared, and tells what of it differs. True: there
    /// was something.
    fn leave_what_rules_set(
        &self,
        snapshot: &Snapshot,
        wanted: &mut Wanted,
        out: &mut LoanerOut,
    ) -> bool {
        let profile = &self.shared.order.shelf.profile;
        let written: BTreeSet<&SettingName> = self.row().to_write().map(|(name, _)| name).collect();
        let compared = wanted.extract_if(.., |name, _| !written.contains(name));
        let mut left = false;
        for one in compared.collect::<Vec<_>>() {
            let lines = match Plan::new(profile, snapshot, &Wanted::from([one])) {
                Ok(plan) => plan.lines,
                Err(error) => {
                    out.notes.push(error.to_string());
                    continue;
                }
            };
            for line in lines {
                left = true;
                let trouble = Trouble::new(
                    "set-by-rules",
                    format!("local rules set `{}`: it stays as it is", line.setting),
                    Some(
                        "change it by itself with `linkmend write`, where the rules of the place \
                         ask for it",
                    ),
                );
                out.notes.push(trouble.message.clone());
                out.error.get_or_insert_with(|| out::fault(&trouble));
                self.tells(out, line, "local rules set it; it is not written in bulk");
            }
        }
        left
    }

    /// Whether it may have the pair that it would have afterwards.
    fn may_have(&self, snapshot: &Snapshot, wanted: &Wanted) -> Result<(), Ended> {
        let profile = &self.shared.order.shelf.profile;
        let after = Pair::read(snapshot, profile).with(|name| wanted.get(name));
        let shared = self.shared.pairs.borrow().refuses(self.loaner, &after);
        let settled = || self.shared.settled.borrow().refuses(self.loaner, &after);
        let shared = shared.or_else(settled);
        let Some(shared) = shared else { return Ok(()) };
        let with = Untrusted::new(self.shared.label(shared.with));
        let (message, help) = if shared.code == SHARED_PAIR {
            (
                format!(
                    "afterwards it would have the bind key and the model lock of `{with}`: one \
                     transmitter would drive both"
                ),
                "give each loaner of a key a slot of its own, or a key of its own",
            )
        } else {
            (
                format!(
                    "afterwards it would have the bind key of `{with}` and no model lock: any \
                     transmitter of that key would drive it"
                ),
                "give it a lock, or a key of its own",
            )
        };
        Err(Ended {
            // Once the other one is another, this one may have it.
            again: true,
            ..Ended::refused(shared.code, message, help)
        })
    }

    fn may_be_sent(&self, link: &Link, wanted: &Wanted) -> Result<(), Ended> {
        let profile = &self.shared.order.shelf.profile;
        let secret = match &link.open {
            Some(name) if !self.shared.world.open_agreed && !self.shared.order.dry_run => {
                secrets::first(profile, wanted).map(|what| (name, what))
            }
            _ => None,
        };
        match secret {
            None => Ok(()),
            Some((name, what)) => {
                let names = profile.network.iter().flat_map(|network| &network.names);
                let names: Vec<String> = names.map(|name| format!("\"{name}\"")).collect();
                let help = format!(
                    "everybody near can listen there: agree with --open-network {}",
                    names.join(" or ")
                );
                Err(Ended::refused(
                    "open-network",
                    format!("`{name}` is an open network, and {what} would go over it"),
                    &help,
                ))
            }
        }
    }

    /// One change to its end.
    async fn change(&self, link: Link, harvest: Harvest, wanted: Wanted, out: &mut LoanerOut) {
        let shared = &self.shared;
        let profile = &shared.order.shelf.profile;
        let options = Options {
            dry_run: shared.order.dry_run,
            ..self.options()
        };
        let ledger = ChangeLedger::new(
            shared.world.journal.clone(),
            COMMAND,
            profile.source.clone(),
            wanted.clone(),
            shared.world.simulated,
        );
        let machine = Machine::new(profile.clone(), wanted, options);
        let (report, ledger, _) = self.drive(link, harvest, machine, ledger).await;
        self.take(&report, &ledger, out);
        out.result = match report.exit {
            Exit::Cancelled => LoanerResult::NotTried,
            _ => outs::result(report.outcome),
        };
    }

    pub(super) fn options(&self) -> Options {
        Options {
            dry_run: false,
            trust_address: false,
            leave_s: self.shared.world.limits.leave.as_secs_f64(),
            unfinished: self.shared.unfinished.clone(),
        }
    }

    pub(super) async fn drive(
        &self,
        link: Link,
        harvest: Harvest,
        machine: Machine,
        ledger: ChangeLedger,
    ) -> (Report, ChangeLedger, Link) {
        let shared = &self.shared;
        let Link {
            now, reach, open, ..
        } = link;
        let mut world = ChangeWorld {
            device: NowDevice::new(now.clone(), harvest),
            reach,
            ledger,
            consent: Agreed,
            clock: shared.world.clock.clone(),
            stop: shared.world.stop.clone(),
        };
        let mut watch = self.told.watch();
        let report = Box::pin(driver::run(machine, &mut world, &mut watch)).await;
        let link = Link {
            now,
            reach: world.reach,
            open,
            harvest: None,
        };
        (report, world.ledger, link)
    }

    pub(super) fn take(&self, report: &Report, ledger: &ChangeLedger, out: &mut LoanerOut) {
        let shared = &self.shared;
        let print = |bytes: &[u8]| shared.world.journal.fingerprint(bytes);
        outs::take(out, report, &shared.order.shelf.profile, &print);
        outs::never_shown(out, report);
        out.record = ledger.record().map(|record| record.0).or(out.record);
        out.change = ledger.change().map(|change| change.0).or(out.change);
        if let Some(last) = &report.last {
            // What was read last is what it is now, unless that is not known.
            let wanted = self.wanted().ok();
            self.saw(last, wanted.as_ref(), out);
        }
        if report.outcome == Outcome::Unproved
            && let Some(change) = ledger.change()
        {
            let unsettled = Unsettled::all(&shared.archive, Some(change.0));
            shared
                .unsettled
                .borrow_mut()
                .extend(unsettled.unwrap_or_default());
        }
    }

    /// Whether a change wants all that is wanted now and may be written in bulk.
    pub(super) fn is_all(&self, change: &Wanted) -> bool {
        let wanted = self.wanted().unwrap_or_default();
        let mut asked = wanted.iter().filter(|(name, _)| !is_only_compared(name));
        asked.all(|(name, value)| change.get(name) == Some(value))
    }
}
