//! An evening with a shelf in virtual time: the schedule of `loaners` against a made-up boathouse,
//! and a picture of it.
//!
//! `cargo run --example schedule -- ADAPTERS POWERED` prints the evening of 24 loaners that open
//! their networks 60 s after each start. Nothing waits, and no clock is asked.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt::Write as _,
};

use linkmend::{
    loaners::schedule::{Away, Do, Place, Rules, Schedule, Stage, Tried, Window},
    terms::output::loaners::{ShelfStep, SpanOut},
};

/// What the boathouse does.
#[derive(Debug, Clone)]
struct Boathouse {
    places: Vec<Place>,
    rules: Rules,
    /// The wait after each start, in s.
    wait_s: f64,
    /// The session before the restart and the one after it, in s.
    sessions_s: (f64, f64),
    /// Those that never open a network.
    dead: Vec<usize>,
    /// Those whose first try fails, and whether the second does as well.
    failing: BTreeMap<usize, bool>,
    /// How long the person takes for what they are told, in s.
    slow_s: f64,
    /// Those that show no BSSID that the shelf knows: they have to be looked at.
    nameless: Vec<usize>,
}

/// What came of an evening.
#[derive(Debug)]
struct Evening {
    took_s: f64,
    spans: Vec<Vec<SpanOut>>,
    stages: Vec<Stage>,
    sessions: Vec<u32>,
    most_powered: usize,
    /// How many were back without anybody having missed them.
    unseen: u32,
    /// For how long all of them together were powered, in s.
    powered_s: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Event {
    SwitchedOn(usize),
    SwitchedOff(usize),
    Opens(usize, u32),
    Looked(usize),
    /// An adapter has looked around; it began then.
    LookedAround(usize, f64),
    Restarts(usize),
    Ends(usize),
    /// One that restarted at that try is awaited no more.
    GivenUp(usize, u32),
    Wakes,
}

/// A span under way: what, since when, through which adapter.
type Open = Option<(ShelfStep, f64, Option<usize>)>;

/// An evening under way.
struct Night<'a> {
    house: &'a Boathouse,
    schedule: Schedule,
    events: Vec<(f64, Event)>,
    is_on: Vec<bool>,
    /// A start makes what an earlier one promised void.
    starts: Vec<u32>,
    since: Vec<Open>,
    holds: BTreeMap<usize, usize>,
    through: Vec<u32>,
    /// The adapters that look around.
    listens: BTreeSet<usize>,
    /// Since when those are away that restart.
    away_s: BTreeMap<usize, f64>,
    /// Those that were missed while they were away.
    missed: BTreeSet<usize>,
    /// Since when each adapter has nothing to do, and the spans of before.
    idle: Vec<Option<f64>>,
    idles: Vec<(f64, f64)>,
    came: Evening,
    now_s: f64,
}

/// One evening from its start to its end. It holds everything against the rules on its way.
fn evening(house: &Boathouse) -> Evening {
    let count = house.places.len();
    let mut night = Night {
        house,
        schedule: Schedule::new(house.rules.clone(), &house.places),
        events: vec![(0.0, Event::Wakes)],
        is_on: vec![false; count],
        starts: vec![0; count],
        since: vec![None; count],
        holds: BTreeMap::new(),
        through: vec![0; count],
        listens: BTreeSet::new(),
        away_s: BTreeMap::new(),
        missed: BTreeSet::new(),
        idle: vec![None; house.rules.adapters],
        idles: Vec::new(),
        came: Evening {
            took_s: 0.0,
            spans: vec![Vec::new(); count],
            stages: Vec::new(),
            sessions: vec![0; count],
            most_powered: 0,
            unseen: 0,
            powered_s: 0.0,
        },
        now_s: 0.0,
    };
    let mut steps = 0;
    while !night.schedule.is_over() {
        steps += 1;
        assert!(steps < 100_000, "it does not end: {house:?}");
        night.goes_on();
    }
    let schedule = &night.schedule;
    night.came.took_s = night.now_s;
    night.came.stages = (0..count).map(|one| schedule.stage(one)).collect();
    night.came
}

impl Night<'_> {
    /// Until the next event, and what follows from that.
    fn goes_on(&mut self) {
        let all = &self.events;
        let next = (0..all.len()).min_by(|a, b| all[*a].0.total_cmp(&all[*b].0));
        let (at_s, event) = self.events.remove(next.expect("somebody is waited for"));
        let on = self.is_on.iter().filter(|on| **on).count();
        let on = f64::from(u32::try_from(on).expect("few"));
        self.came.powered_s += (at_s - self.now_s) * on;
        self.now_s = at_s;
        self.happens(event);
        for todo in self.schedule.next(at_s) {
            self.does(todo);
        }
        self.note_idle();
        let powered = self.schedule.powered();
        self.came.most_powered = self.came.most_powered.max(powered);
        if let Some(wake_s) = self.schedule.wake_s(at_s) {
            let mut wakes = self.events.iter().filter(|(_, one)| *one == Event::Wakes);
            if !wakes.any(|(at, _)| *at <= wake_s) {
                self.events.push((wake_s.max(at_s), Event::Wakes));
            }
        }
    }

    fn after(&mut self, wait_s: f64, event: Event) {
        self.events.push((self.now_s + wait_s, event));
    }

    fn happens(&mut self, event: Event) {
        let house = self.house;
        match event {
            Event::SwitchedOn(one) => {
                self.is_on[one] = true;
                self.starts[one] += 1;
                self.since[one] = Some((ShelfStep::Waiting, self.now_s, None));
                if !house.dead.contains(&one) {
                    self.after(house.wait_s, Event::Opens(one, self.starts[one]));
                }
            }
            Event::SwitchedOff(one) => {
                self.is_on[one] = false;
                self.starts[one] += 1;
                self.schedule.unheard_unknown(point(one));
            }
            Event::Opens(one, start) if start == self.starts[one] => {
                self.step(one, ShelfStep::InRange, None);
                let first = self.schedule.stage(one) != Stage::Restarting;
                if house.nameless.contains(&one) && first {
                    self.schedule.heard_unknown(point(one), self.now_s);
                } else {
                    self.schedule.heard(one, self.now_s);
                }
            }
            Event::Looked(one) => {
                if self.schedule.turned_out(point(one), Some(one), self.now_s) {
                    self.begins(one, false);
                } else {
                    self.holds.remove(&one);
                }
            }
            Event::LookedAround(adapter, begin_s) => {
                self.listens.remove(&adapter);
                for one in self.is_away(begin_s) {
                    self.missed.insert(one);
                    self.schedule.missed(one);
                }
                self.schedule.looked_around(adapter);
            }
            Event::Restarts(one) => {
                self.holds.remove(&one).expect("it was held");
                self.step(one, ShelfStep::Restarting, None);
                self.schedule.let_go(one, false, self.now_s);
                self.away_s.insert(one, self.now_s);
                self.missed.remove(&one);
                self.starts[one] += 1;
                self.after(house.wait_s, Event::Opens(one, self.starts[one]));
                let given_up = Event::GivenUp(one, self.came.sessions[one]);
                self.after(2.0 * house.wait_s + 30.0, given_up);
            }
            Event::GivenUp(one, session) => {
                let waits = self.schedule.stage(one) == Stage::Restarting;
                if waits && session == self.came.sessions[one] {
                    self.schedule.ended(one, Tried::Failed, self.now_s);
                }
            }
            Event::Ends(one) => self.ends(one),
            Event::Opens(..) | Event::Wakes => {}
        }
    }

    fn ends(&mut self, one: usize) {
        self.holds.remove(&one);
        let how = match self.house.failing.get(&one) {
            Some(false) if self.came.sessions[one] > 1 => Tried::Well,
            Some(_) => Tried::Failed,
            None => Tried::Well,
        };
        self.through[one] += u32::from(how == Tried::Well);
        assert!(self.through[one] <= 1, "{one} is through twice");
        self.step(one, ShelfStep::Through, None);
        self.schedule.ended(one, how, self.now_s);
    }

    fn does(&mut self, todo: Do) {
        match todo {
            Do::Power { on, off } => {
                // Who comes in range late, and unasked by then, is beyond it.
                let allowed = on.is_empty() || self.schedule.powered() <= self.house.rules.powered;
                assert!(allowed, "{:?}", self.house);
                for one in off {
                    self.after(self.house.slow_s, Event::SwitchedOff(one));
                }
                for one in on {
                    self.after(self.house.slow_s, Event::SwitchedOn(one));
                }
            }
            Do::Take {
                loaner,
                adapter,
                back,
            } => {
                self.hold(loaner, adapter);
                let step = if back {
                    ShelfStep::Proving
                } else {
                    ShelfStep::Writing
                };
                self.step(loaner, step, adapter);
                self.begins(loaner, back);
            }
            Do::Listen { adapter } => {
                let is_held = self.holds.values().any(|held| *held == adapter);
                assert!(!is_held, "{adapter} has one");
                assert!(self.listens.insert(adapter), "{adapter} listens");
                self.after(LOOK_S, Event::LookedAround(adapter, self.now_s));
            }
            Do::Look { point, adapter } => {
                let one = usize::try_from(point).expect("few");
                self.hold(one, Some(adapter));
                self.step(one, ShelfStep::Joining, Some(adapter));
                self.after(1.0, Event::Looked(one));
            }
        }
    }

    /// No adapter holds two, and no loaner is held through two.
    fn hold(&mut self, loaner: usize, adapter: Option<usize>) {
        let needs_none = self.house.places[loaner] == Place::Here;
        assert_eq!(adapter.is_none(), needs_none);
        let adapter = adapter.unwrap_or(usize::MAX);
        assert!(!self.holds.contains_key(&loaner), "{loaner} is held");
        let is_held = |other: &usize| *other == adapter && adapter != usize::MAX;
        assert!(!self.holds.values().any(is_held), "{adapter} has one");
        assert!(!self.listens.contains(&adapter), "{adapter} listens");
        self.holds.insert(loaner, adapter);
    }

    /// Those that are away since then at least, as a look around would miss them.
    fn is_away(&self, begin_s: f64) -> Vec<usize> {
        let away = self.away_s.iter().filter(|(one, since_s)| {
            self.schedule.stage(**one) == Stage::Restarting && **since_s + UNSURE_S <= begin_s
        });
        away.map(|(one, _)| *one).collect()
    }

    /// Whether an adapter that had nothing to do had the time to miss one that was away.
    fn was_missed_idly(&self, loaner: usize) -> bool {
        let from_s = self.away_s[&loaner] + UNSURE_S;
        let under_way = self.idle.iter().flatten().map(|from| (*from, self.now_s));
        let mut all = self.idles.iter().copied().chain(under_way);
        all.any(|(begun_s, ended_s)| ended_s - begun_s.max(from_s) >= LOOK_S)
    }

    /// Notes since when each adapter has nothing to do.
    fn note_idle(&mut self) {
        for (adapter, idle) in self.idle.iter_mut().enumerate() {
            let is_held = self.holds.values().any(|held| *held == adapter);
            if is_held || self.listens.contains(&adapter) {
                self.idles
                    .extend(idle.take().map(|from| (from, self.now_s)));
            } else {
                idle.get_or_insert(self.now_s);
            }
        }
    }

    fn begins(&mut self, loaner: usize, back: bool) {
        if back {
            let is_missed = self.missed.contains(&loaner) || self.was_missed_idly(loaner);
            self.came.unseen += u32::from(!is_missed);
            return self.after(self.house.sessions_s.1, Event::Ends(loaner));
        }
        self.came.sessions[loaner] += 1;
        let fails = match self.house.failing.get(&loaner) {
            Some(twice) => *twice || self.came.sessions[loaner] == 1,
            None => false,
        };
        // What is reached without an adapter keeps its place while it restarts.
        let whole = fails || self.house.places[loaner] == Place::Here;
        let then = if whole {
            Event::Ends(loaner)
        } else {
            Event::Restarts(loaner)
        };
        self.after(self.house.sessions_s.0, then);
    }

    /// Closes the span that a loaner is in, and begins another.
    fn step(&mut self, loaner: usize, step: ShelfStep, adapter: Option<usize>) {
        let next = (step != ShelfStep::Through).then_some((step, self.now_s, adapter));
        if let Some((step, from_s, adapter)) = std::mem::replace(&mut self.since[loaner], next) {
            self.came.spans[loaner].push(SpanOut {
                step,
                from_s,
                to_s: self.now_s,
                adapter: adapter.map(|number| format!("wlan{number}")),
            });
        }
    }
}

/// The access point of a loaner, as a number.
fn point(loaner: usize) -> u64 {
    u64::try_from(loaner).expect("few")
}

/// A line a loaner, a sign every so many seconds: `.` waits for its window, `:` waits for an
/// adapter, a number is the adapter that it is on, `~` restarts.
fn picture(came: &Evening, every_s: f64) -> String {
    let mut text = String::new();
    for (number, spans) in came.spans.iter().enumerate() {
        let _ = write!(text, "{:>3} ", number + 1);
        let mut at_s = every_s / 2.0;
        let mut line = String::new();
        while at_s < came.took_s {
            let span = spans
                .iter()
                .find(|span| span.from_s <= at_s && at_s < span.to_s);
            line.push(match span {
                None => ' ',
                Some(span) => match (&span.adapter, span.step) {
                    (Some(adapter), _) => adapter.chars().last().unwrap_or('?'),
                    (None, ShelfStep::Restarting) => '~',
                    (None, ShelfStep::InRange) => ':',
                    (None, _) => '.',
                },
            });
            at_s += every_s;
        }
        let _ = writeln!(text, "{}", line.trim_end());
    }
    let _ = writeln!(
        text,
        "a sign is {every_s} s; it took {} s, at most {} powered, {} s powered in all",
        came.took_s, came.most_powered, came.powered_s
    );
    text
}

/// How long a look around takes, and how long after one went it has to begin, in s.
const LOOK_S: f64 = 3.0;
const UNSURE_S: f64 = 1.0;

fn away(least_s: f64) -> Away {
    Away {
        least_s,
        // One that is under way has to end first.
        look_s: LOOK_S + 1.0,
        unsure_s: UNSURE_S,
    }
}

/// 24 loaners with a wait of 60 s, and sessions of 12 s and 8 s.
fn shelf(adapters: usize, powered: usize) -> Boathouse {
    Boathouse {
        places: vec![Place::Air; 24],
        rules: Rules {
            adapters,
            at_once: 1,
            powered,
            stop_after: None,
            window: Window {
                from_s: 60.0,
                to_s: 60.0,
                grace_s: 30.0,
            },
            session_s: 20.0,
            away: away(60.0),
        },
        wait_s: 60.0,
        sessions_s: (12.0, 8.0),
        dead: Vec::new(),
        failing: BTreeMap::new(),
        slow_s: 0.0,
        nameless: Vec::new(),
    }
}

fn main() {
    let mut words = std::env::args()
        .skip(1)
        .filter_map(|word| word.parse().ok());
    let (adapters, powered) = (words.next().unwrap_or(1), words.next().unwrap_or(24));
    let text = picture(&evening(&shelf(adapters, powered)), 10.0);
    // A closed pipe is nobody's fault.
    let _ = std::io::Write::write_all(&mut std::io::stdout(), text.as_bytes());
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// How many sessions of an adapter and how many waits an evening of the issue may take.
    fn bound_s(sessions: f64, waits: f64) -> f64 {
        sessions * 20.0 + waits * 60.0
    }

    #[test]
    fn twenty_four_loaners_take_their_sessions_and_three_waits() {
        for (adapters, sessions) in [(1, 24.0), (2, 12.0)] {
            for (before, after) in [(12.0, 8.0), (10.0, 10.0), (3.0, 17.0), (17.0, 3.0)] {
                let mut house = shelf(adapters, 24);
                house.sessions_s = (before, after);
                let came = evening(&house);
                let bound = bound_s(sessions, 3.0);
                let took = came.took_s;
                assert!(took <= bound, "{took} s, not {bound} s, {house:?}");
                assert!(came.stages.iter().all(|stage| *stage == Stage::Through));
                assert!(came.sessions.iter().all(|sessions| *sessions == 1));
            }
        }
    }

    #[test]
    fn waits_overlap_where_eight_may_be_powered_and_fourteen_for_two_adapters() {
        for (adapters, powered, sessions) in [(1, 8, 24.0), (2, 14, 12.0)] {
            let came = evening(&shelf(adapters, powered));
            let bound = bound_s(sessions, 3.0);
            assert!(came.took_s <= bound, "{} s, not {bound} s", came.took_s);
            assert!(came.most_powered <= powered);
        }
    }

    #[test]
    fn each_that_restarts_is_missed_before_it_is_back() {
        for adapters in [1, 2, 3] {
            for (wait_s, before_s, after_s) in
                [(60.0, 12.0, 8.0), (10.0, 1.2, 0.8), (12.0, 4.0, 1.0)]
            {
                let mut house = shelf(adapters, 24);
                house.wait_s = wait_s;
                house.rules.away = away(wait_s);
                house.sessions_s = (before_s, after_s);
                let came = evening(&house);
                assert_eq!(came.unseen, 0, "{adapters} adapters, {wait_s} s: {came:?}");
                assert!(came.stages.iter().all(|stage| *stage == Stage::Through));
            }
        }
    }

    #[test]
    fn one_that_never_goes_is_looked_for_twice_and_keeps_nobody_back() {
        let mut schedule = Schedule::new(shelf(1, 24).rules, &[Place::Air; 3]);
        for one in 0..3 {
            schedule.heard(one, 0.0);
        }
        assert!(matches!(schedule.next(0.0)[0], Do::Take { loaner: 0, .. }));
        schedule.let_go(0, false, 58.0);
        let mut looks = 0;
        let mut now_s = 58.0;
        loop {
            match schedule.next(now_s).first() {
                Some(Do::Listen { adapter }) => {
                    looks += 1;
                    now_s += 1.0;
                    schedule.looked_around(*adapter);
                }
                Some(Do::Take { loaner, .. }) => {
                    assert_eq!(*loaner, 1);
                    break;
                }
                _ => now_s = schedule.wake_s(now_s).expect("it wakes"),
            }
        }
        assert_eq!(looks, 2);
        schedule.let_go(1, true, now_s + 58.0);
        let next = schedule.next(now_s + 58.0);
        let takes = next
            .iter()
            .any(|one| matches!(one, Do::Take { loaner: 2, .. }));
        assert!(
            takes,
            "one that was seen to go need not be missed: {next:?}"
        );
    }

    #[test]
    fn none_is_powered_sooner_than_it_is_of_use() {
        let came = evening(&shelf(1, 24));
        // All at once, each would be powered for half of the evening: 24 × 570 s / 2.
        assert!(came.powered_s < 24.0 * 300.0, "{} s", came.powered_s);
        assert!(came.most_powered < 16, "{}", came.most_powered);
    }

    #[test]
    fn one_at_a_time_is_slow_and_ends() {
        let came = evening(&shelf(1, 1));
        // Nothing overlaps: 24 times both waits and both sessions.
        assert!((came.took_s - 24.0 * 140.0).abs() < 1.0, "{}", came.took_s);
        assert_eq!(came.most_powered, 1);
    }

    #[test]
    fn a_dead_one_is_tried_again_at_the_end_and_keeps_nobody_back() {
        let mut house = shelf(1, 8);
        house.dead = vec![2];
        house.failing = BTreeMap::from([(5, false), (7, true)]);
        let came = evening(&house);
        assert_eq!(came.stages[2], Stage::Missing);
        assert_eq!((came.sessions[5], came.sessions[7]), (2, 2));
        let others = came.sessions.iter().enumerate();
        assert!(
            others
                .filter(|(n, _)| ![2, 5, 7].contains(n))
                .all(|(_, s)| *s == 1)
        );
        let last_first = came
            .spans
            .iter()
            .flatten()
            .filter(|span| span.step == ShelfStep::Writing);
        let again = came.spans[5]
            .iter()
            .rfind(|span| span.step == ShelfStep::Writing);
        let again = again.expect("tried twice").from_s;
        let before = last_first.filter(|span| span.from_s < again).count();
        assert!(before >= 23, "{before} were begun before the second try");
    }

    #[test]
    fn so_many_failures_stop_it_and_what_is_under_way_goes_on() {
        let mut house = shelf(1, 8);
        house.rules.stop_after = Some(2);
        house.failing = (0..24).map(|one| (one, true)).collect();
        house.failing.remove(&0);
        let came = evening(&house);
        assert_eq!(came.stages[0], Stage::Through);
        assert_eq!(came.sessions.iter().sum::<u32>(), 3);
        let untried = came
            .stages
            .iter()
            .filter(|s| **s == Stage::NotTried)
            .count();
        assert_eq!(untried, 21);
    }

    #[test]
    fn picture_is_of_the_spans() {
        let mut house = shelf(1, 2);
        house.places = vec![Place::Air, Place::Air, Place::Left];
        house.sessions_s = (20.0, 10.0);
        let text = picture(&evening(&house), 10.0);
        let expected = "  1 ......00~~~~~~0\n  2   ......00~~~~~~0\n  3\n";
        let rows: Vec<&str> = text.lines().take(3).map(str::trim_end).collect();
        let expected: Vec<&str> = expected.lines().collect();
        assert_eq!(rows, expected);
    }

    proptest! {
        #![proptest_config(ProptestConfig {
            failure_persistence: None,
            ..ProptestConfig::default()
        })]

        #[test]
        fn every_evening_ends_with_all_counted(
            kinds in prop::collection::vec((0_u8..8, any::<bool>(), any::<bool>()), 1..40),
            adapters in 1_usize..4,
            at_once in 1_usize..5,
            powered in 1_usize..12,
            stop_after in prop::option::of(1_usize..6),
            wait_s in 1.0_f64..90.0,
            told_wait_s in 1.0_f64..90.0,
            before_s in 0.5_f64..40.0,
            after_s in 0.5_f64..40.0,
            slow_s in 0.0_f64..40.0,
        ) {
            let numbers = |kind: u8| {
                let all = kinds.iter().enumerate();
                all.filter(move |(_, one)| one.0 == kind).map(|(number, _)| number)
            };
            let house = Boathouse {
                places: kinds
                    .iter()
                    .map(|(kind, here, _)| match (kind, here) {
                        (7, _) => Place::Left,
                        (_, true) => Place::Here,
                        _ => Place::Air,
                    })
                    .collect(),
                rules: Rules {
                    adapters,
                    at_once,
                    powered,
                    stop_after,
                    window: Window { from_s: told_wait_s, to_s: told_wait_s, grace_s: 30.0 },
                    session_s: 20.0,
                    away: away(told_wait_s),
                },
                wait_s,
                sessions_s: (before_s, after_s),
                dead: numbers(1).collect(),
                failing: numbers(2).map(|one| (one, kinds[one].2)).collect(),
                slow_s,
                nameless: numbers(3).filter(|one| !kinds[*one].1).collect(),
            };
            let came = evening(&house);
            for (number, stage) in came.stages.iter().enumerate() {
                let is_over = matches!(stage, Stage::Through | Stage::Missing | Stage::NotTried);
                prop_assert!(is_over, "{number} is {stage:?}");
                prop_assert!(came.sessions[number] <= 2);
                let is_left = house.places[number] == Place::Left;
                if is_left || stop_after.is_none() {
                    prop_assert_eq!(is_left, *stage == Stage::NotTried);
                }
                let is_dead = house.dead.contains(&number) && house.places[number] == Place::Air;
                if is_dead {
                    prop_assert_ne!(*stage, Stage::Through);
                }
            }
        }
    }
}
