//! One list of what a scan of the air heard and what announces itself on a local network.

use super::Announced;
use crate::{
    find::air::Candidate,
    terms::{Bssid, Identity, Sameness},
};

/// A device that is in reach, one way or both.
#[derive(Debug, Clone)]
pub struct InReach<T> {
    /// Its own access point.
    pub air: Option<T>,
    /// What it announces on a local network.
    pub announced: Option<Announced>,
}

/// Who an access point is: its BSSID, a strong mark where every family that it may be of keeps it.
pub fn identity_of(candidate: &Candidate) -> Identity {
    let stable = candidate.families.iter().all(|f| f.identity.bssid_stable);
    Identity {
        bssid: Some(Bssid {
            mac: candidate.point.bssid.0,
            stable,
        }),
        ..Identity::default()
    }
}

/// All of both, each device once: where the serial or a stable BSSID is the same, and no other mark
/// denies it, it is one. The order is kept, those of the air first.
pub fn merge<T>(air: Vec<(Identity, T)>, announced: Vec<Announced>) -> Vec<InReach<T>> {
    let mut announced: Vec<Option<Announced>> = announced.into_iter().map(Some).collect();
    let mut all: Vec<InReach<T>> = Vec::new();
    for (identity, point) in air {
        let same = announced.iter_mut().find(|other| {
            let other = other.as_ref().map(Announced::identity);
            other.is_some_and(|other| identity.compare(&other) == Sameness::Same)
        });
        all.push(InReach {
            air: Some(point),
            announced: same.and_then(Option::take),
        });
    }
    all.extend(announced.into_iter().flatten().map(|announced| InReach {
        air: None,
        announced: Some(announced),
    }));
    all
}
