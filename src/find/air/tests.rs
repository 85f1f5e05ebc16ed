//! Made-up lists of access points. The names and the maker's bytes are from nowhere.

use super::*;
use crate::profile;

fn point(name: &str, last: u8) -> AccessPoint {
    AccessPoint {
        name: name.into(),
        bssid: Mac([2, 0, 0, 0, 0, last]),
        signal: 60,
        frequency_mhz: 2437,
        offers: Offers {
            psk: true,
            ..Offers::default()
        },
        heard_s: None,
    }
}

fn heard(last: u8, heard_s: f64) -> AccessPoint {
    AccessPoint {
        heard_s: Some(heard_s),
        ..point("TarnBoat 3", last)
    }
}

fn families() -> Vec<Arc<Profile>> {
    profile::built_in().into_iter().map(Arc::new).collect()
}

fn last_bytes(points: &[AccessPoint]) -> Vec<u8> {
    points.iter().map(|point| point.bssid.0[5]).collect()
}

#[test]
fn star_of_a_pattern_stands_for_any_bytes_and_for_none() {
    for (pattern, name, expected) in [
        ("TarnBoat *", "TarnBoat 3", true),
        ("TarnBoat *", "TarnBoat ", true),
        ("TarnBoat *", "TarnBoat", false),
        ("TarnBoat *", "OtherTarnBoat 3", false),
        ("TarnBoat", "TarnBoat", true),
        ("TarnBoat", "TarnBoat 3", false),
        ("*", "", true),
        ("*Boat*", "TarnBoat 3", true),
        ("*3", "TarnBoat 33", true),
        ("T*o*t 3", "TarnBoat 3", true),
        ("T*t*t 3", "TarnBoat 3", false),
        ("TarnBoat*TarnBoat", "TarnBoat", false),
    ] {
        assert_eq!(
            fits(pattern.as_bytes(), name.as_bytes()),
            expected,
            "{pattern} {name}"
        );
    }
    assert!(
        fits(b"Tarn*", b"Tarn\xff\x00*"),
        "a name need not be a text"
    );
}

#[test]
fn several_of_one_name_stay_apart_and_strength_orders_nothing() {
    let mut loud = point("TarnBoat 3", 9);
    loud.signal = 100;
    let list = [
        loud,
        point("Reeds", 4),
        point("TarnBoat 3", 2),
        point("TarnBoat 1", 7),
    ];
    let found = candidates(&list, &families());
    let points: Vec<AccessPoint> = found.iter().map(|c| c.point.clone()).collect();
    assert_eq!(last_bytes(&points), [7, 2, 9]);
    assert!(found.iter().all(|c| c.families.len() == families().len()));
}

#[test]
fn network_of_the_name_that_is_secured_otherwise_or_in_another_band_is_no_candidate() {
    let mut open = point("TarnBoat 3", 1);
    open.offers = Offers {
        open: true,
        ..Offers::default()
    };
    let mut high = point("TarnBoat 3", 2);
    high.frequency_mhz = 5180;
    let mut both = point("TarnBoat 3", 3);
    both.offers.sae = true;
    let list = [open, high, both];
    let found = candidates(&list, &families());
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].point.bssid.0[5], 3);
    assert_eq!(last_bytes(&misfits(&list, &families())), [1, 2]);

    let alike = alike(&list, &families());
    assert_eq!(alike.len(), 1);
    assert!(alike[0].security && alike[0].band && !alike[0].maker);
    assert!(alike[0].is_suspect());
    assert_eq!(last_bytes(&alike[0].points), [1, 2, 3]);
}

#[test]
fn hidden_network_is_nobody_s() {
    let mut everything = profile::named("sample-form").expect("built in");
    if let Some(network) = &mut everything.network {
        network.names = vec!["*".into(), "TarnBoat 7".into()];
    }
    let everything = [Arc::new(everything)];
    assert!(candidates(&[point("", 1)], &everything).is_empty());
    assert_eq!(whole_names(&everything), ["TarnBoat 7".into()]);
}

#[test]
fn lookalikes_of_one_maker_are_alike_and_not_suspect() {
    let mut given_by_software = point("TarnBoat 3", 2);
    given_by_software.bssid.0[0] = 0;
    let list = [point("TarnBoat 3", 1), given_by_software.clone()];
    let twins = alike(&list, &families());
    assert_eq!(twins.len(), 1);
    assert!(!twins[0].is_suspect());

    given_by_software.bssid.0[1] = 0x5e;
    let list = [point("TarnBoat 3", 1), given_by_software];
    assert!(alike(&list, &families())[0].maker);
    assert!(alike(&[point("Reeds", 1), point("Reeds", 2)], &families()).is_empty());
}

#[test]
fn what_comes_after_the_mark_is_new() {
    let mut sightings = Sightings::new();
    sightings.hear(&[heard(1, 10.0)], Some(9.0));
    sightings.mark();
    assert!(sightings.came().is_empty() && sightings.went().is_empty());
    sightings.hear(&[heard(1, 10.0), heard(2, 14.0)], None);
    assert_eq!(last_bytes(&sightings.came()), [2]);
    assert_eq!(last_bytes(&sightings.there()), [1, 2]);
}

#[test]
fn what_fresh_scans_do_not_hear_any_more_is_gone_although_the_list_keeps_it() {
    let mut sightings = Sightings::new();
    sightings.hear(&[heard(1, 10.0), heard(2, 10.0)], Some(9.0));
    sightings.mark();
    sightings.hear(&[heard(1, 20.0), heard(2, 10.0)], Some(19.0));
    assert!(
        sightings.went().is_empty(),
        "one scan may miss what is there"
    );
    sightings.hear(&[heard(1, 25.0)], Some(24.0));
    assert_eq!(last_bytes(&sightings.went()), [2]);
    sightings.hear(&[heard(1, 30.0), heard(2, 30.0)], Some(29.0));
    assert!(sightings.went().is_empty());
    assert_eq!(
        last_bytes(&sightings.came()),
        [2],
        "it was off in between, so it is the one that was powered"
    );
}

#[test]
fn list_that_merely_changed_says_nothing_of_what_is_not_on_it() {
    let mut sightings = Sightings::new();
    sightings.hear(&[heard(1, 10.0)], Some(9.0));
    sightings.mark();
    for _ in 0..5 {
        sightings.hear(&[], None);
    }
    assert!(sightings.went().is_empty());
}

#[test]
fn entry_that_was_kept_from_long_ago_is_neither_new_nor_gone() {
    let mut sightings = Sightings::new();
    sightings.hear(&[heard(1, 10.0)], None);
    sightings.hear(&[heard(1, 10.0)], Some(100.0));
    sightings.mark();
    sightings.hear(&[heard(1, 10.0)], Some(105.0));
    assert!(sightings.went().is_empty(), "it was gone before the mark");
    sightings.hear(&[heard(1, 110.0)], Some(109.0));
    assert_eq!(last_bytes(&sightings.came()), [1]);
}

#[test]
fn lists_without_times_are_taken_for_what_their_scan_heard() {
    let mut sightings = Sightings::new();
    sightings.hear(&[point("TarnBoat 3", 1)], Some(1.0));
    sightings.mark();
    sightings.hear(&[], Some(2.0));
    sightings.hear(&[], Some(3.0));
    assert_eq!(last_bytes(&sightings.went()), [1]);
}
