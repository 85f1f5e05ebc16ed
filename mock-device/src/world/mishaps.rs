//! What comes between a request and the device that it is meant for: it restarts or loses its power by
//! itself, a lookalike answers, or a neighbour of the same shelf does.

use std::time::Duration;

use super::{Asked, Handled, World};
use crate::{
    Options,
    cast::Cast,
    chaos::Draws,
    family::Kind,
    fault::Fault,
    http::{Answer, Reply, Request},
};

/// How many requests in a row a lookalike gets that can be told by its serial: enough for a reading
/// and a save.
const LOOKALIKE: u8 = 3;

/// The faults that leave nothing for the device to answer, or somebody else to.
pub(super) const EARLY: [Fault; 6] = [
    Fault::Drop,
    Fault::Trouble,
    Fault::Lookalike,
    Fault::RestartAlone,
    Fault::Away,
    Fault::Leave,
];

/// The faults of a receiver of a shelf, where it is to have any. Where one could not be told from
/// its neighbour, none gets what is sent to another: nobody could notice.
pub(super) fn draws(cast: &Cast, options: &Options) -> Option<Draws> {
    let chaos = cast.chaos.as_ref()?;
    let fair = |fault: &Fault| match fault {
        Fault::Lookalike => false,
        Fault::Neighbour => options.family.shows_serial(),
        _ => true,
    };
    let known = Fault::ALL.into_iter().filter(fair).collect();
    Some(Draws::new(chaos, options.seed, known))
}

impl World {
    /// What comes in place of an answer.
    pub(super) fn instead(
        &mut self,
        fault: Fault,
        request: &Request,
        asked: Asked<'_>,
        now: Duration,
    ) -> Handled {
        let (answer, note) = match fault {
            Fault::Lookalike => {
                if self.family.shows_serial() {
                    self.lookalike = LOOKALIKE - 1;
                }
                return self.handle_by_lookalike(request, asked, now);
            }
            Fault::Trouble => {
                let reply = Reply::text(500, "Something went wrong.");
                (reply.whole(), "in trouble")
            }
            Fault::RestartAlone => {
                self.restart(now);
                (Answer::reset(), "restarts by itself")
            }
            Fault::Away | Fault::Leave => {
                self.lose_power(fault, now);
                (Answer::reset(), "loses its power")
            }
            _ => (Answer::reset(), "dropped"),
        };
        self.remember(now, &asked, answer.status, Some(fault), note);
        self.settle(now);
        Handled::Answer(answer)
    }

    /// Lets another receiver answer, which is at the address for a moment.
    pub(super) fn handle_by_lookalike(
        &mut self,
        request: &Request,
        mut asked: Asked<'_>,
        now: Duration,
    ) -> Handled {
        let number = self.count + 1;
        asked.device = self.devices.len() - 1;
        let device = &mut self.devices[asked.device];
        let outcome = device.ask(request, &self.hooks, now);
        device.count(outcome.kind, number);
        if outcome.restarts {
            // Nobody looks at it while it is gone.
            device.power.blink(now);
            device.firmware.restarted();
        }
        asked.carried_out = outcome.restarts || matches!(outcome.kind, Kind::Saved | Kind::Met);
        let answer = outcome.reply.whole();
        self.remember(
            now,
            &asked,
            answer.status,
            Some(Fault::Lookalike),
            &outcome.note,
        );
        Handled::Answer(answer)
    }

    /// Whether the request that comes is a neighbour's to answer; asked once, before it is handled.
    pub(crate) fn hands_over(&mut self, now: Duration) -> bool {
        if self.is_gone(now) {
            return false;
        }
        let number = self.count + 1;
        self.faults.draw(number, self.own + 1);
        if self.handed > 0 {
            self.handed -= 1;
            return true;
        }
        let due = self.faults.due(number, |fault| fault == Fault::Neighbour);
        if due.is_some() {
            self.handed = u8::try_from(self.own % u64::from(LOOKALIKE)).unwrap_or(0);
        }
        due.is_some()
    }

    /// Remembers a request that a neighbour got in its place.
    pub(crate) fn missed(&mut self, request: &Request, got_by: &str, now: Duration) {
        self.own += 1;
        let mut asked = Asked::of(request, self.present);
        asked.got_by = Some(got_by);
        let note = "a neighbour got it";
        self.remember(now, &asked, None, Some(Fault::Neighbour), note);
    }

    /// Answers a request that was sent to a neighbour.
    pub(crate) fn handle_for(
        &mut self,
        request: &Request,
        sent_to: &str,
        now: Duration,
    ) -> Handled {
        if self.is_gone(now) {
            return Handled::Gone;
        }
        let mut asked = Asked::of(request, self.present);
        asked.sent_to = Some(sent_to);
        self.carry_out(request, asked, now)
    }
}
