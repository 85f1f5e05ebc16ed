//! Each fault in a world, without sockets and without waiting.

use serde_json::json;

use super::{tests::*, *};
use crate::{fault::Faults, http::Piece};

fn bench(family: Family, faults: &str) -> Bench {
    let mut options = Options::new(family, Scenario::Locked);
    options.faults = faults
        .split(' ')
        .map(|text| text.parse().expect("a fault"))
        .collect::<Faults>();
    Bench::of(&options)
}

/// The number of the request at which the only fault has happened.
fn happened(bench: &mut Bench) -> Option<u64> {
    bench.truth().faults[0].happened
}

#[test]
fn request_that_is_dropped_or_in_trouble_is_not_carried_out() {
    for (fault, pieces_are_reset) in [("drop@2", true), ("trouble@2", false)] {
        let mut bench = bench(SCRIPT, fault);
        bench.read();
        let answer = bench.unlock();
        assert_eq!(pieces(&answer) == [Piece::Reset], pieces_are_reset);
        assert_eq!(bench.lock(), json!(7));
        let truth = bench.truth();
        assert_eq!(truth.devices[0].saves, 0);
        assert!(!truth.requests[1].carried_out && truth.requests[1].acts);
        assert_eq!(happened(&mut bench), Some(2));
        bench.unlock();
        assert_eq!(bench.lock(), json!("off"), "once");
    }
}

#[test]
fn refused_connection_counts_as_a_request_and_later_ones_are_not() {
    let mut bench = bench(FORM, "refuse@2");
    assert!(!bench.world.refuses(bench.now));
    bench.read();
    assert!(bench.world.refuses(bench.now));
    assert!(!bench.world.refuses(bench.now));
    let last = bench.truth().requests.pop().expect("a request");
    assert_eq!((last.number, last.fault.as_deref()), (2, Some("refuse")));
}

#[test]
fn answer_is_lost_cut_stalled_or_sent_twice_after_it_was_carried_out() {
    for fault in ["lose-answer@2", "cut@2", "stall@2", "twice@2", "slow@2"] {
        let mut bench = bench(FORM, fault);
        bench.unlock();
        assert!(bench.plans_a_restart(), "{fault}");
        assert_eq!(bench.lock(), json!("off"));
        assert_eq!(happened(&mut bench), Some(2));
        let truth = bench.truth();
        assert!(truth.requests[1].carried_out);
        assert_eq!(truth.requests[1].answer.is_none(), fault == "lose-answer@2");
    }
}

#[test]
fn restart_midway_comes_to_any_request() {
    let mut bench = bench(SCRIPT, "restart-midway@1");
    let answer = bench.read();
    assert!(bench.plans_a_restart());
    assert_eq!(pieces(&answer).last(), Some(&Piece::Reset));
    assert!(matches!(bench.later(1).read(), Handled::Gone));
    let truth = bench.truth();
    assert_eq!(truth.devices[0].boots, 1);
    assert!(!truth.requests[0].carried_out, "nobody asked for it");
}

#[test]
fn saves_are_kept_in_part_or_not_at_all_though_the_answer_is_as_ever() {
    let after = |fault| {
        let mut bench = bench(SCRIPT, fault);
        bench.read();
        let answer = bench.post(
            "/take-over",
            "application/json",
            r#"{"title":"Coot","lamp":7}"#,
        );
        assert!(text(&answer).ends_with("taken 2"));
        assert_eq!(happened(&mut bench), Some(2), "the first save");
        bench.truth().devices.remove(0)
    };
    let half = after("half-kept@1");
    assert_eq!(half.settings["name"], "Coot");
    assert_eq!(
        half.settings["model-lock"], "off",
        "left out, and in the first half"
    );
    assert_eq!((&half.settings["light"], half.saves), (&json!(40), 1));
    let lost = after("half-lost@1");
    assert_eq!(
        (&lost.settings["name"], &lost.settings["light"]),
        (&json!("Coot"), &json!(50))
    );
    let none = after("not-kept@1");
    assert_eq!(none.settings["name"], none.states[0].settings["name"]);
    assert_eq!((none.saves, none.states.len()), (0, 1));
}

#[test]
fn restarts_are_lost_or_come_twice() {
    let mut lost = bench(SCRIPT, "lost-restart@1");
    lost.unlock();
    lost.restart();
    assert!(!lost.plans_a_restart());
    assert_eq!(happened(&mut lost), Some(2));

    let mut twice = bench(SCRIPT, "double-restart@1");
    twice.unlock();
    twice.restart();
    let first = twice.comes_back();
    assert!(
        matches!(twice.read(), Handled::Answer(..)),
        "back for a moment"
    );
    let again = twice.world.due().expect("one more restart");
    assert_eq!(again, first + Duration::from_millis(300));
    twice.now = again;
    assert!(matches!(twice.read(), Handled::Gone));
    twice.now = twice.world.due().expect("its end");
    assert!(matches!(twice.read(), Handled::Answer(..)));
    assert_eq!(twice.truth().devices[0].boots, 2);
}

#[test]
fn earlier_answer_comes_once_more_where_there_is_one() {
    let mut bench = bench(SCRIPT, "stale@1");
    let first = bench.read();
    bench.unlock();
    let second = bench.read();
    assert_eq!(
        pieces(&first),
        pieces(&second),
        "it tells of the lock that is gone"
    );
    assert_ne!(pieces(&first), pieces(&bench.read()));
    assert_eq!(happened(&mut bench), Some(3));
}

#[test]
fn lookalike_answers_once_or_three_times_and_is_the_last_of_the_devices() {
    let mut bench = bench(SCRIPT, "lookalike@2");
    let before = bench.truth();
    assert_eq!(before.devices.len(), 2);
    assert_ne!(before.devices[0].bssid, before.devices[1].bssid);
    bench.read();
    bench.unlock();
    let truth = bench.truth();
    assert_eq!(truth.devices[0].settings["model-lock"], 7);
    assert_eq!(truth.devices[1].settings["model-lock"], "off");
    assert_eq!((truth.requests[1].device, truth.present), (1, 0));
    assert_eq!(truth.devices[1].states.len(), 2);
    bench.unlock();
    assert_eq!(bench.lock(), json!("off"));
    // One that can be told by its serial stays for long enough to be written to.
    let mut bench = self::bench(FORM, "lookalike@2");
    for expected in [0, 1, 1, 1, 0] {
        bench.read();
        let last = bench.truth().requests.pop().expect("a request");
        assert_eq!(last.device, expected, "{last:?}");
    }
}

#[test]
fn truth_tells_what_happened_and_what_did_not() {
    let mut bench = bench(FORM, "cut@1 lost-restart@9");
    bench.read();
    let faults = bench.truth().faults;
    assert_eq!(faults[0].fault, "cut@1");
    assert_eq!((faults[0].happened, faults[1].happened), (Some(1), None));
    let lines = bench.world.take_lines();
    assert!(lines[0].contains("GET / answer 200 [cut]"), "{lines:?}");
}

#[test]
fn device_restarts_or_loses_its_power_by_itself_and_carries_nothing_out() {
    for (fault, is_back) in [
        ("restart-alone@2", true),
        ("away@2", true),
        ("leave@2", false),
    ] {
        let mut bench = bench(SCRIPT, fault);
        bench.read();
        assert_eq!(pieces(&bench.unlock()), [Piece::Reset], "{fault}");
        assert!(matches!(bench.read(), Handled::Gone), "{fault}");
        let truth = bench.truth();
        assert!(!truth.requests[1].carried_out);
        assert_eq!(truth.powered, fault == "restart-alone@2");
        // Three waits of 8 s without power, and the one of its start.
        bench.later(33);
        let answers = matches!(bench.read(), Handled::Answer(..));
        assert_eq!(answers, is_back, "{fault}");
        assert_eq!(bench.lock(), json!(7));
        assert_eq!(bench.truth().devices[0].boots, u64::from(is_back));
    }
}

#[test]
fn hand_on_the_switch_comes_before_the_power_that_returns_by_itself() {
    let mut bench = bench(SCRIPT, "away@1");
    bench.read();
    bench.world.power(false, bench.now);
    bench.later(60);
    assert!(matches!(bench.read(), Handled::Gone));
    bench.world.power(true, bench.now);
    assert!(matches!(bench.later(9).read(), Handled::Answer(..)));
}

#[test]
fn old_lock_and_another_bssid_come_with_the_restart() {
    let mut bench = bench(FORM, "old-lock@1");
    let before = bench.truth().devices[0].bssid.clone();
    bench.unlock();
    assert_eq!(bench.lock(), json!("off"), "it says so until it restarts");
    bench.comes_back();
    let truth = bench.truth();
    assert_eq!(truth.devices[0].settings["model-lock"], 7);
    assert_eq!(truth.devices[0].states.len(), 3);
    assert_eq!(truth.devices[0].bssid, before);
    // Once.
    bench.unlock();
    bench.comes_back();
    assert_eq!(bench.lock(), json!("off"));

    let mut bench = self::bench(FORM, "other-bssid@1");
    bench.unlock();
    assert_eq!(bench.truth().devices[0].bssid, before);
    bench.comes_back();
    assert_ne!(bench.truth().devices[0].bssid, before);
}

#[test]
fn neighbour_answers_on_a_shelf_alone_and_only_where_it_can_be_told() {
    let mut options = Options::new(FORM, Scenario::Locked);
    options.faults = Faults::from_iter(["neighbour@1".parse().expect("a fault")]);
    assert_eq!(World::new(&options).err(), Some(Unfit::Neighbour));
    let cast = Cast {
        serial: "TD-00471".to_owned(),
        bssid: [2; 6],
        name: "Coot".to_owned(),
        bind_key: None,
        visited: false,
        chaos: None,
    };
    assert!(World::with(&options, Some(&cast)).is_ok());
    options.family = SCRIPT;
    let unfit = World::with(&options, Some(&cast)).err();
    assert_eq!(unfit, Some(Unfit::Neighbour));
}
