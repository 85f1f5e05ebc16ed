//! The change as a pure state machine: an event in, the next action out.
//!
//! It decides everything and does nothing, so that every way through it is tested without a
//! network and without waiting. It guards against the known ways in which a change goes wrong:
//! written before the record is durable, written to another device, called done on the word of a
//! page, half written and forgotten. It knows the terms and the profile's data and nothing else.
//!
//! The way of a leg, there or back:
//!
//! ```text
//! first read → try → keep → planned → ask → agreed → read again
//!   → for each save:  writing → save → wrote → (restart) → read back
//!   → restart, where the family has a request for it → there → prove → end
//! ```
//!
//! A reading after a save or a restart that is not what it should be is made once more, and then
//! believed. A leg there that does not hold is followed by one leg back, once. Each save stands on a reading
//! that was made right before it: the one after the question, or the read-back of the last save.

mod begin;
mod cut_off;
mod proof;
mod restarting;
mod saving;

pub use cut_off::CutOff;

use std::{collections::BTreeSet, sync::Arc};

use super::{
    compare::Comparison,
    leg::{After, Leg, ReadAt},
    plan::{Plan, PlanLine, PlannedSave, Since, Wanted, WayBack},
    ports::{Answer, Back, Question, Sent, Wait},
    report::{Line, Report, Trouble},
    step::{BootTime, Direction, Step},
    stop::{
        alone_only, another_device, cancelled, declined, gone_for_good, only_address,
        unfinished_change,
    },
};
use crate::{
    profile::{Pattern, Profile, RestartBy, Returns, Setting},
    terms::{
        Device, Exit, PlaceName, Proof, Raw, Reading, Sameness, SaveName, SettingName, Snapshot,
        Value, Witness, output::Outcome,
    },
};

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A reading ended.
    Read(Result<Box<Snapshot>, Trouble>),
    /// The saves of the plan can be made of what was read, or not.
    Tried(Result<(), Trouble>),
    /// The record of before is durable, or could not be kept.
    Kept(Result<(), Trouble>),
    /// A step is durable, or could not be kept.
    Noted(Result<(), Trouble>),
    /// A question was answered.
    Answered(Answer),
    /// An acting request ended.
    Sent(Sent),
    /// A wait ended.
    Back(Back),
    /// The person wants to stop, and the action was not carried out or was dropped; an acting
    /// request that did not leave is told as [`Sent::NotSent`] instead.
    Cancelled,
}

/// What to do next. Exactly one at a time.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Read the device.
    Read,
    /// See whether the saves of a plan can be made of what was read; nothing is sent.
    Try(Plan),
    /// Keep what was there, durably.
    Keep(Box<Snapshot>),
    /// Keep a step, durably.
    Note(Step),
    /// Ask.
    Ask(Question),
    /// Send one save.
    Save(PlannedSave),
    /// Send the restart request.
    Restart,
    /// Wait until the device is there again.
    Await(Wait),
    /// It is over.
    End(Box<Report>),
}

/// What the person allowed, and how long the world may take.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Plan only.
    pub dry_run: bool,
    /// Go on where nothing but the address tells the device from others.
    pub trust_address: bool,
    /// How long a device may take to go away for its restart, in s.
    pub leave_s: f64,
    /// Changes that are unfinished. Another one of such a device would take something in between
    /// for what was there.
    pub unfinished: Vec<Unfinished>,
}

/// A change that is unfinished.
#[derive(Debug, Clone, PartialEq)]
pub struct Unfinished {
    /// Its number.
    pub change: i64,
    /// Of which device, as it was before.
    pub device: Device,
}

/// What is waited for: each state is left by one kind of event, as `decide` lists them, and most
/// bear the name of the action under way. `Noting…` waits until that step is durable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Idle,
    FirstRead,
    AskingAddress,
    Trying,
    Keeping,
    NotingPlan,
    AskingWrite,
    NotingAgreed,
    ReadingAgain,
    NotingWriting,
    Saving,
    NotingWrote,
    NotingRestarting,
    Restarting,
    Awaiting,
    NotingThere,
    ReadingBack,
    NotingReadBack,
    Proving,
    NotingProved,
    Ended,
}

/// One change of one device.
#[derive(Debug, Clone)]
pub struct Machine {
    profile: Arc<Profile>,
    options: Options,
    wanted: Wanted,
    cut_off: Option<CutOff>,
    state: State,
    original: Option<Snapshot>,
    last: Option<Snapshot>,
    /// When the reading under way was asked for.
    asked: Option<BootTime>,
    /// When the last reading was made.
    read: Option<ReadAt>,
    leg: Option<Leg>,
    lines: Vec<Line>,
    /// Set when an acting request is about to leave, so that a loss in between counts as sent.
    wrote: bool,
    /// The saves on the way there that may have reached the device.
    reached: BTreeSet<SaveName>,
    ledger_trouble: Option<Trouble>,
    notes: Vec<String>,
    /// How it ended, once it has.
    ended: Option<Box<Report>>,
}

impl Machine {
    /// A new change towards `wanted`.
    pub fn new(profile: Arc<Profile>, wanted: Wanted, options: Options) -> Self {
        Self {
            profile,
            options,
            wanted,
            cut_off: None,
            state: State::Idle,
            original: None,
            last: None,
            asked: None,
            read: None,
            leg: None,
            lines: Vec::new(),
            wrote: false,
            reached: BTreeSet::new(),
            ledger_trouble: None,
            notes: Vec::new(),
            ended: None,
        }
    }

    /// Goes on with a change that was cut off.
    pub fn resume(
        profile: Arc<Profile>,
        wanted: Wanted,
        options: Options,
        cut_off: CutOff,
    ) -> Self {
        Self {
            cut_off: Some(cut_off),
            ..Self::new(profile, wanted, options)
        }
    }

    /// The first action.
    pub fn start(&mut self, now: &BootTime) -> Action {
        self.asked = Some(now.clone());
        self.go(State::FirstRead, Action::Read)
    }

    /// Takes what happened and says what to do next. After [`Action::End`] every event gives the
    /// end again.
    pub fn step(&mut self, event: Event, now: &BootTime) -> Action {
        if matches!(event, Event::Read(Ok(_))) {
            self.read = self.asked.take().map(|from| ReadAt {
                from,
                to: now.clone(),
            });
        }
        let action = self.decide(event, now);
        if matches!(action, Action::Read) {
            self.asked = Some(now.clone());
        }
        action
    }

    fn decide(&mut self, event: Event, now: &BootTime) -> Action {
        if let Some(report) = &self.ended {
            return Action::End(report.clone());
        }
        if let Event::Noted(Err(trouble)) | Event::Kept(Err(trouble)) = &event {
            if !self.wrote {
                return self.stop(trouble.clone());
            }
            self.ledger_trouble.get_or_insert_with(|| trouble.clone());
        }
        match (self.state, event) {
            (_, Event::Cancelled) => self.stop(cancelled()),
            (State::FirstRead, Event::Read(Ok(snapshot))) => self.first_read(&snapshot),
            (State::AskingAddress, Event::Answered(answer)) => self.address_answered(answer),
            (State::Trying, Event::Tried(Ok(()))) => self.tried(),
            (State::Keeping, Event::Kept(_)) => self.planned(),
            (State::NotingPlan, Event::Noted(_)) => self.ask_or_go(now),
            (State::AskingWrite, Event::Answered(answer)) => self.write_answered(answer),
            (State::NotingAgreed, Event::Noted(_)) => self.go(State::ReadingAgain, Action::Read),
            (State::ReadingAgain, Event::Read(Ok(snapshot))) => self.read_again(*snapshot, now),
            (State::NotingWriting, Event::Noted(durable)) => self.write(durable.is_ok()),
            (State::Saving, Event::Sent(sent)) => self.saved(sent),
            (State::NotingWrote, Event::Noted(_)) => self.after_save(),
            (State::NotingRestarting, Event::Noted(_)) => self.restart_or_wait(),
            (State::Restarting, Event::Sent(sent)) => self.restart_sent(&sent),
            (State::Awaiting, Event::Back(back)) => self.came_back(back),
            (State::NotingThere, Event::Noted(_)) => self.read_after_wait(),
            (State::ReadingBack, Event::Read(Ok(snapshot))) => self.read_back(*snapshot),
            (State::NotingReadBack, Event::Noted(_)) => self.after_read_back(now),
            (State::Proving, Event::Read(Ok(snapshot))) => self.prove(*snapshot),
            (State::NotingProved, Event::Noted(_)) => self.conclude(),
            (State::ReadingBack | State::Proving, Event::Read(Err(trouble))) => {
                self.reading_failed(trouble)
            }
            (_, Event::Read(Err(trouble)) | Event::Tried(Err(trouble))) => self.stop(trouble),
            _ => self.out_of_step(),
        }
    }

    fn go(&mut self, state: State, action: Action) -> Action {
        self.state = state;
        action
    }

    /// Ends it early: as the trouble says when nothing was written, else as unproved.
    fn stop(&mut self, mut trouble: Trouble) -> Action {
        if self.wrote {
            trouble.help.get_or_insert_with(|| {
                "wait until it answers again, then run `linkmend resume`".into()
            });
            return self.end_unproved(trouble);
        }
        let outcome = match trouble.exit {
            Exit::Refused | Exit::Cancelled => Outcome::Refused,
            _ => Outcome::Failed,
        };
        let exit = trouble.exit;
        self.end(outcome, exit, Some(trouble))
    }

    fn end_unproved(&mut self, trouble: Trouble) -> Action {
        self.end(Outcome::Unproved, Exit::Unproved, Some(trouble))
    }

    /// Ends it as put back, unless something was written that is never shown.
    fn end_put_back(&mut self, message: &str) -> Action {
        if let Some(setting) = self.hidden_and_written() {
            for line in &mut self.lines {
                if line.plan.setting == setting {
                    line.why = "the device never shows what it has".into();
                }
            }
            return self.end_unproved(Trouble::new(
                "cannot-put-back",
                format!("what shows is as it was, but what `{setting}` was cannot be read"),
                Some("set it again by hand, to what it was or to what you want"),
            ));
        }
        let trouble = Trouble::new(
            "put-back",
            message,
            Some(
                "what it answered may say why; some receivers refuse a save, and some set a lock again by \
                 themselves",
            ),
        );
        self.end(Outcome::PutBack, Exit::PutBack, Some(trouble))
    }

    fn end(&mut self, outcome: Outcome, exit: Exit, trouble: Option<Trouble>) -> Action {
        if let (Outcome::Unproved, Some(trouble)) = (outcome, &trouble) {
            // What was planned may have been written since, and nobody saw what came of it.
            let unseen = self.lines.iter_mut().filter(|line| line.why == NOT_WRITTEN);
            unseen.for_each(|line| line.why.clone_from(&trouble.message));
        }
        if let Some(trouble) = self.ledger_trouble.take() {
            self.notes.push(format!(
                "the journal failed on the way: {}",
                trouble.message
            ));
        }
        let report = Report {
            outcome,
            exit,
            lines: std::mem::take(&mut self.lines),
            trouble,
            notes: std::mem::take(&mut self.notes),
            last: self.last.clone().map(Box::new),
            wrote: self.wrote,
        };
        let report = Box::new(report);
        self.ended = Some(report.clone());
        self.go(State::Ended, Action::End(report))
    }

    fn out_of_step(&mut self) -> Action {
        self.stop(Trouble::new(
            "out-of-step",
            "something happened that was not waited for; this is a fault of the program",
            Some("please report it with the output of --verbose"),
        ))
    }

    /// Ends it when a reading is of another device than the one that was read first.
    fn refuse_another_device(&mut self, snapshot: &Snapshot) -> Option<Action> {
        let original = self.original.as_ref()?;
        match original.device.identity.compare(&snapshot.device.identity) {
            Sameness::Same => None,
            // One that showed a strong mark at first must show it again.
            Sameness::Undetermined
                if self.options.trust_address && !original.device.identity.is_strong() =>
            {
                None
            }
            _ => {
                let unfinished = self.wrote || self.cut_off.is_some();
                Some(self.stop(another_device(snapshot, unfinished)))
            }
        }
    }

    /// Whether the last reading shows that the device restarted since the last acting request.
    fn restarted(&self) -> bool {
        match (&self.leg, &self.last, &self.read) {
            (Some(leg), Some(last), Some(read)) => {
                let first = self
                    .original
                    .as_ref()
                    .and_then(|first| first.witness.as_ref());
                leg.restarted(last, read, first)
            }
            _ => false,
        }
    }

    fn compare_midway(&self, now: &Snapshot) -> Comparison {
        let Some(leg) = &self.leg else {
            return Comparison::default();
        };
        let done = leg
            .wanted
            .iter()
            .filter(|(name, _)| leg.is_done(&self.profile, name.as_str()))
            .map(|(name, value)| (name.clone(), value.clone()))
            .collect();
        Comparison::midway(&self.profile, &leg.base, now, &done, &leg.wanted)
    }

    /// Compares with what the whole leg should have led to.
    fn compare_leg(&self, now: &Snapshot) -> Comparison {
        match (&self.leg, &self.original) {
            (Some(leg), Some(original)) => match leg.direction {
                Direction::There => Comparison::new(&self.profile, original, now, &leg.wanted),
                Direction::Back => Comparison::new(&self.profile, original, now, &Wanted::new()),
            },
            _ => Comparison::default(),
        }
    }

    /// A setting that the device does not show whole, and that a save which may have reached it
    /// wrote. Of a run that was cut off, each save may have.
    fn hidden_and_written(&self) -> Option<SettingName> {
        let original = self.original.as_ref()?;
        let may_have_reached = |setting: &Setting| {
            self.cut_off.is_some() || setting.saves.iter().any(|s| self.reached.contains(s))
        };
        let of_this_run = self.lines.iter().map(|line| &line.plan.setting);
        let of_the_change = self.wanted.keys().filter(|_| self.cut_off.is_some());
        of_this_run
            .chain(of_the_change)
            .filter_map(|name| self.profile.setting(name.as_str()))
            .find(|setting| is_hidden(setting, original) && may_have_reached(setting))
            .map(|setting| setting.name.clone())
    }

    fn lines_wanted(&self, original: &Snapshot) -> Vec<Line> {
        let plan = Plan::new(&self.profile, original, &self.wanted).unwrap_or_default();
        lines_of(&plan, "cut off")
    }

    fn restart_request(&self) -> bool {
        matches!(&self.profile.restart, Some(r) if matches!(r.by, RestartBy::Request(_)))
    }

    /// Whether a proof takes a restart. Where only saving restarts the device, a way whose saves
    /// do not is proved by the read-back; of a way without saves nobody knows, so it takes one.
    fn restart_needed(&self) -> bool {
        let Some(restart) = &self.profile.restart else {
            return false;
        };
        let saves = self.leg.iter().flat_map(|leg| &leg.plan.saves);
        let mut saves = saves.filter_map(|planned| self.profile.save(planned.save.as_str()));
        restart.by != RestartBy::Saving
            || self
                .leg
                .as_ref()
                .is_none_or(|leg| leg.plan.saves.is_empty())
            || saves.any(|save| save.restarts)
    }

    fn returns_by_hand(&self) -> bool {
        matches!(&self.profile.restart, Some(r) if r.returns == Returns::ByHand)
    }

    fn save_restarts(&self) -> bool {
        self.leg
            .as_ref()
            .and_then(|leg| leg.plan.saves.get(leg.at))
            .and_then(|planned| self.profile.save(planned.save.as_str()))
            .is_some_and(|save| save.restarts)
    }

    fn usual_s(&self) -> (f64, f64) {
        self.profile
            .restart
            .as_ref()
            .map_or((0.0, 0.0), |r| (r.within_s.from, r.within_s.to))
    }

    fn takes_s(&self, leg: &Leg) -> Option<(f64, f64)> {
        let usual = self.usual_s();
        let saves = leg.plan.saves.iter();
        let restarts = if self.restart_request() {
            1
        } else {
            saves
                .filter(|p| {
                    self.profile
                        .save(p.save.as_str())
                        .is_some_and(|save| save.restarts)
                })
                .count()
        };
        let times = f64::from(u32::try_from(restarts).ok()?);
        (restarts > 0).then_some((usual.0 * times, usual.1 * times))
    }
}

/// Why a line is not proved as long as nothing of it was written.
const NOT_WRITTEN: &str = "not written";

fn lines_of(plan: &Plan, why: &str) -> Vec<Line> {
    let lines = plan.lines.iter().cloned();
    lines
        .map(|plan| Line {
            plan,
            proof: Proof::None,
            why: why.into(),
        })
        .collect()
}

/// Whether a setting is never shown, or stands nowhere at a place of it without that meaning
/// anything: then it reads alike whatever is written.
fn is_hidden(setting: &Setting, original: &Snapshot) -> bool {
    let shown = |(place, _): &(PlaceName, Pattern)| {
        !matches!(original.places.get(place), None | Some(Raw::Missing))
            || setting.rows.iter().any(|row| {
                let mut parts = row.parts.iter();
                parts.any(|(name, pattern)| name == place && *pattern == Pattern::Missing)
            })
    };
    let mut read = setting.rows.iter().flat_map(|row| &row.parts);
    let entry = original.settings.get(&setting.name);
    entry.is_some_and(|entry| entry.reading == Reading::WriteOnly) || !read.all(shown)
}

/// What is said before something is written that nobody can put back, or see.
fn not_to_be_put_back(profile: &Profile, plan: &Plan) -> Vec<String> {
    let said = |line: &PlanLine| {
        let name = &line.setting;
        let setting = profile.setting(name.as_str());
        let hidden = setting.is_some_and(|s| s.blank_keeps) && line.after != Value::Absent;
        match (&line.before, hidden) {
            (Reading::Known(_), false) => None,
            (Reading::Known(_), true) => Some(format!(
                "`{name}` is never shown once it is set: it can be neither proved nor put back"
            )),
            (_, false) => Some(format!(
                "what `{name}` is now cannot be read, so it cannot be put back"
            )),
            (_, true) => Some(format!(
                "what `{name}` is now cannot be read, so it cannot be put back; and it is never \
                 shown, so that it took cannot be proved"
            )),
        }
    };
    plan.lines.iter().filter_map(said).collect()
}

#[cfg(test)]
mod tests;
