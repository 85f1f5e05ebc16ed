//! The device and the way to it, for one loaner: a session that another may take the place of,
//! since after a restart it may be reached through another adapter.

use std::{cell::RefCell, rc::Rc, sync::Arc};

use super::{SharedClock, reach::AirReach};
use crate::{
    change::{
        Plan, Trouble,
        over_session::{SessionDevice, SessionReach},
        ports::{Back, Device, Reach, Sent, Wait},
    },
    session::{Harvest, Session},
    terms::{Overlay, SaveName, Snapshot},
};

/// The session of this moment. Clones are handles of the same one.
#[derive(Clone)]
pub(super) struct Now(Rc<RefCell<Arc<Session>>>);

impl Now {
    pub(super) fn new(session: Session) -> Self {
        Self(Rc::new(RefCell::new(Arc::new(session))))
    }

    pub(super) fn session(&self) -> Arc<Session> {
        Arc::clone(&self.0.borrow())
    }

    pub(super) fn set(&self, session: Arc<Session>) {
        *self.0.borrow_mut() = session;
    }
}

/// The device behind the session of this moment.
pub(super) struct NowDevice {
    now: Now,
    of: Arc<Session>,
    device: SessionDevice,
}

impl NowDevice {
    /// The device, whose first reading is this one.
    pub(super) fn new(now: Now, harvest: Harvest) -> Self {
        let of = now.session();
        Self {
            device: SessionDevice::new(Arc::clone(&of), None).knowing(harvest),
            of,
            now,
        }
    }
}

impl Device for NowDevice {
    async fn read(&mut self) -> Result<Snapshot, Trouble> {
        let session = self.now.session();
        if !Arc::ptr_eq(&session, &self.of) {
            self.device = SessionDevice::new(Arc::clone(&session), None);
            self.of = session;
        }
        self.device.read().await
    }

    fn tries(&self, plan: &Plan) -> Result<(), Trouble> {
        self.device.tries(plan)
    }

    async fn save(&mut self, save: &SaveName, overlay: &Overlay) -> Sent {
        self.device.save(save, overlay).await
    }

    async fn restart(&mut self) -> Sent {
        self.device.restart().await
    }
}

/// The way back to a loaner after a restart.
pub(super) enum LoanerReach {
    /// It stays at its address.
    Here(Now, SharedClock),
    /// Its network opens again, and an adapter is to be had for it.
    Air(Box<AirReach>),
}

impl Reach for LoanerReach {
    async fn again(&mut self, wait: &Wait) -> Back {
        match self {
            Self::Here(now, clock) => {
                let mut reach = SessionReach::new(now.session(), clock.clone());
                reach.again(wait).await
            }
            Self::Air(air) => air.again(wait).await,
        }
    }
}
