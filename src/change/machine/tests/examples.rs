//! One example of each way in which a change goes well or wrong.

use std::collections::BTreeSet;

use super::*;
use crate::{
    change::testing::{Await, Restarted, Save, Seen},
    terms::Value,
};

/// What a change did to the device, in order.
fn acts(world: &World) -> Vec<&str> {
    let acting = |entry: &&String| entry.starts_with("save ") || *entry == "restart";
    world
        .log
        .iter()
        .filter(acting)
        .map(String::as_str)
        .collect()
}

fn saves(saves: &[Save]) -> Script {
    Script {
        saves: saves.to_vec(),
        ..Script::default()
    }
}

fn reads(reads: &[Seen]) -> Script {
    Script {
        reads: reads.to_vec(),
        ..Script::default()
    }
}

fn code(report: &Report) -> &str {
    report
        .trouble
        .as_ref()
        .map_or("", |trouble| trouble.code.as_str())
}

fn ended(report: &Report) -> (Outcome, u8, &str) {
    (report.outcome, report.exit.code(), code(report))
}

#[test]
fn one_restarting_save_is_done_after_its_restart() {
    let (report, world) = change(&Family::one_restarting_save(), Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    let [line] = &report.lines[..] else {
        panic!("one line: {:?}", report.lines);
    };
    assert_eq!(line.plan.before, Reading::Known(Value::Number(7.into())));
    assert_eq!(line.plan.after, Value::Off);
    assert_eq!(line.proof, Proof::AfterRestart);
    assert_eq!(
        world.log,
        [
            "read",
            "try",
            "keep",
            "note planned",
            "ask",
            "note agreed",
            "read",
            "note writing",
            "save air",
            "note wrote",
            "note restarting",
            "await",
            "note there",
            "read",
            "note read-back",
            "note proved",
            "end",
        ]
    );
}

#[test]
fn a_save_that_restarts_nothing_is_proved_by_its_read_back() {
    let mut family = Family::one_restarting_save();
    let profile = Arc::make_mut(&mut family.profile);
    profile
        .saves
        .iter_mut()
        .for_each(|save| save.restarts = false);
    let (report, world) = change(&family, Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert_eq!(report.lines[0].proof, Proof::ReadBack);
    assert_eq!(acts(&world), ["save air"]);
}

#[test]
fn two_saves_are_each_read_back_before_the_one_restart() {
    let (report, world) = change(&Family::two_saves_and_a_restart(), Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert!(
        report
            .lines
            .iter()
            .all(|line| line.proof == Proof::AfterRestart)
    );
    assert_eq!(
        world.log[7..],
        [
            "note writing",
            "save craft",
            "note wrote",
            "read",
            "note read-back",
            "note writing",
            "save waves",
            "note wrote",
            "read",
            "note read-back",
            "note restarting",
            "restart",
            "await",
            "note there",
            "read",
            "note proved",
            "end",
        ]
    );
}

#[test]
fn a_family_that_never_restarts_is_proved_by_reading_back() {
    let (report, world) = change(&Family::flag_and_slot(), Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert_eq!(report.lines[0].proof, Proof::ReadBack);
    assert_eq!(acts(&world), ["save slot", "save flag"]);
}

#[test]
fn an_address_alone_needs_a_person_who_says_that_it_is_the_only_one() {
    let family = Family::only_address();
    let (report, world) = change(&family, Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert_eq!(world.log[1], "ask address");
    for (answer, exit) in [
        (Answer::No, (Outcome::Refused, 6, "declined")),
        (
            Answer::Nobody("nobody is there".into()),
            (Outcome::Refused, 6, "identity-undetermined"),
        ),
    ] {
        let script = Script {
            address: Some(answer),
            ..Script::default()
        };
        let (report, world) = change(&family, script);
        assert_eq!(ended(&report), exit);
        assert_eq!(world.log, ["read", "ask address", "end"]);
    }
}

#[test]
fn nothing_is_put_back_by_itself_where_only_the_address_is_known() {
    let (report, world) = change(&Family::only_address(), saves(&[Save::ResetsOther]));
    assert_eq!(
        ended(&report),
        (Outcome::Unproved, 7, "identity-undetermined")
    );
    assert_eq!(acts(&world), ["save air"]);
}

#[test]
fn what_is_as_wanted_already_is_not_touched() {
    let mut family = Family::one_restarting_save();
    family.want("model-lock", Value::Number(7.into()));
    let (report, world) = change(&family, Script::default());
    assert_eq!(ended(&report), (Outcome::NothingToDo, 0, ""));
    assert_eq!(world.log, ["read", "end"]);
}

#[test]
fn a_dry_run_plans_and_keeps_nothing() {
    let family = Family::two_saves_and_a_restart();
    let mut dry = machine(&family);
    dry.options.dry_run = true;
    let mut world = World::new(&family, Script::default());
    let report = world.run(dry).expect("an end");
    assert_eq!(ended(&report), (Outcome::Planned, 0, ""));
    assert_eq!(report.lines.len(), 2);
    assert_eq!(world.log, ["read", "try", "end"]);
}

#[test]
fn nothing_is_written_without_consent() {
    for (answer, expected) in [
        (Answer::No, "declined"),
        (Answer::Nobody("nobody is there".into()), "no-consent"),
    ] {
        let script = Script {
            consent: Some(answer),
            ..Script::default()
        };
        let (report, world) = change(&Family::one_restarting_save(), script);
        assert_eq!(ended(&report), (Outcome::Refused, 6, expected));
        assert!(acts(&world).is_empty());
    }
}

#[test]
fn a_lock_that_is_back_after_the_restart_is_put_back_without_another_write() {
    for family in [
        Family::one_restarting_save(),
        Family::two_restarting_saves(),
    ] {
        let (report, world) = change(&family, saves(&[Save::BackAfterRestart]));
        assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
        assert_eq!(report.lines[0].proof, Proof::None);
        assert_eq!(acts(&world), ["save air"]);
        assert!(world.is_untouched());
    }
}

#[test]
fn what_else_took_is_put_back_when_a_lock_is_back_after_the_restart() {
    let family = Family::two_saves_and_a_restart();
    let (report, world) = change(&family, saves(&[Save::BackAfterRestart]));
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert_eq!(
        acts(&world),
        [
            "save craft",
            "save waves",
            "restart",
            "save waves",
            "restart"
        ]
    );
    assert!(world.is_untouched());
}

#[test]
fn a_save_that_is_ignored_is_told_from_one_that_shows_after_the_restart() {
    let family = Family::two_saves_and_a_restart();
    let (report, world) = change(&family, saves(&[Save::Ignored]));
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert_eq!(acts(&world), ["save craft", "restart"]);
    let (report, world) = change(&family, saves(&[Save::ShowsLater]));
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "put-back-failed"));
    assert!(!world.is_untouched());
}

#[test]
fn without_a_restart_nothing_is_called_put_back_where_saving_restarts() {
    let script = saves(&[Save::OnlyShows]);
    let (report, _) = change(&Family::one_restarting_save(), script);
    assert_eq!(
        ended(&report),
        (Outcome::Unproved, 7, "restart-not-witnessed")
    );
}

#[test]
fn what_a_careless_save_resets_is_put_back_once() {
    for family in [
        Family::one_restarting_save(),
        Family::two_restarting_saves(),
        Family::two_saves_and_a_restart(),
    ] {
        let script = saves(&[Save::Takes, Save::ResetsOther]);
        let only = saves(&[Save::ResetsOther]);
        let one = family.profile.saves.len() == 1;
        let (report, world) = change(&family, if one { only } else { script });
        assert_eq!(
            ended(&report),
            (Outcome::PutBack, 5, "put-back"),
            "{family:?}"
        );
        assert!(world.is_untouched());
        assert!(world.log.contains(&"note writing-back".to_owned()));
    }
}

#[test]
fn a_device_that_resets_something_each_time_is_left_unproved() {
    let script = saves(&[Save::ResetsOther, Save::ResetsOther, Save::ResetsOther]);
    let mut family = Family::one_restarting_save();
    family.reset = (
        crate::change::testing::families::named("called"),
        Raw::Text("Scaup".into()),
    );
    let (report, world) = change(&family, script);
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "put-back-failed"));
    assert_eq!(acts(&world), ["save air", "save air"]);
}

#[test]
fn an_off_is_put_back_with_the_number_beside_it() {
    let family = Family::flag_and_slot();
    let (report, world) = change(&family, saves(&[Save::Takes, Save::Ignored]));
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert_eq!(acts(&world), ["save slot", "save flag", "save slot"]);
    assert!(world.is_untouched());
}

#[test]
fn a_lost_restart_request_is_no_restart() {
    let family = Family::two_saves_and_a_restart();
    for awaits in [vec![], vec![Await::Flaps]] {
        let script = Script {
            restarts: vec![Restarted::Lost],
            awaits,
            ..Script::default()
        };
        let (report, world) = change(&family, script);
        assert_eq!(
            ended(&report),
            (Outcome::Unproved, 7, "restart-not-witnessed")
        );
        assert!(
            report
                .lines
                .iter()
                .all(|line| line.proof == Proof::ReadBack)
        );
        assert_eq!(acts(&world), ["save craft", "save waves", "restart"]);
    }
}

#[test]
fn an_uptime_that_went_on_is_no_restart_whatever_the_laptop_saw() {
    let script = Script {
        saves: vec![Save::NoRestart],
        awaits: vec![Await::Flaps],
        ..Script::default()
    };
    let (report, _) = change(&Family::one_restarting_save(), script);
    assert_eq!(
        ended(&report),
        (Outcome::Unproved, 7, "restart-not-witnessed")
    );
}

#[test]
fn a_laptop_that_sleeps_after_the_last_reading_sees_no_restart_in_it() {
    for sleeps_after in 11..16 {
        let script = Script {
            saves: vec![Save::NoRestart],
            sleeps_after: Some(sleeps_after),
            ..Script::default()
        };
        let (report, _) = change(&Family::one_restarting_save(), script);
        assert_eq!(
            ended(&report),
            (Outcome::Unproved, 7, "restart-not-witnessed")
        );
    }
}

#[test]
fn a_restart_too_fast_to_be_seen_is_told_by_its_mark() {
    let script = Script {
        awaits: vec![Await::Misses],
        ..Script::default()
    };
    let (report, _) = change(&Family::two_saves_and_a_restart(), script);
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
}

#[test]
fn each_restart_is_witnessed_anew_where_only_being_gone_tells() {
    let two = Family::two_restarting_saves().without_mark();
    let (report, _) = change(&two, Script::default());
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    let (report, _) = change(&two, saves(&[Save::Takes, Save::NoRestart]));
    assert_eq!(
        ended(&report),
        (Outcome::Unproved, 7, "restart-not-witnessed"),
        "the restart of the first save is none of the second"
    );
    let gone_before = Script {
        reads: vec![Seen::All, Seen::All, Seen::All, Seen::Nothing],
        awaits: vec![Await::Flaps],
        restarts: vec![Restarted::Lost],
        ..Script::default()
    };
    let requested = Family::two_saves_and_a_restart().without_mark();
    let (report, _) = change(&requested, gone_before);
    assert_eq!(
        ended(&report),
        (Outcome::Unproved, 7, "restart-not-witnessed"),
        "gone before the request is not gone after it"
    );
}

#[test]
fn gone_stays_gone_over_a_second_wait() {
    let family = Family::one_restarting_save().without_mark();
    let (report, world) = change(&family, reads(&[Seen::All, Seen::All, Seen::Nothing]));
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert_eq!(
        world.log.iter().filter(|entry| *entry == "await").count(),
        2
    );
}

#[test]
fn a_restart_request_that_fails_is_noted_and_proves_nothing() {
    let family = Family::two_saves_and_a_restart();
    for (how, awaits) in [(Restarted::Refused, 0), (Restarted::NotSent, 1)] {
        let script = Script {
            restarts: vec![how],
            ..Script::default()
        };
        let (report, world) = change(&family, script);
        assert_eq!(
            ended(&report),
            (Outcome::Unproved, 7, "restart-not-witnessed")
        );
        assert!(report.notes[0].starts_with("the restart request failed: "));
        assert_eq!(
            world.log.iter().filter(|entry| *entry == "await").count(),
            awaits
        );
    }
    let twice_away = Script {
        reads: vec![Seen::All, Seen::All, Seen::Nothing],
        restarts: vec![Restarted::NotSent],
        ..Script::default()
    };
    let (report, _) = change(&family, twice_away);
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "not-back"));
}

#[test]
fn a_device_whose_marks_are_gone_is_not_taken_for_the_same() {
    let family = Family::one_restarting_save();
    let (report, world) = change(&family, reads(&[Seen::All, Seen::NoMarks]));
    assert_eq!(ended(&report), (Outcome::Refused, 6, "another-device"));
    assert!(acts(&world).is_empty());
}

#[test]
fn another_family_after_a_write_is_not_waited_for() {
    let family = Family::flag_and_slot();
    let (report, world) = change(&family, reads(&[Seen::All, Seen::All, Seen::OtherFamily]));
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "other-family"));
    assert!(!world.log.contains(&"await".to_owned()));
}

#[test]
fn a_save_without_an_answer_counts_by_what_is_read_back() {
    for family in Family::all() {
        let hidden = ["local-passphrase", "light"];
        if hidden.iter().any(|name| family.wanted.contains_key(*name)) {
            continue;
        }
        let (report, world) = change(&family, saves(&[Save::Unanswered, Save::Unanswered]));
        assert_eq!(ended(&report), (Outcome::Done, 0, ""), "{family:?}");
        assert!(world.has(&family.wanted));
    }
}

#[test]
fn a_save_that_never_left_wrote_nothing() {
    let (report, world) = change(&Family::one_restarting_save(), saves(&[Save::NotSent]));
    assert_eq!(ended(&report), (Outcome::Failed, 1, "not-sent"));
    assert!(!report.wrote);
    assert!(matches!(
        world.steps.last(),
        Some(Step::Wrote { not_sent: true, .. })
    ));
}

#[test]
fn a_second_save_that_never_left_puts_the_first_one_back() {
    let family = Family::two_saves_and_a_restart();
    let (report, world) = change(&family, saves(&[Save::Takes, Save::NotSent]));
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert_eq!(
        acts(&world),
        ["save craft", "save waves", "save craft", "restart"]
    );
    assert!(world.is_untouched());
}

#[test]
fn a_refused_save_tells_what_the_device_said() {
    let (report, world) = change(&Family::one_restarting_save(), saves(&[Save::Refused]));
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert!(report.lines[0].why.ends_with("the device said: not kept"));
    assert!(
        !world.log.contains(&"await".to_owned()),
        "it does not restart"
    );
    assert!(world.is_untouched());
}

#[test]
fn another_device_before_the_write_is_refused_and_after_it_unproved() {
    let family = Family::one_restarting_save();
    let (report, world) = change(&family, reads(&[Seen::All, Seen::Stranger]));
    assert_eq!(ended(&report), (Outcome::Refused, 6, "another-device"));
    assert!(acts(&world).is_empty());
    let (report, world) = change(&family, reads(&[Seen::All, Seen::All, Seen::Stranger]));
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "another-device"));
    assert_eq!(acts(&world), ["save air"]);
}

#[test]
fn what_somebody_else_changed_meanwhile_is_not_written_over() {
    let family = Family::one_restarting_save();
    let (report, world) = change(&family, reads(&[Seen::All, Seen::Touched]));
    assert_eq!(ended(&report), (Outcome::Refused, 6, "changed-meanwhile"));
    assert!(acts(&world).is_empty());
}

#[test]
fn a_reading_that_fails_after_a_write_is_made_once_more() {
    let family = Family::flag_and_slot();
    let (report, world) = change(&family, reads(&[Seen::All, Seen::All, Seen::Nothing]));
    assert_eq!(ended(&report), (Outcome::Done, 0, ""));
    assert_eq!(
        world.log.iter().filter(|entry| *entry == "await").count(),
        1
    );
    let (report, world) = change(&family, reads(&[Seen::All, Seen::All, Seen::NothingEver]));
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "no-answer"));
    assert_eq!(
        world.log.iter().filter(|entry| *entry == "await").count(),
        1
    );
    assert_eq!(acts(&world), ["save slot"]);
}

#[test]
fn an_earlier_page_after_a_save_is_not_taken_for_a_save_that_did_not_take() {
    // Read, read again, and what follows a save or the restart.
    for family in [
        Family::one_restarting_save(),
        Family::two_restarting_saves(),
        Family::two_saves_and_a_restart(),
        Family::flag_and_slot(),
    ] {
        let all = family.profile.saves.len();
        for earlier in 2..2 + all {
            let mut seen = vec![Seen::All; earlier];
            seen.push(Seen::Earlier);
            let (report, world) = change(&family, reads(&seen));
            assert_eq!(
                ended(&report),
                (Outcome::Done, 0, ""),
                "{family:?} {earlier}"
            );
            assert!(world.has(&family.wanted), "{family:?}");
        }
    }
}

#[test]
fn what_did_not_take_is_read_once_more_and_then_believed() {
    let (report, world) = change(&Family::one_restarting_save(), saves(&[Save::Ignored]));
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert_eq!(
        world.log[world.log.len() - 4..],
        ["read", "read", "note read-back", "end"]
    );
}

#[test]
fn a_journal_that_fails_before_the_first_write_stops_it() {
    for at in 0..4 {
        let script = Script {
            journal_fails: BTreeSet::from([at]),
            ..Script::default()
        };
        let (report, world) = change(&Family::two_saves_and_a_restart(), script);
        assert_eq!(ended(&report), (Outcome::Failed, 1, "disk-full"));
        assert!(acts(&world).is_empty());
    }
}

#[test]
fn a_journal_that_fails_after_the_first_write_turns_it_back() {
    let script = Script {
        journal_fails: (4..100).collect(),
        ..Script::default()
    };
    let family = Family::two_saves_and_a_restart();
    let (report, world) = change(&family, script);
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert_eq!(acts(&world), ["save craft", "save craft", "restart"]);
    assert!(world.is_untouched());
    assert!(
        report
            .notes
            .iter()
            .any(|note| note.contains("journal failed"))
    );
}

#[test]
fn stopping_is_cancelled_before_the_first_save_and_unproved_after_it() {
    for at in 0..40 {
        let script = Script {
            cancel_at: Some(at),
            ..Script::default()
        };
        let (report, world) = change(&Family::two_saves_and_a_restart(), script);
        if world.written_to.is_empty() {
            assert_eq!(
                ended(&report),
                (Outcome::Refused, 130, "cancelled"),
                "at {at}"
            );
        } else if report.outcome != Outcome::Done {
            assert_eq!(
                ended(&report),
                (Outcome::Unproved, 7, "cancelled"),
                "at {at}"
            );
        }
    }
}

#[test]
fn a_value_that_is_never_shown_is_neither_done_nor_put_back() {
    let family = Family::hidden_value();
    let (report, world) = change(&family, Script::default());
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "not-shown"));
    assert_eq!(acts(&world), ["save shore", "save craft", "restart"]);
    let proof = |setting: &str| {
        let mut lines = report.lines.iter();
        let line = lines.find(|line| line.plan.setting == *setting);
        line.expect("a line for each").proof
    };
    assert_eq!(proof("model-lock"), Proof::AfterRestart);
    assert_eq!(proof("local-passphrase"), Proof::None);
    let (report, world) = change(&family, saves(&[Save::Takes, Save::Ignored]));
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "cannot-put-back"));
    assert!(!world.is_untouched());
}

#[test]
fn a_hidden_value_that_was_not_sent_yet_does_not_keep_the_rest_from_being_put_back() {
    let mut family = Family::hidden_value();
    Arc::make_mut(&mut family.profile).saves.rotate_left(1);
    let (report, world) = change(&family, saves(&[Save::Ignored]));
    assert_eq!(ended(&report), (Outcome::PutBack, 5, "put-back"));
    assert_eq!(acts(&world), ["save craft", "restart"]);
    assert!(world.is_untouched());
}

#[test]
fn a_value_that_stands_nowhere_is_not_called_put_back() {
    let (report, world) = change(&Family::unshown_value(), Script::default());
    assert_eq!(ended(&report), (Outcome::Unproved, 7, "cannot-put-back"));
    assert!(!world.is_untouched());
}

#[test]
fn a_plan_that_cannot_be_is_told_before_anything_is_kept() {
    let mut family = Family::one_restarting_save();
    family.want("bind-key", Value::Bytes(vec![1, 2, 3, 4, 5, 6]));
    let (report, world) = change(&family, Script::default());
    assert_eq!(ended(&report), (Outcome::Failed, 1, "no-such-setting"));
    assert_eq!(world.log, ["read", "end"]);
}
