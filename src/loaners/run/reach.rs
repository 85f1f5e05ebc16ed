//! Visits through an adapter, and the way back to a loaner after a restart: its adapter serves others
//! meanwhile, and it may come back through another one.

use std::{rc::Rc, sync::Arc, time::Duration};

use tokio::{
    sync::{OwnedMutexGuard, oneshot},
    time::{Instant, sleep, timeout, timeout_at},
};

use super::{
    air::{Grant, Looked},
    enter::{Entered, enter},
    night::{Message, Shared},
    one::{Ended, Link, Visit},
    told::Told,
    way::{LoanerReach, Now},
};
use crate::{
    change::{
        Trouble, over_session,
        over_wifi::Way,
        ports::{Back, Reach, Wait},
    },
    session::{Alive, Harvest},
    terms::{Witness, output::loaners::ShelfStep},
    wifi::AdapterName,
};

/// A first visit through an adapter.
pub(super) async fn first(visit: Visit, grant: Option<Grant>) {
    let link = match grant {
        Some(grant) => {
            visit.told.heard(grant.point.signal);
            let held = Arc::clone(&grant.lock).lock_owned().await;
            visit.told.through(Some(grant.adapter.as_str()));
            visit.told.step(ShelfStep::Joining, None);
            let entered = visit.shared.or_stopped(enter(&visit.shared, &grant)).await;
            entered.and_then(|entered| match entered {
                Ok(entered) => Ok(link(&visit, entered, held)),
                Err(trouble) => Err(Ended::failed(trouble)),
            })
        }
        None => Err(Ended::failed(Trouble::new(
            "no-network",
            "its network is not heard any more",
            Some("power it alone and try again"),
        ))),
    };
    let (out, tried) = visit.serve(link).await;
    // Where nobody listens any more the run is over.
    let ended = Message::Ended(visit.loaner, Box::new(out), tried);
    let _ = visit.shared.send.send(ended);
}

/// A look at somebody of whom nobody knows who it is. It goes on as a visit where it is a loaner.
pub(super) async fn look(shared: Rc<Shared>, point: u64, grant: Option<Grant>) {
    let mut found: Option<(Entered, Harvest, OwnedMutexGuard<()>)> = None;
    if let Some(grant) = &grant {
        let held = Arc::clone(&grant.lock).lock_owned().await;
        let looked = shared.or_stopped(async {
            let entered = enter(&shared, grant).await?;
            let harvest = entered.now.session().read().await;
            let harvest = harvest.map_err(|error| over_session::trouble(&error))?;
            Ok::<_, Trouble>((entered, harvest))
        });
        match looked.await {
            Ok(Ok((entered, harvest))) => found = Some((entered, harvest, held)),
            Ok(Err(trouble)) => tracing::debug!(message = %trouble.message, "a look"),
            Err(_) => {}
        }
    }
    let (answer, answered) = oneshot::channel();
    let identity = found
        .as_ref()
        .map(|(_, harvest, _)| harvest.snapshot.device.identity.clone());
    let looked = Looked {
        point,
        identity,
        answer,
    };
    let _ = shared.send.send(Message::Looked(looked));
    let Ok(Some(visit)) = answered.await else {
        return;
    };
    let Some((entered, harvest, held)) = found else {
        return;
    };
    if let Some(grant) = &grant {
        visit.told.through(Some(grant.adapter.as_str()));
        visit.told.heard(grant.point.signal);
        visit.told.step(ShelfStep::Reading, None);
    }
    let mut link = link(&visit, entered, held);
    link.harvest = Some(harvest);
    let (out, tried) = visit.serve(Ok(link)).await;
    let ended = Message::Ended(visit.loaner, Box::new(out), tried);
    let _ = visit.shared.send.send(ended);
}

fn link(visit: &Visit, entered: Entered, held: OwnedMutexGuard<()>) -> Link {
    Link {
        now: entered.now.clone(),
        open: entered.open,
        harvest: None,
        reach: LoanerReach::Air(Box::new(AirReach {
            shared: Rc::clone(&visit.shared),
            loaner: visit.loaner,
            told: visit.told.clone(),
            now: entered.now,
            way: entered.way,
            adapter: Some(entered.adapter),
            held: Some(held),
        })),
    }
}

/// The way back to a loaner over Wi-Fi. While it restarts its adapter serves others.
pub(super) struct AirReach {
    shared: Rc<Shared>,
    loaner: usize,
    told: Told,
    now: Now,
    way: Way,
    /// The adapter of now, or of before it restarted.
    adapter: Option<AdapterName>,
    held: Option<OwnedMutexGuard<()>>,
}

impl Reach for AirReach {
    async fn again(&mut self, wait: &Wait) -> Back {
        let begun = Instant::now();
        let deadline = begun + Duration::from_secs_f64(wait.deadline_s.max(0.0));
        let mut gone = match &self.held {
            Some(_) => self.leaves(wait).await,
            None => false,
        };
        loop {
            self.held = None;
            self.told.through(None);
            self.told.step(ShelfStep::Restarting, None);
            let missed = gone || needs_no_witness(wait);
            let granted = self.granted(missed, deadline).await;
            gone |= self.shared.went.borrow_mut().remove(&self.loaner);
            let Some(grant) = granted else {
                return Back { gone, there: false };
            };
            let held = Arc::clone(&grant.lock).lock_owned().await;
            self.told.through(Some(grant.adapter.as_str()));
            self.told.heard(grant.point.signal);
            self.told.step(ShelfStep::Joining, None);
            match enter(&self.shared, &grant).await {
                Ok(entered) => {
                    self.now.set(entered.now.session());
                    self.way = entered.way;
                    self.adapter = Some(entered.adapter);
                    self.held = Some(held);
                    return Back { gone, there: true };
                }
                Err(trouble) => {
                    tracing::debug!(message = %trouble.message, "joining it again");
                    // A network that was there and cannot be joined may have gone once more.
                    gone |= trouble.code == "out-of-range";
                    if Instant::now() >= deadline {
                        return Back { gone, there: false };
                    }
                }
            }
        }
    }
}

impl AirReach {
    /// Waits a while for it to go, and says whether it was seen to: while this computer was still on
    /// its network, or by its falling silent, since a host may hop away. Otherwise a scan may miss it
    /// later.
    async fn leaves(&self, wait: &Wait) -> bool {
        let hold_s = if needs_no_witness(wait) {
            wait.leave_s.min(HOLD_S)
        } else {
            wait.leave_s + SILENCE_S
        };
        let until = Instant::now() + Duration::from_secs_f64(hold_s.max(0.0));
        let session = self.now.session();
        while Instant::now() < until && self.way.is_up() {
            tokio::select! {
                look = timeout_at(until, session.look()) => {
                    if look.is_ok_and(|look| look.alive == Alive::Gone) && self.way.is_up() {
                        return true;
                    }
                    sleep(Duration::from_millis(50)).await;
                }
                () = self.way.lost() => {}
            }
        }
        !self.way.is_up() && timeout(MOMENT, self.way.silent()).await.is_ok()
    }

    /// Gives its adapter back and waits until one is granted for it again; none: it did not come
    /// back in time, or no adapter is left. `missed`: nobody has to miss it any more.
    async fn granted(&self, missed: bool, deadline: Instant) -> Option<Grant> {
        self.shared.back.borrow_mut().remove(&self.loaner);
        self.shared.went.borrow_mut().remove(&self.loaner);
        let (grant, mut granted) = oneshot::channel();
        self.shared
            .send
            .send(Message::LetGo {
                loaner: self.loaner,
                missed,
                grant,
            })
            .ok()?;
        if let Ok(granted) = timeout_at(deadline, &mut granted).await {
            return granted.ok();
        }
        // It is there, and others are served before it.
        if self.shared.back.borrow().contains(&self.loaner) {
            return granted.await.ok();
        }
        None
    }
}

/// Whether its own mark tells of the restart: only one that is another after each start does. Who has
/// to wait for an adapter may have been up as long afterwards as before.
fn needs_no_witness(wait: &Wait) -> bool {
    matches!(wait.mark, Some(Witness::BootMark(_)))
}

/// How long it takes until one that is gone counts as silent, in s: some beacons of 0.1 s, and a
/// probe without an answer (1.0 to 1.6 s were seen with the kernel's own 802.11 in Linux 6.1).
const SILENCE_S: f64 = 2.0;

/// How much later than that the link is down it may be known that it fell silent (a choice of ours).
const MOMENT: Duration = Duration::from_millis(300);

/// How long an adapter is held to see a loaner go for its restart, in s, where the loaner's own mark
/// tells of the restart anyway. No source.
const HOLD_S: f64 = 2.0;
