//! A scan that was asked for: all that is in range at some moment after that.
//!
//! `NetworkManager` says when a scan has ended, and begins the one that is asked for after the one
//! that is under way. What that one heard may be from before, and lack who has opened since; so the
//! kernel is listened to, which says when one begins.

use std::{collections::HashMap, time::Duration};

use tokio::time::{self, Instant};
use zbus::Variant;

use super::{
    Inner, adapters,
    air::in_range,
    bus::WirelessProxy,
    gone, permissions,
    picture::{Device, Picture},
    reasons,
};
use crate::wifi::{
    AccessPoint, AdapterName, NetworkName, WifiError,
    nl80211::{Scanning, Scans},
};

/// Longest that it takes until a scan has ended: one that is under way, the time until the next one
/// begins, and that one, each up to 8 s with both bands and a busy adapter (from memory).
const SCAN: Duration = Duration::from_secs(25);

/// Pause before a scan is asked for again that was refused because one is under way.
const AGAIN: Duration = Duration::from_millis(700);

/// How long after the end of one scan the next one may begin: `NetworkManager` 1.42 keeps 8 s while
/// the adapter is connected (seen in its log).
const BEGINS: Duration = Duration::from_secs(10);

/// How much later than the kernel `NetworkManager` may say that a scan has ended (a choice of ours).
const TOLD: Duration = Duration::from_secs(2);

/// How often the time is looked at.
const TICK: Duration = Duration::from_millis(200);

/// Scans, and gives what is in range afterwards.
pub(super) async fn scan(
    inner: &Inner,
    adapter: &AdapterName,
    hidden: &[NetworkName],
) -> Result<Vec<AccessPoint>, WifiError> {
    let path = {
        let picture = inner.picture.borrow();
        device(inner, &picture, adapter)?.path.clone()
    };
    let deadline = Instant::now() + SCAN;
    let wireless = WirelessProxy::builder(&inner.connection)
        .path(path)
        .build()
        .await
        .map_err(|error| reasons::of_call("looking around", &error))?;
    loop {
        // Without it, what `NetworkManager` says has to do.
        let kernel = Scans::listen(adapter.as_str()).await.ok();
        let mut picture = inner.picture.clone();
        let ends = {
            let picture = picture.borrow_and_update();
            Ends::after(device(inner, &picture, adapter)?.last_scan())
        };
        match request(&wireless, hidden).await {
            Ok(()) => return follow(inner, adapter, ends, picture, kernel, deadline).await,
            Err(Refused::For(error)) => {
                return Err(inner.permission(error, &[permissions::SCAN]).await);
            }
            // One is under way already, or the adapter has just woken.
            Err(Refused::NotNow) if Instant::now() >= deadline => return Err(no_end(adapter)),
            Err(Refused::NotNow) => time::sleep(AGAIN).await,
        }
    }
}

/// Follows the scan that was asked for to its end.
async fn follow(
    inner: &Inner,
    adapter: &AdapterName,
    mut ends: Ends,
    mut picture: tokio::sync::watch::Receiver<Picture>,
    mut kernel: Option<Scans>,
    deadline: Instant,
) -> Result<Vec<AccessPoint>, WifiError> {
    loop {
        let said = tokio::select! {
            // What the kernel says comes first, and is to be known first.
            biased;
            said = next(&mut kernel) => Some(said),
            changed = picture.changed() => if changed.is_err() {
                return Err(gone());
            } else {
                None
            },
            () = time::sleep(TICK) => None,
        };
        let now = Instant::now();
        {
            let picture = picture.borrow_and_update();
            let device = device(inner, &picture, adapter)?;
            match said {
                Some(Ok(said)) => ends.hear(said, device.last_scan(), now),
                Some(Err(_)) => kernel = None,
                None => {}
            }
            if ends.is_over(device.last_scan(), kernel.is_some(), now) {
                return Ok(in_range(&device));
            }
        }
        if now >= deadline {
            return Err(no_end(adapter));
        }
    }
}

/// Which end is that of the scan that was asked for.
#[derive(Debug)]
struct Ends {
    /// The end of a scan that `NetworkManager` told last, and that is none of it.
    told: Option<i64>,
    /// Whether a scan has begun since.
    begun: bool,
    /// When it ended.
    ended: Option<Instant>,
    /// When another one ended, which had begun before.
    other: Option<Instant>,
}

impl Ends {
    /// It is asked for now, and this is the last end that was told.
    fn after(told: Option<i64>) -> Self {
        Self {
            told,
            begun: false,
            ended: None,
            other: None,
        }
    }

    /// Takes what the kernel says, and the last end that was told by then.
    fn hear(&mut self, said: Scanning, told: Option<i64>, now: Instant) {
        match said {
            Scanning::Begins => self.begun = true,
            Scanning::Ends if !self.begun => self.other = Some(now),
            Scanning::Ends if self.ended.is_none() => {
                self.ended = Some(now);
                self.told = told;
            }
            Scanning::Ends => {}
        }
    }

    /// Whether it has ended, and its list stands.
    fn is_over(&self, told: Option<i64>, listens: bool, now: Instant) -> bool {
        let is_told = told != self.told;
        match (self.ended, self.other) {
            (Some(ended), _) => is_told || now - ended >= TOLD,
            _ if !listens => is_told,
            (None, Some(other)) => is_told && !self.begun && now - other >= BEGINS,
            // A kernel that says nothing of its scans.
            (None, None) => is_told && !self.begun,
        }
    }
}

fn device<'a>(
    inner: &Inner,
    picture: &'a Picture,
    adapter: &AdapterName,
) -> Result<Device<'a>, WifiError> {
    inner.there(picture)?;
    adapters::usable(picture, adapter)
}

fn no_end(adapter: &AdapterName) -> WifiError {
    WifiError::Other {
        what: "looking around",
        why: format!("`{adapter}` ended no scan within {} s", SCAN.as_secs()),
    }
}

/// What the kernel says next; for ever nothing where nobody listens.
async fn next(kernel: &mut Option<Scans>) -> std::io::Result<Scanning> {
    match kernel {
        Some(kernel) => kernel.next().await,
        None => std::future::pending().await,
    }
}

/// Why a scan was not begun.
enum Refused {
    /// It can be asked for again.
    NotNow,
    /// It cannot.
    For(WifiError),
}

async fn request(wireless: &WirelessProxy<'_>, hidden: &[NetworkName]) -> Result<(), Refused> {
    let mut options = HashMap::new();
    if !hidden.is_empty() {
        let names: Vec<Vec<u8>> = hidden.iter().map(|it| it.bytes().to_vec()).collect();
        options.insert("ssids", Variant::from(names));
    }
    wireless.request_scan(&options).await.map_err(|error| {
        let name = reasons::name_of(&error).unwrap_or_default();
        if name == "org.freedesktop.NetworkManager.Device.NotAllowed" {
            Refused::NotNow
        } else {
            Refused::For(reasons::of_call("looking around", &error))
        }
    })
}

#[cfg(test)]
mod tests {
    use super::{
        Scanning::{Begins, Ends as Over},
        *,
    };

    /// Hears the kernel's words, each with the end that was told by then, and says whether it is over
    /// with one that is told afterwards, soon and late.
    fn over(heard: &[(Scanning, i64)], told: i64) -> (bool, bool) {
        let begun = Instant::now();
        let mut ends = Ends::after(Some(1));
        for (said, told) in heard {
            ends.hear(*said, Some(*told), begun);
        }
        let over = |later| ends.is_over(Some(told), true, begun + later);
        (over(Duration::ZERO), over(BEGINS))
    }

    #[test]
    fn end_that_is_told_first_counts_where_no_other_scan_was_under_way() {
        assert_eq!(over(&[], 1), (false, false));
        assert_eq!(over(&[(Begins, 1)], 1), (false, false));
        assert_eq!(over(&[(Begins, 1), (Over, 1)], 2), (true, true));
    }

    #[test]
    fn end_of_one_that_was_under_way_is_another_ones() {
        assert_eq!(over(&[(Over, 1), (Begins, 1)], 2), (false, false));
        let heard = [(Over, 1), (Begins, 2), (Over, 2)];
        assert_eq!(over(&heard, 2), (false, true), "told late");
        assert_eq!(over(&heard, 3), (true, true));
    }

    #[test]
    fn one_that_does_not_begin_is_not_waited_for_for_ever() {
        assert_eq!(over(&[(Over, 1)], 2), (false, true));
    }

    #[test]
    fn end_that_was_told_before_the_kernel_was_heard_counts_a_while_later() {
        assert_eq!(over(&[(Begins, 1), (Over, 2)], 2), (false, true));
    }

    #[test]
    fn where_the_kernel_says_nothing_the_first_end_that_is_told_counts() {
        assert_eq!(over(&[], 2), (true, true));
        let mut ends = Ends::after(Some(1));
        let now = Instant::now();
        ends.hear(Over, Some(1), now);
        assert!(!ends.is_over(Some(2), true, now));
        assert!(ends.is_over(Some(2), false, now), "it fell silent");
    }
}
