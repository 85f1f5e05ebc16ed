//! The schedule of a run over a shelf, as a pure state machine: which loaner an adapter takes next,
//! which to power next, which to switch off.
//!
//! It is told the time and what happened, and knows neither network nor clock, so that an evening
//! with twenty-four loaners is tried in a moment. What holds, and is tested: no loaner is held
//! through two adapters, none is through twice, never more are powered on its word than the person
//! allows, and every run ends.
//!
//! While a loaner restarts its adapter serves others: a session before and a session after a wait
//! of a minute would leave the adapter idle for most of the evening otherwise. So waits overlap: those
//! after power-up, those after a restart, and both. Whoever is back for its proof goes first, since
//! then it can be switched off, which makes room for the next.
//!
//! Who restarts has to be missed while it is away, for a restart that nobody saw is no proof. So before
//! an adapter takes another whose session would last into the return of one that was not missed yet, it
//! looks around.

mod missed;
mod power;

use std::collections::{BTreeMap, BTreeSet};

pub use missed::Away;
pub use power::Window;

/// What the person allows, and what is known of the family.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// How many adapters there are.
    pub adapters: usize,
    /// How many of the loaners that need no adapter are under way at once; at least 1.
    pub at_once: usize,
    /// How many may be powered at once, in our reckoning; at least 1.
    pub powered: usize,
    /// After how many failed loaners no other is begun; none: never.
    pub stop_after: Option<usize>,
    /// When after power-up a loaner is in range.
    pub window: Window,
    /// How long a first session is taken to last, in s, until some have been seen.
    pub session_s: f64,
    /// How those that restart are missed.
    pub away: Away,
}

/// What is known of a loaner at the beginning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// It is reached without an adapter, at any time.
    Here,
    /// It opens a network of its own some time after it is powered.
    Air,
    /// It has no part in this run.
    Left,
}

/// What is to be done now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Do {
    /// The person is to power these, in this order, and to switch those off.
    Power {
        /// To be powered.
        on: Vec<usize>,
        /// To be switched off.
        off: Vec<usize>,
    },
    /// A loaner is to be taken, through this adapter; none: it needs none.
    Take {
        /// Which.
        loaner: usize,
        /// Through which adapter.
        adapter: Option<usize>,
        /// Whether it comes back after a restart, and goes on where it was.
        back: bool,
    },
    /// An adapter is to look around now, and takes nobody before [`Schedule::looked_around`]: somebody
    /// who restarts is to be missed.
    Listen {
        /// Which.
        adapter: usize,
    },
    /// An access point of which nobody knows whose it is is to be looked at.
    Look {
        /// Which, by the caller's own number.
        point: u64,
        /// Through which adapter.
        adapter: usize,
    },
}

/// How a try of a loaner ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tried {
    /// It is through.
    Well,
    /// It failed; a second try may help.
    Failed,
    /// It failed, and a second try would not help.
    ForGood,
}

/// Where a loaner is, for the caller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Not in range; to be powered, or awaited.
    Waiting,
    /// In range, and no adapter is free.
    InRange,
    /// Under way.
    Held,
    /// It restarts, and holds no adapter.
    Restarting,
    /// It failed, and is tried again at the end.
    Later,
    /// It is through, and came in range at least once.
    Through,
    /// It never came in range.
    Missing,
    /// The run ended before its turn, or it has no part in it.
    NotTried,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    /// Neither powered nor heard, as far as is known.
    Off,
    /// The person was asked to power it, at this time.
    Asked(f64),
    /// Heard, at this time first.
    InRange(f64),
    /// Under way since.
    Held {
        adapter: Option<usize>,
        since_s: f64,
        back: bool,
    },
    /// It restarts, and nobody hears it.
    Away(missed::Missed),
    /// In range again, at this time first.
    Back(f64),
    /// Put off until the end.
    Later,
    Through,
    Missing,
    NotTried,
}

#[derive(Debug, Clone)]
struct Loaner {
    place: Place,
    state: State,
    /// How often a try of it has failed.
    failed: u32,
    /// Whether it is taken to be powered. What the person does unasked counts too.
    powered: bool,
}

/// The schedule. Times are in s, of any clock that does not go back.
#[derive(Debug, Clone)]
pub struct Schedule {
    rules: Rules,
    loaners: Vec<Loaner>,
    /// Which point each adapter looks at, or which loaner it holds.
    adapters: Vec<Busy>,
    /// Access points that nobody knows, by when they were heard first.
    unknown: BTreeMap<u64, f64>,
    looked_at: BTreeSet<u64>,
    /// Those that are off and need no adapter.
    here: BTreeSet<usize>,
    /// Those that are off and are to be powered.
    off: BTreeSet<usize>,
    /// Those that are put off until the end.
    later: BTreeSet<usize>,
    /// Those whose turn it is: asked for, in range, held or away.
    live: BTreeSet<usize>,
    /// Those that are to be switched off, and nobody was told.
    to_be_off: BTreeSet<usize>,
    here_held: usize,
    failures: usize,
    /// Whether those that were put off are tried again.
    second_round: bool,
    stopped: bool,
    left: usize,
    session_s: f64,
    /// How long first sessions lasted that were seen, the last few most; none: none was.
    seen_s: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Busy {
    Free,
    /// Cannot be used any more.
    Gone,
    With(usize),
    LooksAt(u64),
    Listens,
}

impl Schedule {
    /// Nothing has begun yet.
    pub fn new(rules: Rules, places: &[Place]) -> Self {
        let loaner = |place: &Place| Loaner {
            place: *place,
            state: match place {
                Place::Left => State::NotTried,
                Place::Here | Place::Air => State::Off,
            },
            failed: 0,
            powered: false,
        };
        let of = |place: Place| {
            let all = places.iter().enumerate();
            all.filter(|(_, one)| **one == place)
                .map(|(number, _)| number)
                .collect()
        };
        Self {
            loaners: places.iter().map(loaner).collect(),
            adapters: vec![Busy::Free; rules.adapters],
            unknown: BTreeMap::new(),
            looked_at: BTreeSet::new(),
            here: of(Place::Here),
            off: of(Place::Air),
            later: BTreeSet::new(),
            live: BTreeSet::new(),
            to_be_off: BTreeSet::new(),
            here_held: 0,
            failures: 0,
            second_round: false,
            stopped: false,
            left: places.iter().filter(|p| **p != Place::Left).count(),
            session_s: rules.session_s,
            seen_s: None,
            rules,
        }
    }

    /// What is to be done now. To be asked after every event, and at the time of
    /// [`wake_s`](Self::wake_s).
    pub fn next(&mut self, now_s: f64) -> Vec<Do> {
        self.miss(now_s);
        if !self.stopped && !self.second_round && self.first_round_is_over() {
            self.begin_second_round();
        }
        let mut todo = Vec::new();
        self.take(now_s, &mut todo);
        if self.no_way_to_the_air() && self.listens() {
            self.give_the_air_up();
        }
        self.power(now_s, &mut todo);
        todo
    }

    /// When [`next`](Self::next) is to be asked although nothing happened; none: never.
    pub fn wake_s(&self, now_s: f64) -> Option<f64> {
        let overdue = self
            .live
            .iter()
            .filter_map(|one| match self.loaners[*one].state {
                State::Asked(at) => Some(at + self.rules.window.late_s()),
                _ => None,
            });
        let power = self.powers_next_in_s(now_s).map(|wait| now_s + wait);
        let listen = self.listens_next_s(now_s).map(|at| at.max(now_s));
        overdue.chain(power).chain(listen).reduce(f64::min)
    }

    /// A loaner was heard.
    pub fn heard(&mut self, loaner: usize, now_s: f64) {
        let one = &self.loaners[loaner];
        let in_range = match one.state {
            State::Off | State::Asked(_) if one.place == Place::Air => State::InRange(now_s),
            // It was missed, and has never been held.
            State::Later if one.failed == 0 => State::InRange(now_s),
            State::Away(_) => State::Back(now_s),
            _ => return,
        };
        self.put(loaner, in_range);
        self.is_on(loaner);
    }

    /// A loaner that was heard is heard no more.
    pub fn unheard(&mut self, loaner: usize, now_s: f64) {
        match self.loaners[loaner].state {
            State::InRange(_) => self.put(loaner, State::Asked(now_s)),
            State::Back(_) => self.put(loaner, State::Away(missed::Missed::seen(now_s))),
            _ => {}
        }
    }

    /// An access point was heard that may be one of the loaners, and nobody knows which.
    pub fn heard_unknown(&mut self, point: u64, now_s: f64) {
        if !self.looked_at.contains(&point) {
            self.unknown.entry(point).or_insert(now_s);
        }
    }

    /// It is heard no more.
    pub fn unheard_unknown(&mut self, point: u64) {
        self.unknown.remove(&point);
    }

    /// Who an access point turned out to be that was looked at: a loaner that has no try under way
    /// and is not through is held from now on through the same adapter, and true is told; for
    /// everybody else the adapter is free.
    pub fn turned_out(&mut self, point: u64, loaner: Option<usize>, now_s: f64) -> bool {
        let looking = |busy: &Busy| *busy == Busy::LooksAt(point);
        let Some(adapter) = self.adapters.iter().position(looking) else {
            return false;
        };
        self.adapters[adapter] = Busy::Free;
        let Some(loaner) = loaner else { return false };
        let one = &self.loaners[loaner];
        let may = match one.state {
            State::Off | State::Asked(_) | State::InRange(_) => !self.stopped,
            State::Later => one.failed == 0 && !self.stopped,
            _ => false,
        };
        if may {
            self.is_on(loaner);
            self.hold(loaner, Some(adapter), false, now_s);
        }
        may
    }

    /// One that was looked at in vain may be looked at once more when it is heard again.
    pub fn look_again(&mut self, point: u64) {
        self.looked_at.remove(&point);
    }

    /// A loaner restarts, and its adapter serves others meanwhile. `missed`: it was seen to go, or
    /// need not be.
    pub fn let_go(&mut self, loaner: usize, missed: bool, now_s: f64) {
        if let State::Held {
            adapter: Some(adapter),
            since_s,
            back,
        } = self.loaners[loaner].state
        {
            self.free(adapter);
            if !back {
                // The last few count most: the first has its passphrase asked for.
                self.session_s += (now_s - since_s - self.session_s) * 0.3;
                let before_s = self.seen_s.unwrap_or(now_s - since_s);
                self.seen_s = Some(before_s + (now_s - since_s - before_s) * 0.3);
            }
            self.put(loaner, State::Away(missed::Missed::new(now_s, missed)));
        }
    }

    /// A try of a loaner has ended.
    pub fn ended(&mut self, loaner: usize, how: Tried, now_s: f64) {
        match self.loaners[loaner].state {
            State::Held {
                adapter,
                since_s,
                back,
            } => {
                match adapter {
                    Some(adapter) => self.free(adapter),
                    None => self.here_held -= 1,
                }
                if adapter.is_some() && !back && how == Tried::Well {
                    self.session_s += (now_s - since_s - self.session_s) * 0.3;
                }
            }
            State::Away(_) | State::Back(_) => {}
            _ => return,
        }
        self.is_off(loaner);
        let one = &mut self.loaners[loaner];
        if how != Tried::Well {
            if one.failed == 0 {
                self.failures += 1;
            }
            one.failed += 1;
        } else if one.failed > 0 {
            self.failures -= 1;
        }
        let again = how == Tried::Failed && one.failed == 1 && !self.second_round && !self.stopped;
        self.put(loaner, if again { State::Later } else { State::Through });
        if self
            .rules
            .stop_after
            .is_some_and(|most| self.failures >= most)
        {
            self.stop();
        }
    }

    /// No other is begun; what is under way goes on to its end.
    pub fn stop(&mut self) {
        self.stopped = true;
        self.unknown.clear();
        for loaner in 0..self.loaners.len() {
            let state = match self.loaners[loaner].state {
                State::Off | State::Asked(_) | State::InRange(_) => self.given_up(loaner),
                State::Later if self.loaners[loaner].failed == 0 => State::Missing,
                State::Later => State::Through,
                _ => continue,
            };
            self.is_off(loaner);
            self.put(loaner, state);
        }
    }

    /// An adapter is gone for good; what it held is told by whoever held it.
    pub fn adapter_gone(&mut self, adapter: usize) {
        self.adapters[adapter] = Busy::Gone;
    }

    /// Whether it was stopped, by the person or by too many failures.
    pub fn is_stopped(&self) -> bool {
        self.stopped
    }

    /// Whether all are through.
    pub fn is_over(&self) -> bool {
        self.left == 0
    }

    /// Where a loaner is.
    pub fn stage(&self, loaner: usize) -> Stage {
        match self.loaners[loaner].state {
            State::Off | State::Asked(_) => Stage::Waiting,
            State::InRange(_) | State::Back(_) => Stage::InRange,
            State::Held { .. } => Stage::Held,
            State::Away(_) => Stage::Restarting,
            State::Later => Stage::Later,
            State::Through => Stage::Through,
            State::Missing => Stage::Missing,
            State::NotTried => Stage::NotTried,
        }
    }

    /// How many are taken to be powered now.
    pub fn powered(&self) -> usize {
        self.live
            .iter()
            .filter(|one| self.loaners[**one].powered)
            .count()
    }

    /// The adapters that have nothing to do: they may listen.
    pub fn idle(&self) -> Vec<usize> {
        let free = self.adapters.iter().enumerate();
        free.filter(|(_, busy)| **busy == Busy::Free)
            .map(|(adapter, _)| adapter)
            .collect()
    }

    /// Whether anybody is waited for who has to be heard first.
    pub fn listens(&self) -> bool {
        let waits = |one: &usize| {
            matches!(
                self.loaners[*one].state,
                State::Asked(_) | State::Away(_) | State::InRange(_) | State::Back(_)
            )
        };
        !self.off.is_empty() || !self.later.is_empty() || self.live.iter().any(waits)
    }

    /// Puts a loaner into a state: the one place that does.
    fn put(&mut self, loaner: usize, state: State) {
        let was = std::mem::replace(&mut self.loaners[loaner].state, state);
        for set in [
            &mut self.here,
            &mut self.off,
            &mut self.later,
            &mut self.live,
        ] {
            set.remove(&loaner);
        }
        match state {
            State::Off if self.loaners[loaner].place == Place::Here => self.here.insert(loaner),
            State::Off => self.off.insert(loaner),
            State::Later => self.later.insert(loaner),
            _ if state.is_over() => false,
            _ => self.live.insert(loaner),
        };
        if state.is_over() && !was.is_over() {
            self.left -= 1;
        }
    }

    /// How it ends for one that is not under way and gets no turn any more.
    fn given_up(&self, loaner: usize) -> State {
        if self.loaners[loaner].failed > 0 {
            State::Through
        } else {
            State::NotTried
        }
    }

    fn is_on(&mut self, loaner: usize) {
        self.loaners[loaner].powered = true;
        self.to_be_off.remove(&loaner);
    }

    fn is_off(&mut self, loaner: usize) {
        if std::mem::take(&mut self.loaners[loaner].powered) {
            self.to_be_off.insert(loaner);
        }
    }

    fn free(&mut self, adapter: usize) {
        if self.adapters[adapter] != Busy::Gone {
            self.adapters[adapter] = Busy::Free;
        }
    }

    fn hold(&mut self, loaner: usize, adapter: Option<usize>, back: bool, now_s: f64) {
        match adapter {
            Some(adapter) => self.adapters[adapter] = Busy::With(loaner),
            None => self.here_held += 1,
        }
        let held = State::Held {
            adapter,
            since_s: now_s,
            back,
        };
        self.put(loaner, held);
    }

    fn take(&mut self, now_s: f64, todo: &mut Vec<Do>) {
        while let Some(loaner) = self.next_here() {
            self.hold(loaner, None, false, now_s);
            todo.push(Do::Take {
                loaner,
                adapter: None,
                back: false,
            });
        }
        for adapter in self.idle() {
            if let Some(at_s) = self.listens_next_s(now_s) {
                // One that went this very moment is waited for, too.
                if at_s <= now_s {
                    self.listen(adapter, now_s);
                    todo.push(Do::Listen { adapter });
                }
            } else if let Some((loaner, back)) = self.next_in_range() {
                self.hold(loaner, Some(adapter), back, now_s);
                todo.push(Do::Take {
                    loaner,
                    adapter: Some(adapter),
                    back,
                });
            } else if let Some(point) = self.next_unknown() {
                self.unknown.remove(&point);
                self.looked_at.insert(point);
                self.adapters[adapter] = Busy::LooksAt(point);
                todo.push(Do::Look { point, adapter });
            }
        }
    }

    /// The next of those that need no adapter, while there is room for it.
    fn next_here(&self) -> Option<usize> {
        let room = self.here_held < self.rules.at_once.max(1);
        self.here.first().copied().filter(|_| room)
    }

    /// Who is back for its proof comes first, and who was heard first before who was heard later.
    fn next_in_range(&self) -> Option<(usize, bool)> {
        let order = |one: &usize| match self.loaners[*one].state {
            State::Back(since) => Some((0, since, *one)),
            State::InRange(since) if !self.stopped => Some((1, since, *one)),
            _ => None,
        };
        let first = self.live.iter().filter_map(order).min_by(|a, b| {
            let (a, b) = ((a.0, a.1), (b.0, b.1));
            a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
        })?;
        Some((first.2, first.0 == 0))
    }

    fn next_unknown(&self) -> Option<u64> {
        let first = self.unknown.iter().min_by(|a, b| a.1.total_cmp(b.1));
        first.filter(|_| !self.stopped).map(|(point, _)| *point)
    }

    /// Those that were to be powered and did not come are put off; at the second time they are
    /// missing.
    fn miss(&mut self, now_s: f64) {
        let late_s = self.rules.window.late_s();
        let overdue = |one: &usize| match self.loaners[*one].state {
            State::Asked(at) => now_s >= at + late_s,
            _ => false,
        };
        let overdue: Vec<usize> = self.live.iter().copied().filter(overdue).collect();
        for loaner in overdue {
            self.is_off(loaner);
            let state = match self.second_round {
                false => State::Later,
                true if self.loaners[loaner].failed > 0 => State::Through,
                true => State::Missing,
            };
            self.put(loaner, state);
        }
    }

    fn first_round_is_over(&self) -> bool {
        self.live.is_empty() && self.off.is_empty() && self.here.is_empty()
    }

    fn begin_second_round(&mut self) {
        self.second_round = true;
        for loaner in std::mem::take(&mut self.later) {
            self.put(loaner, State::Off);
        }
    }

    /// Without an adapter nobody comes in range any more.
    fn no_way_to_the_air(&self) -> bool {
        self.adapters.iter().all(|busy| *busy == Busy::Gone)
    }

    fn give_the_air_up(&mut self) {
        for loaner in 0..self.loaners.len() {
            let one = &self.loaners[loaner];
            let waits = matches!(
                one.state,
                State::Off | State::Asked(_) | State::InRange(_) | State::Later
            );
            if one.place == Place::Air && waits {
                let state = self.given_up(loaner);
                self.is_off(loaner);
                self.put(loaner, state);
            }
        }
    }
}

impl State {
    fn is_over(self) -> bool {
        matches!(self, State::Through | State::Missing | State::NotTried)
    }
}
