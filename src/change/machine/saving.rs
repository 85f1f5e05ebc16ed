//! One save after the other: read again, write, read back.

use super::{
    Action, After, BootTime, Comparison, Direction, Exit, Machine, Sent, Snapshot, State, Step,
    Trouble, Wanted,
};

impl Machine {
    pub(super) fn read_again(&mut self, snapshot: Snapshot, now: &BootTime) -> Action {
        if let Some(action) = self.refuse_another_device(&snapshot) {
            return action;
        }
        let Some(leg) = &mut self.leg else {
            return self.out_of_step();
        };
        let moved = Comparison::new(&self.profile, &leg.base, &snapshot, &Wanted::new());
        leg.base = snapshot.clone();
        self.last = Some(snapshot);
        if moved.holds() {
            return self.after_saves_or_write(now);
        }
        self.stop(
            Trouble::new(
                "changed-meanwhile",
                format!("it is not as it was read a moment ago: {}", moved.words()),
                Some("see who else is changing it, then start again"),
            )
            .ending(Exit::Refused),
        )
    }

    pub(super) fn after_saves_or_write(&mut self, now: &BootTime) -> Action {
        match &self.leg {
            Some(leg) if leg.at < leg.plan.saves.len() => self.note_writing(now),
            Some(_) => self.after_saves(now),
            None => self.out_of_step(),
        }
    }

    pub(super) fn note_writing(&mut self, now: &BootTime) -> Action {
        let Some(leg) = &mut self.leg else {
            return self.out_of_step();
        };
        let Some(planned) = leg.plan.saves.get(leg.at) else {
            return self.after_saves(now);
        };
        let step = Step::Writing {
            direction: leg.direction,
            save: planned.save.clone(),
            wanted: leg.wanted.clone(),
            witness: leg.base.witness.clone(),
            at: now.clone(),
        };
        leg.mark = Some((leg.base.witness.clone(), now.clone()));
        leg.gone = false;
        self.go(State::NotingWriting, Action::Note(step))
    }

    /// Sends the save. When the journal fails after a write, the way back stays open and the way
    /// there is left.
    pub(super) fn write(&mut self, durable: bool) -> Action {
        let Some(leg) = &mut self.leg else {
            return self.out_of_step();
        };
        if !durable && leg.direction == Direction::There {
            let seen = leg.base.clone();
            return self.assess(&seen);
        }
        let Some(planned) = leg.plan.saves.get(leg.at).cloned() else {
            return self.out_of_step();
        };
        leg.wrote_before = self.wrote;
        leg.again.read = false;
        self.wrote = true;
        self.go(State::Saving, Action::Save(planned))
    }

    pub(super) fn saved(&mut self, sent: Sent) -> Action {
        let Some(leg) = &mut self.leg else {
            return self.out_of_step();
        };
        let Some(planned) = leg.plan.saves.get(leg.at) else {
            return self.out_of_step();
        };
        let step = Step::Wrote {
            save: planned.save.clone(),
            how: sent.words(),
            not_sent: matches!(sent, Sent::NotSent(_)),
        };
        if matches!(sent, Sent::NotSent(_)) {
            self.wrote = leg.wrote_before;
        } else if leg.direction == Direction::There {
            self.reached.insert(planned.save.clone());
            for line in &mut self.lines {
                let setting = self.profile.setting(line.plan.setting.as_str());
                if setting.is_some_and(|setting| setting.saves.contains(&planned.save)) {
                    line.why = "it was sent, and not seen since".into();
                }
            }
        }
        leg.sent = Some(sent);
        self.go(State::NotingWrote, Action::Note(step))
    }

    pub(super) fn after_save(&mut self) -> Action {
        let Some(leg) = &self.leg else {
            return self.out_of_step();
        };
        match &leg.sent {
            Some(Sent::NotSent(trouble)) if !self.wrote => self.stop(trouble.clone()),
            // It is away between two saves: see what it is like when it is there again.
            Some(Sent::NotSent(_)) => self.wait_once_more(),
            Some(Sent::Refused(_)) => self.go(State::ReadingBack, Action::Read),
            _ if self.save_restarts() => {
                self.go(State::NotingRestarting, Action::Note(Step::Restarting))
            }
            _ => self.go(State::ReadingBack, Action::Read),
        }
    }

    pub(super) fn read_back(&mut self, snapshot: Snapshot) -> Action {
        if let Some(action) = self.refuse_another_device(&snapshot) {
            return action;
        }
        let found = self.compare_midway(&snapshot);
        if !found.holds() && self.doubts() {
            return self.go(State::ReadingBack, Action::Read);
        }
        let differs = found.words();
        self.last = Some(snapshot);
        let step = Step::ReadBack {
            holds: found.holds(),
            differs,
        };
        self.go(State::NotingReadBack, Action::Note(step))
    }

    /// Whether a reading that is not what it should be is made once more before it is believed: a
    /// page that is on its way from before the save would make a change that took look like one that
    /// did not.
    pub(super) fn doubts(&mut self) -> bool {
        self.leg
            .as_mut()
            .is_some_and(|leg| !std::mem::replace(&mut leg.again.read, true))
    }

    pub(super) fn after_read_back(&mut self, now: &BootTime) -> Action {
        let Some(last) = self.last.clone() else {
            return self.out_of_step();
        };
        let found = self.compare_midway(&last);
        let Some(leg) = &mut self.leg else {
            return self.out_of_step();
        };
        if !found.holds() {
            return self.assess(&last);
        }
        leg.base = last;
        leg.at += 1;
        if leg.at < leg.plan.saves.len() {
            return self.note_writing(now);
        }
        self.after_saves(now)
    }

    pub(super) fn after_saves(&mut self, now: &BootTime) -> Action {
        if self.restart_request() {
            if let Some(leg) = &mut self.leg {
                leg.awaited = After::Restart;
                // A restart that nothing was written before has no mark yet.
                leg.mark = Some((leg.base.witness.clone(), now.clone()));
                leg.gone = false;
            }
            return self.go(State::NotingRestarting, Action::Note(Step::Restarting));
        }
        self.prove_last()
    }
}
