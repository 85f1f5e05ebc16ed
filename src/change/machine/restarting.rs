//! The restart, and every other wait for the device to be there again.

use super::{Action, After, Back, Exit, Machine, Sent, State, Step, Trouble, Wait, gone_for_good};

impl Machine {
    pub(super) fn restart_or_wait(&mut self) -> Action {
        match &mut self.leg {
            Some(leg) if leg.awaited == After::Restart => {
                leg.wrote_before = self.wrote;
                leg.again.read = false;
                self.wrote = true;
                self.go(State::Restarting, Action::Restart)
            }
            Some(_) => self.await_it(),
            None => self.out_of_step(),
        }
    }

    pub(super) fn restart_sent(&mut self, sent: &Sent) -> Action {
        if let (Sent::NotSent(_), Some(leg)) = (sent, &self.leg) {
            self.wrote = leg.wrote_before;
        }
        match sent {
            Sent::NotSent(_) | Sent::Refused(_) => {
                self.notes
                    .push(format!("the restart request failed: {}", sent.words()));
                if matches!(sent, Sent::Refused(_)) {
                    // It is there, and stays.
                    self.go(State::Proving, Action::Read)
                } else {
                    self.wait_once_more()
                }
            }
            Sent::Answered(_) | Sent::NoAnswer(_) => self.await_it(),
        }
    }

    pub(super) fn await_it(&mut self) -> Action {
        let Some(original) = &self.original else {
            return self.out_of_step();
        };
        let usual = self.usual_s();
        let wait = Wait {
            expected: original.device.identity.clone(),
            leave_s: self.options.leave_s,
            usual_s: usual,
            deadline_s: if self.returns_by_hand() {
                BY_HAND_S
            } else {
                usual.1 * 1.5 + 30.0
            },
            by_hand: self.returns_by_hand(),
            mark: self
                .leg
                .as_ref()
                .and_then(|leg| leg.mark.as_ref())
                .and_then(|(mark, _)| mark.clone()),
        };
        self.go(State::Awaiting, Action::Await(wait))
    }

    pub(super) fn came_back(&mut self, back: Back) -> Action {
        if let Some(leg) = &mut self.leg {
            leg.gone |= back.gone;
        }
        let step = Step::There {
            gone: back.gone,
            there: back.there,
        };
        self.go(State::NotingThere, Action::Note(step))
    }

    pub(super) fn read_after_wait(&mut self) -> Action {
        let proving = self
            .leg
            .as_ref()
            .is_some_and(|leg| leg.awaited == After::Restart);
        let state = if proving {
            State::Proving
        } else {
            State::ReadingBack
        };
        self.go(state, Action::Read)
    }

    /// Waits once more for a device that did not answer after a write; a second time ends it.
    pub(super) fn wait_once_more(&mut self) -> Action {
        let Some(leg) = &mut self.leg else {
            return self.out_of_step();
        };
        if leg.again.waited {
            return self.end_unproved(gone_for_good());
        }
        leg.again.waited = true;
        self.await_it()
    }

    pub(super) fn reading_failed(&mut self, trouble: Trouble) -> Action {
        let Some(leg) = &mut self.leg else {
            return self.out_of_step();
        };
        if trouble.exit == Exit::Refused {
            // It answers, and is another device or family.
            return self.stop(trouble);
        }
        if leg.again.waited {
            self.end_unproved(trouble)
        } else {
            self.wait_once_more()
        }
    }
}

/// How long a person may take to power a device off and on, its own wait included, in s. No
/// source: long enough to walk to the boat.
const BY_HAND_S: f64 = 600.0;
