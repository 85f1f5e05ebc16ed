//! Whether those that restart are missed while they are away: an adapter that would be busy until one
//! is back looks around first.

use super::{Busy, Schedule, State};

/// How one that restarts is missed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Away {
    /// How long it is away at least, in s.
    pub least_s: f64,
    /// How long a look around takes, in s.
    pub look_s: f64,
    /// How long after it went a look around has to begin to count, in s: what was heard then may be
    /// told a little late.
    pub unsure_s: f64,
}

/// How often it is looked for: one that never went is heard each time. A choice of ours.
const LOOKS: u8 = 2;

/// One that is away, and whether it was missed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Missed {
    since_s: f64,
    seen_to_go: bool,
    looks: u8,
    /// The adapter that looks for it now.
    by: Option<usize>,
}

impl Missed {
    pub(super) fn new(since_s: f64, seen_to_go: bool) -> Self {
        Self {
            since_s,
            seen_to_go,
            looks: 0,
            by: None,
        }
    }

    /// It was seen to go, and need not be missed.
    pub(super) fn seen(since_s: f64) -> Self {
        Self::new(since_s, true)
    }
}

impl Schedule {
    /// A loaner that restarts was missed.
    pub fn missed(&mut self, loaner: usize) {
        if let State::Away(away) = &mut self.loaners[loaner].state {
            away.seen_to_go = true;
        }
    }

    /// An adapter has looked around, or could not.
    pub fn looked_around(&mut self, adapter: usize) {
        if self.adapters[adapter] == Busy::Listens {
            self.adapters[adapter] = Busy::Free;
        }
        for away in self.away_mut() {
            if away.by == Some(adapter) {
                away.by = None;
            }
        }
    }

    /// When an adapter that is free is to look around before it takes anybody; none: there is nobody
    /// to take, or nobody has to be missed before that one's session would be over.
    pub(super) fn listens_next_s(&self, now_s: f64) -> Option<f64> {
        if !self.adapters.contains(&Busy::Free) {
            return None;
        }
        if self.next_in_range().is_none() && self.next_unknown().is_none() {
            return None;
        }
        let Away {
            least_s,
            look_s,
            unsure_s,
        } = self.rules.away;
        let free_s = now_s + self.seen_s.unwrap_or(self.session_s);
        let due = |away: &Missed| {
            let is_sought = !away.seen_to_go && away.by.is_none() && away.looks < LOOKS;
            let is_away = now_s < away.since_s + least_s;
            let is_late = free_s > away.since_s + least_s - look_s;
            (is_sought && is_away && is_late).then_some(away.since_s + unsure_s)
        };
        let away = self.live.iter().filter_map(|one| self.away_of(*one));
        away.filter_map(due).reduce(f64::min)
    }

    /// An adapter looks around from now on.
    pub(super) fn listen(&mut self, adapter: usize, now_s: f64) {
        self.adapters[adapter] = Busy::Listens;
        let unsure_s = self.rules.away.unsure_s;
        for away in self.away_mut() {
            if !away.seen_to_go && away.by.is_none() && away.since_s + unsure_s <= now_s {
                away.looks += 1;
                away.by = Some(adapter);
            }
        }
    }

    fn away_of(&self, loaner: usize) -> Option<&Missed> {
        match &self.loaners[loaner].state {
            State::Away(away) => Some(away),
            _ => None,
        }
    }

    fn away_mut(&mut self) -> impl Iterator<Item = &mut Missed> {
        self.loaners
            .iter_mut()
            .filter_map(|one| match &mut one.state {
                State::Away(away) => Some(away),
                _ => None,
            })
    }
}
