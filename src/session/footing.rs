//! What a session stands on: asked right before each request that acts.
//!
//! Between a reading and a write a host may hop to another network, and whatever answers there at
//! the same address would be written to. So where the way to a device can be lost, whoever knows the
//! way says at the last moment whether it still holds; where only the device itself can tell that it
//! is the one that was read, it is read once more, and what is sent is made from that reading.

use std::sync::Arc;

use async_trait::async_trait;

use super::{Answers, Fetched, Session, SessionError};
use crate::terms::{Identity, PlaceName};

/// The way to a device, as far as it can be lost.
#[async_trait]
pub trait Footing: Send + Sync {
    /// Whether the way leads to the same device as before at this moment; why not, in words for a
    /// person. It must not take long: what acts is sent right after it.
    async fn holds(&self) -> Result<(), String>;

    /// Whether the way alone cannot tell that, so that the device has to.
    fn asks_the_device(&self) -> bool {
        false
    }

    /// Gets the way back when nobody answers any more; whether there is any use in another try. It
    /// may take long, and may be dropped.
    async fn regain(&self) -> bool {
        false
    }
}

impl Session {
    /// The same, standing on this.
    #[must_use]
    pub fn standing(self, footing: Arc<dyn Footing>) -> Self {
        Self {
            footing: Some(footing),
            ..self
        }
    }

    /// Who answers there now: of the profile's family, and with which marks. Nothing is told to it
    /// where it shows its serial without a login, or has none.
    pub async fn who(&self) -> Result<Identity, SessionError> {
        let serial = self.profile.identity.serial.as_ref();
        let shows = serial.and_then(|place| {
            let place = self.profile.places.get(place)?;
            self.profile.requests.get(&place.request)
        });
        if shows.is_some_and(|request| request.login && !self.is_open()) {
            return Ok(self
                .read_once(Fetched::new())
                .await?
                .snapshot
                .device
                .identity);
        }
        let bssid = (self.bssid)();
        let mut by_request = self.recognised(&mut Fetched::new()).await?;
        if let Some(request) = shows {
            self.ask(request, &mut Fetched::new(), &mut by_request)
                .await?;
        }
        if (self.bssid)() != bssid {
            return Err(SessionError::AnotherDevice);
        }
        Ok(super::read::who(
            &self.profile,
            self.origin(),
            bssid,
            &by_request,
        ))
    }

    /// Whether the way holds; said as of a request that was not sent.
    pub(super) async fn holds(&self) -> Result<(), String> {
        match &self.footing {
            Some(footing) => footing.holds().await,
            None => Ok(()),
        }
    }

    /// Whether a request that acts may be sent that was planned from these answers, and the newer
    /// ones that it is to be made from, where the device had to be asked.
    pub(super) async fn stands(&self, answers: &Answers) -> Result<Option<Answers>, String> {
        self.holds().await?;
        if !self.footing.as_ref().is_some_and(|f| f.asks_the_device()) {
            return Ok(None);
        }
        let harvest = self.read_once(Fetched::new()).await;
        let newer = harvest.map_err(|error| error.to_string())?.answers;
        match self.first_that_differs(answers, &newer) {
            None => Ok(Some(newer)),
            Some(place) if self.profile.identity.serial.as_ref() == Some(place) => {
                Err("another device answers there now".into())
            }
            Some(place) => Err(format!(
                "`{place}` is not as it was read: another device may answer there now"
            )),
        }
    }

    /// Whether another try of a reading is of use after it failed so.
    pub(super) async fn regains(&self, error: &SessionError) -> bool {
        match &self.footing {
            Some(footing) if error.is_transport() => footing.regain().await,
            _ => false,
        }
    }

    /// The serial's place first, then any that does not change by itself.
    fn first_that_differs<'a>(&'a self, before: &Answers, now: &Answers) -> Option<&'a PlaceName> {
        let serial = self.profile.identity.serial.iter();
        let others = self.profile.places.keys();
        serial
            .chain(others)
            .filter(|place| !self.profile.volatile.contains(*place))
            .find(|place| before.raw(place) != now.raw(place))
    }
}
