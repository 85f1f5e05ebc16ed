//! The same on Linux: `NetworkManager`, its permissions, the adapters, and what of the kernel a
//! request to one of several devices needs.

use std::{collections::HashMap, fs, path::Path};

use tokio::net::TcpSocket;

use super::{Finding, Level};
use crate::{
    terms::Untrusted,
    wifi::{
        Adapter, AdapterName, AdapterState, NetworkManager, Wifi, WifiError,
        network_manager::permissions::{self, Permission},
        nl80211,
    },
};

/// The version that first had the call that joins without saving.
const OLDEST: (u32, u32) = (1, 16);

/// What the kernel calls strict source validation.
const STRICT: u8 = 1;

/// What was found.
#[derive(Debug)]
pub(super) struct Facts {
    service: Result<Service, WifiError>,
    /// What ties a request to an adapter; the error of the kernel.
    tied: Result<(), String>,
    /// In two letters, where the kernel tells.
    country: Option<String>,
    /// For each adapter that has it on.
    strict: Option<String>,
}

/// What the service says.
#[derive(Debug)]
struct Service {
    version: String,
    /// `yes`, `auth` or `no` for each of its actions.
    permissions: Result<HashMap<String, String>, String>,
    adapters: Vec<Adapter>,
    /// Whether something is there that speaks Wi-Fi for it; none where the bus does not tell.
    speaker: Option<bool>,
    /// Whether networking as a whole is on.
    networking: bool,
}

pub(super) async fn look() -> Facts {
    let service = match NetworkManager::connect().await {
        Ok(manager) => ask(&manager).await,
        Err(error) => Err(error),
    };
    let ready = service
        .as_ref()
        .map(|service| ready(&service.adapters))
        .unwrap_or_default();
    Facts {
        tied: tie(ready.first().map_or("lo", |adapter| adapter.as_str())),
        country: nl80211::country().await.ok(),
        strict: loosening(&ready, source_validation),
        service,
    }
}

async fn ask(manager: &NetworkManager) -> Result<Service, WifiError> {
    Ok(Service {
        version: manager.version().unwrap_or_default(),
        permissions: manager.permissions().await,
        adapters: manager.adapters().await?,
        speaker: manager.has_speaker().await,
        networking: manager.is_networking_on(),
    })
}

/// Those that can be used.
fn ready(adapters: &[Adapter]) -> Vec<AdapterName> {
    let ready = adapters.iter().filter(|it| it.state == AdapterState::Ready);
    ready.map(|it| it.name.clone()).collect()
}

/// Ties a socket to an adapter as a request would be, and sends nothing.
fn tie(adapter: &str) -> Result<(), String> {
    TcpSocket::new_v4()
        .and_then(|socket| socket.bind_device(Some(adapter.as_bytes())))
        .map_err(|error| error.to_string())
}

/// The command that would allow several adapters at once, where they have strict validation on.
pub(super) fn loosening(
    adapters: &[AdapterName],
    validation: impl Fn(&str) -> Option<u8>,
) -> Option<String> {
    if adapters.len() < 2 {
        return None;
    }
    // The kernel takes the larger of both (its `ip-sysctl` page).
    let all = validation("all").unwrap_or(0);
    let strict = adapters
        .iter()
        .map(AdapterName::as_str)
        .filter(|name| all.max(validation(name).unwrap_or(0)) == STRICT)
        // A dot parts the names of the tree, and stands in names of adapters as a slash.
        .map(|name| format!("net.ipv4.conf.{}.rp_filter=2", name.replace('.', "/")));
    let words: Vec<String> = strict.collect();
    (!words.is_empty()).then(|| format!("sudo sysctl -w {}", words.join(" ")))
}

/// How strict it is for an adapter, or for `all`.
pub(super) fn source_validation(adapter: &str) -> Option<u8> {
    if adapter.contains('/') {
        return None;
    }
    let file = Path::new("/proc/sys/net/ipv4/conf")
        .join(adapter)
        .join("rp_filter");
    fs::read_to_string(file).ok()?.trim().parse().ok()
}

/// What it means, the service first.
pub(super) fn judge(facts: &Facts) -> Vec<Finding> {
    let mut found = Vec::new();
    match &facts.service {
        Ok(service) => judge_service(service, &mut found),
        Err(error) => found.push(of_error(error, Level::Missing)),
    }
    found.push(match &facts.tied {
        Ok(()) => Finding::new(
            "tied-to-adapter",
            Level::Ok,
            "a request can be tied to one adapter",
        ),
        Err(why) => Finding::new(
            "not-tied-to-adapter",
            Level::Missing,
            format!("a request cannot be tied to one adapter: {}", shown(why)),
        )
        .help(
            "Linux 5.7 and newer allow it to everybody; on an older one run linkmend with `sudo`",
        ),
    });
    if let Some(command) = &facts.strict {
        found.push(
            Finding::new(
                "one-adapter-at-a-time",
                Level::Warn,
                "with strict `rp_filter`, devices of one address are reached through one adapter \
                 at a time only",
            )
            .help(format!("to use several at once: {command}")),
        );
    }
    match facts.country.as_deref() {
        Some("00") => found.push(
            Finding::new(
                "no-country",
                Level::Warn,
                "no country is set for Wi-Fi: channels 12 and 13 may stay unheard",
            )
            .help("set yours in the system's settings, or with `sudo iw reg set XX`"),
        ),
        Some(country) => found.push(Finding::new(
            "country",
            Level::Ok,
            format!("Wi-Fi keeps the rules of `{}`", shown(country)),
        )),
        None => {}
    }
    found
}

fn judge_service(service: &Service, found: &mut Vec<Finding>) {
    let version = shown(&service.version);
    found.push(if is_old(&service.version) {
        Finding::new(
            "network-manager-old",
            Level::Missing,
            format!("NetworkManager {version} is too old"),
        )
        .help("1.16 or newer can join without saving anything; `--by-hand` works with any")
    } else {
        Finding::new(
            "network-manager",
            Level::Ok,
            format!("NetworkManager {version}"),
        )
    });
    if !service.networking {
        found.push(
            Finding::new(
                "networking-off",
                Level::Missing,
                "NetworkManager is told to leave all networks",
            )
            .help("`nmcli networking on` lets it go on"),
        );
    }
    judge_permissions(service, found);
    if service.adapters.is_empty() {
        let none = WifiError::NoAdapter {
            service: "NetworkManager",
        };
        found.push(of_error(&none, Level::Missing));
    }
    let any_ready = !ready(&service.adapters).is_empty();
    if service.speaker == Some(false) && !any_ready {
        found.push(
            Finding::new(
                "no-supplicant",
                Level::Missing,
                "nothing speaks Wi-Fi for NetworkManager",
            )
            .help("install `wpa_supplicant` (the package is called `wpasupplicant` or alike)"),
        );
    }
    for adapter in &service.adapters {
        found.push(judge_adapter(adapter, any_ready));
    }
}

fn judge_permissions(service: &Service, found: &mut Vec<Finding>) {
    let answers = match &service.permissions {
        Ok(answers) => answers,
        Err(why) => {
            found.push(Finding::new(
                "permissions-unknown",
                Level::Warn,
                format!(
                    "NetworkManager does not say what you may do: {}",
                    shown(why)
                ),
            ));
            return;
        }
    };
    let needed = [
        ("permission-join", permissions::CONTROL),
        ("permission-describe", permissions::OWN),
        ("permission-scan", permissions::SCAN),
    ];
    let before = found.len();
    for (code, permission) in needed {
        if permissions::missing(answers, &[permission]).is_some() {
            found.push(missing(code, permission));
        }
    }
    if found.len() == before {
        found.push(Finding::new(
            "permissions",
            Level::Ok,
            "you may look for networks, join and leave them",
        ));
    }
    if permissions::missing(answers, &[permissions::SWITCH]).is_some() {
        let mut switch = missing("permission-switch", permissions::SWITCH);
        switch.level = Level::Warn;
        found.push(switch);
    }
}

fn missing(code: &'static str, permission: Permission) -> Finding {
    let error = WifiError::NotPermitted {
        what: permission.what,
        action: permission.action.into(),
    };
    Finding {
        code,
        ..of_error(&error, Level::Missing)
    }
}

fn judge_adapter(adapter: &Adapter, any_ready: bool) -> Finding {
    let name = adapter.name.clone();
    // What is missing of one is not missing where another can be used.
    let level = if any_ready {
        Level::Warn
    } else {
        Level::Missing
    };
    let of = |error: &WifiError| of_error(error, level);
    let found = match adapter.state {
        AdapterState::Ready => {
            let text = match &adapter.connected {
                Some(connected) => format!(
                    "`{name}` can be used; it is on `{}`, and will be again after each receiver",
                    shown(connected)
                ),
                None => format!("`{name}` can be used"),
            };
            Finding::new("adapter", Level::Ok, text)
        }
        AdapterState::SwitchedOff => of(&WifiError::SwitchedOff {
            adapter: name.clone(),
        }),
        AdapterState::Blocked => of(&WifiError::Blocked {
            adapter: name.clone(),
        }),
        AdapterState::Unmanaged => of(&WifiError::Unmanaged {
            adapter: name.clone(),
            service: "NetworkManager",
        }),
        AdapterState::Unavailable => Finding::new(
            "adapter-unavailable",
            level,
            format!("`{name}` cannot be used now"),
        )
        .help(
            "see that its driver and its firmware are there (`sudo dmesg`), and that \
             `wpa_supplicant` is installed",
        ),
    };
    Finding {
        adapter: Some(name),
        ..found
    }
}

fn of_error(error: &WifiError, level: Level) -> Finding {
    Finding {
        code: error.code(),
        level,
        adapter: None,
        text: error.to_string(),
        // What these say elsewhere is to look here.
        help: match error {
            WifiError::NoService { .. } => Some(
                "install or start it; `--by-hand` goes without: it names the network, and you join \
                 it"
                .into(),
            ),
            WifiError::NoAdapter { .. } => {
                Some("plug one in, or see that its driver is there (`sudo dmesg`)".into())
            }
            other => other.help(),
        },
    }
}

fn is_old(version: &str) -> bool {
    let mut numbers = version.split('.').map(str::parse::<u32>);
    match (numbers.next(), numbers.next()) {
        (Some(Ok(major)), Some(Ok(minor))) => (major, minor) < OLDEST,
        // One that does not tell is tried.
        _ => false,
    }
}

fn shown(text: &str) -> Untrusted {
    Untrusted::new(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adapter(name: &str, state: AdapterState) -> Adapter {
        Adapter {
            name: AdapterName::new(name),
            mac: None,
            state,
            connected: None,
        }
    }

    /// A laptop on which all is well.
    fn laptop() -> Facts {
        let yes = [
            permissions::CONTROL,
            permissions::OWN,
            permissions::SCAN,
            permissions::SWITCH,
        ];
        let yes = yes.map(|it| (it.action.to_owned(), "yes".to_owned()));
        Facts {
            service: Ok(Service {
                version: "1.42.4".into(),
                permissions: Ok(yes.into()),
                adapters: vec![adapter("wlan0", AdapterState::Ready)],
                speaker: Some(true),
                networking: true,
            }),
            tied: Ok(()),
            country: Some("DE".into()),
            strict: None,
        }
    }

    fn but(change: impl FnOnce(&mut Service)) -> Facts {
        let mut facts = laptop();
        change(facts.service.as_mut().expect("it has one"));
        facts
    }

    /// Codes of what is not as it should be.
    fn wrong(facts: &Facts) -> Vec<(&'static str, Level)> {
        let found = judge(facts).into_iter();
        found
            .filter(|it| it.level != Level::Ok)
            .map(|it| (it.code, it.level))
            .collect()
    }

    #[test]
    fn nothing_is_wrong_with_a_laptop_that_has_all() {
        assert_eq!(wrong(&laptop()), []);
        let codes: Vec<_> = judge(&laptop()).into_iter().map(|it| it.code).collect();
        let all = [
            "network-manager",
            "permissions",
            "adapter",
            "tied-to-adapter",
            "country",
        ];
        assert_eq!(codes, all);
    }

    #[test]
    fn missing_service_is_said_and_what_can_be_told_without_it_too() {
        let facts = Facts {
            service: Err(WifiError::NoService {
                service: "NetworkManager",
                why: "it does not run".into(),
            }),
            ..laptop()
        };
        assert_eq!(wrong(&facts), [("no-wifi-service", Level::Missing)]);
        assert_eq!(judge(&facts).len(), 3);
    }

    #[test]
    fn permission_that_asks_for_a_password_counts_as_missing_and_names_its_action() {
        let facts = but(|service| {
            let answers = service.permissions.as_mut().expect("it has them");
            answers.insert(permissions::CONTROL.action.into(), "auth".into());
            answers.remove(permissions::SCAN.action);
        });
        let codes = [
            ("permission-join", Level::Missing),
            ("permission-scan", Level::Missing),
        ];
        assert_eq!(wrong(&facts), codes);
        let help = judge(&facts).into_iter().filter_map(|it| it.help);
        let help: Vec<String> = help.collect();
        assert!(
            help[0].contains("org.freedesktop.NetworkManager.network-control"),
            "{help:?}"
        );
    }

    #[test]
    fn adapter_that_is_off_is_a_warning_beside_one_that_works() {
        let off = adapter("wlan1", AdapterState::SwitchedOff);
        let alone = but(|service| service.adapters = vec![off.clone()]);
        assert_eq!(wrong(&alone), [("wifi-off", Level::Missing)]);
        let beside = but(|service| service.adapters.push(off));
        assert_eq!(wrong(&beside), [("wifi-off", Level::Warn)]);
    }

    #[test]
    fn each_state_of_an_adapter_has_its_own_code() {
        for (state, code) in [
            (AdapterState::Blocked, "adapter-blocked"),
            (AdapterState::Unmanaged, "adapter-unmanaged"),
            (AdapterState::Unavailable, "adapter-unavailable"),
        ] {
            let facts = but(|service| service.adapters[0].state = state);
            assert_eq!(wrong(&facts), [(code, Level::Missing)]);
        }
        let none = but(|service| service.adapters.clear());
        assert_eq!(wrong(&none), [("no-adapter", Level::Missing)]);
    }

    #[test]
    fn old_version_and_switched_off_networking_are_missing() {
        for (version, old) in [
            ("1.14.6", true),
            ("1.16.0", false),
            ("1.9", true),
            ("", false),
        ] {
            assert_eq!(is_old(version), old, "{version}");
        }
        let facts = but(|service| {
            service.version = "1.10.6".into();
            service.networking = false;
        });
        let codes = [
            ("network-manager-old", Level::Missing),
            ("networking-off", Level::Missing),
        ];
        assert_eq!(wrong(&facts), codes);
    }

    // The rule is that of the kernel's `ip-sysctl` page: the larger of `all` and the adapter's own.
    #[test]
    fn strict_validation_matters_with_two_adapters_and_names_the_line_that_loosens_it() {
        let two = [AdapterName::new("wlan0"), AdapterName::new("wlan1.7")];
        let set = |all, first, second| {
            move |name: &str| match name {
                "all" => Some(all),
                "wlan0" => Some(first),
                _ => Some(second),
            }
        };
        let both = "sudo sysctl -w net.ipv4.conf.wlan0.rp_filter=2 \
                    net.ipv4.conf.wlan1/7.rp_filter=2";
        assert_eq!(loosening(&two, set(1, 0, 0)).as_deref(), Some(both));
        assert_eq!(loosening(&two, set(0, 1, 1)).as_deref(), Some(both));
        let first = "sudo sysctl -w net.ipv4.conf.wlan0.rp_filter=2";
        assert_eq!(loosening(&two, set(0, 1, 2)).as_deref(), Some(first));
        assert_eq!(loosening(&two, set(2, 1, 1)), None);
        assert_eq!(loosening(&two, set(0, 0, 0)), None);
        assert_eq!(loosening(&two[..1], set(1, 1, 1)), None);
        let strict = Facts {
            strict: Some(first.into()),
            ..laptop()
        };
        assert_eq!(wrong(&strict), [("one-adapter-at-a-time", Level::Warn)]);
    }

    #[test]
    fn request_that_cannot_be_tied_to_an_adapter_is_missing_and_no_country_a_warning() {
        let facts = Facts {
            tied: Err("Operation not permitted".into()),
            country: Some("00".into()),
            ..laptop()
        };
        let codes = [
            ("not-tied-to-adapter", Level::Missing),
            ("no-country", Level::Warn),
        ];
        assert_eq!(wrong(&facts), codes);
    }

    #[test]
    fn socket_is_tied_to_an_adapter_that_is_there_and_to_no_other() {
        assert_eq!(tie("lo"), Ok(()));
        assert!(tie("no-such-one").is_err());
    }
}
