//! The beginning: who is it, what is to be done, is it allowed.

use super::{
    Action, Answer, BootTime, Comparison, CutOff, Direction, Exit, Leg, Machine, NOT_WRITTEN,
    Outcome, Plan, Question, Sameness, Snapshot, State, Step, Trouble, Wanted, WayBack, alone_only,
    another_device, declined, lines_of, not_to_be_put_back, only_address, unfinished_change,
};

impl Machine {
    pub(super) fn first_read(&mut self, snapshot: &Snapshot) -> Action {
        let cut_off = self
            .cut_off
            .as_ref()
            .map(|cut_off| cut_off.original.clone());
        let original = cut_off.unwrap_or_else(|| snapshot.clone());
        let identity = &snapshot.device.identity;
        let sameness = original.device.identity.compare(identity);
        self.last = Some(snapshot.clone());
        self.original = Some(original);
        match sameness {
            Sameness::Different => self.stop(another_device(snapshot, true)),
            Sameness::Undetermined if !self.options.trust_address => {
                let question = Question::OnlyAddress(identity.clone());
                self.go(State::AskingAddress, Action::Ask(question))
            }
            _ => self.begin(),
        }
    }

    pub(super) fn address_answered(&mut self, answer: Answer) -> Action {
        match answer {
            Answer::Yes => {
                self.options.trust_address = true;
                self.begin()
            }
            Answer::No => self.stop(declined()),
            Answer::Nobody(why) => self.stop(
                Trouble::new(
                    "identity-undetermined",
                    format!("only its address tells this receiver from others, and {why}"),
                    Some(
                        "power this one alone and add --trust-address, or use a connection that \
                         shows its BSSID",
                    ),
                )
                .ending(Exit::Refused),
            ),
        }
    }

    pub(super) fn begin(&mut self) -> Action {
        let (Some(original), Some(last)) = (self.original.clone(), self.last.clone()) else {
            return self.out_of_step();
        };
        match self.cut_off.clone() {
            Some(cut_off) => self.begin_cut_off(&cut_off, &original, &last),
            None => self.begin_new(last),
        }
    }

    pub(super) fn begin_new(&mut self, last: Snapshot) -> Action {
        let mut unfinished = self.options.unfinished.iter();
        if let Some(earlier) = unfinished.find(|one| one.device.may_be(&last.device)) {
            return self.stop(unfinished_change(earlier.change));
        }
        let plan = match Plan::new(&self.profile, &last, &self.wanted) {
            Ok(plan) => plan,
            Err(error) => {
                return self.stop(Trouble::new(
                    error.code(),
                    error.to_string(),
                    Some(error.help()),
                ));
            }
        };
        self.lines = lines_of(&plan, NOT_WRITTEN);
        if plan.is_empty() {
            return self.end(Outcome::NothingToDo, Exit::Done, None);
        }
        if let Some(refused) = self.refuse_in_bulk(&plan) {
            return refused;
        }
        self.notes.extend(not_to_be_put_back(&self.profile, &plan));
        self.leg = Some(Leg::new(
            Direction::There,
            plan.clone(),
            self.wanted.clone(),
            last,
        ));
        self.go(State::Trying, Action::Try(plan))
    }

    /// What the device does not take is told before anybody is asked, and in a dry run too.
    pub(super) fn tried(&mut self) -> Action {
        let Some(leg) = &self.leg else {
            return self.out_of_step();
        };
        if self.options.dry_run {
            self.notes.extend(leg.set_by_rules().map(|line| {
                format!(
                    "local rules set `{}`: it is written when you type the new value, and by no flag",
                    line.setting
                )
            }));
            return self.end(Outcome::Planned, Exit::Done, None);
        }
        let before = Box::new(leg.base.clone());
        self.go(State::Keeping, Action::Keep(before))
    }

    /// What local rules set is changed alone.
    fn refuse_in_bulk(&mut self, plan: &Plan) -> Option<Action> {
        let line = plan.set_by_rules().filter(|_| self.wanted.len() > 1)?;
        let trouble = alone_only(&line.setting);
        Some(self.stop(trouble))
    }

    /// A cut-off change is finished, undone, or seen to be either already.
    pub(super) fn begin_cut_off(
        &mut self,
        cut_off: &CutOff,
        original: &Snapshot,
        last: &Snapshot,
    ) -> Action {
        let target = match cut_off.direction {
            Direction::There => self.wanted.clone(),
            Direction::Back => Wanted::new(),
        };
        self.lines = self.lines_wanted(original);
        let found = Comparison::new(&self.profile, original, last, &target);
        if !found.strays.is_empty() && cut_off.direction == Direction::There {
            return self.stop(
                Trouble::new(
                    "changed-meanwhile",
                    format!("something else changed since then: {}", found.words()),
                    Some("`linkmend resume --undo` puts back what was there"),
                )
                .ending(Exit::Refused),
            );
        }
        let planned = match cut_off.direction {
            Direction::There => Plan::new(&self.profile, last, &target).map(|plan| WayBack {
                plan,
                wanted: target.clone(),
                left: Vec::new(),
            }),
            Direction::Back => Plan::back(&self.profile, original, last, cut_off.since),
        };
        let (plan, wanted) = match planned {
            Ok(way) => {
                self.notes.extend(way.left);
                (way.plan, way.wanted)
            }
            Err(error) => {
                return self.stop(Trouble::new(
                    error.code(),
                    error.to_string(),
                    Some(error.help()),
                ));
            }
        };
        let mut leg = Leg::new(cut_off.direction, plan, wanted, last.clone());
        leg.mark.clone_from(&cut_off.wrote);
        if leg.direction == Direction::Back {
            // What is written now is the way back.
            self.lines = lines_of(&leg.plan, NOT_WRITTEN);
        }
        if leg.direction == Direction::There
            && let Some(refused) = self.refuse_in_bulk(&leg.plan)
        {
            return refused;
        }
        let nothing_to_write = leg.plan.is_empty();
        self.leg = Some(leg);
        let restarted = self.restarted();
        if nothing_to_write && !found.holds() {
            return self.end_unproved(Trouble::new(
                "cannot-put-back",
                format!("no setting puts this right: {}", found.words()),
                Some("look at its settings page by hand"),
            ));
        }
        if nothing_to_write && (restarted || !self.restart_request()) {
            return self.conclude_with(&found, last, restarted);
        }
        if self.options.dry_run {
            return self.end(Outcome::Planned, Exit::Done, None);
        }
        if original.device.identity.compare(&last.device.identity) != Sameness::Same {
            return self.stop(only_address());
        }
        self.planned()
    }

    pub(super) fn planned(&mut self) -> Action {
        let Some(leg) = &self.leg else {
            return self.out_of_step();
        };
        let step = Step::Planned {
            direction: leg.direction,
            lines: leg.plan.lines.clone(),
        };
        self.go(State::NotingPlan, Action::Note(step))
    }

    /// Asks, except for putting back within a change: that was agreed to with the change.
    pub(super) fn ask_or_go(&mut self, now: &BootTime) -> Action {
        let Some(leg) = &self.leg else {
            return self.out_of_step();
        };
        if self.wrote && leg.direction == Direction::Back {
            return self.note_writing(now);
        }
        let question = Question::Write {
            direction: leg.direction,
            plan: leg.plan.clone(),
            takes_s: self.takes_s(leg),
            warnings: not_to_be_put_back(&self.profile, &leg.plan),
            by_rules: leg.set_by_rules().cloned(),
        };
        self.go(State::AskingWrite, Action::Ask(question))
    }

    pub(super) fn write_answered(&mut self, answer: Answer) -> Action {
        match answer {
            Answer::Yes => self.go(State::NotingAgreed, Action::Note(Step::Agreed)),
            Answer::No => self.stop(declined()),
            Answer::Nobody(why) => {
                let by_rules = self
                    .leg
                    .as_ref()
                    .is_some_and(|leg| leg.set_by_rules().is_some());
                let help = if by_rules {
                    "run it at a terminal without --yes, and type the new value when you are asked"
                } else {
                    "add --yes to write without being asked"
                };
                let message = format!("nothing is written without consent, and {why}");
                self.stop(Trouble::new("no-consent", message, Some(help)).ending(Exit::Refused))
            }
        }
    }
}
