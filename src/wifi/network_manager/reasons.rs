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
            // It says the same of a method that it does not have and of an object that has gone.
            fdo::Error::UnknownMethod(_)
            | fdo::Error::UnknownInterface(_)
            | fdo::Error::UnknownObject(_) => {
                return WifiError::Other {
                    what,
                    why: format!("{SERVICE} does not know that, or no more"),
                };
            }
            _ => {}
        }
    }
    let name = name_of(error).unwrap_or_default();
    if name.ends_with(".PermissionDenied") || name.ends_with(".AccessDenied") {
        return WifiError::NotPermitted {
            // After "does not let you".
            what: "ask its NetworkManager for that",
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wifi::{
        Key,
        network_manager::sample::{wish, wpa2},
        nl80211::Said,
    };

    fn code(reason: u32, evidence: &Evidence) -> &'static str {
        let step = Step { state: 120, reason };
        of_step(step, evidence, &wish(wpa2())).code()
    }

    /// Nobody listened, and it is still in the list.
    fn in_list() -> Evidence {
        Evidence {
            in_list: true,
            ..Evidence::default()
        }
    }

    #[test]
    fn reason_alone_decides_where_no_radio_was_heard() {
        for (reason, found) in [
            (7, "wrong-passphrase"),
            (8, "not-let-in"),
            (9, "adapter-unavailable"),
            (10, "not-let-in"),
            (11, "not-let-in"),
            (17, "no-address"),
            (36, "adapter-unavailable"),
            (39, "wifi-failed"),
            (53, "out-of-range"),
        ] {
            assert_eq!(code(reason, &in_list()), found, "{reason}");
        }
    }

    #[test]
    fn missing_secrets_mean_what_else_is_known() {
        let gone = Evidence::default();
        assert_eq!(code(7, &gone), "out-of-range");
        let late = Evidence {
            waited_out: true,
            ..in_list()
        };
        assert_eq!(code(7, &late), "not-let-in");
        let mut heard = Heard::new(true);
        heard.take(
            Said::Authentication {
                kind: 0,
                round: 2,
                status: 17,
            },
            &Key::Open,
        );
        let full = Evidence { heard, ..in_list() };
        assert_eq!(code(7, &full), "not-let-in");
        let silent = Evidence {
            heard: Heard::new(true),
            ..in_list()
        };
        assert_eq!(code(7, &silent), "out-of-range");
    }

    #[test]
    fn configuration_that_failed_after_it_got_on_is_a_missing_address() {
        let on = Evidence {
            associated: true,
            ..in_list()
        };
        assert_eq!(code(4, &on), "no-address");
        assert_eq!(code(4, &in_list()), "wifi-failed");
    }

    #[test]
    fn service_that_is_not_there_is_told_from_one_that_does_not_answer() {
        let call =
            |error: fdo::Error| of_call("joining", &zbus::Error::FDO(Box::new(error))).to_string();
        let none = call(fdo::Error::ServiceUnknown("no such name".into()));
        assert!(none.contains("it does not run"), "{none}");
        let silent = call(fdo::Error::NoReply("timeout".into()));
        assert!(silent.contains("went away"), "{silent}");
        let late = std::io::Error::from(std::io::ErrorKind::TimedOut);
        let late = of_call("joining", &zbus::Error::InputOutput(late.into())).to_string();
        assert!(late.contains("does not answer"), "{late}");
    }

    #[test]
    fn refusal_of_the_bus_is_a_missing_permission() {
        let error = fdo::Error::AccessDenied("rejected".into());
        let error = of_call("joining", &zbus::Error::FDO(Box::new(error)));
        assert_eq!(error.code(), "not-permitted");
    }
}
