//! Whether the network of a receiver is open, and what turns that, without waiting.

use serde_json::json;
use tokio::sync::mpsc;

use super::{
    tests::{Bench, FORM, SCRIPT},
    *,
};
use crate::Air;

/// A receiver that is powered up when the simulation starts.
fn cold(family: Family, speed: f64) -> Bench {
    let mut options = Options::new(family, Scenario::Locked);
    options.from_cold = true;
    options.speed = speed;
    let mut bench = Bench::of(&options);
    bench.now = Duration::ZERO;
    bench
}

/// What was told since the last look, as it is told.
fn told(air: &mut mpsc::UnboundedReceiver<Air>) -> Vec<String> {
    std::iter::from_fn(|| air.try_recv().ok())
        .map(|air| match air {
            Air::Open { .. } => "open".to_owned(),
            Air::Closed(why) => why.word().to_owned(),
        })
        .collect()
}

/// Lets everything happen that is due by then.
fn settled(bench: &mut Bench, seconds: u64) -> bool {
    let now = bench.later(seconds).now;
    !bench.world.is_gone(now)
}

#[test]
fn receiver_from_cold_opens_its_network_after_its_wait_divided_by_the_speed() {
    for (speed, from, to) in [(1.0, 40_000, 55_000), (10.0, 4_000, 5_500)] {
        let mut bench = cold(FORM, speed);
        let mut air = bench.world.listen(bench.now);
        assert!(matches!(bench.read(), Handled::Gone));
        let opens = bench.world.due().expect("its network is to open");
        let range = Duration::from_millis(from)..=Duration::from_millis(to);
        assert!(range.contains(&opens), "{opens:?}");
        bench.now = opens;
        let page = tests::text(&bench.read());
        let awake = format!("<td id=\"awake\">{} s</td>", opens.as_secs());
        assert!(page.contains(&awake), "{awake}: {page}");
        assert_eq!(told(&mut air), ["power", "open"]);
        assert_eq!(bench.truth().devices[0].boots, 0);
    }
}

#[test]
fn open_air_names_the_access_point_and_the_truth_tells_the_same() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    let bssid = bench.world.bssid(bench.now);
    let mut air = bench.world.listen(bench.now);
    assert_eq!(air.try_recv(), Ok(Air::Open { bssid }));
    let truth = bench.truth();
    let told = serde_json::to_value(truth.air).expect("plain data");
    assert_eq!(
        told,
        json!({"air": "open", "bssid": truth.devices[0].bssid})
    );
    assert!(truth.powered && !truth.transmitter && !truth.joined);
}

#[test]
fn each_restart_closes_the_air_until_the_wait_is_over_also_when_nobody_looked_meanwhile() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    let mut air = bench.world.listen(bench.now);
    bench.unlock();
    assert!(settled(&mut bench, 100));
    assert_eq!(told(&mut air), ["open", "restart", "open"]);
    assert_eq!(bench.world.departures(), 1);
    bench.world.power_cycle(bench.now);
    assert!(settled(&mut bench, 100));
    assert_eq!(told(&mut air), ["power", "open"]);
    assert_eq!(bench.world.departures(), 2);
}

#[test]
fn without_power_nothing_opens_and_with_it_only_after_the_wait() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    let mut air = bench.world.listen(bench.now);
    for _ in 0..2 {
        bench.world.power(false, bench.now);
    }
    assert!(!settled(&mut bench, 1000) && !bench.truth().powered);
    assert_eq!(bench.world.due(), None);
    for _ in 0..2 {
        bench.world.power(true, bench.now);
    }
    assert!(!settled(&mut bench, 39) && bench.truth().powered);
    assert!(settled(&mut bench, 17));
    assert_eq!(told(&mut air), ["open", "power", "open"]);
    assert_eq!(bench.truth().devices[0].boots, 1);
    // Its uptime is from the power-up on.
    assert!(tests::text(&bench.read()).contains("<td id=\"awake\">56 s</td>"));
}

#[test]
fn restart_that_was_under_way_is_forgotten_with_the_power() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    bench.unlock();
    bench.world.power(false, bench.now);
    bench.later(1);
    bench.world.power(true, bench.now);
    assert!(settled(&mut bench, 56));
    assert_eq!(bench.truth().devices[0].boots, 1);
    assert_eq!(bench.lock(), json!("off"), "the save was taken");
    assert_eq!(bench.world.due(), None);
}

#[test]
fn transmitter_closes_the_air_at_once_and_the_wait_begins_anew_when_it_is_off() {
    let mut bench = Bench::new(FORM, Scenario::Locked);
    let mut air = bench.world.listen(bench.now);
    bench.world.transmitter(true, bench.now);
    assert!(matches!(bench.read(), Handled::Gone));
    assert!(!settled(&mut bench, 1000) && bench.truth().transmitter);
    assert_eq!(bench.world.due(), None);
    bench.world.transmitter(false, bench.now);
    assert!(!settled(&mut bench, 39));
    assert!(settled(&mut bench, 17));
    assert_eq!(told(&mut air), ["open", "transmitter", "open"]);
    let truth = bench.truth();
    assert_eq!(truth.devices[0].boots, 0, "it was not restarted");
    // 83 s when the simulation starts, and never anew.
    let awake = 83 + bench.now.as_secs();
    let page = tests::text(&bench.read());
    assert!(page.contains(&format!("<td id=\"awake\">{awake} s</td>")));
}

#[test]
fn transmitter_that_is_on_outlasts_restart_and_power() {
    let mut bench = cold(FORM, 1.0);
    let mut air = bench.world.listen(bench.now);
    bench.world.transmitter(true, bench.now);
    assert!(!settled(&mut bench, 100));
    bench.world.power(false, bench.now);
    bench.world.power(true, bench.now);
    assert!(!settled(&mut bench, 100));
    // Off while the receiver has no power: only the wait of its start counts then.
    bench.world.power(false, bench.now);
    bench.world.transmitter(false, bench.now);
    assert_eq!(bench.world.due(), None);
    bench.world.power(true, bench.now);
    assert!(!settled(&mut bench, 39));
    assert!(settled(&mut bench, 17));
    assert_eq!(
        told(&mut air),
        [
            "power",
            "transmitter",
            "power",
            "transmitter",
            "power",
            "open"
        ]
    );
}

#[test]
fn joined_receiver_serves_while_its_air_is_closed_and_only_after_its_wait() {
    let mut bench = cold(SCRIPT, 1.0);
    let mut air = bench.world.listen(bench.now);
    bench.world.joined(true, bench.now);
    assert!(!settled(&mut bench, 3));
    assert!(settled(&mut bench, 6) && bench.truth().joined);
    bench.restart();
    assert!(!settled(&mut bench, 1));
    assert!(settled(&mut bench, 20));
    bench.world.transmitter(true, bench.now);
    assert!(!settled(&mut bench, 1));
    bench.world.transmitter(false, bench.now);
    assert!(settled(&mut bench, 20));
    bench.world.joined(false, bench.now);
    assert!(settled(&mut bench, 0));
    assert_eq!(
        told(&mut air),
        [
            "power",
            "joined",
            "restart",
            "joined",
            "transmitter",
            "joined",
            "open"
        ]
    );
}

#[test]
fn bssid_is_another_after_every_start_where_it_is_to_change_and_stays_otherwise() {
    for changes in [true, false] {
        let mut options = Options::new(FORM, Scenario::Locked);
        options.bssid_changes = changes;
        let mut bench = Bench::of(&options);
        let mut air = bench.world.listen(bench.now);
        bench.unlock();
        settled(&mut bench, 100);
        bench.world.power(false, bench.now);
        bench.world.power(true, bench.now);
        settled(&mut bench, 100);
        bench.world.power_cycle(bench.now);
        settled(&mut bench, 100);
        let told = std::iter::from_fn(|| air.try_recv().ok());
        let mut seen: Vec<[u8; 6]> = told
            .filter_map(|air| match air {
                Air::Open { bssid } => Some(bssid),
                Air::Closed(_) => None,
            })
            .collect();
        assert_eq!(seen.len(), 4);
        assert_eq!(seen.last(), Some(&bench.world.bssid(bench.now)));
        assert!(seen.iter().all(|bssid| bssid[0] == 2), "{seen:?}");
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), if changes { 4 } else { 1 });
    }
}

#[test]
fn cold_start_is_not_the_restart_after_which_another_device_comes_back() {
    let mut options = Options::new(SCRIPT, Scenario::SwappedAfterRestart);
    options.from_cold = true;
    let mut bench = Bench::of(&options);
    assert!(settled(&mut bench, 10));
    assert_eq!(bench.truth().present, 0);
    bench.restart();
    assert!(settled(&mut bench, 20));
    assert_eq!(bench.truth().present, 1);
}
