//! The whole run on one thread: asks the schedule, begins what it says, tells what happens, and
//! draws the sum at the end.

use std::{
    cell::{Cell, RefCell},
    collections::{BTreeMap, BTreeSet},
    path::Path,
    rc::Rc,
    time::Duration,
};

use jiff::Timestamp;
use tokio::{
    sync::{mpsc, oneshot},
    task::JoinSet,
    time::{Instant, sleep_until},
};

use super::{
    Order, Watcher, World,
    air::{self, Air, Grant},
    earlier::{Asked, Earlier},
    findings::{self, Seen},
    here,
    one::{Ended, Visit},
    outs, reach,
    told::{Since, Told},
};
use crate::{
    change::{Trouble, Unfinished},
    journal::{Archive, ResultRow, RunId, RunState, Unsettled, ledger},
    loaners::{
        pairs::Pairs,
        schedule::{Do, Schedule, Stage, Tried},
    },
    session::Origin,
    terms::{
        Exit, Identity, Mac, Sameness,
        output::loaners::{
            LoanerOut, LoanerResult, ShelfCommand, ShelfEvent, ShelfLine, ShelfOut, ShelfStep,
        },
    },
};

/// What the loaners under way tell the run.
pub(super) enum Message {
    /// Something that is told as it is.
    Told(ShelfEvent),
    /// A try is over.
    Ended(usize, Box<LoanerOut>, Tried),
    /// A loaner restarts; its adapter is free until an adapter is granted for it again.
    LetGo {
        loaner: usize,
        /// Whether it was seen to go, or need not be.
        missed: bool,
        grant: oneshot::Sender<Grant>,
    },
    /// What was heard of the air.
    Air(air::Heard),
    /// Who an access point turned out to be; the answer is the loaner that the visit goes on with.
    Looked(air::Looked),
}

/// What all loaners of a run share.
pub(super) struct Shared {
    pub(super) order: Order,
    pub(super) world: World,
    pub(super) archive: Archive,
    pub(super) run: RunId,
    pub(super) since: Since,
    pub(super) send: mpsc::UnboundedSender<Message>,
    /// What is wanted of each.
    pub(super) wanted: Vec<Asked>,
    /// Changes of earlier runs that this one settles first.
    pub(super) unsettled: RefCell<Vec<Unsettled>>,
    /// Changes of other commands that are unfinished.
    pub(super) unfinished: Vec<Unfinished>,
    /// The pairs that the loaners are to have, as far as the file says and else as they are known to
    /// be. No other may have them.
    pub(super) pairs: RefCell<Pairs>,
    /// The pairs of those that are through, as they are. No other may have them either.
    pub(super) settled: RefCell<Pairs>,
    pub(super) seen: RefCell<Seen>,
    /// Those that restarted and are in range again, though no adapter is free for them.
    pub(super) back: RefCell<BTreeSet<usize>>,
    /// Those that restarted and that a scan since then did not hear.
    pub(super) went: RefCell<BTreeSet<usize>>,
    /// Whether the journal failed: then nothing else is begun.
    pub(super) broken: Cell<bool>,
}

impl Shared {
    /// The label of a loaner.
    pub(super) fn label(&self, loaner: usize) -> &str {
        &self.order.shelf.loaners[loaner].label
    }

    /// A change of this device that is to be settled first.
    pub(super) fn take_unsettled(&self, identity: &Identity) -> Option<Unsettled> {
        let mut all = self.unsettled.borrow_mut();
        let at = all.iter().position(|one| is_of(one, identity))?;
        Some(all.remove(at))
    }

    /// The number of a change of this device that is to be settled.
    pub(super) fn unsettled_of(&self, identity: &Identity) -> Option<i64> {
        let all = self.unsettled.borrow();
        let one = all.iter().find(|one| is_of(one, identity))?;
        Some(one.change.id.0)
    }

    /// The change in which a loaner was cut off, as far as its row tells who it is; none in a run that
    /// settles nothing.
    pub(super) fn cut_off(&self, loaner: usize) -> Option<i64> {
        let order = &self.order;
        if order.command == ShelfCommand::Check || order.dry_run {
            return None;
        }
        let stable = order.shelf.profile.identity.bssid_stable;
        let mark = order.shelf.loaners[loaner].mark.identity(stable);
        let all = self.unsettled.borrow();
        let mut written = all.iter().filter(|one| one.cut_off.is_some());
        Some(written.find(|one| is_of(one, &mark))?.change.id.0)
    }

    /// A change that could not be settled is there for a second try.
    pub(super) fn still_unsettled(&self, one: Unsettled) {
        let mut all = self.unsettled.borrow_mut();
        if !all.iter().any(|other| other.change.id == one.change.id) {
            all.push(one);
        }
    }

    /// The work, unless the person wants to stop first: for what writes nothing.
    pub(super) async fn or_stopped<T>(&self, work: impl Future<Output = T>) -> Result<T, Ended> {
        let mut stop = self.world.stop.clone();
        tokio::select! {
            biased;
            // Where nobody is left who could ask for a stop, the work goes on alone.
            Ok(_) = stop.wait_for(|stop| *stop) => Err(Ended::failed(stopped())),
            ended = work => Ok(ended),
        }
    }
}

/// Whether a change is of this device.
fn is_of(one: &Unsettled, identity: &Identity) -> bool {
    let then = &one.record.snapshot.device.identity;
    then.compare(identity) == Sameness::Same
}

/// A run under way.
pub(super) struct Night {
    pub(super) shared: Rc<Shared>,
    pub(super) schedule: Schedule,
    pub(super) air: Air,
    pub(super) outs: Vec<LoanerOut>,
    pub(super) earlier: Earlier,
    pub(super) receive: mpsc::UnboundedReceiver<Message>,
    /// Those that restart, and want an adapter again.
    pub(super) waiting: BTreeMap<usize, oneshot::Sender<Grant>>,
    pub(super) told: BTreeMap<usize, Told>,
    /// What went on with those that are not held yet, and since when, in s since the run began.
    pub(super) before: BTreeMap<usize, Vec<(ShelfStep, f64)>>,
    /// How often each was tried.
    pub(super) tries: Vec<u32>,
    pub(super) rows: Vec<String>,
    pub(super) began: Timestamp,
    /// Results that are on their way to the disk.
    pub(super) records: JoinSet<()>,
}

/// The person wanted to stop.
fn stopped() -> Trouble {
    Trouble::new("cancelled", "stopped by you before its turn was over", None)
        .ending(Exit::Cancelled)
}

impl Night {
    /// All of it.
    pub(super) async fn go(mut self, watcher: &mut dyn Watcher) -> Result<ShelfOut, Trouble> {
        let shared = Rc::clone(&self.shared);
        let labels = shared.order.shelf.loaners.iter().map(|one| &one.label);
        let labels = labels.filter(|label| shared.order.takes_part(label));
        let began = ShelfEvent::Began {
            run: shared.run.0,
            loaners: labels.cloned().collect(),
        };
        self.tell(watcher, began);
        for out in self.outs.iter().filter(|out| out.earlier) {
            self.tell(watcher, ShelfEvent::Ended(Box::new(out.clone())));
        }
        let mut tasks = JoinSet::new();
        let mut stop = shared.world.stop.clone();
        let mut can_stop = true;
        self.air.listen(&shared, &mut tasks);
        while !self.schedule.is_over() {
            self.go_on(&mut tasks, watcher);
            if self.schedule.is_over() {
                break;
            }
            self.air.scan(&shared, &self.schedule, &mut tasks);
            let wake = self.wake();
            tokio::select! {
                stopped = stop.wait_for(|stop| *stop), if can_stop => {
                    can_stop = false;
                    if stopped.is_ok() {
                        self.schedule.stop();
                    }
                }
                Some(_) = self.records.join_next(), if !self.records.is_empty() => {}
                Some(message) = self.receive.recv() => self.take(message, watcher),
                // A task that panicked has told nobody how it ended.
                Some(ended) = tasks.join_next(), if !tasks.is_empty() => {
                    if let Err(error) = ended && error.is_panic() {
                        std::panic::resume_unwind(error.into_panic());
                    }
                }
                () = sleep_until(wake) => {}
            }
        }
        tasks.shutdown().await;
        self.sum_up(watcher).await
    }

    /// When to ask the schedule, and the air, though nothing happened.
    fn wake(&self) -> Instant {
        let now_s = self.shared.since.s();
        let times = [
            self.schedule.wake_s(now_s),
            self.air
                .scan_s(&self.schedule, self.shared.world.speed, now_s),
        ];
        let next = times.into_iter().flatten().reduce(f64::min);
        let wait_s = next.map_or(LONG_S, |next| (next - now_s).clamp(0.01, LONG_S));
        Instant::now() + Duration::from_secs_f64(wait_s)
    }

    fn tell(&self, watcher: &mut dyn Watcher, event: ShelfEvent) {
        watcher.line(&ShelfLine {
            format: 1,
            at_s: self.shared.since.s(),
            event,
        });
    }

    /// Does what the schedule says.
    fn go_on(&mut self, tasks: &mut JoinSet<()>, watcher: &mut dyn Watcher) {
        if self.shared.broken.get() {
            self.schedule.stop();
        }
        loop {
            let todo = self.schedule.next(self.shared.since.s());
            if todo.is_empty() {
                return;
            }
            for one in todo {
                self.does(one, tasks, watcher);
            }
        }
    }

    fn does(&mut self, todo: Do, tasks: &mut JoinSet<()>, watcher: &mut dyn Watcher) {
        match todo {
            Do::Power { on, off } => {
                let shared = &self.shared;
                let labels = |all: Vec<usize>| -> Vec<String> {
                    all.into_iter()
                        .map(|one| shared.label(one).to_owned())
                        .collect()
                };
                let network = shared.order.shelf.profile.network.as_ref();
                let opens_s = network.map(|one| one.opens_s.to / shared.world.speed);
                for one in &on {
                    self.before
                        .insert(*one, vec![(ShelfStep::Waiting, shared.since.s())]);
                    let event = ShelfEvent::Step {
                        loaner: shared.label(*one).to_owned(),
                        step: ShelfStep::Waiting,
                        adapter: None,
                        signal: None,
                        until_s: opens_s.map(|opens_s| shared.since.s() + opens_s),
                    };
                    self.tell(watcher, event);
                }
                let event = ShelfEvent::Power {
                    on: labels(on),
                    off: labels(off),
                };
                self.tell(watcher, event);
            }
            Do::Take {
                loaner,
                adapter,
                back: false,
            } => {
                let visit = self.visit(loaner);
                match adapter {
                    None => {
                        tasks.spawn_local(here::visit(visit));
                    }
                    Some(adapter) => {
                        let grant = self.air.grant(loaner, adapter);
                        tasks.spawn_local(reach::first(visit, grant));
                    }
                }
            }
            Do::Take {
                loaner,
                adapter,
                back: true,
            } => {
                let granted = adapter.and_then(|adapter| {
                    let grant = self.air.grant(loaner, adapter)?;
                    self.waiting.remove(&loaner)?.send(grant).ok()
                });
                if granted.is_none() {
                    // It gave up waiting a moment ago, and asks again or ends.
                    self.schedule.let_go(loaner, true, self.shared.since.s());
                }
            }
            Do::Listen { adapter } => self.air.look_around(adapter, &self.shared, tasks),
            Do::Look { point, adapter } => {
                let grant = self.air.grant_point(point, adapter);
                let shared = Rc::clone(&self.shared);
                tasks.spawn_local(reach::look(shared, point, grant));
            }
        }
    }

    /// A new try of a loaner.
    fn visit(&mut self, loaner: usize) -> Visit {
        self.tries[loaner] += 1;
        let shared = Rc::clone(&self.shared);
        let told = Told::new(
            shared.since,
            shared.label(loaner),
            shared.world.speed,
            shared.send.clone(),
        );
        told.waited(self.before.remove(&loaner).unwrap_or_default());
        self.told.insert(loaner, told.clone());
        Visit {
            shared,
            loaner,
            told,
        }
    }

    fn take(&mut self, message: Message, watcher: &mut dyn Watcher) {
        let now_s = self.shared.since.s();
        match message {
            Message::Told(event) => self.tell(watcher, event),
            Message::LetGo {
                loaner,
                missed,
                grant,
            } => {
                self.waiting.insert(loaner, grant);
                self.air.let_go(loaner, self.shared.world.clock_s());
                self.schedule.let_go(loaner, missed, now_s);
                if self.air.is_gone() {
                    // Nobody can be granted any more; whoever waits hears so by that.
                    self.waiting.remove(&loaner);
                }
            }
            Message::Ended(loaner, out, tried) => self.ended(loaner, *out, tried, watcher),
            Message::Air(heard) => {
                let told = self
                    .air
                    .hears(heard, &mut self.schedule, &self.shared, now_s);
                for (loaner, event) in told {
                    // Who is back from its restart has a visit under way, which tells it.
                    if let Some(loaner) = loaner.filter(|one| !self.told.contains_key(one)) {
                        let before = self.before.entry(loaner).or_default();
                        before.push((ShelfStep::InRange, now_s));
                    }
                    self.tell(watcher, event);
                }
                if self.air.is_gone() {
                    self.waiting.clear();
                }
            }
            Message::Looked(looked) => {
                let (loaner, told) =
                    self.air
                        .looked(&looked, &mut self.schedule, &self.shared, now_s);
                for event in told {
                    self.tell(watcher, event);
                }
                let visit = loaner.map(|loaner| self.visit(loaner));
                // Whoever looked goes on with it.
                let _ = looked.answer.send(visit);
            }
        }
    }

    fn ended(
        &mut self,
        loaner: usize,
        mut out: LoanerOut,
        tried: Tried,
        watcher: &mut dyn Watcher,
    ) {
        let shared = Rc::clone(&self.shared);
        self.waiting.remove(&loaner);
        out.tries = self.tries[loaner];
        if out.tries > 1 {
            out = outs::after_second_try(&self.outs[loaner], out);
        }
        self.schedule.ended(loaner, tried, shared.since.s());
        // What it is in truth counts for the pairs of all others from now on.
        // In a dry run that is what it was to be: the plan of the others rests on it.
        let seen = shared.seen.borrow().pairs.get(loaner).cloned();
        if let Some(seen) = seen
            && out.result != LoanerResult::Planned
            && self.schedule.stage(loaner) == Stage::Through
        {
            shared.settled.borrow_mut().set(loaner, seen);
        }
        self.keep(loaner, &out);
        let step = match self.schedule.stage(loaner) {
            Stage::Later => ShelfStep::LaterAgain,
            _ => ShelfStep::Through,
        };
        if let Some(told) = self.told.remove(&loaner) {
            let event = told.says(step);
            self.tell(watcher, event);
        }
        self.outs[loaner] = out.clone();
        self.tell(watcher, ShelfEvent::Ended(Box::new(out)));
    }

    /// Puts on record how a loaner ended, while the others go on.
    fn keep(&mut self, loaner: usize, out: &LoanerOut) {
        let shared = Rc::clone(&self.shared);
        let result = ResultRow {
            row: self.rows[loaner].clone(),
            out: out.clone(),
        };
        self.records.spawn_local(async move {
            let journal = &shared.world.journal;
            if let Err(error) = journal.loaner_ended(shared.run, result).await {
                tracing::debug!(%error, "a result");
                shared.broken.set(true);
            }
        });
    }

    async fn sum_up(mut self, watcher: &mut dyn Watcher) -> Result<ShelfOut, Trouble> {
        let shared = Rc::clone(&self.shared);
        let order = &shared.order;
        // What was told and not taken yet, such as the last steps.
        while let Ok(message) = self.receive.try_recv() {
            if let Message::Told(event) = message {
                self.tell(watcher, event);
            }
        }
        for number in 0..self.outs.len() {
            let is_missing = self.schedule.stage(number) == Stage::Missing;
            let out = &mut self.outs[number];
            out.tries = out.tries.max(self.tries[number]);
            let before = out.result;
            if is_missing && out.result == LoanerResult::NotTried {
                out.result = LoanerResult::Missing;
            }
            if order.takes_part(&out.label)
                && let Some(change) = shared.cut_off(number)
            {
                outs::still_cut_off(out, change);
            }
            if out.result != before {
                let out = out.clone();
                self.keep(number, &out);
                self.tell(watcher, ShelfEvent::Ended(Box::new(out)));
            }
        }
        while self.records.join_next().await.is_some() {}
        let left_out = |number: usize| !order.takes_part(&self.outs[number].label);
        let untried = (0..self.outs.len())
            .any(|number| self.outs[number].result == LoanerResult::NotTried && !left_out(number));
        let stopped = *shared.world.stop.borrow() || self.schedule.is_stopped() || untried;
        let error = self.why_stopped(stopped, untried);
        let state = if stopped {
            RunState::Stopped
        } else {
            RunState::Done
        };
        let ended = shared.world.journal.end_run(shared.run, state).await;
        let error = error.or(ended.err().map(|error| ledger::trouble(&error)));
        let changed = order
            .path
            .as_deref()
            .is_some_and(|path| is_changed(path, &order.text));
        let strangers = self.air.strangers();
        self.know_the_others();
        let seen = shared.seen.borrow();
        let mut found = findings::findings(&seen, &self.outs, &strangers, &self.earlier, changed);
        // What is wrong among others alone is no matter of this run.
        found.retain(|one| {
            let mut loaners = one.loaners.iter();
            one.loaners.is_empty() || loaners.any(|label| order.takes_part(label))
        });
        // Those that were left out are no part of what was to be done.
        let loaners: Vec<LoanerOut> = (0..self.outs.len())
            .filter(|number| !left_out(*number))
            .map(|number| self.outs[number].clone())
            .collect();
        Ok(ShelfOut {
            format: 1,
            run: shared.run.0,
            command: order.command,
            title: order.shelf.title.clone(),
            family: order.shelf.profile.family.clone(),
            began: self.began.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
            took_s: shared.since.s(),
            adapters: order.adapters.iter().map(ToString::to_string).collect(),
            counts: outs::counts(&loaners),
            loaners,
            strangers,
            findings: found,
            error: error.map(|trouble| crate::change::out::fault(&trouble)),
            dry_run: order.dry_run,
            simulated: shared.world.simulated,
        })
    }

    /// Those that this run did not read, and of which an earlier one knows how they are; and those of
    /// which this one does not.
    fn know_the_others(&self) {
        let shared = &self.shared;
        let mut seen = shared.seen.borrow_mut();
        for (number, out) in self.outs.iter().enumerate() {
            let left_out = !shared.order.takes_part(&out.label);
            if (out.earlier || left_out)
                && seen.pairs.get(number).is_none()
                && let Some(known) = shared.pairs.borrow().get(number)
            {
                seen.pairs.set(number, known.clone());
            }
            // It may be set either way.
            if out.result == LoanerResult::Unproved {
                seen.pairs.forget(number);
            }
        }
    }

    fn why_stopped(&self, is_stopped: bool, untried: bool) -> Option<Trouble> {
        let shared = &self.shared;
        let again = match shared.order.command {
            // Simulated ones end with this process.
            ShelfCommand::Reset if !shared.world.simulated => {
                Some("run it again: what is proved is not done again")
            }
            ShelfCommand::Reset | ShelfCommand::Check => Some("run it again"),
        };
        if shared.broken.get() {
            let message = "the journal failed, so no other loaner was begun";
            return Some(Trouble::new("journal-failed", message, again));
        }
        if !is_stopped {
            return None;
        }
        if *shared.world.stop.borrow() {
            let message = "stopped by you before all had their turn";
            let trouble = Trouble::new("cancelled", message, again);
            return Some(trouble.ending(Exit::Cancelled));
        }
        if self.air.is_gone() && !self.schedule.is_stopped() {
            let message = "no Wi-Fi adapter is left that can be used";
            return Some(Trouble::new("no-adapter", message, again));
        }
        // Where all had their turn nothing was kept from anybody.
        let most = shared.order.stop_after.filter(|_| untried)?;
        let message = match most {
            1 => "a loaner failed, so no other was begun".to_owned(),
            _ => format!("{most} loaners failed, so no other was begun"),
        };
        Some(Trouble::new("too-many-failed", message, again))
    }
}

/// How long the run sleeps at most, in s, where nothing is due.
const LONG_S: f64 = 60.0;

fn is_changed(path: &Path, text: &str) -> bool {
    std::fs::read(path).map_or(true, |now| now != text.as_bytes())
}

impl World {
    /// Where the device behind an access point answers.
    pub(super) fn origin(&self, origin: Origin, adapter: &str, bssid: Mac) -> Origin {
        match self.behind.as_ref().and_then(|behind| behind(bssid)) {
            Some(behind) => behind,
            None => origin.through(adapter),
        }
    }

    /// Seconds since this computer started.
    pub(super) fn clock_s(&self) -> f64 {
        use crate::change::ports::Clock;
        self.clock.now().seconds
    }
}
