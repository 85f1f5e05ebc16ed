//! Whatever the world does: what the report claims is true of the device.

use std::collections::BTreeSet;

use proptest::{collection::vec, option, prelude::*, sample::select};

use super::*;
use crate::change::{
    ports::Answer,
    testing::{Await, Restarted, Save, Seen},
};

/// A family by its number in [`Family::all`].
pub(super) fn families() -> impl Strategy<Value = Family> {
    select(Family::all())
}

/// Any misbehaviour, more often none.
pub(super) fn scripts() -> impl Strategy<Value = Script> {
    let saves = vec(
        prop_oneof![
            3 => Just(Save::Takes),
            1 => select(vec![Save::Ignored, Save::BackAfterRestart, Save::ShowsLater]),
            1 => select(vec![Save::ResetsOther, Save::Unanswered, Save::Lost]),
            1 => select(vec![Save::NotSent, Save::Refused, Save::NoRestart, Save::OnlyShows]),
        ],
        0..6,
    );
    let restarts = vec(
        prop_oneof![
            2 => Just(Restarted::Takes),
            1 => select(vec![Restarted::Lost, Restarted::Unanswered]),
            1 => select(vec![Restarted::NotSent, Restarted::Refused]),
        ],
        0..4,
    );
    let awaits = vec(
        prop_oneof![
            2 => Just(Await::Sees),
            1 => select(vec![Await::Flaps, Await::Misses]),
        ],
        0..6,
    );
    let reads = vec(
        prop_oneof![
            12 => Just(Seen::All),
            1 => select(vec![Seen::Nothing, Seen::NothingEver, Seen::Stranger, Seen::Touched]),
            1 => select(vec![Seen::NoMarks, Seen::OtherFamily]),
        ],
        0..12,
    );
    let journal_fails = prop_oneof![
        4 => Just(BTreeSet::new()),
        1 => (0usize..30).prop_map(|at| BTreeSet::from([at])),
        1 => (0usize..30).prop_map(|at| (at..100).collect()),
    ];
    let answers = || {
        option::weighted(
            0.1,
            select(vec![Answer::No, Answer::Nobody("nobody is there".into())]),
        )
    };
    let cancel_at = option::weighted(0.1, 0usize..30);
    let sleeps_after = option::weighted(0.2, 0usize..30);
    (
        (saves, restarts, awaits, reads, journal_fails),
        (answers(), answers(), cancel_at, sleeps_after),
    )
        .prop_map(
            |(
                (saves, restarts, awaits, reads, journal_fails),
                (address, consent, cancel, sleep),
            )| {
                // A lost Wi-Fi and a laptop that sleeps while an uptime is read leave no way to tell.
                let sleep = sleep.filter(|_| !awaits.contains(&Await::Flaps));
                Script {
                    unfit: None,
                    saves,
                    restarts,
                    awaits,
                    reads,
                    journal_fails,
                    address,
                    consent,
                    cancel_at: cancel,
                    sleeps_after: sleep,
                    cut_at: None,
                }
            },
        )
}

/// Checks that what the report claims is true of the device, and that no save went where or
/// when it must not.
pub(super) fn check(report: &Report, world: &World, family: &Family) -> Result<(), TestCaseError> {
    prop_assert_eq!(report.exit, exit_of(report), "outcome and exit code agree");
    match report.outcome {
        Outcome::Done => prop_assert!(world.has(&family.wanted), "it is done"),
        Outcome::PutBack => prop_assert!(world.is_untouched(), "what was there is there"),
        Outcome::NothingToDo | Outcome::Planned | Outcome::Refused | Outcome::Failed => {
            prop_assert!(!report.wrote);
            prop_assert_eq!(world.carried_out, 0, "nothing was written");
        }
        Outcome::Unproved => {}
    }
    for to in &world.written_to {
        let record = world
            .record
            .as_ref()
            .expect("a record is kept before a write");
        let read = &record.device.identity;
        let may = read.compare(to) == Sameness::Same || !read.is_strong();
        prop_assert!(may, "never to another device: {to}");
    }
    let legs_back = world
        .log
        .iter()
        .filter(|entry| *entry == "note planned-back");
    prop_assert!(legs_back.count() <= 1, "put back once at most");
    for save in &family.profile.saves {
        let sent = format!("save {}", save.name);
        let times = world.log.iter().filter(|entry| **entry == sent).count();
        prop_assert!(times <= 2, "a save is sent once there and once back");
    }
    Ok(())
}

/// So many cases; a failing one is printed whole, and no file is written.
pub(super) fn cases(number: u32) -> ProptestConfig {
    ProptestConfig {
        failure_persistence: None,
        ..ProptestConfig::with_cases(number)
    }
}

/// The exit code that belongs to an outcome, of those that it may have.
fn exit_of(report: &Report) -> Exit {
    match report.outcome {
        Outcome::Done | Outcome::NothingToDo | Outcome::Planned => Exit::Done,
        Outcome::PutBack => Exit::PutBack,
        Outcome::Unproved => Exit::Unproved,
        Outcome::Failed => Exit::Failed,
        Outcome::Refused if report.exit == Exit::Cancelled => Exit::Cancelled,
        Outcome::Refused => Exit::Refused,
    }
}

proptest! {
    #![proptest_config(cases(1500))]

    #[test]
    fn what_a_report_claims_is_true_of_the_device(family in families(), script in scripts()) {
        let (report, world) = change(&family, script);
        check(&report, &world, &family)?;
    }

    #[test]
    fn nothing_is_written_before_the_record_and_the_answer(
        family in families(), script in scripts(),
    ) {
        let (_, world) = change(&family, script);
        let position = |what: &str| world.log.iter().position(|entry| entry == what);
        let acts = world
            .log
            .iter()
            .position(|entry| entry.starts_with("save ") || entry == "restart");
        if let Some(acts) = acts {
            for before in ["keep", "note planned", "ask", "note agreed"] {
                prop_assert!(position(before).is_some_and(|at| at < acts), "{before} comes first");
            }
            let entry = &world.log[acts - 1];
            prop_assert!(entry == "note writing" || entry == "note restarting");
        }
    }
}
