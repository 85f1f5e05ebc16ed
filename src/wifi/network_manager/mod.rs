//! The host's Wi-Fi by `NetworkManager`, over D-Bus.
//!
//! Nothing is shelled out to and nothing saved. What was joined ends with this process, also where
//! that is killed, since `NetworkManager` ties it to our connection to the bus. Waits are for events:
//! one picture of its objects is kept up to date and looked at anew at each change.

mod adapters;
mod air;
mod bus;
mod heard;
mod home;
mod join;
pub(super) mod permissions;
mod picture;
mod reasons;
#[cfg(test)]
mod sample;
mod scan;
mod wanted;
mod watcher;

use std::{
    collections::{BTreeSet, HashMap},
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use async_trait::async_trait;
use tokio::{
    sync::{OwnedMutexGuard, watch},
    task::JoinHandle,
    time,
};
use zbus::{Connection, OwnedObjectPath, fdo::DBusProxy};

use self::{
    bus::ManagerProxy,
    permissions::Permission,
    picture::{Device, Picture},
};
use super::{AccessPoint, Adapter, AdapterName, Home, Join, Joined, NetworkName, Wifi, WifiError};

/// What a person knows it by.
const SERVICE: &str = "NetworkManager";

/// Longest that one call may take. All of them answer at once; asking polkit takes longest.
const CALL: Duration = Duration::from_secs(10);

/// The Wi-Fi of this computer, as its `NetworkManager` has it (1.16 or newer).
#[derive(Debug)]
pub struct NetworkManager {
    inner: Arc<Inner>,
}

impl NetworkManager {
    /// Connects to D-Bus, the system one, and reads what `NetworkManager` knows. Without a bus, or without
    /// `NetworkManager` on it: [`WifiError::NoService`].
    pub async fn connect() -> Result<Self, WifiError> {
        let no_service = |why: String| WifiError::NoService {
            service: SERVICE,
            why,
        };
        let connection = zbus::connection::Builder::system()
            .method_timeout(CALL)
            .build()
            .await
            .map_err(|error| no_service(format!("there is no system bus ({error})")))?;
        let (picture, watcher) = watcher::watch(&connection)
            .await
            .map_err(|error| reasons::of_call("asking", &error))?;
        Ok(Self {
            inner: Arc::new(Inner {
                connection,
                picture,
                watcher,
                called: Mutex::default(),
                idle: Mutex::default(),
                left: Mutex::default(),
                turns: Mutex::default(),
            }),
        })
    }

    /// What it calls its version.
    pub fn version(&self) -> Option<String> {
        self.inner.picture.borrow().version().map(str::to_owned)
    }

    /// `yes`, `auth` or `no` for each of its polkit actions; or why it does not say.
    pub(super) async fn permissions(&self) -> Result<HashMap<String, String>, String> {
        permissions::all(&self.inner.connection)
            .await
            .map_err(|error| error.to_string())
    }

    /// Whether networking as a whole is on.
    pub(super) fn is_networking_on(&self) -> bool {
        self.inner.picture.borrow().networking_on()
    }

    /// Whether one of the services that speak Wi-Fi for it is there, or would be started. None: the
    /// bus does not tell.
    pub(super) async fn has_speaker(&self) -> Option<bool> {
        const SPEAKERS: [&str; 2] = ["fi.w1.wpa_supplicant1", "net.connman.iwd"];
        let bus = DBusProxy::new(&self.inner.connection).await.ok()?;
        let mut names = bus.list_names().await.ok()?;
        names.extend(bus.list_activatable_names().await.ok()?);
        Some(names.iter().any(|name| SPEAKERS.contains(&name.as_str())))
    }
}

/// What a handle and its tasks share.
#[derive(Debug)]
struct Inner {
    connection: Connection,
    picture: watch::Receiver<Picture>,
    watcher: JoinHandle<()>,
    /// Names that were called for in a scan.
    called: Mutex<BTreeSet<NetworkName>>,
    /// Adapters that a person had disconnected before something was joined.
    idle: Mutex<BTreeSet<AdapterName>>,
    /// Adapters that we disconnected, and that went on by themselves before.
    left: Mutex<BTreeSet<AdapterName>>,
    /// Whose turn it is with an adapter.
    turns: Mutex<HashMap<AdapterName, Arc<Turn>>>,
}

/// One at a time joins through an adapter or goes home with it: a join that was dropped may still be
/// on its way to the service, and would come about after the adapter was put back.
type Turn = tokio::sync::Mutex<()>;

impl Drop for Inner {
    fn drop(&mut self) {
        // The task holds the bus open, and what was joined would last as long.
        self.watcher.abort();
    }
}

impl Inner {
    /// Waits until the picture answers, as long as the service is there. None: the time is up.
    async fn until<T>(
        &self,
        limit: Duration,
        mut ask: impl FnMut(&Picture) -> Option<T>,
    ) -> Result<Option<T>, WifiError> {
        let mut picture = self.picture.clone();
        let answer = async {
            loop {
                {
                    let picture = picture.borrow_and_update();
                    self.there(&picture)?;
                    if let Some(answer) = ask(&picture) {
                        return Ok(answer);
                    }
                }
                if picture.changed().await.is_err() {
                    return Err(gone());
                }
            }
        };
        match time::timeout(limit, answer).await {
            Ok(answer) => answer.map(Some),
            Err(_) => Ok(None),
        }
    }

    /// Whether the service is still there.
    #[expect(clippy::unused_self, reason = "it says of this connection's picture")]
    fn there(&self, picture: &Picture) -> Result<(), WifiError> {
        if picture.running { Ok(()) } else { Err(gone()) }
    }

    /// Waits for the turn with this adapter; it lasts until what is given is dropped.
    async fn turn(&self, adapter: &AdapterName) -> OwnedMutexGuard<()> {
        let turn = {
            let mut turns = self.turns.lock().unwrap_or_else(PoisonError::into_inner);
            Arc::clone(turns.entry(adapter.clone()).or_default())
        };
        turn.lock_owned().await
    }

    /// Names the action where a refusal did not.
    async fn permission(&self, error: WifiError, needed: &[Permission]) -> WifiError {
        let WifiError::NotPermitted { what, action } = error else {
            return error;
        };
        let missing = match permissions::all(&self.connection).await {
            Ok(answers) => permissions::missing(&answers, needed),
            Err(_) => None,
        };
        match missing {
            Some(missing) => WifiError::NotPermitted {
                what: missing.what,
                action: missing.action.into(),
            },
            None => WifiError::NotPermitted { what, action },
        }
    }

    /// Ends an activation. What cannot be ended any more has ended.
    async fn end(&self, active: &OwnedObjectPath) {
        if let Ok(manager) = ManagerProxy::new(&self.connection).await {
            let _ended = manager.deactivate_connection(active).await;
        }
    }

    /// Keeps whether a person had disconnected the adapter; what is joined makes it forget that.
    fn remember_idle(&self, device: &Device<'_>) {
        let adapter = AdapterName::new(device.name());
        let mut idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        if device.active().is_none() && !self.was_left(&adapter) {
            if device.autoconnects() {
                idle.remove(&adapter);
            } else {
                idle.insert(adapter);
            }
        }
    }

    fn was_idle(&self, adapter: &AdapterName) -> bool {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        idle.contains(adapter)
    }

    fn was_left(&self, adapter: &AdapterName) -> bool {
        let left = self.left.lock().unwrap_or_else(PoisonError::into_inner);
        left.contains(adapter)
    }

    fn was_called_for(&self, name: &NetworkName) -> bool {
        let called = self.called.lock().unwrap_or_else(PoisonError::into_inner);
        called.contains(name)
    }
}

fn gone() -> WifiError {
    WifiError::NoService {
        service: SERVICE,
        why: "it went away".into(),
    }
}

#[async_trait]
impl Wifi for NetworkManager {
    fn name(&self) -> &'static str {
        SERVICE
    }

    async fn adapters(&self) -> Result<Vec<Adapter>, WifiError> {
        let picture = self.inner.picture.borrow();
        self.inner.there(&picture)?;
        Ok(adapters::all(&picture))
    }

    async fn scan(
        &self,
        adapter: &AdapterName,
        hidden: &[NetworkName],
    ) -> Result<Vec<AccessPoint>, WifiError> {
        {
            let called = &self.inner.called;
            let mut called = called.lock().unwrap_or_else(PoisonError::into_inner);
            called.extend(hidden.iter().cloned());
        }
        scan::scan(&self.inner, adapter, hidden).await
    }

    async fn air(
        &self,
        adapter: &AdapterName,
    ) -> Result<watch::Receiver<Vec<AccessPoint>>, WifiError> {
        air::air(&self.inner, adapter)
    }

    async fn whereabouts(&self, adapter: &AdapterName) -> Result<Home, WifiError> {
        home::whereabouts(&self.inner, adapter)
    }

    async fn join(&self, wish: &Join) -> Result<Joined, WifiError> {
        join::join(&self.inner, wish).await
    }

    async fn leave(&self, adapter: &AdapterName) -> Result<(), WifiError> {
        let _turn = self.inner.turn(adapter).await;
        home::leave(&self.inner, adapter).await
    }

    async fn go_home(&self, home: &Home) -> Result<(), WifiError> {
        let _turn = self.inner.turn(&home.adapter).await;
        home::go_home(&self.inner, home).await
    }
}
