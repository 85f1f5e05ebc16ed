//! Visits through an adapter, and the way back to a loaner after a restart: its adapter serves others
//! meanwhile, and it may come back through another one.

use std::{rc::Rc, sync::Arc, time::Duration};

use tokio::{
    sync::{OwnedMutexGuard, oneshot},
    time::{Instant, sleep, timeout_at},
};

use super::{
    air::{Grant, Looked, ROUNDED_UP_S},
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
    terms::{Mac, Witness, output::loaners::ShelfStep},
    wifi::{AccessPoint, AdapterName},
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
            let granted = self.granted(deadline).await;
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
    /// Waits a while for it to go, and says whether it was seen to. Its own mark cannot always tell:
    /// who has to wait for an adapter has been up as long afterwards as before. Only a mark that is
    /// another one after each start needs no witness.
    async fn leaves(&self, wait: &Wait) -> bool {
        let marked = matches!(wait.mark, Some(Witness::BootMark(_)));
        let hold_s = if marked {
            wait.leave_s.min(HOLD_S)
        } else {
            wait.leave_s
        };
        let until = Instant::now() + Duration::from_secs_f64(hold_s.max(0.0));
        let session = self.now.session();
        while Instant::now() < until && self.way.is_up() {
            if let Ok(look) = timeout_at(until, session.look()).await
                && look.alive == Alive::Gone
                && self.way.is_up()
            {
                return true;
            }
            sleep(Duration::from_millis(50)).await;
        }
        // A host may hop away; what no scan hears any more is gone.
        !marked && !self.way.is_up() && self.is_away().await
    }

    /// Whether a scan that begins now hears others and not it.
    async fn is_away(&self) -> bool {
        let shared = &self.shared;
        let Some(wifi) = &shared.world.wifi else {
            return false;
        };
        let Some(adapter) = &self.adapter else {
            return false;
        };
        // The next whole second: what was heard in this one may be told from it.
        let second_s = ROUNDED_UP_S / shared.world.speed;
        let now_s = shared.world.clock_s();
        let begin_s = ((now_s / second_s).floor() + 1.0) * second_s;
        sleep(Duration::from_secs_f64(begin_s - now_s)).await;
        let bssid = self.way.point().bssid;
        match wifi.scan(adapter, &[]).await {
            Ok(list) => is_not_among(&list, bssid, begin_s),
            Err(error) => {
                tracing::debug!(%error, "whether it is away");
                false
            }
        }
    }

    /// Gives its adapter back and waits until one is granted for it again; none: it did not come
    /// back in time, or no adapter is left.
    async fn granted(&self, deadline: Instant) -> Option<Grant> {
        self.shared.back.borrow_mut().remove(&self.loaner);
        self.shared.went.borrow_mut().remove(&self.loaner);
        let (grant, mut granted) = oneshot::channel();
        self.shared
            .send
            .send(Message::LetGo(self.loaner, grant))
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

/// Whether a list of a scan that began then has others and not this one. A list without anything may
/// be that of an adapter that hears nothing.
pub(super) fn is_not_among(list: &[AccessPoint], bssid: Mac, begin_s: f64) -> bool {
    let is_heard =
        |one: &AccessPoint| one.bssid == bssid && one.heard_s.is_none_or(|at| at >= begin_s);
    !list.is_empty() && !list.iter().any(is_heard)
}

/// How long an adapter is held to see a loaner go for its restart, in s, where the loaner's own mark
/// tells of the restart anyway. No source.
const HOLD_S: f64 = 2.0;
