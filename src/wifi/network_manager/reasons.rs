//! What `NetworkManager`'s errors and reasons mean to a person.

use zbus::fdo;

use super::{SERVICE, heard::Heard, picture::Step};
use crate::wifi::{AdapterName, Join, WifiError};

/// What is known of an attempt to join beside `NetworkManager`'s reason.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Evidence {
    /// What the access point said.
    pub(super) heard: Heard,
    /// Whether the access point is still in the list.
    pub(super) in_list: bool,
    /// Whether the adapter was on it already, so that only an address was missing.
    pub(super) associated: bool,
    /// The attempt took as long as `NetworkManager` waits for an association.
    pub(super) waited_out: bool,
}

/// Why an attempt to join failed, of a device's first step down and of what else is known. The
/// numbers are `NMDeviceStateReason` of `NetworkManager`'s D-Bus reference.
pub(super) fn of_step(step: Step, evidence: &Evidence, wish: &Join) -> WifiError {
    let name = wish.point.name.clone();
    let bssid = wish.point.bssid;
    let adapter = || wish.adapter.clone();
    let unavailable = |why: &str| WifiError::Unavailable {
        adapter: adapter(),
        why: why.into(),
    };
    let not_let_in = |why: &str| WifiError::NotLetIn {
        name: name.clone(),
        bssid,
        why: why.into(),
    };
    let taken = || WifiError::Other {
        what: "joining",
        why: "something else on this computer took the adapter".into(),
    };
    // No secrets; the supplicant disconnected, failed or waited too long; no such network.
    if let 7 | 8 | 10 | 11 | 53 = step.reason
        && !evidence.associated
        && let Some(error) = evidence.heard.in_the_end(wish)
    {
        return error;
    }
    match step.reason {
        // Configuration, an address that is missing or ran out, DHCP, an address of two.
        5 | 6 | 15 | 16 | 17 | 64 => WifiError::NoAddress { name, bssid },
        4 if evidence.associated => WifiError::NoAddress { name, bssid },
        7 | 8 | 10 | 11 if !evidence.in_list => WifiError::OutOfRange { name, bssid },
        // No secrets: it wants others than those that it was given.
        7 if evidence.waited_out => not_let_in("it does not answer in time"),
        7 => WifiError::WrongPassphrase { name, bssid },
        8 => not_let_in("it broke off"),
        10 => not_let_in("the association failed"),
        11 => not_let_in("it does not answer in time"),
        9 => unavailable("it cannot do this kind of network"),
        53 => WifiError::OutOfRange { name, bssid },
        35 => unavailable("its firmware is missing"),
        36 => unavailable("it was unplugged"),
        37 => unavailable("the computer goes to sleep, or its networking is off"),
        3 => WifiError::Unmanaged {
            adapter: adapter(),
            service: SERVICE,
        },
        // The connection was removed, a person asked, another activation came.
        38 | 39 | 60 => taken(),
        reason => WifiError::Other {
            what: "joining",
            why: format!("{SERVICE} gives its reason {reason}"),
        },
    }
}

/// The name of a D-Bus error that a service sent.
pub(super) fn name_of(error: &zbus::Error) -> Option<String> {
    match error {
        zbus::Error::MethodError(name, _, _) => Some(name.to_string()),
        zbus::Error::FDO(error) => {
            use zbus::DBusError;
            Some(error.name().to_string())
        }
        _ => None,
    }
}

/// Why a call failed.
pub(super) fn of_call(what: &'static str, error: &zbus::Error) -> WifiError {
    let gone = |why: &str| WifiError::NoService {
        service: SERVICE,
        why: why.into(),
    };
    if let zbus::Error::FDO(error) = error {
        match &**error {
            fdo::Error::ServiceUnknown(_) | fdo::Error::NameHasNoOwner(_) => {
                return gone("it does not run");
            }
            fdo::Error::NoReply(_) | fdo::Error::Disconnected(_) => {
                return gone("it went away while it was asked");
            }
            fdo::Error::UnknownMethod(_) | fdo::Error::UnknownInterface(_) => {
                return gone("it is older than 1.16, or another service has its name");
            }
            fdo::Error::UnknownObject(_) => {
                return WifiError::Other {
                    what,
                    why: "what was asked for has just gone".into(),
                };
            }
            _ => {}
        }
    }
    let name = name_of(error).unwrap_or_default();
    if name.ends_with(".PermissionDenied") || name.ends_with(".AccessDenied") {
        return WifiError::NotPermitted {
            what,
            action: NOT_NAMED.into(),
        };
    }
    match error {
        zbus::Error::InputOutput(error) if error.kind() == std::io::ErrorKind::TimedOut => {
            gone("it does not answer")
        }
        zbus::Error::InputOutput(_) => gone("the system bus went away"),
        zbus::Error::MethodError(_, Some(said), _) => WifiError::Other {
            what,
            why: crate::terms::Untrusted::new(said.as_str()).to_string(),
        },
        error => WifiError::Other {
            what,
            why: crate::terms::Untrusted::new(error.to_string()).to_string(),
        },
    }
}

/// Stands for an action that a refusal does not name, until the permissions were asked for.
pub(super) const NOT_NAMED: &str = "org.freedesktop.NetworkManager";

/// Whether a call failed since its device has gone.
pub(super) fn is_unplugged(error: &zbus::Error) -> bool {
    let name = name_of(error).unwrap_or_default();
    name == "org.freedesktop.NetworkManager.UnknownDevice"
}

/// The adapter was there, and is not any more.
pub(super) fn unplugged(adapter: &AdapterName) -> WifiError {
    WifiError::Unavailable {
        adapter: adapter.clone(),
        why: "it was unplugged".into(),
    }
}
