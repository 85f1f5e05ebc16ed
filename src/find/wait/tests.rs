//! The wait by a made-up clock. The window of the sample families is 40 to 55 s.

use super::*;
use crate::{
    profile,
    terms::Mac,
    wifi::{NetworkName, Offers},
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
