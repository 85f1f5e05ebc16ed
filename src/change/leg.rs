//! One way of the device from one state to another: where it goes, how far it came, and whether a
//! restart was witnessed on it.

use super::{
    plan::{Plan, PlanLine, Wanted},
    ports::Sent,
    step::{BootTime, Direction},
};
use crate::{
    profile::Profile,
    terms::{Snapshot, Witness},
};

/// What a wait follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum After {
    /// A save.
    Save,
    /// The family's restart request.
    Restart,
}

/// When a reading was asked for and when it was there: what it shows is of a moment in between,
/// however long the computer slept before or after.
#[derive(Debug, Clone)]
pub(super) struct ReadAt {
    pub(super) from: BootTime,
    pub(super) to: BootTime,
}

/// One way of the device from one state to another.
#[derive(Debug, Clone)]
pub(super) struct Leg {
    pub(super) direction: Direction,
    pub(super) plan: Plan,
    pub(super) wanted: Wanted,
    /// The device as last read in this leg: what the next reading is compared with.
    pub(super) base: Snapshot,
    /// Which save is next or under way.
    pub(super) at: usize,
    /// The mark before the last acting request, and when that was.
    pub(super) mark: Option<(Option<Witness>, BootTime)>,
    /// Whether the device was seen gone since that request.
    pub(super) gone: bool,
    /// How the last acting request ended.
    pub(super) sent: Option<Sent>,
    /// Whether an acting request had left before the one under way.
    pub(super) wrote_before: bool,
    /// What the wait under way follows.
    pub(super) awaited: After,
    /// What was done once more already.
    pub(super) again: Again,
}

/// What is done once more before it is believed, and no third time.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Again {
    /// A reading failed after a write, and the device was waited for once more.
    pub(super) waited: bool,
    /// A reading since the last acting request was not what it should be, and is made once more.
    pub(super) read: bool,
}

impl Leg {
    /// What local rules set of it. Putting back is not asked for: the way back takes such a
    /// setting along only where this program's own save had just moved it.
    pub(super) fn set_by_rules(&self) -> Option<&PlanLine> {
        let line = self.plan.set_by_rules();
        line.filter(|_| self.direction == Direction::There)
    }

    pub(super) fn new(direction: Direction, plan: Plan, wanted: Wanted, base: Snapshot) -> Self {
        Self {
            direction,
            plan,
            wanted,
            base,
            at: 0,
            mark: None,
            gone: false,
            sent: None,
            wrote_before: false,
            awaited: After::Save,
            again: Again::default(),
        }
    }

    /// Whether the device restarted since the last acting request. Its own mark decides where it
    /// can: a device that only seemed to be gone, since the laptop lost its network, still counts
    /// its first start.
    ///
    /// `first` is the mark of the first reading of the change.
    pub(super) fn restarted(
        &self,
        seen: &Snapshot,
        read: &ReadAt,
        first: Option<&Witness>,
    ) -> bool {
        self.restarted_by_mark(seen, read, first)
            .unwrap_or(self.gone)
    }

    fn restarted_by_mark(
        &self,
        seen: &Snapshot,
        read: &ReadAt,
        first: Option<&Witness>,
    ) -> Option<bool> {
        let (before, at) = self.mark.as_ref()?;
        match (before, seen.witness.as_ref()?) {
            (Some(before @ Witness::BootMark(_)), after @ Witness::BootMark(_)) => {
                Some(after.restarted_since(before))
            }
            (Some(before @ Witness::Uptime(_)), after) if after.restarted_since(before) => {
                Some(true)
            }
            (before, after @ Witness::Uptime(up)) => {
                let at_least = read.from.since(at)?;
                let at_most = read.to.since(at)?;
                let known = [before.as_ref(), first].into_iter().flatten();
                let counts = known.into_iter().any(|mark| mark != after);
                if counts && 2.0 * up + uptime_slack_s(at_least) < at_least {
                    // It has been up for less than half of the time since: a count that stands
                    // still, or goes on by the minute, must not look like a new start.
                    Some(true)
                } else if *up > at_most + uptime_slack_s(at_most) {
                    // It was up before the request, and still is.
                    Some(false)
                } else {
                    None
                }
            }
            _ => None,
        }
    }

    /// Whether all saves that carry a part of a setting are done, the one under way included.
    pub(super) fn is_done(&self, profile: &Profile, name: &str) -> bool {
        let Some(setting) = profile.setting(name) else {
            return false;
        };
        let own = setting.own_places();
        let mut later = self.plan.saves.iter().skip(self.at + 1);
        !later.any(|planned| planned.overlay.keys().any(|place| own.contains(place)))
    }
}

/// How far a device's uptime may be off from our clock after so many seconds, in s. No source:
/// 5 s for what it rounds, and 2 in 100 for its clock, four times what a ceramic resonator is off.
fn uptime_slack_s(passed: f64) -> f64 {
    5.0 + 0.02 * passed
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::change::testing::{Family, Script, World};

    fn at(seconds: f64, boot: &str) -> BootTime {
        BootTime {
            seconds,
            boot: boot.into(),
        }
    }

    /// What a leg says that was marked with `before` at 1000 s, of a reading with `after` that was
    /// asked for and there at these seconds.
    fn by_mark(before: Option<Witness>, after: Witness, from: f64, to: f64) -> Option<bool> {
        let family = Family::one_restarting_save();
        let mut seen = World::new(&family, Script::default()).snapshot();
        let nothing = Plan::default();
        let mut leg = Leg::new(Direction::There, nothing, Wanted::new(), seen.clone());
        leg.mark = Some((before, at(1000.0, "one")));
        seen.witness = Some(after);
        let read = ReadAt {
            from: at(from, "one"),
            to: at(to, "one"),
        };
        leg.restarted_by_mark(&seen, &read, None)
    }

    fn up(seconds: f64) -> Witness {
        Witness::Uptime(seconds)
    }

    #[test]
    fn an_uptime_that_fell_or_is_younger_than_the_request_tells_a_restart() {
        assert_eq!(
            by_mark(Some(up(83.0)), up(50.0), 1050.0, 1051.0),
            Some(true)
        );
        assert_eq!(
            by_mark(Some(up(45.0)), up(60.0), 9000.0, 9001.0),
            Some(true)
        );
        // Nothing tells that it counts at all.
        assert_eq!(by_mark(None, up(60.0), 9000.0, 9001.0), None);
    }

    #[test]
    fn an_uptime_older_than_the_request_tells_that_there_was_none() {
        assert_eq!(
            by_mark(Some(up(83.0)), up(133.0), 1050.0, 1051.0),
            Some(false)
        );
        assert_eq!(by_mark(None, up(133.0), 1050.0, 1051.0), Some(false));
    }

    #[test]
    fn an_uptime_that_fits_both_tells_nothing() {
        assert_eq!(by_mark(Some(up(3.0)), up(53.0), 1050.0, 1051.0), None);
        assert_eq!(by_mark(Some(up(45.0)), up(46.0), 1046.0, 1047.0), None);
        assert_eq!(by_mark(Some(up(1.0)), up(46.0), 1046.0, 1047.0), None);
    }

    #[test]
    fn a_count_that_stands_still_or_goes_by_the_minute_is_no_restart() {
        for stands_at in [0.0, 83.0] {
            let stands = up(stands_at);
            let found = by_mark(Some(stands.clone()), stands, 1300.0, 1301.0);
            assert_ne!(found, Some(true), "{stands_at}");
        }
        // It shows whole minutes: 10 s at the request, 100 s later 110 s, both rounded down.
        assert_eq!(by_mark(Some(up(0.0)), up(60.0), 1100.0, 1101.0), None);
    }

    #[test]
    fn a_clock_that_drifts_for_two_days_tells_no_restart() {
        let days = 172_800.0;
        let drifted = up(days * 0.99);
        let found = by_mark(Some(up(83.0)), drifted, 1000.0 + days, 1001.0 + days);
        assert_eq!(found, None);
    }

    #[test]
    fn a_reading_that_the_computer_slept_in_tells_no_more_than_it_can() {
        assert_eq!(by_mark(Some(up(83.0)), up(90.0), 1006.0, 9000.0), None);
    }

    #[test]
    fn a_boot_mark_decides_whatever_the_time() {
        let mark = |text: &str| Witness::BootMark(text.into());
        assert_eq!(
            by_mark(Some(mark("17")), mark("18"), 1001.0, 1002.0),
            Some(true)
        );
        assert_eq!(
            by_mark(Some(mark("17")), mark("17"), 9000.0, 9002.0),
            Some(false)
        );
        assert_eq!(by_mark(None, mark("17"), 9000.0, 9002.0), None);
        assert_eq!(by_mark(Some(up(3.0)), mark("17"), 9000.0, 9002.0), None);
    }

    #[test]
    fn times_of_two_starts_of_the_computer_are_not_compared() {
        let family = Family::one_restarting_save();
        let mut seen = World::new(&family, Script::default()).snapshot();
        let mut leg = Leg::new(
            Direction::There,
            Plan::default(),
            Wanted::new(),
            seen.clone(),
        );
        leg.mark = Some((Some(up(83.0)), at(1000.0, "one")));
        seen.witness = Some(up(90.0));
        let read = ReadAt {
            from: at(9000.0, "two"),
            to: at(9001.0, "two"),
        };
        assert_eq!(leg.restarted_by_mark(&seen, &read, None), None);
        assert!(!leg.restarted(&seen, &read, None));
        leg.gone = true;
        assert!(
            leg.restarted(&seen, &read, None),
            "it was seen gone, and no mark says no"
        );
    }
}
