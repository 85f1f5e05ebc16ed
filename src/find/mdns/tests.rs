//! What is made of announcements: by hand, and over loopback from a responder on a port of its own.

use mdns_sd::{ServiceDaemon, ServiceInfo};

use super::*;
use crate::{profile::named, terms::Sameness};

const BOAT: &str = "_tarn-boat._tcp.local.";
const KEEL: &str = "_tarn-keel._tcp.local.";
/// What the system calls its own loop.
const LOOPBACK: &str = if cfg!(target_os = "macos") {
    "lo0"
} else {
    "lo"
};
/// Longer than anything here may take; only a test that fails waits for it.
const DEADLINE: Duration = Duration::from_secs(20);

fn families() -> Vec<Arc<Profile>> {
    ["sample-form", "sample-script", "sample-login"]
        .map(|name| Arc::new(named(name).expect("it comes with the program")))
        .into()
}

fn adapter(name: &str) -> AdapterName {
    AdapterName::new(name)
}

fn listener(name: &str, service: &str) -> Listener {
    let service = service.strip_suffix(".local.").expect("a local one");
    Listener {
        adapter: adapter(name),
        is_loopback: false,
        suffix: format!(".{service}.local."),
        families: Arc::clone(&services(&families())[service]),
    }
}

/// An announcement of the deck receiver's.
fn info(name: &str, addresses: &str, txt: &[(&str, &str)]) -> ServiceInfo {
    let info = ServiceInfo::new(BOAT, name, "coot.local.", addresses, 80, txt);
    info.expect("an announcement that can be made")
}

fn deck(serial: &str) -> [(&'static str, &str); 2] {
    [("hull", "deck"), ("plate", serial)]
}

/// What an adapter makes of an announcement.
fn heard(through: &str, info: ServiceInfo) -> Option<Heard> {
    listener(through, BOAT).there(&info.as_resolved_service())
}

fn announced(through: &str, info: ServiceInfo) -> Announced {
    match heard(through, info) {
        Some(Heard::There { device, .. }) => device,
        other => panic!("an announcement: {other:?}"),
    }
}

fn ips(device: &Announced) -> Vec<String> {
    device.addresses.iter().map(|a| a.ip.to_string()).collect()
}

#[test]
fn families_of_one_service_type_are_told_apart_by_their_records() {
    for (hull, family) in [("deck", "sample-form"), ("mast", "sample-login")] {
        let txt = [("hull", hull), ("plate", "TX-0815")];
        let device = announced("wlan0", info("Coot", "192.168.4.7", &txt));
        let found: Vec<&str> = device.families.iter().map(|f| f.family.as_str()).collect();
        assert_eq!(found, [family]);
        assert_eq!(device.serial, Some("TX-0815".into()));
        assert_eq!(device.name, "Coot".into());
        let origin = device.origin().expect("it can be reached");
        assert_eq!(origin.to_string(), "http://192.168.4.7");
        assert_eq!(origin.adapter(), Some("wlan0"));
    }
}

#[test]
fn keys_count_in_any_case_and_a_record_that_does_not_fit_is_no_device() {
    let device = announced(
        "wlan0",
        info(
            "Coot",
            "192.168.4.7",
            &[("HULL", "deck"), ("Plate", "TD-1")],
        ),
    );
    assert_eq!(device.serial, Some("TD-1".into()));
    for txt in [
        &[("hull", "barge"), ("plate", "TD-1")][..],
        &[("hull", "deck")],
        &[],
    ] {
        assert!(heard("wlan0", info("Coot", "192.168.4.7", txt)).is_none());
    }
}

#[test]
fn two_profiles_that_both_fit_are_both_told() {
    let twice: Vec<Arc<Profile>> = [families(), families()].concat();
    let listener = Listener {
        families: Arc::clone(&services(&twice)["_tarn-boat._tcp"]),
        ..listener("wlan0", BOAT)
    };
    let service = info("Coot", "192.168.4.7", &deck("TD-1")).as_resolved_service();
    let Some(Heard::There { device, .. }) = listener.there(&service) else {
        panic!("an announcement")
    };
    assert_eq!(device.families.len(), 2);
}

#[test]
fn addresses_that_no_device_of_the_network_can_have_are_left_out() {
    let listed = "127.0.0.1,0.0.0.0,224.0.0.251,255.255.255.255,::1,::,ff02::fb,::ffff:127.0.0.1";
    assert!(heard("wlan0", info("Coot", listed, &deck("TD-1"))).is_none());
    let with_one = format!("{listed},192.168.4.7");
    let device = announced("wlan0", info("Coot", &with_one, &deck("TD-1")));
    assert_eq!(ips(&device), ["192.168.4.7"]);
}

#[test]
fn best_address_comes_first_and_only_some_are_kept() {
    let listed = "fe80::7,169.254.1.7,fd00::7,192.168.4.7,192.168.4.6";
    let device = announced("wlan0", info("Coot", listed, &deck("TD-1")));
    let order = [
        "192.168.4.6",
        "192.168.4.7",
        "fd00::7",
        "169.254.1.7",
        "fe80::7",
    ];
    assert_eq!(ips(&device), order);
    let many: Vec<String> = (1..200).map(|n| format!("10.0.0.{n}")).collect();
    let device = announced("wlan0", info("Coot", &many.join(","), &deck("TD-1")));
    assert_eq!(device.addresses.len(), MOST_ADDRESSES);
}

#[test]
fn link_local_address_is_reached_through_its_adapter() {
    let device = announced("wlan1", info("Coot", "fe80::7", &deck("TD-1")));
    let origin = device.origin().expect("it can be reached");
    assert_eq!(origin.to_string(), "http://[fe80::7]");
    assert_eq!(origin.adapter(), Some("wlan1"));
}

#[test]
fn what_is_shown_of_an_announcement_has_its_teeth_drawn() {
    let name = "Coot\u{1b}[2J\u{202e}. b";
    let device = announced(
        "wlan0",
        info(name, "192.168.4.7", &deck("T\u{1b}]0;x\u{7}")),
    );
    let shown = format!("{} {}", device.name, device.serial.expect("a serial"));
    assert!(shown.starts_with("Coot"), "{shown}");
    assert!(!shown.contains(['\u{1b}', '\u{7}', '\u{202e}']), "{shown}");
}

#[test]
fn device_without_a_serial_is_known_by_the_bssid_that_it_says() {
    let txt = [("aerial", "02:1c:9e:40:77:e2")];
    let info = ServiceInfo::new(KEEL, "Tarn keel", "a.local.", "10.0.0.7", 8080, &txt[..]);
    let service = info.expect("it can be made").as_resolved_service();
    let Some(Heard::There { device, .. }) = listener("wlan0", KEEL).there(&service) else {
        panic!("an announcement")
    };
    let identity = device.identity();
    assert_eq!(
        identity.bssid.map(|b| b.mac),
        Some([2, 0x1c, 0x9e, 0x40, 0x77, 0xe2])
    );
    assert!(identity.is_strong());
    assert_eq!(identity.address.as_deref(), Some("http://10.0.0.7:8080"));
}

/// Takes in announcements one after the other; which of them were new.
fn taken(devices: &mut Devices, all: Vec<(&str, ServiceInfo)>) -> Vec<bool> {
    all.into_iter()
        .map(|(through, info)| devices.take(heard(through, info).expect("one")).is_some())
        .collect()
}

#[test]
fn one_service_that_is_heard_again_is_one_device_with_what_it_says_last() {
    let mut devices = Devices::default();
    let new = taken(
        &mut devices,
        vec![
            ("wlan0", info("Coot", "fe80::7", &deck("TD-1"))),
            ("wlan0", info("Coot", "fe80::7,10.0.0.7", &deck("TD-1"))),
            ("wlan0", info("Coot", "10.0.0.8", &deck("TD-1"))),
        ],
    );
    assert_eq!(new, [true, false, false]);
    let list = devices.into_list();
    assert_eq!(list.len(), 1);
    assert_eq!(ips(&list[0]), ["10.0.0.8"]);
}

#[test]
fn one_serial_on_two_networks_is_one_device_and_its_lookalikes_are_others() {
    let mut devices = Devices::default();
    let new = taken(
        &mut devices,
        vec![
            ("wlan0", info("Coot", "10.0.0.7", &deck("TD-1"))),
            ("eth0", info("Coot", "10.0.0.7", &deck("TD-1"))),
            ("eth0", info("Coot (2)", "10.0.0.8", &deck("TD-2"))),
            // A copycat of the first, on the same network under another name.
            ("wlan0", info("Smew", "10.0.0.66", &deck("TD-1"))),
            // Another service of the first, at its address.
            ("wlan0", info("Coot again", "10.0.0.7", &deck("TD-1"))),
        ],
    );
    assert_eq!(new, [true, false, true, true, false]);
    let list = devices.into_list();
    let adapters: Vec<&str> = list[0]
        .addresses
        .iter()
        .map(|a| a.adapter.as_str())
        .collect();
    assert_eq!(adapters, ["wlan0", "eth0"]);
    assert_eq!(ips(&list[2]), ["10.0.0.66"]);
}

#[test]
fn without_a_serial_the_same_address_on_two_networks_is_two_devices() {
    let mut devices = Devices::default();
    let new = taken(
        &mut devices,
        vec![
            ("wlan0", info("Coot", "10.0.0.7", &deck(""))),
            ("wlan1", info("Coot", "10.0.0.7", &deck(""))),
            ("wlan1", info("Smew", "10.0.0.7", &deck(""))),
        ],
    );
    assert_eq!(new, [true, true, false]);
}

#[test]
fn device_that_says_goodbye_is_gone_where_it_said_so() {
    let mut devices = Devices::default();
    taken(
        &mut devices,
        vec![
            ("wlan0", info("Coot", "10.0.0.7", &deck("TD-1"))),
            ("eth0", info("Coot", "10.1.0.7", &deck("TD-1"))),
        ],
    );
    let goodbye = |through| Heard::Gone {
        instance: format!("coot.{BOAT}"),
        adapter: adapter(through),
    };
    // It is still on the other network, and nobody knew of a third.
    assert!(devices.take(goodbye("wlan0")).is_none());
    assert!(devices.take(goodbye("wlan1")).is_none());
    assert_eq!(
        devices.into_list().iter().map(ips).collect::<Vec<_>>(),
        [["10.1.0.7"]]
    );

    let mut devices = Devices::default();
    taken(
        &mut devices,
        vec![("wlan0", info("Coot", "10.0.0.7", &deck("TD-1")))],
    );
    let news = devices.take(goodbye("wlan0"));
    let went = matches!(news, Some(News::Went(ref device)) if device.name == "Coot".into());
    assert!(went);
    assert!(devices.into_list().is_empty());
}

#[test]
fn flood_of_devices_is_cut_and_that_is_said() {
    let mut devices = Devices::default();
    for number in 0..=MOST_DEVICES {
        assert!(!devices.is_cut());
        let name = format!("Coot {number}");
        let serial = format!("TD-{number}");
        let address = format!("10.0.{}.{}", number / 200, number % 200 + 1);
        let all = vec![("wlan0", info(&name, &address, &deck(&serial)))];
        taken(&mut devices, all);
    }
    assert!(devices.is_cut());
    assert_eq!(devices.into_list().len(), MOST_DEVICES);
}

#[test]
fn what_the_air_and_the_network_tell_of_one_device_is_one_entry() {
    let identity = |serial: Option<&str>, last: u8, stable| Identity {
        serial: serial.map(Into::into),
        bssid: Some(Bssid {
            mac: [2, 0, 0, 0, 0, last],
            stable,
        }),
        address: None,
    };
    let mut by_bssid = announced("wlan0", info("Coot", "10.0.0.7", &deck("")));
    by_bssid.bssid = Some(Mac([2, 0, 0, 0, 0, 1]));
    let by_serial = announced("wlan0", info("Smew", "10.0.0.8", &deck("TD-2")));
    let alone = announced("wlan0", info("Tern", "10.0.0.9", &deck("TD-3")));
    let air = vec![
        (identity(None, 9, true), "stranger"),
        (identity(None, 1, true), "coot"),
        // Known from an earlier reading; its BSSID is another by now.
        (identity(Some("TD-2"), 2, false), "smew"),
    ];
    assert_eq!(air[1].0.compare(&by_bssid.identity()), Sameness::Same);
    let all = merge(air, vec![by_serial, alone, by_bssid]);
    let seen: Vec<(Option<&str>, Option<String>)> = all
        .iter()
        .map(|one| (one.air, one.announced.as_ref().map(|a| a.name.to_string())))
        .collect();
    assert_eq!(
        seen,
        [
            (Some("stranger"), None),
            (Some("coot"), Some("Coot".to_owned())),
            (Some("smew"), Some("Smew".to_owned())),
            (None, Some("Tern".to_owned())),
        ]
    );
}

/// A responder on loopback and a port that no other test uses.
struct Responder {
    daemon: ServiceDaemon,
    port: u16,
}

impl Responder {
    fn new() -> Self {
        // Free for a moment ago, and bound by several at once from now on, as the port of mDNS is.
        let socket = std::net::UdpSocket::bind("127.0.0.1:0").expect("a free port");
        let port = socket.local_addr().expect("it is bound").port();
        drop(socket);
        Self::at(port)
    }

    fn at(port: u16) -> Self {
        let daemon = ServiceDaemon::new_with_port(port).expect("a responder");
        daemon.disable_interface(IfKind::All).expect("it runs");
        let name = IfKind::Name(LOOPBACK.into());
        daemon.enable_interface(name).expect("it runs");
        Self { daemon, port }
    }

    fn announces(&self, name: &str, txt: &[(&str, &str)]) {
        let host = format!("{}.local.", name.replace(' ', "-"));
        let info = ServiceInfo::new(BOAT, name, &host, "127.0.0.1", 8080, txt);
        let registered = self.daemon.register(info.expect("it can be announced"));
        registered.expect("it runs");
    }

    fn browse(&self, time: Duration) -> Browse {
        let lo = adapter(LOOPBACK);
        browse_at(self.port, Some(&lo), &families(), time).expect("it can listen")
    }
}

impl Drop for Responder {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.daemon.shutdown();
    }
}

#[tokio::test]
async fn devices_are_told_as_they_announce_themselves_and_all_at_the_end() {
    let responder = Responder::new();
    responder.announces("Tarn deck. One", &deck("TD-1"));
    responder.announces("a stranger", &[("hull", "barge")]);
    let mut browse = responder.browse(DEADLINE);
    let first = browse.next().await.expect("it is there");
    assert_eq!(first.name, "Tarn deck. One".into());
    assert_eq!(first.serial, Some("TD-1".into()));
    let origin = first.origin().expect("it can be reached");
    assert_eq!(origin.to_string(), "http://127.0.0.1:8080");
    // One that comes later, from another responder of the same network.
    let other = Responder::at(responder.port);
    other.announces("Tarn deck Two", &deck("TD-2"));
    let second = browse.next().await.expect("it comes");
    assert_eq!(second.serial, Some("TD-2".into()));
    let serials: Vec<String> = browse
        .close()
        .await
        .into_iter()
        .filter_map(|device| device.serial.map(|serial| serial.to_string()))
        .collect();
    assert_eq!(serials, ["TD-1", "TD-2"]);
}

#[tokio::test]
async fn look_around_ends_with_its_time_and_at_once_where_no_family_announces_itself() {
    let responder = Responder::new();
    let mut browse = responder.browse(Duration::from_millis(50));
    assert!(browse.next().await.is_none());
    assert!(browse.close().await.is_empty());
    let lo = adapter(LOOPBACK);
    let silent: Vec<Arc<Profile>> = families()
        .iter()
        .map(|family| {
            Arc::new(Profile {
                announce: None,
                ..Profile::clone(family)
            })
        })
        .collect();
    let mut browse = browse_at(responder.port, Some(&lo), &silent, DEADLINE * 100).expect("fine");
    assert!(browse.next().await.is_none());
}

#[tokio::test]
async fn adapter_that_is_connected_to_nothing_is_said() {
    let nowhere = adapter("wlan77");
    let error = browse(Some(&nowhere), &families(), DEADLINE).expect_err("no such adapter");
    assert_eq!(error.to_string(), "`wlan77` is connected to no network");
    assert_eq!(
        (error.code(), error.exit()),
        ("adapter-not-connected", Exit::NoDevice)
    );
}
