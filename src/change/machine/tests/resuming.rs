//! Cut off at any moment, the next run knows.

use std::collections::BTreeSet;

use proptest::{option, prelude::*};

use super::{
    worlds::{cases, check, families, scripts},
    *,
};
use crate::change::testing::{Restarted, Save, Seen};

proptest! {
    #![proptest_config(cases(1500))]

    #[test]
    fn what_a_resumed_run_claims_is_true_of_the_device(
        family in families(),
        before in scripts(),
        after in scripts(),
        cut_at in 8usize..50,
        later in prop_oneof![Just(10.0), Just(400.0), Just(90_000.0)],
        undo in any::<bool>(),
        power_cycled in any::<bool>(),
        trust_address in any::<bool>(),
        again in option::weighted(0.5, (scripts(), 2usize..40, any::<bool>())),
    ) {
        let mut world = World::new(&family, Script {
            cut_at: Some(cut_at),
            // What a journal could not keep, no next run can know.
            journal_fails: BTreeSet::new(),
            ..before
        });
        if world.run(machine(&family)).is_some() {
            return Ok(());
        }
        let Some((mut cut_off, wanted)) = world
            .record
            .clone()
            .and_then(|record| CutOff::from_steps(record, &world.steps))
        else {
            prop_assert_eq!(world.carried_out, 0, "without a step nothing was written");
            return Ok(());
        };
        if undo {
            cut_off.direction = Direction::Back;
        }
        if power_cycled {
            world.power_cycle();
        }
        let resumed = |cut_off, wanted| {
            let options = Options { trust_address, ..options() };
            Machine::resume(Arc::clone(&family.profile), wanted, options, cut_off)
        };
        if let Some((script, cut_at, undo)) = again {
            world.again(
                Script {
                    cut_at: Some(cut_at),
                    journal_fails: BTreeSet::new(),
                    ..script
                },
                later,
            );
            if world.run(resumed(cut_off.clone(), wanted.clone())).is_some() {
                return Ok(());
            }
            let record = cut_off.original.clone();
            let (next, same) = CutOff::from_steps(record, &world.steps).expect("it was written");
            prop_assert_eq!(&same, &wanted);
            cut_off = next;
            if undo {
                cut_off.direction = Direction::Back;
            }
        }
        world.again(after, later);
        let report = world.run(resumed(cut_off, wanted)).expect("nothing cuts it off");
        check(&report, &world, &family)?;
        if family.identity.compare(&family.identity) != Sameness::Same {
            prop_assert!(world.written_to.is_empty(), "an address is never written to again");
        }
    }
}

/// The world in which a change was cut off before this action, and what its journal has.
fn cut(family: &Family, cut_at: usize, script: Script) -> (World, CutOff) {
    let cut_at = Some(cut_at);
    let mut world = World::new(family, Script { cut_at, ..script });
    assert_eq!(world.run(machine(family)), None, "it is cut off");
    let record = world.record.clone().expect("a record");
    let (cut_off, wanted) = CutOff::from_steps(record, &world.steps).expect("a writing step");
    assert_eq!(wanted, family.wanted);
    (world, cut_off)
}

/// Goes on with it.
fn resume(family: &Family, world: &mut World, cut_off: CutOff, script: Script) -> Report {
    world.again(script, 10.0);
    let profile = Arc::clone(&family.profile);
    let resumed = Machine::resume(profile, family.wanted.clone(), options(), cut_off);
    world.run(resumed).expect("nothing cuts it off")
}

/// Before which action a change of this family is cut, for it to be just after `entry`.
fn just_after(family: &Family, entry: &str, times: usize) -> usize {
    let (_, world) = change(family, Script::default());
    let mut found = world.log.iter().enumerate().filter(|(_, e)| *e == entry);
    found.nth(times - 1).expect("such an entry").0 + 1
}

#[test]
fn without_a_writing_step_there_is_nothing_to_resume() {
    let family = Family::one_restarting_save();
    let mut world = World::new(
        &family,
        Script {
            cut_at: Some(6),
            ..Script::default()
        },
    );
    assert_eq!(world.run(machine(&family)), None);
    let record = world.record.clone().expect("a record");
    assert_eq!(world.steps.len(), 2, "planned and agreed");
    assert_eq!(CutOff::from_steps(record, &world.steps), None);
}

#[test]
fn a_save_that_is_known_not_to_have_left_counts_as_none() {
    let family = Family::two_saves_and_a_restart();
    let at = just_after(&family, "note wrote", 1);
    let not_sent = |saves: &[Save]| Script {
        saves: saves.to_vec(),
        cut_at: Some(at),
        ..Script::default()
    };
    let mut world = World::new(&family, not_sent(&[Save::NotSent]));
    assert_eq!(world.run(machine(&family)), None);
    let record = world.record.clone().expect("a record");
    assert_eq!(CutOff::from_steps(record.clone(), &world.steps), None);

    let first = world.steps.clone();
    let mut world = World::new(&family, not_sent(&[Save::Takes]));
    assert_eq!(world.run(machine(&family)), None);
    let sent = CutOff::from_steps(record.clone(), &world.steps);
    let both: Vec<Step> = world.steps.into_iter().chain(first).collect();
    assert!(sent.is_some());
    assert_eq!(
        CutOff::from_steps(record, &both),
        sent,
        "the mark of the one that left"
    );
}

#[test]
fn a_change_cut_off_before_its_save_is_made_now() {
    let family = Family::two_saves_and_a_restart();
    let at = just_after(&family, "note writing", 1);
    let (mut world, cut_off) = cut(&family, at, Script::default());
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!((report.outcome, report.exit), (Outcome::Done, Exit::Done));
    assert!(world.has(&family.wanted));
}

#[test]
fn a_change_cut_off_between_two_saves_sends_the_second_alone() {
    let family = Family::two_saves_and_a_restart();
    let at = just_after(&family, "save craft", 1);
    let (mut world, cut_off) = cut(&family, at, Script::default());
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(report.outcome, Outcome::Done);
    let acts: Vec<_> = world
        .log
        .iter()
        .filter(|e| e.starts_with("save "))
        .collect();
    assert_eq!(acts, ["save waves"]);
}

#[test]
fn a_change_cut_off_is_undone_on_wish_and_that_is_proved() {
    let family = Family::flag_and_slot();
    let at = just_after(&family, "save slot", 1);
    let (mut world, mut cut_off) = cut(&family, at, Script::default());
    cut_off.direction = Direction::Back;
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(
        (report.outcome, report.exit),
        (Outcome::PutBack, Exit::PutBack)
    );
    assert!(world.is_untouched());
}

#[test]
fn a_restart_before_the_last_save_proves_nothing_of_it() {
    let family = Family::two_restarting_saves();
    let at = just_after(&family, "save wires", 1);
    let script = Script {
        saves: vec![Save::Takes, Save::OnlyShows],
        ..Script::default()
    };
    let (mut world, cut_off) = cut(&family, at, script);
    let report = resume(&family, &mut world, cut_off.clone(), Script::default());
    assert_eq!(report.outcome, Outcome::Unproved);
    let trouble = report.trouble.expect("why it is unproved");
    assert_eq!(trouble.code, "restart-not-witnessed");
    assert_eq!(world.log, ["read", "end"], "no request makes it restart");
    world.power_cycle();
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(
        report.outcome,
        Outcome::Done,
        "what the restart lost is sent again"
    );
    assert!(world.log.contains(&"save wires".to_owned()));
    assert!(world.has(&family.wanted));
}

#[test]
fn a_restart_after_the_last_save_proves_it_without_another_write() {
    let family = Family::two_restarting_saves();
    let at = just_after(&family, "save wires", 1);
    let (mut world, cut_off) = cut(&family, at, Script::default());
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(report.outcome, Outcome::Done);
    assert!(
        report
            .lines
            .iter()
            .all(|line| line.proof == Proof::AfterRestart)
    );
    assert_eq!(world.log, ["read", "end"]);
}

#[test]
fn a_save_that_was_cut_off_may_still_show_after_a_restart() {
    let family = Family::two_saves_and_a_restart();
    let at = just_after(&family, "save craft", 1);
    let pending = Script {
        saves: vec![Save::ShowsLater],
        ..Script::default()
    };
    let (mut world, cut_off) = cut(&family, at, pending);
    let refused = Script {
        saves: vec![Save::Refused],
        ..Script::default()
    };
    let report = resume(&family, &mut world, cut_off, refused);
    assert_eq!(report.outcome, Outcome::Unproved);
    assert!(world.log.contains(&"restart".to_owned()));
}

#[test]
fn stopping_after_a_restart_request_alone_is_unproved() {
    let family = Family::two_saves_and_a_restart();
    let at = just_after(&family, "save waves", 1);
    let (mut world, cut_off) = cut(&family, at, Script::default());
    let restart = 6;
    let script = Script {
        cancel_at: Some(restart + 1),
        ..Script::default()
    };
    let report = resume(&family, &mut world, cut_off, script);
    assert_eq!(world.log[restart], "restart");
    assert_eq!(
        (report.outcome, report.exit),
        (Outcome::Unproved, Exit::Unproved)
    );
    let (mut world, cut_off) = cut(&family, at, Script::default());
    let script = Script {
        restarts: vec![Restarted::NotSent],
        cancel_at: Some(restart + 1),
        ..Script::default()
    };
    let report = resume(&family, &mut world, cut_off, script);
    assert_eq!(world.log[restart], "restart");
    assert_eq!(
        (report.outcome, report.exit),
        (Outcome::Refused, Exit::Cancelled)
    );
    assert!(!report.wrote, "nothing has left in this run");
}

#[test]
fn a_resumed_run_refuses_another_device_and_what_else_changed() {
    let family = Family::one_restarting_save();
    let at = just_after(&family, "save air", 1);
    for (seen, code) in [
        (Seen::Stranger, "another-device"),
        (Seen::Touched, "changed-meanwhile"),
    ] {
        let (mut world, cut_off) = cut(&family, at, Script::default());
        let script = Script {
            reads: vec![seen],
            ..Script::default()
        };
        let report = resume(&family, &mut world, cut_off, script);
        assert_eq!(
            (report.outcome, report.exit),
            (Outcome::Refused, Exit::Refused)
        );
        assert_eq!(
            report.trouble.map(|trouble| trouble.code),
            Some(code.to_owned())
        );
        assert!(world.written_to.is_empty());
    }
}

#[test]
fn what_no_setting_can_put_back_is_said_and_left() {
    let family = Family::two_saves_and_a_restart();
    let at = just_after(&family, "note writing", 1);
    let (mut world, mut cut_off) = cut(&family, at, Script::default());
    cut_off.direction = Direction::Back;
    world.rest.clear();
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(report.outcome, Outcome::Unproved);
    let trouble = report.trouble.expect("why it is unproved");
    assert_eq!(trouble.code, "cannot-put-back");
    assert_eq!(world.log, ["read", "end"]);
}

#[test]
fn an_address_is_never_written_to_again() {
    let family = Family::only_address();
    let at = just_after(&family, "note writing", 1);
    let (mut world, cut_off) = cut(&family, at, Script::default());
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(
        (report.outcome, report.exit),
        (Outcome::Refused, Exit::Refused)
    );
    assert!(world.written_to.is_empty());
}

#[test]
fn what_was_on_its_way_back_goes_on_back() {
    let family = Family::two_saves_and_a_restart();
    let careless = || Script {
        saves: vec![Save::Takes, Save::ResetsOther],
        ..Script::default()
    };
    let (_, whole) = change(&family, careless());
    let back = whole
        .log
        .iter()
        .position(|entry| entry == "note writing-back");
    let (mut world, cut_off) = cut(&family, back.expect("a way back") + 1, careless());
    assert_eq!(cut_off.direction, Direction::Back);
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(report.outcome, Outcome::PutBack);
    assert!(world.is_untouched());
}

#[test]
fn what_was_to_be_put_back_goes_on_back_before_anything_of_that_is_written() {
    let family = Family::two_saves_and_a_restart();
    let careless = || Script {
        saves: vec![Save::Takes, Save::ResetsOther],
        ..Script::default()
    };
    let (_, whole) = change(&family, careless());
    let back = whole
        .log
        .iter()
        .position(|entry| entry == "note writing-back");
    let (mut world, cut_off) = cut(&family, back.expect("a way back"), careless());
    assert_eq!(cut_off.direction, Direction::Back);
    let report = resume(&family, &mut world, cut_off, Script::default());
    assert_eq!(report.outcome, Outcome::PutBack);
    assert!(world.is_untouched());
}
