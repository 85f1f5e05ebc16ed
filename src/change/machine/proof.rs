//! The end: what is proved, and what is put back.

use super::{
    Action, Comparison, Direction, Exit, Leg, Machine, Outcome, Plan, Proof, Sameness, Sent, Since,
    Snapshot, State, Step, Trouble, Wanted, only_address,
};

impl Machine {
    pub(super) fn prove_last(&mut self) -> Action {
        match self.last.clone() {
            Some(last) => self.prove(last),
            None => self.out_of_step(),
        }
    }

    pub(super) fn prove(&mut self, snapshot: Snapshot) -> Action {
        if let Some(action) = self.refuse_another_device(&snapshot) {
            return action;
        }
        let found = self.compare_leg(&snapshot);
        if !found.holds() && self.doubts() {
            return self.go(State::Proving, Action::Read);
        }
        self.last = Some(snapshot);
        let step = Step::Proved {
            restarted: self.restarted(),
            holds: found.holds(),
            differs: found.words(),
        };
        self.go(State::NotingProved, Action::Note(step))
    }

    pub(super) fn conclude(&mut self) -> Action {
        let Some(last) = self.last.clone() else {
            return self.out_of_step();
        };
        let found = self.compare_leg(&last);
        let restarted = self.restarted();
        let there = self
            .leg
            .as_ref()
            .is_some_and(|leg| leg.direction == Direction::There);
        if there && !found.holds() {
            return self.assess(&last);
        }
        self.conclude_with(&found, &last, restarted)
    }

    pub(super) fn conclude_with(
        &mut self,
        found: &Comparison,
        last: &Snapshot,
        restarted: bool,
    ) -> Action {
        let proved = restarted || !self.restart_needed();
        let there = self
            .leg
            .as_ref()
            .is_some_and(|leg| leg.direction == Direction::There);
        if !found.holds() {
            return self.end_unproved(Trouble::new(
                "put-back-failed",
                format!(
                    "what was there could not be put back whole: {}",
                    found.words()
                ),
                Some("look at its settings page by hand; `linkmend history` has what was there"),
            ));
        }
        for line in &mut self.lines {
            let seen = last.value(line.plan.setting.as_str()) == Some(&line.plan.after);
            (line.proof, line.why) = match (seen, restarted) {
                (true, true) => (Proof::AfterRestart, "read after a witnessed restart".into()),
                (true, false) => (Proof::ReadBack, "read back after it was written".into()),
                (false, _) if there => (Proof::None, "the device never shows this value".into()),
                (false, _) => (Proof::None, "what was there is back".into()),
            };
        }
        match (proved, there) {
            (false, _) => self.end_unproved(Trouble::new(
                "restart-not-witnessed",
                "it shows what it should, but no restart of it was witnessed",
                Some("power it off and on, wait for its network, then run `linkmend resume`"),
            )),
            (true, true) if !found.unseen.is_empty() => self.end_unproved(Trouble::new(
                Trouble::NOT_SHOWN,
                "it never shows some of what was written, so that is not proved",
                Some("see whether it works: nothing that could be read would tell"),
            )),
            (true, true) => self.end(Outcome::Done, Exit::Done, None),
            (true, false) => {
                self.end_put_back("the change did not take, and what was there is back")
            }
        }
    }

    /// A leg there did not hold: either all is as it was, or it is put back, once.
    pub(super) fn assess(&mut self, seen: &Snapshot) -> Action {
        let (Some(original), Some(leg)) = (self.original.clone(), self.leg.clone()) else {
            return self.out_of_step();
        };
        let differs = self.compare_leg(seen).words();
        let refused = match &leg.sent {
            Some(Sent::Refused(says)) => format!("; the device said: {says}"),
            _ => String::new(),
        };
        for line in &mut self.lines {
            (line.proof, line.why) = (Proof::None, format!("it did not take{refused}"));
        }
        if leg.direction == Direction::Back {
            return self.end_unproved(Trouble::new(
                "put-back-failed",
                format!("what was there could not be put back: {differs}{refused}"),
                Some("look at its settings page by hand; `linkmend history` has what was there"),
            ));
        }
        let from_before = Comparison::new(&self.profile, &original, seen, &Wanted::new());
        if from_before.holds() {
            return self.as_it_was(&leg, seen);
        }
        if original.device.identity.compare(&seen.device.identity) != Sameness::Same {
            return self.end_unproved(only_address());
        }
        let way = Plan::back(&self.profile, &original, seen, Since::OwnSave).unwrap_or_default();
        self.notes.extend(way.left);
        let (plan, wanted) = match (way.plan, way.wanted) {
            (plan, wanted) if !plan.saves.is_empty() => (plan, wanted),
            _ => {
                return self.end_unproved(Trouble::new(
                    "cannot-put-back",
                    format!("no setting puts this right: {}", from_before.words()),
                    Some("look at its settings page by hand"),
                ));
            }
        };
        self.notes.push(format!(
            "it did not take ({differs}), so it was begun to put back what was there"
        ));
        let back = Leg::new(Direction::Back, plan, wanted, seen.clone());
        self.leg = Some(back);
        self.planned()
    }

    /// All reads as it was. Where a restart decides what is there, a save that was not refused, or
    /// one of a run that was cut off, may still show after one: it takes a restart to know.
    fn as_it_was(&mut self, leg: &Leg, seen: &Snapshot) -> Action {
        let settled = matches!(leg.sent, Some(Sent::Refused(_))) || !self.wrote;
        if (settled && self.cut_off.is_none()) || !self.restart_needed() || self.restarted() {
            return self.end_put_back("the change did not take; the device has what it had before");
        }
        if !self.restart_request() {
            return self.end_unproved(Trouble::new(
                "restart-not-witnessed",
                "it shows what it had before, but no restart of it was witnessed",
                Some("power it off and on, wait for its network, then run `linkmend resume`"),
            ));
        }
        let nothing = Plan::default();
        let back = Leg::new(Direction::Back, nothing, Wanted::new(), seen.clone());
        self.leg = Some(back);
        self.planned()
    }
}
