//! Whether a device is there, how long it has been on, and what a restart does to both.
//!
//! Times are counted from the start of the simulation and handed in, so that all of this is
//! tested without waiting. `speed` shortens how long a device is gone and nothing else: what it
//! says of its uptime is what a device at full length would say.

use std::time::Duration;

use crate::{family::Waits, seed::Seed};

/// Uptime of a device when the simulation starts: the 83 s of FAMILIES.md.
const AWAKE_AT_START: Duration = Duration::from_secs(83);

/// The power side of one device.
#[derive(Debug, Clone)]
pub(crate) struct Power {
    state: State,
    /// When the present count began, and what it began with.
    since: Duration,
    base: Duration,
    boots: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Up,
    /// It goes at `at`, and is back `gone` later.
    Going {
        at: Duration,
        gone: Duration,
        wait: Duration,
    },
    Gone {
        until: Duration,
        wait: Duration,
    },
}

/// A turn in the life of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Turn {
    /// Its network went.
    Gone,
    /// Its network is there again, after this unscaled wait, at this time of the simulation.
    Back { at: Duration, wait: Duration },
}

/// When a restart begins and ends, in time of the simulation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Restart {
    pub(crate) at: Duration,
    pub(crate) until: Duration,
}

impl Power {
    /// A device that has been on for a while when the simulation starts.
    pub(crate) fn on() -> Self {
        Self {
            state: State::Up,
            since: Duration::ZERO,
            base: AWAKE_AT_START,
            boots: 0,
        }
    }

    /// Starts the count anew, as of a device that opens its network at `at` after `wait`.
    pub(crate) fn opened(&mut self, at: Duration, wait: Duration) {
        self.state = State::Up;
        self.since = at;
        self.base = wait;
    }

    /// Plans a restart that begins at `at`; none when one is under way already.
    pub(crate) fn restart(
        &mut self,
        at: Duration,
        waits: &Waits,
        speed: f64,
        seed: &mut Seed,
    ) -> Option<Restart> {
        if self.state != State::Up {
            return None;
        }
        let wait = draw_wait(waits, self.awake(at), seed);
        let gone = wait.div_f64(speed);
        self.state = State::Going { at, gone, wait };
        Some(Restart {
            at,
            until: at + gone,
        })
    }

    /// The next turn that is due at `now`; call until there is none.
    pub(crate) fn turn(&mut self, now: Duration) -> Option<Turn> {
        match self.state {
            State::Going { at, gone, wait } if now >= at => {
                let until = at + gone;
                self.state = State::Gone { until, wait };
                self.boots += 1;
                Some(Turn::Gone)
            }
            State::Gone { until, wait } if now >= until => {
                self.opened(until, wait);
                Some(Turn::Back { at: until, wait })
            }
            _ => None,
        }
    }

    /// Whether it answers; right as of the last [`turn`](Self::turn).
    pub(crate) fn is_up(&self) -> bool {
        !matches!(self.state, State::Gone { .. })
    }

    /// Time since its last start, as it says itself.
    pub(crate) fn awake(&self, now: Duration) -> Duration {
        self.base + now.saturating_sub(self.since)
    }

    /// Restarts since the simulation started.
    pub(crate) fn boots(&self) -> u64 {
        self.boots
    }
}

/// Draws from the family's range. Where the range allows it, the wait stays a step below the
/// present uptime, so that the uptime of the return tells of the restart, as it nearly always
/// does with a person at the keys, also when a program restarts the device twice in a second.
fn draw_wait(waits: &Waits, awake: Duration, seed: &mut Seed) -> Duration {
    let below = awake.saturating_sub(waits.shown);
    if below >= waits.to {
        seed.time(waits.from, waits.to)
    } else {
        let top = below.max(waits.from);
        let bottom = top.saturating_sub(waits.shown).max(waits.from);
        seed.time(bottom, top)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WAITS: Waits = Waits {
        from: Duration::from_secs(40),
        to: Duration::from_secs(55),
        shown: Duration::from_secs(1),
    };

    fn secs(count: u64) -> Duration {
        Duration::from_secs(count)
    }

    #[test]
    fn restart_goes_comes_back_and_says_the_unscaled_wait() {
        let mut power = Power::on();
        let mut seed = Seed::stream(1, "waits");
        assert_eq!(power.awake(secs(2)), secs(85));
        let restart = power
            .restart(secs(3), &WAITS, 10.0, &mut seed)
            .expect("it was up");
        assert!(
            restart.until >= secs(7) && restart.until < secs(9),
            "{restart:?}"
        );
        assert_eq!(power.turn(secs(2)), None);
        assert!(power.is_up());
        assert_eq!(power.turn(secs(3)), Some(Turn::Gone));
        assert!(!power.is_up());
        assert_eq!(power.turn(secs(4)), None);
        let Some(Turn::Back { at, wait }) = power.turn(secs(20)) else {
            panic!("it is back")
        };
        assert_eq!(at, restart.until);
        assert!((secs(40)..=secs(55)).contains(&wait));
        assert_eq!(power.awake(at + secs(1)), wait + secs(1));
        assert_eq!(power.boots(), 1);
    }

    #[test]
    fn second_request_during_a_restart_plans_no_second_one() {
        let mut power = Power::on();
        let mut seed = Seed::stream(1, "waits");
        assert!(power.restart(secs(1), &WAITS, 1.0, &mut seed).is_some());
        assert!(power.restart(secs(1), &WAITS, 1.0, &mut seed).is_none());
    }

    #[test]
    fn shown_uptime_falls_with_each_of_several_quick_restarts() {
        for number in 0..50 {
            let mut power = Power::on();
            let mut seed = Seed::stream(number, "waits");
            let mut now = Duration::ZERO;
            for _ in 0..4 {
                let before = power.awake(now).as_secs();
                let restart = power
                    .restart(now, &WAITS, 1000.0, &mut seed)
                    .expect("it was up");
                now = restart.until;
                while power.turn(now).is_some() {}
                let after = power.awake(now).as_secs();
                assert!(after < before || before == 40, "{before} then {after}");
                assert!((40..=55).contains(&after));
            }
        }
    }
}
