//! The wait by a made-up clock. The window of the sample families is 40 to 55 s.

use std::sync::Mutex;

use super::*;
use crate::{
    profile,
    terms::Mac,
    wifi::{
        AdapterState, NetworkName, Offers,
        fake::{FakeAir, FakePoint},
    },
};

fn families() -> Vec<Arc<Profile>> {
    vec![Arc::new(profile::named("sample-form").expect("built in"))]
}

fn point(name: &str, last: u8, heard_s: f64) -> AccessPoint {
    AccessPoint {
        name: NetworkName::from(name),
        bssid: Mac([2, 0, 0, 0, 0, last]),
        signal: 60,
        frequency_mhz: 2437,
        offers: Offers {
            psk: true,
            ..Offers::default()
        },
        heard_s: Some(heard_s),
    }
}

fn is(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

/// The times at which scans begin that take 2 s each.
fn scans(waiting: &mut Waiting, until_s: f64) -> Vec<f64> {
    let mut begun = Vec::new();
    let mut now = 0.0;
    while now < until_s {
        now += waiting.scan_in_s(now);
        begun.push(now);
        waiting.scan_begins(now);
        now += 2.0;
    }
    begun
}

#[test]
fn countdown_is_reckoned_from_power_up_and_not_from_the_begin_of_the_wait() {
    let waiting = Waiting::new(&families(), 100.0, Some(90.0));
    let progress = waiting.progress(112.0);
    assert!(is(progress.passed_s, 12.0) && is(progress.powered_s, 22.0));
    let left = progress.left_s().expect("a window");
    assert!(is(left.from, 18.0) && is(left.to, 33.0));
}

#[test]
fn scans_are_rare_while_the_window_is_far_and_quick_near_it_and_never_closer_than_five_seconds() {
    let mut waiting = Waiting::new(&families(), 0.0, None);
    let begun = scans(&mut waiting, 200.0);
    let gaps: Vec<f64> = begun.windows(2).map(|two| two[1] - two[0]).collect();
    assert!(is(begun[0], 0.0));
    assert!(
        gaps.iter()
            .all(|gap| *gap >= SCAN_EVERY_S && *gap <= SCAN_AT_LEAST_EVERY_S),
        "{gaps:?}"
    );
    assert!(begun.contains(&(40.0 - NEAR_S)), "{begun:?}");
    let near = begun
        .iter()
        .filter(|at| (35.0..=60.0).contains(*at))
        .count();
    assert_eq!(near, 6, "{begun:?}");
    assert_eq!(gaps.last(), Some(&SCAN_AT_LEAST_EVERY_S));
}

#[test]
fn advice_is_given_when_the_window_has_passed_and_not_before() {
    let mut waiting = Waiting::new(&families(), 0.0, None);
    waiting.scan_begins(50.0);
    waiting.hears(&[point("Reeds", 1, 50.0)], 51.0);
    assert!(waiting.progress(55.0).advice.is_empty());
    let advice = waiting.progress(56.0).advice;
    assert_eq!(advice[0], Advice::NotPowered);
    for common in [
        Advice::TransmitterOn,
        Advice::JoinedStored,
        Advice::PlaceTaken,
    ] {
        assert!(advice.contains(&common));
    }
    assert!(!advice.contains(&Advice::OtherBandOnly));
}

#[test]
fn what_was_seen_comes_before_what_is_common() {
    let mut waiting = Waiting::new(&families(), 0.0, None);
    waiting.scan_begins(1.0);
    waiting.hears(&[], 2.0);
    assert_eq!(waiting.progress(60.0).advice[0], Advice::NothingHeard);

    let mut high = point("Reeds", 1, 3.0);
    high.frequency_mhz = 5180;
    waiting.hears(&[high], 4.0);
    assert_eq!(waiting.progress(60.0).advice[0], Advice::OtherBandOnly);

    assert_eq!(waiting.hears(&[point("TarnBoat 3", 2, 4.0)], 5.0).len(), 1);
    let mut open = point("TarnBoat 3", 2, 20.0);
    open.offers = Offers {
        open: true,
        ..Offers::default()
    };
    assert!(waiting.hears(&[open], 21.0).is_empty());
    assert_eq!(
        waiting.progress(60.0).advice[..2],
        [Advice::SecuredOtherwise, Advice::WasHeard]
    );
}

#[test]
fn codes_of_advice_are_all_different() {
    let mut waiting = Waiting::new(&families(), 0.0, None);
    waiting.scan_begins(0.0);
    let advice = waiting.progress(60.0).advice;
    let codes: std::collections::BTreeSet<&str> = advice.iter().map(|a| a.code()).collect();
    assert_eq!(codes.len(), advice.len());
}

#[test]
fn entry_that_was_heard_long_ago_is_nobody() {
    let mut waiting = Waiting::new(&families(), 0.0, None);
    let list = [point("TarnBoat 3", 1, 10.0)];
    assert_eq!(waiting.hears(&list, 20.0).len(), 1);
    assert!(waiting.hears(&list, 40.0).is_empty());
}

#[test]
fn wait_without_a_family_that_has_a_network_advises_at_once() {
    let waiting = Waiting::new(&[], 0.0, None);
    let progress = waiting.progress(1.0);
    assert_eq!(progress.window_s, None);
    assert!(!progress.advice.is_empty());
}

/// A host with one adapter in a made-up air, and how far its waits were.
struct Host {
    air: FakeAir,
    adapter: AdapterName,
    told: Mutex<Vec<Progress>>,
}

impl Host {
    fn new() -> Self {
        Self {
            air: FakeAir::new(&["wlan0"]),
            adapter: AdapterName::new("wlan0"),
            told: Mutex::default(),
        }
    }

    fn receiver(&self, last: u8) -> Mac {
        let bssid = Mac([2, 0, 0, 0, 0, last]);
        self.air.put(FakePoint::new(
            "TarnBoat 3",
            bssid,
            Some("reeds-and-rushes"),
        ))
    }

    async fn waits(
        &self,
        pick: impl Fn(&Candidate) -> bool + Send + Sync,
        settle: Settle,
    ) -> Result<Vec<u8>, WifiError> {
        let families = families();
        let wish = WaitFor {
            profiles: &families,
            pick: &pick,
            now_s: &|| self.air.now_s(),
            powered_at_s: None,
            deadline_s: 120.0,
            settle,
        };
        let tell = |progress: &Progress| {
            let mut told = self.told.lock().expect("nobody panicked");
            told.push(progress.clone());
        };
        let waited = wait_for(&self.air, &self.adapter, &wish, tell).await?;
        let found = waited.candidates.iter();
        Ok(found.map(|c| c.point.bssid.0[5]).collect())
    }

    fn told(&self) -> Vec<Progress> {
        self.told.lock().expect("nobody panicked").clone()
    }
}

fn any(_: &Candidate) -> bool {
    true
}

#[tokio::test(start_paused = true)]
async fn network_is_found_soon_after_it_opens_and_the_countdown_goes_on_until_then() {
    let host = Host::new();
    let bssid = host.receiver(1);
    host.air.open_in(bssid, Duration::from_secs(50));
    assert_eq!(
        host.waits(any, Settle::OneScan).await.expect("it opens"),
        [1]
    );
    let told = host.told();
    let passed = told.last().expect("told").passed_s;
    assert!(passed < 50.0 + SCAN_EVERY_S + 4.0, "{passed}");
    let most = told
        .windows(2)
        .map(|two| two[1].passed_s - two[0].passed_s)
        .fold(0.0, f64::max);
    assert!(most <= 1.1, "{most}");
    assert!(told.iter().all(|progress| progress.advice.is_empty()));
}

#[tokio::test(start_paused = true)]
async fn lookalike_of_the_same_scan_is_found_with_it() {
    let host = Host::new();
    for last in [1, 2] {
        host.air.open(host.receiver(last));
    }
    assert_eq!(
        host.waits(any, Settle::OneScan)
            .await
            .expect("they are open"),
        [1, 2]
    );
    assert_eq!(host.air.scans(), 1, "one scan tells all of them");
}

#[tokio::test(start_paused = true)]
async fn lookalike_that_one_scan_missed_is_found_before_a_lone_one_counts_as_the_only_one() {
    // A scan takes 3 s here.
    for (settle, found) in [(Settle::OneScan, vec![1]), (Settle::OnlyOne, vec![1, 2])] {
        let host = Host::new();
        host.air.open(host.receiver(1));
        let second = host.receiver(2);
        host.air.open_in(second, Duration::from_secs(4));
        let waited = host.waits(any, settle).await;
        assert_eq!(waited.expect("one is open"), found, "{settle:?}");
        let told = host.told().pop().expect("told");
        assert!(
            told.passed_s < 3.0 * 2.0 + 1.0,
            "the second is made at once"
        );
    }
}

#[tokio::test(start_paused = true)]
async fn scan_that_failed_is_not_one_that_was_seen_to_its_end() {
    let host = Host::new();
    host.air.open(host.receiver(1));
    host.air
        .scan(&host.adapter, &[])
        .await
        .expect("so that it is on the list");
    host.air.open(host.receiver(2));
    host.air.fail_scans(1);
    let found = host.waits(any, Settle::OneScan).await;
    assert_eq!(found.expect("they are open"), [1, 2]);
    host.air.fail_scans(FAILED_SCANS);
    let error = host.waits(any, Settle::OneScan).await;
    assert_eq!(error.expect_err("it fails for good").code(), "wifi-failed");
}

#[tokio::test(start_paused = true)]
async fn one_that_the_host_has_just_heard_is_taken_without_a_scan_where_nothing_is_to_settle() {
    let host = Host::new();
    host.air.open(host.receiver(1));
    host.air.open(host.receiver(2));
    host.air.scan(&host.adapter, &[]).await.expect("a scan");
    let second = |candidate: &Candidate| candidate.point.bssid.0[5] == 2;
    let found = host.waits(second, Settle::AtOnce).await;
    assert_eq!(found.expect("it is open"), [2]);
    assert_eq!(host.air.scans(), 1);
}

#[tokio::test(start_paused = true)]
async fn one_that_was_off_for_long_is_not_found_in_the_list_that_keeps_it() {
    let host = Host::new();
    let bssid = host.receiver(1);
    host.air.open(bssid);
    host.air.scan(&host.adapter, &[]).await.expect("a scan");
    host.air.close(bssid);
    sleep(Duration::from_secs(20)).await;
    let found = host.waits(any, Settle::AtOnce).await;
    assert_eq!(found.expect("the time is up"), [] as [u8; 0]);
    let last = host.told().pop().expect("told");
    assert!(last.passed_s >= 120.0);
    assert!(last.advice.contains(&Advice::TransmitterOn));
}

#[tokio::test(start_paused = true)]
async fn adapter_that_is_switched_off_meanwhile_ends_the_wait() {
    let host = Host::new();
    let air = host.air.clone();
    let adapter = host.adapter.clone();
    tokio::spawn(async move {
        sleep(Duration::from_secs(10)).await;
        air.set_state(&adapter, AdapterState::SwitchedOff);
    });
    let error = host
        .waits(any, Settle::OneScan)
        .await
        .expect_err("it is off");
    assert_eq!(error.code(), "wifi-off");

    host.air.unplug(&host.adapter);
    let error = host
        .waits(any, Settle::OneScan)
        .await
        .expect_err("it is gone");
    assert_eq!(error.code(), "no-adapter");
}
