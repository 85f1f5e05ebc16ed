//! Whole changes over a session with a simulated receiver, whose truth is read beside the wire.

use mock_device::{Family, Fault, FaultAt, Options, Scenario};
use tokio::sync::watch;

use super::*;
use crate::{
    change::{
        Action, Event, Machine, Report, Step,
        clock::SystemClock,
        driver::{self, Watch, World},
        ports::{Answer, Consent, Ledger, Question},
        testing::options,
    },
    profile::named,
    session::{BssidNow, Limits, Origin},
    terms::{Proof, Value, output::Outcome},
};

/// A journal, a person and an onlooker who let everything pass.
struct Lenient;

impl Ledger for Lenient {
    async fn keep(&mut self, _: &Snapshot) -> Result<(), Trouble> {
        Ok(())
    }

    async fn step(&mut self, _: &Step) -> Result<(), Trouble> {
        Ok(())
    }

    async fn end(&mut self, _: &Report) -> Result<(), Trouble> {
        Ok(())
    }
}

impl Consent for Lenient {
    async fn ask(&mut self, _: &Question) -> Answer {
        Answer::Yes
    }
}

impl Watch for Lenient {
    fn before(&mut self, _: &Action) {}
    fn after(&mut self, _: &Event) {}
}

#[tokio::test]
async fn a_lookalike_without_a_serial_that_comes_back_is_told_by_its_bssid_and_never_written_to() {
    let receiver = mock_device::start(Options {
        speed: 100.0,
        ..Options::new(Family::SampleScript, Scenario::SwappedAfterRestart)
    });
    let receiver = Arc::new(receiver.await.expect("a free port"));
    let origin = Origin::parse(&format!("http://{}", receiver.address())).expect("an origin");
    let profile = Arc::new(named("sample-script").expect("it comes with the program"));
    let joined = Arc::clone(&receiver);
    let bssid: BssidNow = Arc::new(move || Some(joined.bssid()));
    let session = Session::new(origin, Arc::clone(&profile), Limits::default(), bssid);
    let session = Arc::new(session.expect("a session"));
    let lock = "model-lock".parse().expect("a setting's name");
    let machine = Machine::new(profile, [(lock, Value::Off)].into(), options());
    // Nobody wishes to stop as long as the sender is held.
    let (_wish, stop) = watch::channel(false);
    let mut world = World {
        device: SessionDevice::new(Arc::clone(&session), None),
        reach: SessionReach::new(session, SystemClock::new()),
        ledger: Lenient,
        consent: Lenient,
        clock: SystemClock::new(),
        stop,
    };
    let report = driver::run(machine, &mut world, &mut Lenient).await;
    assert_eq!(report.outcome, Outcome::Unproved);
    assert_eq!(report.exit, Exit::Unproved);
    let code = report.trouble.as_ref().map(|trouble| trouble.code.as_str());
    assert_eq!(code, Some("another-device"));
    assert!(report.lines.iter().all(|line| line.proof == Proof::None));
    let truth = receiver.truth();
    assert_eq!(truth.present, 1, "the lookalike is there");
    assert_eq!((truth.devices[0].saves, truth.devices[1].saves), (1, 0));
    assert_eq!(truth.devices[1].settings["model-lock"], 7, "as it was");
}

#[tokio::test]
async fn a_restart_that_is_over_between_two_looks_is_told_by_the_mark_at_once() {
    for family in [Family::SampleForm, Family::SampleScript] {
        let receiver = mock_device::start(Options {
            // Gone for a millisecond at most, from 2 ms after the answer.
            speed: 100_000.0,
            pause: Duration::from_millis(2),
            ..Options::new(family, Scenario::Locked)
        });
        let receiver = Arc::new(receiver.await.expect("a free port"));
        let origin = Origin::parse(&format!("http://{}", receiver.address())).expect("an origin");
        let profile = named(&family.to_string()).expect("it comes with the program");
        let profile = Arc::new(profile);
        let joined = Arc::clone(&receiver);
        let bssid: BssidNow = Arc::new(move || Some(joined.bssid()));
        let session = Session::new(origin, Arc::clone(&profile), Limits::default(), bssid);
        let session = Arc::new(session.expect("a session"));
        let lock = "model-lock".parse().expect("a setting's name");
        let machine = Machine::new(profile, [(lock, Value::Off)].into(), options());
        let (_wish, stop) = watch::channel(false);
        let clock = SystemClock::new();
        let mut world = World {
            device: SessionDevice::new(Arc::clone(&session), None),
            reach: SessionReach::new(session, clock.clone()),
            ledger: Lenient,
            consent: Lenient,
            clock: clock.clone(),
            stop,
        };
        let began = clock.now();
        let report = driver::run(machine, &mut world, &mut Lenient).await;
        let took = passed(&clock, &began);
        assert_eq!(report.outcome, Outcome::Done, "{family}");
        assert!(took < options().leave_s, "{family}: {took} s");
        let truth = receiver.truth();
        assert_eq!(truth.devices[0].settings["model-lock"], "off", "{family}");
    }
}

#[tokio::test]
async fn one_refused_connection_is_no_restart_and_two_in_a_row_are() {
    use Fault::Refuse;
    for (faults, gone) in [
        (vec![(2, Refuse)], false),
        (vec![(2, Refuse), (4, Refuse)], false),
        (vec![(2, Refuse), (3, Refuse)], true),
    ] {
        let at = faults.iter().copied();
        let at = at.map(|(request, fault)| FaultAt { request, fault });
        let receiver = mock_device::start(Options {
            faults: at.collect(),
            ..Options::new(Family::SampleForm, Scenario::Healthy)
        });
        let receiver = receiver.await.expect("a free port");
        let origin = Origin::parse(&format!("http://{}", receiver.address())).expect("an origin");
        let profile = named("sample-form").expect("it comes with the program");
        let bssid: BssidNow = Arc::new(|| None);
        let session = Session::new(origin, Arc::new(profile), Limits::default(), bssid);
        let session = Arc::new(session.expect("a session"));
        let mut reach = SessionReach::new(session, SystemClock::new());
        let wait = Wait {
            expected: Identity::default(),
            leave_s: 0.5,
            usual_s: (0.0, 0.0),
            deadline_s: 5.0,
            by_hand: false,
            mark: None,
        };
        let back = reach.again(&wait).await;
        assert_eq!(back, Back { gone, there: true }, "{faults:?}");
        assert_eq!(reach.saw_gone(), gone, "{faults:?}");
        let refused = receiver.truth().requests;
        let refused = refused
            .iter()
            .filter(|one| one.fault.as_deref() == Some("refuse"));
        let meant = faults.iter().filter(|(_, fault)| *fault == Refuse);
        assert_eq!(refused.count(), meant.count(), "{faults:?}");
    }
}
