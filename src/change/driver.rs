//! Carries the machine's actions out through the ports, one at a time.
//!
//! It decides nothing. A wish to stop is looked for before each action and during those that may
//! be dropped (asking, reading, waiting); an acting request that is under way is always seen to
//! its end, since its outcome would be lost with it.

use tokio::sync::watch;

use super::{
    checkpoint,
    machine::{Action, Event, Machine},
    ports::{Clock, Consent, Device, Ledger, Reach, Sent},
    report::Report,
    stop::cancelled,
};

/// Who watches: told of each action before it is taken and of each event after.
pub trait Watch {
    /// This is done next.
    fn before(&mut self, action: &Action);
    /// This came of it.
    fn after(&mut self, event: &Event);
}

/// Everything that a change needs from the world.
pub struct World<D, R, L, C, K> {
    /// The device.
    pub device: D,
    /// The way to it.
    pub reach: R,
    /// The record.
    pub ledger: L,
    /// The person.
    pub consent: C,
    /// The time.
    pub clock: K,
    /// Becomes true when the person wants to stop.
    pub stop: watch::Receiver<bool>,
}

/// Runs a change to its end.
pub async fn run<D, R, L, C, K>(
    mut machine: Machine,
    world: &mut World<D, R, L, C, K>,
    watch: &mut impl Watch,
) -> Report
where
    D: Device,
    R: Reach,
    L: Ledger,
    C: Consent,
    K: Clock,
{
    let mut action = machine.start(&world.clock.now());
    loop {
        watch.before(&action);
        let event = match action {
            Action::End(mut report) => {
                if let Err(trouble) = world.ledger.end(&report).await {
                    report.notes.push(format!(
                        "the journal failed at the end: {}",
                        trouble.message
                    ));
                }
                return *report;
            }
            action => carry_out(action, world).await,
        };
        watch.after(&event);
        action = machine.step(event, &world.clock.now());
    }
}

async fn carry_out<D, R, L, C, K>(action: Action, world: &mut World<D, R, L, C, K>) -> Event
where
    D: Device,
    R: Reach,
    L: Ledger,
    C: Consent,
    K: Clock,
{
    let World {
        device,
        reach,
        ledger,
        consent,
        stop,
        ..
    } = world;
    if *stop.borrow() {
        match action {
            Action::Note(_) => {}
            // It was announced in the journal already, and surely does not leave any more.
            Action::Save(_) | Action::Restart => return Event::Sent(Sent::NotSent(cancelled())),
            _ => return Event::Cancelled,
        }
    }
    match action {
        Action::Read => {
            or_stop(stop, async {
                Event::Read(device.read().await.map(Box::new))
            })
            .await
        }
        Action::Ask(question) => {
            or_stop(stop, async {
                Event::Answered(consent.ask(&question).await)
            })
            .await
        }
        Action::Await(wait) => or_stop(stop, async { Event::Back(reach.again(&wait).await) }).await,
        Action::Try(plan) => Event::Tried(device.tries(&plan)),
        Action::Keep(before) => {
            checkpoint::pass("before", "kept");
            let kept = ledger.keep(&before).await;
            checkpoint::pass("after", "kept");
            Event::Kept(kept)
        }
        Action::Note(step) => {
            checkpoint::pass("before", step.name());
            let noted = ledger.step(&step).await;
            checkpoint::pass("after", step.name());
            Event::Noted(noted)
        }
        Action::Save(planned) => {
            let sent = device.save(&planned.save, &planned.overlay).await;
            checkpoint::pass("sent", "save");
            Event::Sent(sent)
        }
        Action::Restart => {
            let sent = device.restart().await;
            checkpoint::pass("sent", "restart");
            Event::Sent(sent)
        }
        Action::End(_) => Event::Cancelled,
    }
}

/// The event, or the wish to stop, whichever comes first.
async fn or_stop(stop: &mut watch::Receiver<bool>, event: impl Future<Output = Event>) -> Event {
    let stopped = async {
        if stop.wait_for(|stop| *stop).await.is_err() {
            // Nobody is left who could ask for a stop, which is no wish to stop.
            std::future::pending::<()>().await;
        }
    };
    tokio::select! {
        biased;
        () = stopped => Event::Cancelled,
        event = event => event,
    }
}

#[cfg(test)]
mod tests;
