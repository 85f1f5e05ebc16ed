//! A look at a device while it restarts: is it there, and what does its own mark say?
//!
//! A restart can be over between two looks; then only the mark tells. The answer that shows it is
//! kept for the reading that follows at once, so that a small device is not asked twice, and is
//! dropped where that reading is of another moment or through another network.

use std::{
    collections::BTreeMap,
    sync::PoisonError,
    time::{Duration, SystemTime},
};

use super::{
    Alive, Fetched, Session,
    answers::{parse, raw_at},
    http::Got,
    read, send,
};
use crate::{
    profile::{Place, Request, WitnessRule},
    terms::{RequestName, Witness},
};

/// What a look showed.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// Whether it is there.
    pub alive: Alive,
    /// Its own mark of this start, where the family shows one without a login and all of the
    /// answer came at once.
    pub mark: Option<Witness>,
}

/// An answer that a look was given.
pub(super) struct Looked {
    request: RequestName,
    got: Got,
    bssid: Option<[u8; 6]>,
    at: SystemTime,
}

/// How old an answer may be for a reading to take it, by the clock on the wall, which goes on while
/// the computer sleeps. No source: the step that is put on record in between takes milliseconds.
const FRESH: Duration = Duration::from_secs(2);

impl Session {
    /// Looks once, at the answer that the device's own mark stands in, or else at the first by which
    /// the family is recognised. Acts on nothing.
    pub async fn look(&self) -> Look {
        let mark = self.mark_place();
        let first = self.profile.recognise.first().map(|rule| &rule.request);
        let request = mark.map(|place| &place.request).or(first);
        let request = request.and_then(|name| self.profile.requests.get(name));
        let ask = request.map(|request| send::request(self.origin(), request, None));
        let (Some(request), Some(Ok(ask))) = (request, ask) else {
            return Look::of(Alive::Silent);
        };
        self.keep(None);
        let bssid = (self.bssid)();
        let got = match self.http.glance(&ask).await {
            Err(error) => return Look::of(Alive::without_status(&error)),
            Ok(None) => return Look::of(Alive::Answers),
            Ok(Some(got)) => got,
        };
        let mark = match mark {
            Some(place) => self.mark(got.clone(), request, place).await,
            None => None,
        };
        // Behind a login a reading begins with a page that is shown to the session's own cookies.
        self.keep(self.is_open().then(|| Looked {
            request: request.name.clone(),
            got,
            bssid,
            at: SystemTime::now(),
        }));
        Look {
            alive: Alive::Answers,
            mark,
        }
    }

    /// The answer of the last look, if it is of this moment and of this network.
    pub(super) fn just_seen(&self, bssid: Option<[u8; 6]>) -> Fetched {
        let looked = self.looked.lock();
        let looked = looked.unwrap_or_else(PoisonError::into_inner).take();
        looked
            .filter(|seen| seen.bssid == bssid)
            .filter(|seen| seen.at.elapsed().is_ok_and(|age| age < FRESH))
            .map(|seen| (seen.request, seen.got))
            .into_iter()
            .collect()
    }

    fn keep(&self, looked: Option<Looked>) {
        *self.looked.lock().unwrap_or_else(PoisonError::into_inner) = looked;
    }

    /// Where the mark stands, if it can be asked for by itself.
    fn mark_place(&self) -> Option<&Place> {
        let (WitnessRule::Falls(place) | WitnessRule::Changes(place)) =
            self.profile.restart.as_ref()?.witness.as_ref()?;
        let place = self.profile.places.get(place)?;
        let request = self.profile.requests.get(&place.request)?;
        (!request.login && !request.acts).then_some(place)
    }

    async fn mark(&self, got: Got, request: &Request, place: &Place) -> Option<Witness> {
        let answer = parse(got, &self.profile, request, &self.limits)
            .await
            .ok()??;
        let raw = raw_at(&answer, place).ok()?;
        read::witness(&self.profile, &BTreeMap::from([(place.name.clone(), raw)]))
    }
}

impl Look {
    /// Without a mark.
    fn of(alive: Alive) -> Self {
        Self { alive, mark: None }
    }
}
