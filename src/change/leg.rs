//! One way of the device from one state to another: where it goes, how far it came, and whether a
//! restart was witnessed on it.

use super::{
    plan::{Plan, Wanted},
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
    /// Whether anything had been written before the save under way.
    pub(super) wrote_before: bool,
    /// What the wait under way follows.
    pub(super) awaited: After,
    /// Whether a reading failed after a write and the device was waited for once more.
    pub(super) waited_again: bool,
}

impl Leg {
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
            waited_again: false,
        }
    }

    /// Whether the device restarted since the last acting request: it was seen gone, its mark
    /// says so, or it has been up for less time than has passed since.
    pub(super) fn restarted(&self, seen: &Snapshot, now: &BootTime) -> bool {
        let Some((before, at)) = &self.mark else {
            return self.gone;
        };
        let by_mark = before
            .as_ref()
            .zip(seen.witness.as_ref())
            .is_some_and(|(before, after)| after.restarted_since(before));
        let by_time = match (&seen.witness, now.since(at)) {
            (Some(Witness::Uptime(up)), Some(passed)) => up + UPTIME_SLACK_S < passed,
            _ => false,
        };
        self.gone || by_mark || by_time
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

/// How far a device's clock may be off before its uptime counts as younger than the write, in s.
/// No source: generous for a ceramic resonator over an hour.
const UPTIME_SLACK_S: f64 = 20.0;
