//! Whether a device is there, how long it has been on, and what a restart and the loss of its power
//! do to both.
//!
//! Times are counted from the start of the simulation and handed in, so that all of this is
//! tested without waiting. `speed` shortens how long a device is gone, and the uptime is always time
//! that really passed: who compares it with a clock of its own is not lied to at any speed.

use std::time::Duration;

use crate::{air::Why, family::Waits, seed::Seed};

/// Uptime of a device when the simulation starts: the 83 s of FAMILIES.md.
const AWAKE_AT_START: Duration = Duration::from_secs(83);

/// The power side of one device.
#[derive(Debug, Clone)]
pub(crate) struct Power {
    state: State,
    /// What the last start came from.
    cause: Why,
    /// When the present count of the uptime began, and what it began with.
    since: Duration,
    base: Duration,
    boots: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Up,
    /// It is to go.
    Going(Restart),
    /// It is to be back.
    Gone(Restart),
    /// Without power.
    Off,
}

/// A turn in the life of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Turn {
    /// Its network went.
    Gone,
    /// Its network is there again, after this restart.
    Back(Restart),
}

/// When a restart begins and ends, in time of the simulation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Restart {
    pub(crate) at: Duration,
    pub(crate) until: Duration,
}

impl Restart {
    /// How long the device is gone.
    pub(crate) fn gone(self) -> Duration {
        self.until.saturating_sub(self.at)
    }
}

impl Power {
    /// A device that has been on for a while when the simulation starts.
    pub(crate) fn on() -> Self {
        Self {
            state: State::Up,
            cause: Why::Power,
            since: Duration::ZERO,
            base: AWAKE_AT_START,
            boots: 0,
        }
    }

    /// A device that is powered up when the simulation starts.
    pub(crate) fn cold(waits: &Waits, speed: f64, seed: &mut Seed) -> Self {
        let at = Duration::ZERO;
        Self {
            state: State::Gone(start(at, waits, speed, seed)),
            cause: Why::Power,
            since: at,
            base: Duration::ZERO,
            boots: 0,
        }
    }

    /// Starts the count of the uptime anew, as of a device that was powered up at `at`.
    pub(crate) fn count_from(&mut self, at: Duration) {
        self.since = at;
        self.base = Duration::ZERO;
    }

    /// Plans a restart that begins at `at`; none when one is under way already.
    pub(crate) fn restart(
        &mut self,
        at: Duration,
        cause: Why,
        waits: &Waits,
        speed: f64,
        seed: &mut Seed,
    ) -> Option<Restart> {
        if self.state != State::Up {
            return None;
        }
        let restart = start(at, waits, speed, seed);
        self.cause = cause;
        self.state = State::Going(restart);
        Some(restart)
    }

    /// Takes its power; whether it had any.
    pub(crate) fn off(&mut self) -> bool {
        self.cause = Why::Power;
        std::mem::replace(&mut self.state, State::Off) != State::Off
    }

    /// Gives it power at `at`; whether it had none.
    pub(crate) fn power_up(
        &mut self,
        at: Duration,
        waits: &Waits,
        speed: f64,
        seed: &mut Seed,
    ) -> bool {
        let was_off = self.state == State::Off;
        if was_off {
            self.state = State::Gone(start(at, waits, speed, seed));
            self.blink(at);
        }
        was_off
    }

    /// A restart that is over in no time.
    pub(crate) fn blink(&mut self, at: Duration) {
        self.count_from(at);
        self.boots += 1;
    }

    /// The next turn that is due at `now`; call until there is none.
    pub(crate) fn turn(&mut self, now: Duration) -> Option<Turn> {
        match self.state {
            State::Going(restart) if now >= restart.at => {
                self.state = State::Gone(restart);
                self.count_from(restart.at);
                self.boots += 1;
                Some(Turn::Gone)
            }
            State::Gone(restart) if now >= restart.until => {
                self.state = State::Up;
                Some(Turn::Back(restart))
            }
            _ => None,
        }
    }

    /// When the next turn is due; none: never by itself.
    pub(crate) fn due(&self) -> Option<Duration> {
        match self.state {
            State::Up | State::Off => None,
            State::Going(restart) => Some(restart.at),
            State::Gone(restart) => Some(restart.until),
        }
    }

    /// Whether it has power.
    pub(crate) fn has_power(&self) -> bool {
        self.state != State::Off
    }

    /// Why it is not there: without power, or its wait since its start is not over; right as of the
    /// last [`turn`](Self::turn).
    pub(crate) fn down(&self) -> Option<Why> {
        matches!(self.state, State::Gone(_) | State::Off).then_some(self.cause)
    }

    /// Time since its last start, as it says itself: the wait for its network is part of it.
    pub(crate) fn awake(&self, now: Duration) -> Duration {
        self.base + now.saturating_sub(self.since)
    }

    /// Starts since the simulation started.
    pub(crate) fn boots(&self) -> u64 {
        self.boots
    }
}

/// A start at `at` that ends with its wait.
fn start(at: Duration, waits: &Waits, speed: f64, seed: &mut Seed) -> Restart {
    Restart {
        at,
        until: at + waits.draw(speed, seed),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WAITS: Waits = Waits {
        from: Duration::from_secs(40),
        to: Duration::from_secs(55),
    };

    fn secs(count: u64) -> Duration {
        Duration::from_secs(count)
    }

    /// Lets it restart at `at`, until it is back.
    fn restarted(power: &mut Power, at: Duration, speed: f64, seed: &mut Seed) -> Restart {
        let restart = power
            .restart(at, Why::Restart, &WAITS, speed, seed)
            .expect("it was up");
        assert_eq!(power.turn(restart.at), Some(Turn::Gone));
        assert_eq!(power.turn(restart.until), Some(Turn::Back(restart)));
        restart
    }

    #[test]
    fn restart_goes_and_comes_back_after_the_wait_divided_by_the_speed() {
        let mut power = Power::on();
        let mut seed = Seed::stream(1, "waits");
        let restart = power
            .restart(secs(3), Why::Restart, &WAITS, 10.0, &mut seed)
            .expect("it was up");
        assert_eq!(restart.at, secs(3));
        assert!(
            (secs(7)..=Duration::from_millis(8_500)).contains(&restart.until),
            "{restart:?}"
        );
        assert_eq!(power.turn(secs(2)), None);
        assert_eq!(power.down(), None);
        assert_eq!(power.turn(secs(3)), Some(Turn::Gone));
        assert!(power.down().is_some());
        assert_eq!(power.turn(secs(4)), None);
        assert_eq!(power.turn(secs(20)), Some(Turn::Back(restart)));
        assert_eq!(power.down(), None);
        assert_eq!(power.turn(secs(20)), None);
        assert_eq!(power.boots(), 1);
    }

    #[test]
    fn awake_is_83_s_at_the_start_of_the_simulation_and_goes_on_until_the_restart_begins() {
        let mut power = Power::on();
        let mut seed = Seed::stream(1, "waits");
        assert_eq!(power.awake(secs(0)), secs(83));
        assert_eq!(power.awake(secs(2)), secs(85));
        assert!(
            power
                .restart(secs(5), Why::Restart, &WAITS, 1.0, &mut seed)
                .is_some()
        );
        assert_eq!(power.awake(secs(4)), secs(87));
    }

    #[test]
    fn awake_is_the_real_time_since_the_restart_began_at_any_speed() {
        for speed in [0.5, 1.0, 10.0, 1000.0] {
            let mut power = Power::on();
            let mut seed = Seed::stream(1, "waits");
            let mut now = secs(3);
            for _ in 0..3 {
                let restart = restarted(&mut power, now, speed, &mut seed);
                let gone = restart.gone();
                assert_eq!(restart.until, now + gone);
                let wait = (gone.as_secs_f64() * speed).round();
                assert!((40.0..=55.0).contains(&wait), "{gone:?}");
                assert_eq!(power.awake(restart.until), gone, "speed {speed}");
                now = restart.until + secs(2);
                assert_eq!(power.awake(now), gone + secs(2), "speed {speed}");
            }
        }
    }

    #[test]
    fn waits_are_drawn_from_the_whole_range_also_right_after_a_restart() {
        let mut power = Power::on();
        let mut seed = Seed::stream(1, "waits");
        let mut now = secs(3);
        let mut waits = Vec::new();
        for _ in 0..50 {
            let restart = restarted(&mut power, now, 1.0, &mut seed);
            waits.push(restart.gone());
            now = restart.until;
        }
        assert!(
            waits
                .iter()
                .all(|wait| (secs(40)..=secs(55)).contains(wait))
        );
        assert!(waits.iter().any(|wait| *wait < secs(43)), "{waits:?}");
        assert!(waits.iter().any(|wait| *wait > secs(52)), "{waits:?}");
    }

    #[test]
    fn second_request_during_a_restart_plans_no_second_one() {
        let mut power = Power::on();
        let mut seed = Seed::stream(1, "waits");
        assert!(
            power
                .restart(secs(1), Why::Restart, &WAITS, 1.0, &mut seed)
                .is_some()
        );
        assert!(
            power
                .restart(secs(1), Why::Restart, &WAITS, 1.0, &mut seed)
                .is_none()
        );
    }

    #[test]
    fn without_power_it_is_gone_for_good_and_with_it_after_the_whole_wait() {
        let mut power = Power::on();
        let mut seed = Seed::stream(1, "waits");
        // In the middle of a restart, which is forgotten with its power.
        let restart = power.restart(secs(3), Why::Restart, &WAITS, 1.0, &mut seed);
        assert!(restart.is_some());
        assert_eq!(power.turn(secs(3)), Some(Turn::Gone));
        assert!(power.off());
        assert!(!power.off(), "it had none");
        assert_eq!(power.due(), None);
        assert_eq!(power.turn(secs(500)), None);
        assert_eq!(power.down(), Some(Why::Power));
        assert!(power.power_up(secs(600), &WAITS, 1.0, &mut seed));
        assert!(!power.power_up(secs(601), &WAITS, 1.0, &mut seed));
        assert_eq!(power.awake(secs(610)), secs(10));
        let due = power.due().expect("its network is to open");
        assert!((secs(640)..=secs(655)).contains(&due), "{due:?}");
        assert!(power.down().is_some());
        assert!(matches!(power.turn(due), Some(Turn::Back(_))));
        assert_eq!(power.down(), None);
        assert_eq!(power.boots(), 2);
    }

    #[test]
    fn cold_start_counts_from_the_start_of_the_simulation() {
        let mut seed = Seed::stream(1, "waits");
        let mut power = Power::cold(&WAITS, 10.0, &mut seed);
        assert_eq!(power.down(), Some(Why::Power));
        assert_eq!(power.awake(secs(2)), secs(2));
        let due = power.due().expect("its network is to open");
        assert!((secs(4)..=Duration::from_millis(5_500)).contains(&due));
        assert!(matches!(power.turn(due), Some(Turn::Back(_))));
        assert_eq!((power.down(), power.boots()), (None, 0));
    }
}
