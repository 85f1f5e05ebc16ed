//! One Wi-Fi adapter of this computer.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::terms::Mac;

/// What the system calls it, such as `wlan0`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct AdapterName(String);

impl AdapterName {
    /// As it was typed, or as the system says.
    pub fn new(name: impl Into<String>) -> Self {
        Self(name.into())
    }

    /// The name.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for AdapterName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// Whether it can be used now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AdapterState {
    /// It can: free, or connected to something that would be left.
    Ready,
    /// Wi-Fi is switched off in the system's settings.
    SwitchedOff,
    /// A switch at the computer's case, or its firmware, blocks it.
    Blocked,
    /// The system's network service is told to leave it alone.
    Unmanaged,
    /// Its driver, its firmware or the service behind it does not work.
    Unavailable,
}

/// One Wi-Fi adapter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Adapter {
    /// Its name.
    pub name: AdapterName,
    /// Its own address, where the system tells it.
    pub mac: Option<Mac>,
    /// Whether it can be used.
    pub state: AdapterState,
    /// What it is connected to now, by the name that the system shows; none: nothing.
    pub connected: Option<String>,
}
