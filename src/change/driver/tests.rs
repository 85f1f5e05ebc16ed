//! The driver with ports that are the pure world of the machine's tests.

use std::{cell::RefCell, future::pending, rc::Rc, sync::Arc, time::Duration};

use super::*;
use crate::{
    change::{
        BootTime, Plan, PlannedSave, Step, Trouble,
        ports::{Answer, Back, Question, Wait},
        testing::{Family, Script, World as PureWorld, options, trouble},
    },
    terms::{Exit, Overlay, SaveName, Snapshot, output::Outcome},
};

/// When the person wishes to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wish {
    /// Never.
    None,
    /// While this call is under way, which then never ends by itself.
    DuringEndless(&'static str, usize),
    /// While this call is under way, which ends.
    During(&'static str, usize),
}

/// All ports at once; its clones share one world.
#[derive(Clone)]
struct Port {
    pure: Rc<RefCell<PureWorld>>,
    stop: Rc<watch::Sender<bool>>,
    wish: Wish,
    calls: Rc<RefCell<Vec<&'static str>>>,
    /// The reports that the journal was closed with.
    ends: Rc<RefCell<Vec<Report>>>,
    end_fails: bool,
}

impl Port {
    async fn call(&self, name: &'static str, action: Action) -> Event {
        let nth = {
            let mut calls = self.calls.borrow_mut();
            calls.push(name);
            calls.iter().filter(|call| **call == name).count()
        };
        if self.wish == Wish::DuringEndless(name, nth) {
            self.stop.send_replace(true);
            pending::<()>().await;
        }
        if self.wish == Wish::During(name, nth) {
            self.stop.send_replace(true);
            tokio::task::yield_now().await;
        }
        self.pure.borrow_mut().answer(&action, false)
    }
}

impl Device for Port {
    async fn read(&mut self) -> Result<Snapshot, Trouble> {
        match self.call("read", Action::Read).await {
            Event::Read(read) => read.map(|snapshot| *snapshot),
            other => panic!("no reading: {other:?}"),
        }
    }

    fn tries(&self, plan: &Plan) -> Result<(), Trouble> {
        self.calls.borrow_mut().push("try");
        match self
            .pure
            .borrow_mut()
            .answer(&Action::Try(plan.clone()), false)
        {
            Event::Tried(tried) => tried,
            other => panic!("not tried: {other:?}"),
        }
    }

    async fn save(&mut self, save: &SaveName, overlay: &Overlay) -> Sent {
        let planned = PlannedSave {
            save: save.clone(),
            overlay: overlay.clone(),
        };
        sent(self.call("save", Action::Save(planned)).await)
    }

    async fn restart(&mut self) -> Sent {
        sent(self.call("restart", Action::Restart).await)
    }
}

fn sent(event: Event) -> Sent {
    match event {
        Event::Sent(sent) => sent,
        other => panic!("not sent: {other:?}"),
    }
}

impl Reach for Port {
    async fn again(&mut self, wait: &Wait) -> Back {
        match self.call("await", Action::Await(wait.clone())).await {
            Event::Back(back) => back,
            other => panic!("no wait: {other:?}"),
        }
    }
}

impl Ledger for Port {
    async fn keep(&mut self, before: &Snapshot) -> Result<(), Trouble> {
        let before = Box::new(before.clone());
        match self.call("keep", Action::Keep(before)).await {
            Event::Kept(kept) => kept,
            other => panic!("not kept: {other:?}"),
        }
    }

    async fn step(&mut self, step: &Step) -> Result<(), Trouble> {
        match self.call("step", Action::Note(step.clone())).await {
            Event::Noted(noted) => noted,
            other => panic!("not noted: {other:?}"),
        }
    }

    async fn end(&mut self, report: &Report) -> Result<(), Trouble> {
        self.ends.borrow_mut().push(report.clone());
        if self.end_fails {
            return Err(trouble("disk-full"));
        }
        Ok(())
    }
}

impl Consent for Port {
    async fn ask(&mut self, question: &Question) -> Answer {
        match self.call("ask", Action::Ask(question.clone())).await {
            Event::Answered(answer) => answer,
            other => panic!("no answer: {other:?}"),
        }
    }
}

impl Clock for Port {
    fn now(&self) -> BootTime {
        self.pure.borrow().now()
    }
}

/// Counts what it is told.
#[derive(Default)]
struct Count {
    before: usize,
    after: usize,
}

impl Watch for Count {
    fn before(&mut self, _: &Action) {
        self.before += 1;
    }

    fn after(&mut self, _: &Event) {
        self.after += 1;
    }
}

/// Runs the family's change through the ports.
async fn drive(family: &Family, wish: Wish, end_fails: bool) -> (Report, Port, Count) {
    let (stop, stopped) = watch::channel(false);
    let port = Port {
        pure: Rc::new(RefCell::new(PureWorld::new(family, Script::default()))),
        stop: Rc::new(stop),
        wish,
        calls: Rc::default(),
        ends: Rc::default(),
        end_fails,
    };
    let mut world = World {
        device: port.clone(),
        reach: port.clone(),
        ledger: port.clone(),
        consent: port.clone(),
        clock: port.clone(),
        stop: stopped,
    };
    let machine = Machine::new(
        Arc::clone(&family.profile),
        family.wanted.clone(),
        options(),
    );
    let mut count = Count::default();
    let run = run(machine, &mut world, &mut count);
    let report = tokio::time::timeout(Duration::from_secs(20), run)
        .await
        .expect("the run ends by itself");
    (report, port, count)
}

fn ended(report: &Report) -> (Outcome, Exit) {
    (report.outcome, report.exit)
}

#[tokio::test]
async fn a_whole_change_goes_through_the_ports_and_is_closed_once() {
    let family = Family::two_saves_and_a_restart();
    let (report, port, count) = drive(&family, Wish::None, false).await;
    assert_eq!(ended(&report), (Outcome::Done, Exit::Done));
    assert!(port.pure.borrow().has(&family.wanted));
    assert_eq!(*port.ends.borrow(), [report]);
    assert_eq!(count.before, port.calls.borrow().len() + 1, "and the end");
    assert_eq!(count.after, port.calls.borrow().len());
}

#[tokio::test]
async fn a_wish_to_stop_drops_what_may_be_dropped_before_the_first_save() {
    for (name, nth) in [("read", 1), ("ask", 1), ("read", 2)] {
        let wish = Wish::DuringEndless(name, nth);
        let (report, port, _) = drive(&Family::one_restarting_save(), wish, false).await;
        assert_eq!(
            ended(&report),
            (Outcome::Refused, Exit::Cancelled),
            "{name}"
        );
        assert!(port.pure.borrow().written_to.is_empty());
        assert_eq!(port.ends.borrow().len(), 1);
    }
}

#[tokio::test]
async fn a_wish_to_stop_drops_what_may_be_dropped_after_a_save_as_unproved() {
    for (name, nth) in [("await", 1), ("read", 3)] {
        let wish = Wish::DuringEndless(name, nth);
        let (report, port, _) = drive(&Family::one_restarting_save(), wish, false).await;
        assert_eq!(
            ended(&report),
            (Outcome::Unproved, Exit::Unproved),
            "{name}"
        );
        assert_eq!(port.ends.borrow().len(), 1);
    }
}

#[tokio::test]
async fn a_wish_to_stop_lets_a_save_and_a_restart_end() {
    let family = Family::two_saves_and_a_restart();
    for (name, saves) in [("save", 1), ("restart", 2)] {
        let (report, port, _) = drive(&family, Wish::During(name, 1), false).await;
        assert_eq!(
            ended(&report),
            (Outcome::Unproved, Exit::Unproved),
            "{name}"
        );
        assert_eq!(port.pure.borrow().carried_out, saves);
        let calls = port.calls.borrow();
        let after = calls.iter().skip_while(|call| **call != name).skip(1);
        let noted: &[&&str] = if name == "save" { &[&"step"] } else { &[] };
        assert_eq!(
            after.collect::<Vec<_>>(),
            noted,
            "how a save ended is noted"
        );
    }
}

#[tokio::test]
async fn a_save_that_was_announced_and_did_not_leave_is_noted_so() {
    let wish = Wish::During("step", 3);
    let (report, port, _) = drive(&Family::one_restarting_save(), wish, false).await;
    assert_eq!(ended(&report), (Outcome::Refused, Exit::Cancelled));
    assert!(!report.wrote);
    let pure = port.pure.borrow();
    assert!(pure.written_to.is_empty());
    let [.., Step::Writing { .. }, Step::Wrote { not_sent: true, .. }] = &pure.steps[..] else {
        panic!("it was announced, and noted as not sent: {:?}", pure.steps);
    };
}

#[tokio::test]
async fn a_wish_to_stop_before_the_record_keeps_none() {
    let wish = Wish::During("read", 1);
    let (report, port, _) = drive(&Family::one_restarting_save(), wish, false).await;
    assert_eq!(ended(&report), (Outcome::Refused, Exit::Cancelled));
    assert_eq!(*port.calls.borrow(), ["read"]);
}

#[tokio::test]
async fn a_journal_that_cannot_be_closed_is_a_note_and_changes_no_outcome() {
    let (report, port, _) = drive(&Family::flag_and_slot(), Wish::None, true).await;
    assert_eq!(ended(&report), (Outcome::Done, Exit::Done));
    assert_eq!(port.ends.borrow().len(), 1);
    let [note] = &report.notes[..] else {
        panic!("one note: {:?}", report.notes);
    };
    assert!(
        note.starts_with("the journal failed at the end: "),
        "{note}"
    );
}

#[tokio::test]
async fn a_stop_that_nobody_can_ask_for_any_more_is_no_wish() {
    let (stop, mut stopped) = watch::channel(false);
    drop(stop);
    let event = or_stop(&mut stopped, async {
        tokio::task::yield_now().await;
        Event::Noted(Ok(()))
    });
    assert_eq!(event.await, Event::Noted(Ok(())));
}
