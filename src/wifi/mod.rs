//! The host's Wi-Fi adapters: scan, join one access point, and be again where we were.
//!
//! One contract, [`Wifi`], and what carries it out: a service of the host, the hands of a person,
//! or a made-up air for tests. A join is of one access point by its BSSID, never of a name; it
//! leaves nothing saved, never becomes the default route, and never takes a secret from a command
//! line. Nothing here knows a family: what is joined, and with which passphrase, is for the caller
//! to say.

mod access_point;
mod adapter;
pub mod by_hand;
mod error;
pub mod fake;
pub mod host;
mod join;
#[cfg(target_os = "linux")]
mod network_manager;
#[cfg(target_os = "linux")]
mod nl80211;

use async_trait::async_trait;
use tokio::sync::watch;

pub use access_point::{AccessPoint, NetworkName, Offers};
pub use adapter::{Adapter, AdapterName, AdapterState};
pub use error::WifiError;
pub use join::{Addressing, Home, HomeConnection, Join, Joined, Key, Link};
#[cfg(target_os = "linux")]
pub use network_manager::NetworkManager;

/// The service of this computer that can be asked.
pub async fn service() -> Result<std::sync::Arc<dyn Wifi>, WifiError> {
    #[cfg(target_os = "linux")]
    return Ok(std::sync::Arc::new(NetworkManager::connect().await?));
    #[cfg(not(target_os = "linux"))]
    return Err(WifiError::NoService {
        service: "NetworkManager",
        why: "it is a service of Linux".into(),
    });
}

/// What the host's Wi-Fi can be asked for. Every call may be dropped at any moment; one that was
/// dropped while it joined has left the adapter by itself, and [`Wifi::go_home`] puts it right.
#[async_trait]
pub trait Wifi: Send + Sync {
    /// In a word or two, for a person: `NetworkManager`.
    fn name(&self) -> &'static str;

    /// All Wi-Fi adapters, in the order of their names, also those that cannot be used now.
    async fn adapters(&self) -> Result<Vec<Adapter>, WifiError>;

    /// Scans anew and gives everything in range, also what was there before and still is. `hidden`
    /// are names to call for, since a hidden network answers to its name alone.
    async fn scan(
        &self,
        adapter: &AdapterName,
        hidden: &[NetworkName],
    ) -> Result<Vec<AccessPoint>, WifiError>;

    /// What is in range, kept up to date from what the host hears by itself and from scans; asks
    /// the radio for nothing. It ends when the adapter is gone.
    async fn air(
        &self,
        adapter: &AdapterName,
    ) -> Result<watch::Receiver<Vec<AccessPoint>>, WifiError>;

    /// What the adapter is connected to by the host's own settings: the way home. To be asked, and
    /// kept where a crash leaves it, before the first join.
    async fn whereabouts(&self, adapter: &AdapterName) -> Result<Home, WifiError>;

    /// Joins the access point and no other, and returns as soon as the address of this computer is
    /// usable. What was active on the adapter is not any more.
    async fn join(&self, wish: &Join) -> Result<Joined, WifiError>;

    /// Leaves what was joined, where something was, and lets the adapter go on to nothing by itself:
    /// it is free to scan, until the next join or until [`Wifi::go_home`].
    async fn leave(&self, adapter: &AdapterName) -> Result<(), WifiError>;

    /// Leaves what was joined, and puts the adapter back to where it was. Safe to repeat, and right
    /// also when nothing was joined.
    async fn go_home(&self, home: &Home) -> Result<(), WifiError>;
}
