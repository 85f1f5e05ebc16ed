//! From an adapter that was granted to a session with the loaner behind its network.

use super::{air::Grant, night::Shared, way::Now};
use crate::{
    change::{Trouble, over_wifi::Way},
    find::{
        self, FindError,
        addressing::{Addressings, Vain},
        air,
    },
    profile::{Network, Security},
    session::{Origin, Session},
    terms::Exit,
    wifi::{AdapterName, Join, Joined, Key, NetworkName, WifiError},
};

/// What was joined, and the session over it.
pub(super) struct Entered {
    pub(super) now: Now,
    pub(super) way: Way,
    pub(super) adapter: AdapterName,
    /// Its network, where it is an open one.
    pub(super) open: Option<NetworkName>,
}

/// Joins it, and opens a session with what answers there.
pub(super) async fn enter(shared: &Shared, grant: &Grant) -> Result<Entered, Trouble> {
    let profile = &shared.order.shelf.profile;
    let (Some(wifi), Some(network)) = (&shared.world.wifi, &profile.network) else {
        return Err(Trouble::new(
            "no-network",
            "the profile does not say how its network is joined",
            Some("see `linkmend profile show`"),
        ));
    };
    let key = key(shared, network)?;
    let mut addressings = Addressings::of(network);
    loop {
        let wish = Join {
            adapter: grant.adapter.clone(),
            point: grant.point.clone(),
            key: key.clone(),
            addressing: addressings.now(),
        };
        let joined = match wifi.join(&wish).await {
            Ok(joined) => joined,
            Err(WifiError::NoAddress { .. }) if addressings.go_on(Vain::NoAddress) => continue,
            Err(error) => {
                if is_of_the_adapter(&error) {
                    grant.give_up(shared);
                }
                return Err(wifi_trouble(&error));
            }
        };
        match answers(shared, &wish, &joined).await {
            Err(FindError::NobodyThere { .. }) if addressings.go_on(Vain::Nobody) => {}
            Err(error) => return Err(find_trouble(&error)),
            Ok((session, way)) => {
                let is_open = network.security == Security::Open;
                return Ok(Entered {
                    now: Now::new(let_in(shared, session)),
                    way,
                    adapter: grant.adapter.clone(),
                    open: is_open.then(|| grant.point.name.clone()),
                });
            }
        }
    }
}

fn key(shared: &Shared, network: &Network) -> Result<Key, Trouble> {
    if network.security == Security::Open {
        return Ok(Key::Open);
    }
    let given = shared.world.passphrase.as_ref();
    let Some(passphrase) = given.or(network.passphrase.as_ref()).cloned() else {
        return Err(Trouble::new(
            "passphrase-missing",
            "its network has a passphrase that the profile does not know",
            Some(
                "put it alone into a file that you alone can read, and give --passphrase-file FILE",
            ),
        )
        .ending(Exit::Usage));
    };
    Ok(air::key(network, passphrase))
}

async fn answers(
    shared: &Shared,
    wish: &Join,
    joined: &Joined,
) -> Result<(Session, Way), FindError> {
    let profile = &shared.order.shelf.profile;
    let profiles = [profile.clone()];
    let limits = &shared.world.limits;
    let mut nobody = FindError::NoProfiles;
    for address in air::addresses(&profiles, joined.gateway) {
        let Ok(origin) = Origin::of(address) else {
            continue;
        };
        let origin = shared
            .world
            .origin(origin, joined.adapter.as_str(), wish.point.bssid);
        let way = Way::new(wish.point.clone(), joined);
        match find::at(&origin, &profiles, limits).await {
            Err(error @ FindError::NobodyThere { .. }) => nobody = error,
            Err(error) => return Err(error),
            Ok(found) => {
                let fetched = found.into_iter().next().map(|found| found.fetched);
                let session = Session::new(origin, profile.clone(), limits.clone(), way.bssid());
                let Ok(session) = session else { continue };
                let session = session.knowing(fetched.unwrap_or_default());
                return Ok((session.standing(way.footing()), way));
            }
        }
    }
    Err(nobody)
}

/// The same session with the login of the shelf, where its family asks for one.
pub(super) fn let_in(shared: &Shared, session: Session) -> Session {
    match &shared.world.login {
        Some(login) => session.letting_in(login.clone()),
        None => session,
    }
}

/// A trouble of the search for a device.
pub(super) fn find_trouble(error: &FindError) -> Trouble {
    Trouble {
        code: error.code().into(),
        message: error.to_string(),
        help: error.help(),
        exit: error.exit(),
    }
}

/// Whether it says nothing of who was to be joined, and would be the same with everybody.
fn is_of_the_adapter(error: &WifiError) -> bool {
    matches!(
        error,
        WifiError::NoService { .. }
            | WifiError::NoAdapter { .. }
            | WifiError::OtherAdapters { .. }
            | WifiError::SwitchedOff { .. }
            | WifiError::Blocked { .. }
            | WifiError::Unmanaged { .. }
            | WifiError::Unavailable { .. }
            | WifiError::NotPermitted { .. }
    )
}

fn wifi_trouble(error: &WifiError) -> Trouble {
    Trouble {
        code: error.code().into(),
        message: error.to_string(),
        help: error.help(),
        exit: error.exit(),
    }
}
