//! From a network that was chosen to a session with the device behind it.

use std::sync::Arc;

use crate::{
    change::over_wifi::Way,
    cli::{
        failure::Failure,
        target::{self, Target},
    },
    find::{
        FindError,
        addressing::{Addressings, Vain},
        air::{self, Candidate},
    },
    profile::{Network, Security},
    session::Origin,
    wifi::{Addressing, Join, Joined, WifiError},
};

use super::{Wish, consent::OpenNetwork, key::PassphraseFrom};

/// How often a person may type a passphrase.
const PASSPHRASES: usize = 3;

/// Joins it, and opens a session with what answers there.
pub(super) async fn enter(
    wish: &Wish<'_>,
    candidate: &Candidate,
    keys: &mut PassphraseFrom,
) -> Result<Target, Failure> {
    let Some(network) = candidate
        .families
        .iter()
        .find_map(|one| one.network.as_ref())
    else {
        return Err(Failure::usage(
            "the profile does not say how its network is joined",
            "see `linkmend profile show`",
        ));
    };
    wish.context
        .way_home
        .remember(&wish.wifi, wish.journal, &wish.adapter)
        .await?;
    let open = (network.security == Security::Open).then(|| {
        Arc::new(OpenNetwork::new(
            candidate.point.name.clone(),
            wish.radio.open_network.as_deref(),
        ))
    });
    let mut addressings = Addressings::of(network);
    loop {
        let (join, joined) = match join(wish, candidate, network, addressings.now(), keys).await {
            Err(Failure::Wifi(WifiError::NoAddress { .. }))
                if addressings.go_on(Vain::NoAddress) =>
            {
                continue;
            }
            joined => joined?,
        };
        match answers(wish, candidate, &join, &joined, open.clone()).await {
            Err(Failure::Find(FindError::NobodyThere { .. }))
                if addressings.go_on(Vain::Nobody) => {}
            ended => return ended,
        }
    }
}

async fn join(
    wish: &Wish<'_>,
    candidate: &Candidate,
    network: &Network,
    addressing: Addressing,
    keys: &mut PassphraseFrom,
) -> Result<(Join, Joined), Failure> {
    let point = &candidate.point;
    let screen = wish.context.screen;
    for _ in 0..PASSPHRASES {
        let join = Join {
            adapter: wish.adapter.clone(),
            point: point.clone(),
            key: keys.key(network, point, screen).await?,
            addressing,
        };
        let busy = screen.busy(format!("joining {} ({})", point.name, point.bssid));
        let joined = wish.wifi.join(&join).await;
        drop(busy);
        match joined {
            Ok(joined) => return Ok((join, joined)),
            Err(error @ WifiError::WrongPassphrase { .. }) => {
                if !keys.again(point, screen).await? {
                    return Err(error.into());
                }
            }
            Err(error) => return Err(error.into()),
        }
    }
    Err(WifiError::WrongPassphrase {
        name: point.name.clone(),
        bssid: point.bssid,
    }
    .into())
}

/// A session with what answers at one of the families' addresses, or at the network's way out.
async fn answers(
    wish: &Wish<'_>,
    candidate: &Candidate,
    join: &Join,
    joined: &Joined,
    open: Option<Arc<OpenNetwork>>,
) -> Result<Target, Failure> {
    let mut nobody = None;
    for address in air::addresses(&candidate.families, joined.gateway) {
        let origin = Origin::of(address)
            .map_err(|error| Failure::usage(error.to_string(), error.help()))?
            .through(joined.adapter.as_str());
        let way = Way::new(join.point.clone(), joined);
        let there = target::At {
            origin,
            login: &wish.login,
            bssid: way.bssid(),
            footing: Some(way.footing()),
            open: open.clone(),
        };
        let opened = target::at_origin(wish.context, there, &candidate.families, &wish.limits);
        match opened.await {
            Ok((session, profile)) => {
                return Ok(Target::over_wifi(
                    session,
                    profile,
                    wish.limits.clone(),
                    super::OverWifi {
                        wifi: Arc::clone(&wish.wifi),
                        way,
                        join: join.clone(),
                        open,
                    },
                ));
            }
            Err(failure @ Failure::Find(FindError::NobodyThere { .. })) => nobody = Some(failure),
            Err(failure) => return Err(failure),
        }
    }
    Err(nobody.unwrap_or_else(|| {
        Failure::usage(
            "the profile does not say at which address its devices answer",
            "see `linkmend profile show`",
        )
    }))
}
