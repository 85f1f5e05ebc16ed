//! Where an adapter was before, and being there again.
//!
//! It works from the word alone that was kept, so that another process can do it after a crash.
//! What linkmend made is known by its name and by being saved nowhere; nothing else is ever removed.

use std::{sync::PoisonError, time::Duration};

use zbus::{OwnedObjectPath, OwnedVariant, Variant};

use super::{
    Inner, adapters,
    bus::{DeviceProxy, ManagerProxy, NOTHING, SavedConnectionProxy, SavedConnectionsProxy},
    permissions,
    picture::Picture,
    reasons, wanted,
};
use crate::wifi::{AdapterName, Home, HomeConnection, WifiError};

/// What is asked for, for the errors.
const RETURNING: &str = "going back to the connection of before";

/// How long `NetworkManager` has to go home by itself: where it does, it begins within 30 ms (seen
/// with 1.42), and a second activation beside its own would make it begin anew.
const BY_ITSELF: Duration = Duration::from_millis(100);

/// How long an adapter may take until it can be used, such as right after a switch was flipped.
const READY: Duration = Duration::from_secs(5);

/// How long the way home may take. `NetworkManager` gives an association 25 s and an address 45 s.
const WAY_HOME: Duration = Duration::from_secs(75);

/// How long an adapter may take to let go.
const LEAVING: Duration = Duration::from_secs(10);

/// What the adapter is connected to, unless it is ours.
pub(super) fn whereabouts(inner: &Inner, adapter: &AdapterName) -> Result<Home, WifiError> {
    let picture = inner.picture.borrow();
    inner.there(&picture)?;
    let device = adapters::one(&picture, adapter)?;
    let connection = device
        .active()
        .filter(|active| !active.is_over() && !is_ours(active.id()))
        .map(|active| HomeConnection {
            id: active.uuid().to_owned(),
            name: active.id().to_owned(),
        });
    Ok(Home {
        adapter: adapter.clone(),
        connection,
    })
}

/// Leaves what is ours, and stays on nothing.
pub(super) async fn leave(inner: &Inner, adapter: &AdapterName) -> Result<(), WifiError> {
    let (device, ours, goes_on) = on(inner, adapter)?;
    let Some(ours) = ours else { return Ok(()) };
    if goes_on {
        let mut left = inner.left.lock().unwrap_or_else(PoisonError::into_inner);
        left.insert(adapter.clone());
    }
    stay_idle(inner, &device).await;
    over(inner, adapter, &ours).await
}

/// Leaves what is ours and waits until the adapter is where it was.
pub(super) async fn go_home(inner: &Inner, home: &Home) -> Result<(), WifiError> {
    let name = home.adapter.as_str();
    let (device, ours, _) = on(inner, &home.adapter)?;
    let was_idle = home.connection.is_none() && inner.was_idle(&home.adapter);
    if let Some(ours) = ours {
        if was_idle {
            stay_idle(inner, &device).await;
        }
        inner.end(&ours).await;
        over(inner, &home.adapter, &ours).await?;
    }
    if inner.was_left(&home.adapter) {
        if !was_idle {
            go_on(inner, &device).await;
        }
        let mut left = inner.left.lock().unwrap_or_else(PoisonError::into_inner);
        left.remove(&home.adapter);
    }
    remove_ours(inner, &home.adapter).await?;
    let Some(connection) = &home.connection else {
        return Ok(());
    };
    let there = |picture: &Picture| {
        let device = picture.adapter(name)?;
        let active = device.active()?;
        let is_home = active.uuid() == connection.id && !active.is_over();
        is_home.then(|| OwnedObjectPath::try_from(device.active_path()).ok())?
    };
    let mut on_its_way = inner.until(BY_ITSELF, there).await?;
    for last in [false, true] {
        let active = match on_its_way.take() {
            Some(active) => active,
            None => activate(inner, &home.adapter, connection, &device).await?,
        };
        match arrive(inner, home, connection, &active).await? {
            Arrival::There => return Ok(()),
            // Right after the adapter was elsewhere, its list may lack what is in range.
            Arrival::Failed if !last => {}
            Arrival::Failed => break,
            Arrival::Late => {
                return Err(WifiError::Other {
                    what: RETURNING,
                    why: format!(
                        "`{}` is not up after {} s",
                        shown(&connection.name),
                        WAY_HOME.as_secs()
                    ),
                });
            }
        }
    }
    Err(WifiError::Other {
        what: RETURNING,
        why: format!("`{}` is not to be reached now", shown(&connection.name)),
    })
}

/// The adapter, what it is on where that is ours, and whether it goes on to something by itself.
fn on(
    inner: &Inner,
    adapter: &AdapterName,
) -> Result<(OwnedObjectPath, Option<OwnedObjectPath>, bool), WifiError> {
    let picture = inner.picture.borrow();
    inner.there(&picture)?;
    let device = adapters::one(&picture, adapter)?;
    let ours = device
        .active()
        .filter(|active| is_ours(active.id()))
        .and_then(|_| OwnedObjectPath::try_from(device.active_path()).ok());
    Ok((device.path.clone(), ours, device.autoconnects()))
}

/// Waits until the adapter is on this no more.
async fn over(
    inner: &Inner,
    adapter: &AdapterName,
    ours: &OwnedObjectPath,
) -> Result<(), WifiError> {
    let name = adapter.as_str();
    let left = |picture: &Picture| {
        let on = picture.adapter(name).map_or(NOTHING, |it| it.active_path());
        (on != ours.as_str()).then_some(())
    };
    if inner.until(LEAVING, left).await?.is_none() {
        return Err(WifiError::Other {
            what: "leaving what was joined",
            why: format!("`{name}` is still on it after {} s", LEAVING.as_secs()),
        });
    }
    Ok(())
}

/// Lets an adapter go on by itself again. Where that fails, what is done next puts it right.
async fn go_on(inner: &Inner, device: &OwnedObjectPath) {
    let proxy = DeviceProxy::builder(&inner.connection).path(device.clone());
    if let Ok(proxy) = proxy.build().await {
        let _set = proxy.set_autoconnect(true).await;
    }
}

/// Leaves what is ours as a person would who wants it to stay disconnected. Where that fails, it is
/// left all the same.
async fn stay_idle(inner: &Inner, device: &OwnedObjectPath) {
    let proxy = DeviceProxy::builder(&inner.connection).path(device.clone());
    if let Ok(proxy) = proxy.build().await {
        let _left = proxy.disconnect().await;
    }
}

/// How an activation of the connection at home ended.
enum Arrival {
    There,
    Failed,
    Late,
}

/// Waits until the connection is up on the adapter.
async fn arrive(
    inner: &Inner,
    home: &Home,
    wanted: &HomeConnection,
    activation: &OwnedObjectPath,
) -> Result<Arrival, WifiError> {
    let up = |picture: &Picture| {
        let Some(device) = picture.adapter(home.adapter.as_str()) else {
            return Some(Err(reasons::unplugged(&home.adapter)));
        };
        // Also another activation of the same, such as its own.
        match device.active().filter(|it| it.uuid() == wanted.id) {
            Some(active) if active.is_up() => Some(Ok(Arrival::There)),
            Some(active) if !active.is_over() => None,
            _ if picture.is_over(activation) => Some(Ok(Arrival::Failed)),
            _ => None,
        }
    };
    let arrived = inner.until(WAY_HOME, up).await?;
    arrived.unwrap_or(Ok(Arrival::Late))
}

/// Activates it; gives the activation.
async fn activate(
    inner: &Inner,
    adapter: &AdapterName,
    connection: &HomeConnection,
    device: &OwnedObjectPath,
) -> Result<OwnedObjectPath, WifiError> {
    let ready = |picture: &Picture| adapters::usable(picture, adapter).ok().map(drop);
    if inner.until(READY, ready).await?.is_none() {
        adapters::usable(&inner.picture.borrow(), adapter)?;
    }
    let call = |error: &zbus::Error| reasons::of_call(RETURNING, error);
    let path = SavedConnectionsProxy::new(&inner.connection)
        .await
        .map_err(|error| call(&error))?
        .get_connection_by_uuid(&connection.id)
        .await
        .map_err(|error| match reasons::of_call(RETURNING, &error) {
            WifiError::Other { .. } => WifiError::Other {
                what: RETURNING,
                why: format!("`{}` is saved no more", shown(&connection.name)),
            },
            other => other,
        })?;
    let nothing = OwnedObjectPath::try_from(NOTHING).map_err(|error| call(&error))?;
    let asked = ManagerProxy::new(&inner.connection)
        .await
        .map_err(|error| call(&error))?
        .activate_connection(&path, device, &nothing)
        .await;
    match asked {
        Ok(active) => Ok(active),
        Err(error) if reasons::is_unplugged(&error) => Err(reasons::unplugged(adapter)),
        Err(error) => Err(inner
            .permission(call(&error), &[permissions::CONTROL])
            .await),
    }
}

/// Removes what an earlier run left for this adapter.
async fn remove_ours(inner: &Inner, adapter: &AdapterName) -> Result<(), WifiError> {
    let unsaved: Vec<OwnedObjectPath> = inner.picture.borrow().unsaved().cloned().collect();
    for path in unsaved {
        let proxy = SavedConnectionProxy::builder(&inner.connection)
            .path(path.clone())
            .build()
            .await
            .map_err(|error| reasons::of_call(RETURNING, &error))?;
        // One that has gone meanwhile, or that another person's eyes alone may see, is not ours.
        let Ok(settings) = proxy.get_settings().await else {
            continue;
        };
        let said = |name: &str| {
            settings
                .get("connection")
                .and_then(|group| text(group.get(name)?))
        };
        if said("id").is_some_and(is_ours) && said("interface-name") == Some(adapter.as_str()) {
            let removed = proxy.delete().await;
            // It goes by itself when its activation has ended, which may be now.
            let gone = |picture: &Picture| (!picture.knows(&path)).then_some(());
            if let Err(error) = removed
                && inner.until(LEAVING, gone).await?.is_none()
            {
                let error = reasons::of_call("removing what was joined", &error);
                return Err(inner.permission(error, &[permissions::OWN]).await);
            }
        }
    }
    Ok(())
}

/// Whether a connection of this name is one of ours.
fn is_ours(id: &str) -> bool {
    id.starts_with(wanted::MARK)
}

fn text(value: &OwnedVariant) -> Option<&str> {
    match &**value {
        Variant::Str(text) => Some(text.as_str()),
        _ => None,
    }
}

fn shown(name: &str) -> crate::terms::Untrusted {
    crate::terms::Untrusted::new(name)
}
