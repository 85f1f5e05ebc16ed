//! Why the host's Wi-Fi did not do what it was asked for.

use super::{AdapterName, NetworkName};
use crate::terms::{Exit, Mac};

/// Why it did not.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WifiError {
    /// No service of the host that could be asked.
    #[error("no `{service}` answers on this computer: {why}")]
    NoService {
        /// Which.
        service: &'static str,
        /// How that shows.
        why: String,
    },
    /// It has no Wi-Fi adapter.
    #[error("this computer has no Wi-Fi adapter that `{service}` knows of")]
    NoAdapter {
        /// Which service was asked.
        service: &'static str,
    },
    /// It has, but not that one.
    #[error("there is no Wi-Fi adapter `{wanted}`")]
    OtherAdapters {
        /// Which was named.
        wanted: AdapterName,
        /// Those that are there.
        there: Vec<AdapterName>,
    },
    /// Wi-Fi is switched off.
    #[error("Wi-Fi is switched off")]
    SwitchedOff {
        /// The adapter that is off with it.
        adapter: AdapterName,
    },
    /// A switch of the case blocks it.
    #[error("`{adapter}` is blocked by a switch of this computer")]
    Blocked {
        /// Which.
        adapter: AdapterName,
    },
    /// The service leaves it alone.
    #[error("`{adapter}` is not managed by `{service}`")]
    Unmanaged {
        /// Which.
        adapter: AdapterName,
        /// By whom.
        service: &'static str,
    },
    /// It does not work.
    #[error("`{adapter}` cannot be used now: {why}")]
    Unavailable {
        /// Which.
        adapter: AdapterName,
        /// What the service says.
        why: String,
    },
    /// This person may not.
    #[error("this computer does not let you {what}")]
    NotPermitted {
        /// What was not allowed.
        what: &'static str,
        /// The action that would have to be allowed, as the system's rules call it.
        action: String,
    },
    /// The access point does not take the passphrase.
    #[error("`{name}` ({bssid}) does not take this passphrase")]
    WrongPassphrase {
        /// Its network.
        name: NetworkName,
        /// Which of those.
        bssid: Mac,
    },
    /// Nothing of it is heard any more.
    #[error("`{name}` ({bssid}) is out of range, or has gone")]
    OutOfRange {
        /// Its network.
        name: NetworkName,
        /// Which of those.
        bssid: Mac,
    },
    /// It is there, and does not let anybody in, or not in time.
    #[error("`{name}` ({bssid}) is there and lets nobody join: {why}")]
    NotLetIn {
        /// Its network.
        name: NetworkName,
        /// Which of those.
        bssid: Mac,
        /// What the system says.
        why: String,
    },
    /// It was joined, and gives no address.
    #[error("`{name}` ({bssid}) gives this computer no address")]
    NoAddress {
        /// Its network.
        name: NetworkName,
        /// Which of those.
        bssid: Mac,
    },
    /// The system joined another one of the name.
    #[error("the system joined {got} instead of {wanted}")]
    JoinedAnother {
        /// Which was wanted.
        wanted: Mac,
        /// Which it is.
        got: Mac,
    },
    /// This way of joining cannot look around.
    #[error("joined by hand, the networks in range are not seen")]
    CannotScan,
    /// It was to be told how to be joined, and was not.
    #[error("`{name}` cannot be joined: it offers {offers}")]
    NoWayIn {
        /// Its network.
        name: NetworkName,
        /// How it may be joined.
        offers: String,
    },
    /// Anything else, in the system's words.
    #[error("{what} failed: {why}")]
    Other {
        /// What was asked for.
        what: &'static str,
        /// What came back.
        why: String,
    },
}

impl WifiError {
    /// A stable kebab-case code.
    pub fn code(&self) -> &'static str {
        match self {
            WifiError::NoService { .. } => "no-wifi-service",
            WifiError::NoAdapter { .. } => "no-adapter",
            WifiError::OtherAdapters { .. } => "unknown-adapter",
            WifiError::SwitchedOff { .. } => "wifi-off",
            WifiError::Blocked { .. } => "adapter-blocked",
            WifiError::Unmanaged { .. } => "adapter-unmanaged",
            WifiError::Unavailable { .. } => "adapter-unavailable",
            WifiError::NotPermitted { .. } => "not-permitted",
            WifiError::WrongPassphrase { .. } => "wrong-passphrase",
            WifiError::OutOfRange { .. } => "out-of-range",
            WifiError::NotLetIn { .. } => "not-let-in",
            WifiError::NoAddress { .. } => "no-address",
            WifiError::JoinedAnother { .. } => "joined-another",
            WifiError::CannotScan => "cannot-scan",
            WifiError::NoWayIn { .. } => "no-way-in",
            WifiError::Other { .. } => "wifi-failed",
        }
    }

    /// How a run ends that this stops before anything was written.
    pub fn exit(&self) -> Exit {
        match self {
            WifiError::OtherAdapters { .. } => Exit::Usage,
            WifiError::OutOfRange { .. } | WifiError::NoAddress { .. } => Exit::NoDevice,
            WifiError::WrongPassphrase { .. }
            | WifiError::JoinedAnother { .. }
            | WifiError::NoWayIn { .. } => Exit::Refused,
            _ => Exit::Failed,
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<String> {
        Some(match self {
            WifiError::NoService { .. } => {
                "start it, or join the network yourself with `--by-hand`, which every command for one \
                 receiver takes; `linkmend host` shows what is missing"
                    .into()
            }
            WifiError::NoAdapter { .. } => {
                "plug one in; `linkmend host` shows what is there. With a receiver that has joined \
                 your own network, give `--at URL`"
                    .into()
            }
            WifiError::OtherAdapters { there, .. } => {
                let names: Vec<&str> = there.iter().map(AdapterName::as_str).collect();
                format!("there are {}", names.join(", "))
            }
            WifiError::SwitchedOff { .. } => "switch it on in the system's network settings".into(),
            WifiError::Blocked { .. } => {
                "flip the switch or leave airplane mode; `rfkill list` shows what blocks it".into()
            }
            WifiError::Unmanaged { adapter, .. } => format!(
                "let the service manage it (`nmcli device set {adapter} managed yes`), take \
                 another with `--adapter`, or join the network yourself with `--by-hand`"
            ),
            WifiError::Unavailable { .. } => {
                "`linkmend host` shows what is missing; plugging it in again may help".into()
            }
            WifiError::NotPermitted { action, .. } => format!(
                "run it in a session at the computer itself and not over the network, or have its \
                 administrator allow `{action}`"
            ),
            WifiError::WrongPassphrase { .. } => {
                "ask its owner; give it with `--passphrase-file FILE`".into()
            }
            WifiError::OutOfRange { .. } => {
                "go closer, and see that it still has power; its network closes when its \
                 transmitter is switched on"
                    .into()
            }
            WifiError::NotLetIn { .. } => {
                "another phone or computer may hold its only place: let it leave, or power the \
                 receiver off and on"
                    .into()
            }
            WifiError::NoAddress { .. } => {
                "power the receiver off and on, and try once more when its network is there".into()
            }
            WifiError::JoinedAnother { .. } => {
                "power the receiver that you mean alone, or take another adapter".into()
            }
            WifiError::CannotScan => "join the receiver's network in the system's settings".into(),
            WifiError::NoWayIn { .. } => {
                "the profile names another way: see that this is the right network".into()
            }
            WifiError::Other { .. } => return None,
        })
    }
}
