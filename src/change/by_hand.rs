//! The way to a device whose network a person joins by hand.
//!
//! A host hops away to networks with internet, and whatever is at the same address there answers in
//! the device's place. So nobody counts here but the device that was read, and a connection that is
//! refused says nothing: only the device's own mark tells of its restart.

use std::{net::IpAddr, sync::Arc, time::Duration};

use async_trait::async_trait;

use super::{
    over_session::SessionReach,
    ports::{Back, Clock, Reach, Wait},
};
use crate::{
    session::{Footing, Session},
    wifi::by_hand::{ByHand, Hands, Pick, Why},
};

/// How long a person may take to join a network again. No source: as long as for a power cycle.
const PATIENCE: Duration = Duration::from_mins(10);

/// What a session stands on that is joined by hand.
pub struct HandFooting {
    hand: ByHand,
    names: Vec<String>,
    address: IpAddr,
}

impl HandFooting {
    /// `names`: what the device's network may be called; `address`: where it is.
    pub fn new(hand: ByHand, names: Vec<String>, address: IpAddr) -> Self {
        Self {
            hand,
            names,
            address,
        }
    }
}

#[async_trait]
impl Footing for HandFooting {
    /// Nobody can tell without the device.
    async fn holds(&self) -> Result<(), String> {
        Ok(())
    }

    fn asks_the_device(&self) -> bool {
        true
    }

    /// Asks for the network once more.
    async fn regain(&self) -> bool {
        let pick = Pick {
            names: self.names.clone(),
            in_s: None,
            why: Why::Lost,
        };
        let there = self.hand.picked_at(&pick, self.address);
        tokio::time::timeout(PATIENCE, there).await.is_ok()
    }
}

/// The way back after a restart, by hand.
pub struct HandReach<K> {
    knocks: SessionReach<K>,
    hands: Arc<dyn Hands>,
    names: Vec<String>,
}

impl<K: Clock> HandReach<K> {
    /// The way to the device behind this session.
    pub fn new(session: Arc<Session>, clock: K, hands: Arc<dyn Hands>, names: Vec<String>) -> Self {
        Self {
            knocks: SessionReach::new(session, clock).wary(),
            hands,
            names,
        }
    }
}

impl<K: Clock> Reach for HandReach<K> {
    async fn again(&mut self, wait: &Wait) -> Back {
        self.hands.pick(&Pick {
            names: self.names.clone(),
            in_s: Some(wait.usual_s),
            why: Why::Restart,
        });
        self.knocks.again(wait).await
    }
}

#[cfg(all(test, feature = "practice"))]
mod tests;
