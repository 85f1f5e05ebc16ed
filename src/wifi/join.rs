//! What is to be joined, what was, and the way back.

use std::net::{IpAddr, Ipv4Addr};

use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use tokio::sync::watch;

use super::{AccessPoint, AdapterName};
use crate::terms::Mac;

/// How one shows that one may join.
#[derive(Debug, Clone)]
pub enum Key {
    /// Nothing is asked for.
    Open,
    /// WPA2 with this passphrase (8 to 63 characters).
    Wpa2(SecretString),
    /// WPA3 with this passphrase.
    Wpa3(SecretString),
}

/// Where this computer's address comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Addressing {
    /// This one, at once.
    Static {
        /// An address that the device does not have.
        own: Ipv4Addr,
        /// Bits of the network's part, 1 to 30.
        prefix: u8,
    },
    /// The device gives one (DHCP).
    Dhcp,
}

/// One access point to join, through one adapter.
#[derive(Debug, Clone)]
pub struct Join {
    /// Through which adapter.
    pub adapter: AdapterName,
    /// Which: its BSSID and its channel count, its name alone never does.
    pub point: AccessPoint,
    /// How.
    pub key: Key,
    /// Where the address comes from.
    pub addressing: Addressing,
}

/// Whether the adapter is on what was joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Link {
    /// It is, on this access point.
    Up(Mac),
    /// Not at this moment.
    Down,
    /// Not any more, since the access point fell silent: the radio heard nothing of it, however often
    /// it asked. A host that hops away by itself says [`Link::Down`].
    Silent,
}

/// What was joined. It lasts until [`go_home`](super::Wifi::go_home) or another join through the
/// same adapter; dropping it does not leave.
#[derive(Debug, Clone)]
pub struct Joined {
    /// Through which adapter.
    pub adapter: AdapterName,
    /// Whether it still is, kept up to date. Where the system cannot tell, such as by hand, none.
    pub link: Option<watch::Receiver<Link>>,
    /// The address that the network says to be its way out, in most cases the device's own.
    pub gateway: Option<IpAddr>,
}

/// What an adapter was connected to by the host's own settings, before anything was joined.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Home {
    /// The adapter.
    pub adapter: AdapterName,
    /// Its connection; none: it was connected to nothing.
    pub connection: Option<HomeConnection>,
}

/// A connection of the host's own settings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HomeConnection {
    /// What the system knows it by for good, such as a UUID.
    pub id: String,
    /// What a person knows it by.
    pub name: String,
}
