//! Any event in any state: it comes to an end, and writes nothing that it must not.

use proptest::{collection::vec, option, prelude::*, sample::select};

use super::{
    worlds::{cases, families},
    *,
};
use crate::change::testing::{snapshot, trouble};
use crate::terms::{Identity, Raw};

/// What one step of a run is told, beside the action that it answers.
type Choice = (u8, u8);

/// Who watches what the machine does with events that nobody vouches for.
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is one thing that was seen, independent of the others"
)]
struct Watcher {
    family: Family,
    resumed: bool,
    now: BootTime,
    kept: bool,
    agreed: bool,
    /// The last step that was announced, and whether it is durable.
    step: Option<(Step, bool)>,
    acted: bool,
    /// Who was read first.
    first: Option<Identity>,
    strangers: bool,
    seen: Option<Snapshot>,
    starts: u32,
    gone_or_restarted: bool,
}

impl Watcher {
    fn new(family: Family, resumed: bool) -> Self {
        Self {
            family,
            resumed,
            now: BootTime {
                seconds: 900.0,
                boot: "one".into(),
            },
            kept: false,
            agreed: false,
            step: None,
            acted: false,
            first: None,
            strangers: false,
            seen: None,
            starts: 0,
            gone_or_restarted: false,
        }
    }

    /// Checks an action before it is answered.
    fn check(&mut self, action: &Action) -> Result<(), TestCaseError> {
        match action {
            Action::Note(step) => self.step = Some((step.clone(), false)),
            Action::Save(planned) => {
                self.may_act()?;
                let Some((
                    Step::Writing {
                        save, direction, ..
                    },
                    durable,
                )) = &self.step
                else {
                    return Err(TestCaseError::fail("a save that was not announced"));
                };
                prop_assert_eq!(save, &planned.save);
                let putting_back = self.acted && *direction == Direction::Back;
                prop_assert!(
                    *durable || putting_back,
                    "a save before its step is durable"
                );
                self.acted = true;
            }
            Action::Restart => {
                self.may_act()?;
                let Some((Step::Restarting, durable)) = &self.step else {
                    return Err(TestCaseError::fail("a restart that was not announced"));
                };
                prop_assert!(
                    *durable || self.acted,
                    "a restart before its step is durable"
                );
                self.acted = true;
            }
            Action::End(report) => self.check_end(report)?,
            _ => {}
        }
        Ok(())
    }

    fn may_act(&self) -> Result<(), TestCaseError> {
        prop_assert!(self.kept || self.resumed, "what was there is kept first");
        prop_assert!(self.agreed, "somebody agreed");
        let strong = self.family.identity.is_strong();
        prop_assert!(!(self.strangers && strong), "another device answered");
        prop_assert!(
            strong || !self.resumed,
            "an address is not written to again"
        );
        Ok(())
    }

    fn check_end(&self, report: &Report) -> Result<(), TestCaseError> {
        let exits: &[Exit] = match report.outcome {
            Outcome::Done | Outcome::NothingToDo | Outcome::Planned => &[Exit::Done],
            Outcome::PutBack => &[Exit::PutBack],
            Outcome::Unproved => &[Exit::Unproved],
            Outcome::Refused => &[Exit::Refused, Exit::Cancelled],
            Outcome::Failed => &[Exit::Failed],
        };
        prop_assert!(exits.contains(&report.exit), "{:?}", report.outcome);
        prop_assert_eq!(report.wrote && !self.acted, false, "it says that it wrote");
        match report.outcome {
            Outcome::Done => {
                let seen = self.seen.as_ref().expect("a reading before done");
                for (name, value) in &self.family.wanted {
                    prop_assert_eq!(seen.value(name.as_str()), Some(value));
                }
                let restarts = self.family.profile.restart.is_some();
                prop_assert!(!restarts || self.gone_or_restarted, "no restart was seen");
                let proofs: &[Proof] = if restarts {
                    &[Proof::AfterRestart]
                } else {
                    &[Proof::ReadBack, Proof::AfterRestart]
                };
                for line in &report.lines {
                    prop_assert!(proofs.contains(&line.proof), "{:?}", line);
                }
            }
            Outcome::PutBack | Outcome::Unproved => {}
            _ => prop_assert!(!report.wrote),
        }
        Ok(())
    }

    /// An event that answers the action, more or less well, or has nothing to do with it.
    fn event(&mut self, action: &Action, (kind, detail): Choice) -> Event {
        self.now.seconds += f64::from(detail % 50);
        let nonsense = kind >= 245;
        let well = kind < 200;
        let picked = match action {
            Action::Read => 0,
            Action::Keep(_) => 1,
            Action::Note(_) => 2,
            Action::Ask(_) => 3,
            Action::Save(_) | Action::Restart => 4,
            Action::Await(_) => 5,
            Action::End(_) => 6,
            Action::Try(_) => 7,
        };
        match if nonsense { detail % 8 } else { picked } {
            0 => self.read(well, detail),
            1 => {
                let kept = result(well, detail);
                self.kept |= kept.is_ok() && picked == 1;
                Event::Kept(kept)
            }
            2 => {
                let noted = result(well, detail);
                if let Some((_, durable)) = &mut self.step {
                    *durable = noted.is_ok() && picked == 2;
                }
                Event::Noted(noted)
            }
            3 => {
                let answers = [Answer::Yes, Answer::No, Answer::Nobody("nobody".into())];
                let answer = answers[if well { 0 } else { usize::from(detail % 3) }].clone();
                let write = matches!(action, Action::Ask(Question::Write { .. }));
                self.agreed |= write && answer == Answer::Yes;
                Event::Answered(answer)
            }
            4 => Event::Sent(match if well { 0 } else { detail % 4 } {
                0 => Sent::Answered("kept".into()),
                1 => Sent::Refused("not kept".into()),
                2 => Sent::NoAnswer("missing".into()),
                _ => Sent::NotSent(trouble("not-sent")),
            }),
            5 => {
                let gone = detail % 3 > 0;
                self.gone_or_restarted |= gone;
                Event::Back(Back {
                    gone,
                    there: detail % 5 > 0,
                })
            }
            6 => Event::Cancelled,
            _ => Event::Tried(result(well, detail)),
        }
    }

    fn read(&mut self, well: bool, detail: u8) -> Event {
        let mut places = self.family.places.clone();
        let mut identity = self.family.identity.clone();
        let what = match (well, self.acted) {
            (true, false) => 0,
            (true, true) => 1,
            _ => detail % 6,
        };
        match what {
            1 => {
                for setting in &self.family.profile.settings {
                    if let Some(value) = self.family.wanted.get(&setting.name)
                        && !setting.blank_keeps
                    {
                        places.extend(setting.write(value).expect("a value that can be written"));
                    }
                }
            }
            2 => places.extend([self.family.reset.clone()]),
            3 => identity = self.family.stranger(),
            4 => return Event::Read(Err(trouble("no-answer"))),
            5 => {
                let another_family = trouble("another-family").ending(Exit::Refused);
                return Event::Read(Err(another_family));
            }
            _ => {}
        }
        let first = self.first.get_or_insert_with(|| identity.clone());
        self.strangers |= first.compare(&identity) == Sameness::Different;
        if detail.is_multiple_of(4) {
            self.starts += 1;
            self.gone_or_restarted = true;
        }
        let rest = [("trim".to_owned(), Raw::Text("3".into()))].into();
        let mark = Witness::BootMark(self.starts.to_string().as_str().into());
        let seen = snapshot(&self.family.profile, &places, &rest, &identity, Some(mark));
        self.seen = Some(seen.clone());
        Event::Read(Ok(Box::new(seen)))
    }
}

fn result(well: bool, detail: u8) -> Result<(), Trouble> {
    if well || detail.is_multiple_of(2) {
        Ok(())
    } else {
        Err(trouble("disk-full"))
    }
}

/// More steps than the longest way takes.
const MOST_STEPS: usize = 100;

proptest! {
    #![proptest_config(cases(2000))]

    #[test]
    fn any_events_lead_to_an_end_and_to_no_write_that_must_not_be(
        family in families(),
        resumed in option::weighted(0.3, select(vec![Direction::There, Direction::Back])),
        choices in vec(any::<Choice>(), MOST_STEPS),
    ) {
        let mut watcher = Watcher::new(family.clone(), resumed.is_some());
        let mut machine = machine(&family);
        if let Some(direction) = resumed {
            let Event::Read(Ok(original)) = watcher.read(true, 1) else {
                return Err(TestCaseError::fail("a reading that goes well"));
            };
            let cut_off = CutOff {
                wrote: Some((original.witness.clone(), watcher.now.clone())),
                original: *original,
                direction,
                since: Since::Unknown,
            };
            let profile = Arc::clone(&family.profile);
            machine = Machine::resume(profile, family.wanted.clone(), options(), cut_off);
        }
        let mut action = machine.start(&watcher.now);
        let mut choices = choices.into_iter();
        loop {
            watcher.check(&action)?;
            if matches!(action, Action::End(_)) {
                break;
            }
            let Some(choice) = choices.next() else {
                return Err(TestCaseError::fail("no end"));
            };
            let event = watcher.event(&action, choice);
            action = machine.step(event, &watcher.now);
        }
        for event in [Event::Cancelled, Event::Noted(Ok(())), Event::Kept(Err(trouble("late")))] {
            prop_assert_eq!(&machine.step(event, &watcher.now), &action, "the end stays");
        }
    }
}
