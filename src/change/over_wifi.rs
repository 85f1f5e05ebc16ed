//! The way to a device over Wi-Fi: what was joined, and getting there again after a restart.
//!
//! While the network is there the device is knocked at as ever. Once the network is lost, it is
//! waited for, and joined again as soon as it is heard: the very BSSID, or, where the family opens its
//! network with another one after each start, whichever shows the same serial. The others are joined,
//! asked who they are, and left as they were. A network that is lost is no witness of a restart by
//! itself, since a host may hop away; one that fell silent, or that a fresh scan does not hear, is.

use std::{
    collections::BTreeSet,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use async_trait::async_trait;
use tokio::{sync::watch, time::sleep};

use super::{
    over_session::SessionReach,
    ports::{Back, Clock, Reach, Wait},
    step::BootTime,
};
use crate::{
    find::{
        air::{Candidate, is_not_among},
        wait::{Progress, Settle, WaitFor, wait_for},
    },
    profile::{Profile, Span},
    session::{BssidNow, Footing},
    terms::{Identity, Mac, Sameness},
    wifi::{AccessPoint, Join, Joined, Link, Wifi, WifiError},
};

/// What is joined now, for all that must know: the session's BSSID, its footing, and the way back.
/// Clones are handles of the same one.
#[derive(Debug, Clone)]
pub struct Way(Arc<Mutex<On>>);

#[derive(Debug)]
struct On {
    point: AccessPoint,
    link: Option<watch::Receiver<Link>>,
}

impl Way {
    /// Over this access point, which was joined.
    pub fn new(point: AccessPoint, joined: &Joined) -> Self {
        Self(Arc::new(Mutex::new(On {
            point,
            link: joined.link.clone(),
        })))
    }

    /// The access point that was joined last.
    pub fn point(&self) -> AccessPoint {
        self.lock().point.clone()
    }

    /// For [`Session::new`](crate::session::Session::new): its BSSID as long as the adapter is on it,
    /// or the one that it is on instead.
    pub fn bssid(&self) -> BssidNow {
        let way = self.clone();
        Arc::new(move || {
            let on = way.lock();
            match on.link() {
                Some(Link::Up(bssid)) => Some(bssid.0),
                Some(Link::Down | Link::Silent) => None,
                None => Some(on.point.bssid.0),
            }
        })
    }

    /// For [`Session::standing`](crate::session::Session::standing).
    pub fn footing(&self) -> Arc<dyn Footing> {
        Arc::new(self.clone())
    }

    /// Whether the adapter is on what was joined; true also where the system cannot tell.
    pub fn is_up(&self) -> bool {
        let on = self.lock();
        on.link()
            .is_none_or(|link| link == Link::Up(on.point.bssid))
    }

    /// Waits until what was joined falls silent, as one does that loses its power or restarts; for
    /// ever, where it does not, or nobody tells.
    pub async fn silent(&self) {
        let link = self.lock().link.clone();
        let falls = match link {
            Some(mut link) => link.wait_for(|link| *link == Link::Silent).await.is_ok(),
            None => false,
        };
        if !falls {
            std::future::pending::<()>().await;
        }
    }

    /// Waits until the adapter is not on it any more.
    pub async fn lost(&self) {
        let (bssid, link) = {
            let on = self.lock();
            (on.point.bssid, on.link.clone())
        };
        match link {
            // An end of it means that the adapter has gone.
            Some(mut link) => {
                let _ended = link.wait_for(|link| *link != Link::Up(bssid)).await;
            }
            None => std::future::pending().await,
        }
    }

    fn set(&self, point: AccessPoint, joined: &Joined) {
        *self.lock() = On {
            point,
            link: joined.link.clone(),
        };
    }

    fn lock(&self) -> MutexGuard<'_, On> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl On {
    /// What the system tells of the link, if it does. One that nobody tells any more is down.
    fn link(&self) -> Option<Link> {
        self.link.as_ref().map(|link| match link.has_changed() {
            Ok(_) => *link.borrow(),
            // That it fell silent stays true.
            Err(_) if *link.borrow() == Link::Silent => Link::Silent,
            Err(_) => Link::Down,
        })
    }
}

#[async_trait]
impl Footing for Way {
    async fn holds(&self) -> Result<(), String> {
        if self.is_up() {
            return Ok(());
        }
        let point = self.point();
        Err(format!(
            "this computer is not on `{}` ({}) any more",
            point.name, point.bssid
        ))
    }

    fn asks_the_device(&self) -> bool {
        self.lock().link.is_none()
    }
}

/// What is at the other end of the network that is joined.
#[expect(
    async_fn_in_trait,
    reason = "the driver runs on one task and needs no Send"
)]
pub trait OtherEnd: Reach {
    /// Who answers; none: nobody of the family.
    async fn who(&self) -> Option<Identity>;
    /// Whether it was seen to be gone in the last wait, also in one that was dropped.
    fn saw_gone(&self) -> bool;
}

impl<K: Clock> OtherEnd for SessionReach<K> {
    async fn who(&self) -> Option<Identity> {
        SessionReach::who(self).await
    }

    fn saw_gone(&self) -> bool {
        SessionReach::saw_gone(self)
    }
}

/// What is told while a network is waited for.
pub type Tell = Box<dyn FnMut(&Progress) + Send>;

/// The way back over Wi-Fi.
pub struct WifiReach<E, K> {
    wifi: Arc<dyn Wifi>,
    way: Way,
    wish: Join,
    profile: Arc<Profile>,
    end: E,
    clock: K,
    tell: Tell,
    trouble: Option<WifiError>,
}

impl<E: OtherEnd, K: Clock + Sync> WifiReach<E, K> {
    /// `wish`: how it was joined; its adapter, its key and its addressing are used again. `end`: the
    /// session's own reach, over the same adapter.
    pub fn new(
        wifi: Arc<dyn Wifi>,
        way: Way,
        wish: Join,
        profile: Arc<Profile>,
        end: E,
        clock: K,
    ) -> Self {
        Self {
            wifi,
            way,
            wish,
            profile,
            end,
            clock,
            tell: Box::new(|_| {}),
            trouble: None,
        }
    }

    /// The same, telling how far a wait for the network is.
    #[must_use]
    pub fn telling(self, tell: Tell) -> Self {
        Self { tell, ..self }
    }

    /// What the host's Wi-Fi failed with last in a wait that found nobody.
    pub fn trouble(&self) -> Option<&WifiError> {
        self.trouble.as_ref()
    }

    /// Joins the device's network again as soon as it is heard. False: the time is up.
    async fn rejoin(&mut self, wait: &Wait, start: &BootTime, gone: &mut bool) -> bool {
        let lost_s = self.clock.now().seconds;
        if !*gone {
            let way = self.way.clone();
            *gone = tokio::select! {
                biased;
                // What the radio heard may be known a moment later than that the link is down.
                () = way.silent() => true,
                is_away = self.is_away(lost_s) => is_away,
            };
        }
        // What was heard before this does not count.
        let mut since_s = lost_s;
        let mut others = BTreeSet::new();
        loop {
            if self.is_back_by_itself() {
                return true;
            }
            let left_s = wait.deadline_s - passed(&self.clock, start);
            if left_s <= 0.0 {
                return false;
            }
            let found = self.hear(wait, lost_s, since_s, left_s, &others).await;
            since_s = self.clock.now().seconds;
            let found = match found {
                Ok(_) if self.is_back_by_itself() => return true,
                Ok(found) => found,
                Err(error) => {
                    tracing::debug!(%error, "the way back");
                    self.trouble = Some(error);
                    sleep(AGAIN).await;
                    continue;
                }
            };
            let alone = found.len() == 1;
            for candidate in found {
                match self.try_one(&candidate.point, wait, alone).await {
                    Ok(true) => {
                        self.wish.point = candidate.point;
                        self.trouble = None;
                        return true;
                    }
                    Ok(false) => {
                        others.insert(candidate.point.bssid);
                    }
                    Err(error) => {
                        tracing::debug!(%error, "the way back");
                        self.trouble = Some(error);
                    }
                }
                if passed(&self.clock, start) > wait.deadline_s {
                    return false;
                }
            }
        }
    }

    /// Whether the host's service has joined the device again before us.
    fn is_back_by_itself(&self) -> bool {
        self.way.is_up() && self.way.point().bssid == self.wish.point.bssid
    }

    /// Whether a fresh scan does not hear what was joined.
    async fn is_away(&mut self, lost_s: f64) -> bool {
        // Where lists keep whole seconds, only from the next whole one on is an older time told from
        // that of this scan.
        let begin_s = lost_s.floor() + ROUNDED_UP_S;
        sleep(Duration::from_secs_f64(begin_s - lost_s)).await;
        let bssid = self.wish.point.bssid;
        match self.wifi.scan(&self.wish.adapter, &[]).await {
            Ok(list) => is_not_among(&list, bssid, begin_s),
            Err(error) => {
                tracing::debug!(%error, "whether it is away");
                false
            }
        }
    }

    /// Waits for the access points that may be the device, those of its name first. What was heard
    /// until `since_s` is nobody, and neither is one of the `others`.
    async fn hear(
        &mut self,
        wait: &Wait,
        lost_s: f64,
        since_s: f64,
        left_s: f64,
        others: &BTreeSet<Mac>,
    ) -> Result<Vec<Candidate>, WifiError> {
        let last = &self.wish.point;
        let stable = self.profile.identity.bssid_stable;
        let wanted = match &wait.expected.bssid {
            Some(bssid) if stable => Mac(bssid.mac),
            _ => last.bssid,
        };
        let pick = |candidate: &Candidate| {
            let point = &candidate.point;
            let heard_s = point.heard_s.unwrap_or(f64::INFINITY);
            let is_fresh = heard_s > since_s + ROUNDED_UP_S;
            is_fresh && !others.contains(&point.bssid) && (!stable || point.bssid == wanted)
        };
        // What opens after a restart opens when that is over, which may be sooner than after power-up.
        let mut family = Profile::clone(&self.profile);
        if let Some(network) = &mut family.network {
            network.opens_s = Span {
                from: wait.usual_s.0,
                to: wait.usual_s.1,
            };
        }
        let clock = &self.clock;
        let wish = WaitFor {
            profiles: &[Arc::new(family)],
            pick: &pick,
            now_s: &|| clock.now().seconds,
            powered_at_s: Some(lost_s),
            deadline_s: left_s,
            settle: if stable {
                Settle::AtOnce
            } else {
                Settle::OneScan
            },
        };
        let waited = wait_for(&*self.wifi, &self.wish.adapter, &wish, &mut self.tell).await?;
        let mut found = waited.candidates;
        found.sort_by_key(|candidate| candidate.point.name != last.name);
        Ok(found)
    }

    /// Joins one, and tells whether it is the device. `alone`: whether nobody else may be it.
    async fn try_one(
        &mut self,
        point: &AccessPoint,
        wait: &Wait,
        alone: bool,
    ) -> Result<bool, WifiError> {
        let wish = Join {
            point: point.clone(),
            ..self.wish.clone()
        };
        let joined = self.wifi.join(&wish).await?;
        self.way.set(point.clone(), &joined);
        if self.profile.identity.bssid_stable {
            return Ok(true);
        }
        // Its page may be there a moment later than its network.
        let there = Wait {
            leave_s: 0.0,
            deadline_s: STRANGER_S,
            by_hand: false,
            mark: None,
            ..wait.clone()
        };
        let _there = self.end.again(&there).await;
        let who = self.end.who().await;
        Ok(match who.map(|who| who.compare(&wait.expected)) {
            Some(Sameness::Same) => true,
            // Nothing can tell it from another one; what may be done with it is not for here to say.
            Some(Sameness::Undetermined) => alone,
            Some(Sameness::Different) | None => false,
        })
    }
}

impl<E: OtherEnd, K: Clock + Sync> Reach for WifiReach<E, K> {
    async fn again(&mut self, wait: &Wait) -> Back {
        let start = self.clock.now();
        let mut gone = false;
        loop {
            let passed = passed(&self.clock, &start);
            let rest = Wait {
                // Once it was away it need not go any more.
                leave_s: if gone { 0.0 } else { wait.leave_s - passed },
                by_hand: wait.by_hand && !gone,
                deadline_s: wait.deadline_s - passed,
                ..wait.clone()
            };
            let way = self.way.clone();
            let back = tokio::select! {
                biased;
                () = way.lost() => None,
                back = self.end.again(&rest) => Some(back),
            };
            if let Some(back) = back {
                return Back {
                    gone: gone || back.gone,
                    ..back
                };
            }
            gone |= self.end.saw_gone();
            if !self.rejoin(wait, &start, &mut gone).await {
                return Back { gone, there: false };
            }
        }
    }
}

/// How long to leave the host's Wi-Fi alone after it failed. No source.
const AGAIN: Duration = Duration::from_secs(2);

/// By how much the time may be late at which an access point was heard, in s: some of the host's
/// lists keep whole seconds.
const ROUNDED_UP_S: f64 = 1.0;

/// How long one that may be another device is given to answer, in s. No source.
const STRANGER_S: f64 = 15.0;

fn passed(clock: &impl Clock, start: &BootTime) -> f64 {
    clock.now().since(start).unwrap_or(f64::INFINITY)
}

#[cfg(test)]
mod tests;
