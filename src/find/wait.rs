//! Waiting until a device opens its fallback network.
//!
//! [`Waiting`] is pure: it is told the time and what was heard, and says how far the wait is, when
//! the next scan is due and, once the window has passed, what may be the matter. [`wait_for`]
//! carries it out over the host's Wi-Fi. What guards against a device that is long off: an entry
//! that was not heard of late is nobody.

use std::{sync::Arc, time::Duration};

use tokio::time::sleep;

use super::air::{Alike, Candidate, alike, candidates, misfits, whole_names};
use crate::{
    profile::{Profile, Span},
    wifi::{AccessPoint, AdapterName, Wifi, WifiError},
};

/// How far the wait is. All times in s.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Since the wait began.
    pub passed_s: f64,
    /// How long the device has been powered, as far as is known: at least so long it may have had
    /// no air moving over it.
    pub powered_s: f64,
    /// When after power-up the families' networks open: the earliest beginning and the latest end;
    /// none: no family says.
    pub window_s: Option<Span>,
    /// Scans that were done.
    pub scans: u32,
    /// Access points that were heard of late, of any name.
    pub heard: usize,
    /// What may be the matter, the likeliest first; empty until the window has passed.
    pub advice: Vec<Advice>,
}

impl Progress {
    /// How long until the window begins and ends, in s; below zero where that has passed.
    pub fn left_s(&self) -> Option<Span> {
        self.window_s.map(|window| Span {
            from: window.from - self.powered_s,
            to: window.to - self.powered_s,
        })
    }
}

/// What may be the matter when no network opens. All of it is common practice without a source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Advice {
    /// The adapter hears nothing at all: it may be at fault itself.
    NothingHeard,
    /// It hears other bands only, and receivers open theirs at 2.4 GHz.
    OtherBandOnly,
    /// A network of the name is there, and is secured in another way than the family's, or is in
    /// another band.
    SecuredOtherwise,
    /// It was heard and is not any more: too far, or its battery is empty.
    WasHeard,
    /// It has no power, its battery is empty, or it was powered later than thought.
    NotPowered,
    /// A transmitter of its bind key is on nearby.
    TransmitterOn,
    /// It has joined a local network that it keeps: it is to be looked for there.
    JoinedStored,
    /// Another phone or laptop holds its only place.
    PlaceTaken,
    /// It is in bind mode, as after three short power cycles.
    BindMode,
    /// It is too far away, or its antenna is.
    TooFar,
    /// Its owner switched its network off.
    SwitchedOff,
}

impl Advice {
    /// A stable kebab-case code.
    pub fn code(self) -> &'static str {
        match self {
            Advice::NothingHeard => "nothing-heard",
            Advice::OtherBandOnly => "other-band-only",
            Advice::SecuredOtherwise => "secured-otherwise",
            Advice::WasHeard => "was-heard",
            Advice::NotPowered => "not-powered",
            Advice::TransmitterOn => "transmitter-on",
            Advice::JoinedStored => "joined-stored",
            Advice::PlaceTaken => "place-taken",
            Advice::BindMode => "bind-mode",
            Advice::TooFar => "too-far",
            Advice::SwitchedOff => "switched-off",
        }
    }
}

/// Shortest time from the begin of one scan to that of the next, in s. Some versions of the host's
/// service refuse a second one for about 5 s (seen by others, no source that could be named).
pub(super) const SCAN_EVERY_S: f64 = 5.0;

/// Longest time, while the window is far. From memory: a receiver's network stays open for minutes.
const SCAN_AT_LEAST_EVERY_S: f64 = 20.0;

/// How much the time grows from one scan to the next.
const SCAN_GROWS: f64 = 1.5;

/// How close to the window scans are quick again, in s: a family's figures are rounded.
const NEAR_S: f64 = 5.0;

/// Those that were heard of late: what a host has on its list may be long off.
pub(super) fn of_late(list: &[AccessPoint], now_s: f64) -> Vec<AccessPoint> {
    let mut list = list.to_vec();
    list.retain(|point| {
        let age = point.heard_s.map(|heard| now_s - heard);
        age.is_none_or(|age| age <= HEARD_OF_LATE_S)
    });
    list
}

/// How old the time may be at which an access point was heard, in s: a scan takes up to 4 s, and
/// some of the host's lists keep whole seconds.
const HEARD_OF_LATE_S: f64 = 15.0;

/// When after power-up the families' networks open: the earliest beginning and the latest end; none:
/// no family says.
pub fn window(profiles: &[Arc<Profile>]) -> Option<Span> {
    let networks = profiles.iter().filter_map(|one| one.network.as_ref());
    let windows = networks.map(|network| network.opens_s);
    windows.reduce(|a, b| Span {
        from: a.from.min(b.from),
        to: a.to.max(b.to),
    })
}

/// A wait: told the time, in s since this computer started, and what is in range.
#[derive(Debug, Clone)]
pub struct Waiting {
    profiles: Vec<Arc<Profile>>,
    since_s: f64,
    powered_at_s: f64,
    window: Option<Span>,
    scans: u32,
    /// When the last scan began.
    scanned_s: Option<f64>,
    /// The present distance from one scan to the next while the window is far.
    every_s: f64,
    heard: Vec<AccessPoint>,
    /// Whether a candidate was heard at any time.
    was_there: bool,
}

impl Waiting {
    /// Begins at `now_s`. `powered_at_s`: when the device was powered, where that is known.
    pub fn new(profiles: &[Arc<Profile>], now_s: f64, powered_at_s: Option<f64>) -> Self {
        Self {
            profiles: profiles.to_vec(),
            since_s: now_s,
            powered_at_s: powered_at_s.unwrap_or(now_s),
            window: window(profiles),
            scans: 0,
            scanned_s: None,
            every_s: SCAN_EVERY_S,
            heard: Vec::new(),
            was_there: false,
        }
    }

    /// Takes a list of what is in range; gives the candidates of it that were heard of late.
    pub fn hears(&mut self, list: &[AccessPoint], now_s: f64) -> Vec<Candidate> {
        self.heard = of_late(list, now_s);
        let found = candidates(&self.heard, &self.profiles);
        self.was_there |= !found.is_empty();
        found
    }

    /// Several of one name as a candidate in the list that was taken last.
    pub fn alike(&self) -> Vec<Alike> {
        alike(&self.heard, &self.profiles)
    }

    /// A scan began.
    pub fn scan_begins(&mut self, now_s: f64) {
        self.scans += 1;
        self.scanned_s = Some(now_s);
        self.every_s = if self.is_near(now_s) {
            SCAN_EVERY_S
        } else {
            (self.every_s * SCAN_GROWS).min(SCAN_AT_LEAST_EVERY_S)
        };
    }

    /// How long until the next scan is due, in s; zero: now.
    pub fn scan_in_s(&self, now_s: f64) -> f64 {
        let Some(last) = self.scanned_s else {
            return 0.0;
        };
        let due = last + self.every_s;
        // The window does not wait for a scan that was planned before it came near.
        let near = self.window.map(|w| self.powered_at_s + w.from - NEAR_S);
        let due = match near {
            Some(near) if last < near => due.min(near.max(last + SCAN_EVERY_S)),
            _ => due,
        };
        (due - now_s).max(0.0)
    }

    /// How far it is.
    pub fn progress(&self, now_s: f64) -> Progress {
        let powered_s = now_s - self.powered_at_s;
        let is_over = self.window.is_none_or(|window| powered_s > window.to);
        Progress {
            passed_s: now_s - self.since_s,
            powered_s,
            window_s: self.window,
            scans: self.scans,
            heard: self.heard.len(),
            advice: if is_over { self.advice() } else { Vec::new() },
        }
    }

    fn is_near(&self, now_s: f64) -> bool {
        self.window.is_some_and(|window| {
            let powered_s = now_s - self.powered_at_s;
            (window.from - NEAR_S..=window.to + NEAR_S).contains(&powered_s)
        })
    }

    /// What was seen comes first, then what is common; what was seen to be otherwise is left out.
    fn advice(&self) -> Vec<Advice> {
        use Advice as A;
        let mut list = Vec::new();
        if self.scans > 0 && self.heard.is_empty() {
            list.push(A::NothingHeard);
        }
        if !self.heard.is_empty() && !self.heard.iter().any(AccessPoint::is_2_4_ghz) {
            list.push(A::OtherBandOnly);
        }
        if !misfits(&self.heard, &self.profiles).is_empty() {
            list.push(A::SecuredOtherwise);
        }
        if self.was_there {
            list.push(A::WasHeard);
        }
        list.extend([
            A::NotPowered,
            A::TransmitterOn,
            A::JoinedStored,
            A::PlaceTaken,
            A::BindMode,
            A::TooFar,
            A::SwitchedOff,
        ]);
        list
    }
}

/// What is waited for, and how long.
pub struct WaitFor<'a> {
    /// The families whose networks count.
    pub profiles: &'a [Arc<Profile>],
    /// Whether a candidate is one that ends the wait.
    pub pick: &'a (dyn Fn(&Candidate) -> bool + Send + Sync),
    /// The time, in s since this computer started, time asleep included.
    pub now_s: &'a (dyn Fn() -> f64 + Send + Sync),
    /// When the device was powered, by the same clock; none: when the wait begins.
    pub powered_at_s: Option<f64>,
    /// How long to wait at most, in s.
    pub deadline_s: f64,
    /// How long to listen on after the first one that ends the wait.
    pub settle: Settle,
}

/// How long to listen on after the first one that ends a wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settle {
    /// Not at all: `pick` takes one alone.
    AtOnce,
    /// Until a scan was seen to its end, so that others of its name are on the list.
    OneScan,
    /// Where it is the only one, until a second scan has found no other, either: a scan may miss one,
    /// and nobody is there who would say which is meant.
    OnlyOne,
}

impl Settle {
    /// Scans that have to be seen to their end where so many were found.
    fn scans(self, found: usize) -> u32 {
        match self {
            Settle::AtOnce => 0,
            Settle::OnlyOne if found == 1 => 2,
            Settle::OneScan | Settle::OnlyOne => 1,
        }
    }
}

/// Enough for the entries of one scan to arrive one by one. No source.
const ENTRIES: Duration = Duration::from_millis(300);

/// How a wait ended.
#[derive(Debug, Clone)]
pub struct Waited {
    /// Those that were picked, by name and then by BSSID; empty: the time was up.
    pub candidates: Vec<Candidate>,
    /// Names in range that several share, where a candidate has one of them.
    pub alike: Vec<Alike>,
    /// How far it was.
    pub progress: Progress,
}

/// How often the countdown is told.
const TICK: Duration = Duration::from_secs(1);

/// How often in a row a scan may fail in a way that may pass by itself.
pub(super) const FAILED_SCANS: u32 = 3;

/// Waits until there is a candidate that is picked, or the time is up. It may be dropped at any
/// moment. `progress` is told at least once a second.
pub async fn wait_for(
    wifi: &dyn Wifi,
    adapter: &AdapterName,
    wish: &WaitFor<'_>,
    mut progress: impl FnMut(&Progress) + Send,
) -> Result<Waited, WifiError> {
    let now = wish.now_s;
    let begun = now();
    let hidden = whole_names(wish.profiles);
    let mut air = wifi.air(adapter).await?;
    let mut waiting = Waiting::new(wish.profiles, begun, wish.powered_at_s);
    let mut found = {
        let list = air.borrow_and_update();
        picked(waiting.hears(&list, now()), wish)
    };
    let mut scan: Option<Scan<'_>> = None;
    let mut settled: Option<f64> = None;
    let mut failed = 0;
    let mut whole = 0;
    let mut listens = true;
    loop {
        progress(&waiting.progress(now()));
        let is_up = now() - begun >= wish.deadline_s;
        // Until a scan is through, what the host has heard by itself may lack a lookalike.
        let lacks_scan = whole < wish.settle.scans(found.len());
        if found.is_empty() {
            settled = None;
        } else {
            let until = *settled.get_or_insert(now() + ENTRIES.as_secs_f64());
            let is_complete = now() >= until && scan.is_none() && !lacks_scan;
            if is_complete || wish.settle == Settle::AtOnce {
                return Ok(waited(found, &waiting, now()));
            }
        }
        if is_up {
            return Ok(waited(found, &waiting, now()));
        }
        // The second of two does not wait for its time: whoever refuses it says so.
        let is_next = !found.is_empty() && whole > 0 && lacks_scan && failed == 0;
        if scan.is_none() && (is_next || waiting.scan_in_s(now()) <= 0.0) {
            waiting.scan_begins(now());
            scan = Some(wifi.scan(adapter, &hidden));
        }
        let next = next_step(&waiting, settled, begun + wish.deadline_s, now());
        let list = tokio::select! {
            list = ended(&mut scan) => {
                scan = None;
                match list {
                    Ok(list) => {
                        failed = 0;
                        whole += 1;
                        Some(list)
                    }
                    Err(WifiError::Other { .. }) if failed + 1 < FAILED_SCANS => {
                        failed += 1;
                        None
                    }
                    Err(error) => return Err(error),
                }
            }
            changed = air.changed(), if listens => {
                // Where it ends the adapter has gone; the next scan says how.
                listens = changed.is_ok();
                listens.then(|| air.borrow_and_update().clone())
            }
            () = sleep(next) => None,
        };
        if let Some(list) = list {
            found = picked(waiting.hears(&list, now()), wish);
        }
    }
}

/// A scan that is under way.
type Scan<'a> =
    std::pin::Pin<Box<dyn Future<Output = Result<Vec<AccessPoint>, WifiError>> + Send + 'a>>;

/// The result of the scan; never, where none is under way.
async fn ended(scan: &mut Option<Scan<'_>>) -> Result<Vec<AccessPoint>, WifiError> {
    match scan {
        Some(scan) => scan.await,
        None => std::future::pending().await,
    }
}

/// How long nothing is to be done by itself.
fn next_step(waiting: &Waiting, settled: Option<f64>, deadline: f64, now: f64) -> Duration {
    // A scan that is due is under way.
    let scan = match waiting.scan_in_s(now) {
        due if due > 0.0 => due,
        _ => f64::INFINITY,
    };
    let left = settled
        .map(|until| until - now)
        .filter(|left| *left > 0.0)
        .unwrap_or(f64::INFINITY);
    let first = scan.min(left).min((deadline - now).max(0.0));
    Duration::from_secs_f64(first.clamp(0.001, TICK.as_secs_f64()))
}

fn picked(mut found: Vec<Candidate>, wish: &WaitFor<'_>) -> Vec<Candidate> {
    found.retain(|candidate| (wish.pick)(candidate));
    found
}

fn waited(candidates: Vec<Candidate>, waiting: &Waiting, now_s: f64) -> Waited {
    Waited {
        candidates,
        alike: waiting.alike(),
        progress: waiting.progress(now_s),
    }
}

#[cfg(test)]
mod tests;
