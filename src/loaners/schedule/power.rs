//! Which loaner is to be powered, and when: as many as the person allows, and none sooner than it
//! is of use.
//!
//! A loaner that waits powered gets hot. So one is powered when its window would open about when an
//! adapter gets through the others that wait, and not before.

use super::{Busy, Do, Schedule, State};

/// When a loaner's network opens after it is powered, in s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Earliest.
    pub from_s: f64,
    /// Latest.
    pub to_s: f64,
    /// How long after that it is given up for this round: the person may be slow, and the radio
    /// deaf for a scan or two.
    pub grace_s: f64,
}

impl Window {
    /// When one that did not come is given up, in s since it was to be powered.
    pub(super) fn late_s(&self) -> f64 {
        self.to_s + self.grace_s
    }
}

impl Schedule {
    /// Says who is to be powered now, and who to be switched off.
    pub(super) fn power(&mut self, now_s: f64, todo: &mut Vec<Do>) {
        let mut on = Vec::new();
        while let Some(loaner) = self.next_off() {
            if self.powers_next_in_s(now_s).is_none_or(|wait| wait > 0.0) {
                break;
            }
            self.put(loaner, State::Asked(now_s));
            self.is_on(loaner);
            on.push(loaner);
        }
        let off: Vec<usize> = std::mem::take(&mut self.to_be_off).into_iter().collect();
        if !on.is_empty() || !off.is_empty() {
            todo.push(Do::Power { on, off });
        }
    }

    /// In how many seconds the next is to be powered; none: not before something else happens.
    pub(super) fn powers_next_in_s(&self, now_s: f64) -> Option<f64> {
        if self.stopped || self.powered() >= self.rules.powered.max(1) {
            return None;
        }
        self.next_off()?;
        Some((self.free_s(now_s)? - self.rules.window.from_s - now_s).max(0.0))
    }

    /// The next that was neither powered nor heard, in the order of the file.
    fn next_off(&self) -> Option<usize> {
        self.off.first().copied()
    }

    /// When an adapter will have got through the first sessions of all that are powered; none:
    /// there is no adapter.
    fn free_s(&self, now_s: f64) -> Option<f64> {
        let free = |busy: &Busy| match busy {
            Busy::Gone => None,
            Busy::Free | Busy::LooksAt(_) | Busy::Listens => Some(now_s),
            Busy::With(loaner) => Some(match self.loaners[*loaner].state {
                State::Held { since_s, .. } => now_s.max(since_s + self.session_s),
                _ => now_s,
            }),
        };
        let mut adapters: Vec<f64> = self.adapters.iter().filter_map(free).collect();
        let ready = |one: &usize| match self.loaners[*one].state {
            State::Asked(at) => Some(now_s.max(at + self.rules.window.from_s)),
            State::InRange(_) => Some(now_s),
            _ => None,
        };
        let mut ready: Vec<f64> = self.live.iter().filter_map(ready).collect();
        ready.sort_by(f64::total_cmp);
        for ready_s in ready {
            let first = adapters.iter_mut().min_by(|a, b| a.total_cmp(b))?;
            *first = first.max(ready_s) + self.session_s;
        }
        adapters.into_iter().reduce(f64::min)
    }
}
