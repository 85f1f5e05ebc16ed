//! The connection that is asked for: one access point through one adapter, saved nowhere.

use std::collections::HashMap;

use nix::unistd::{Uid, User};
use secrecy::ExposeSecret;
use zbus::Variant;

use super::bus::Settings;
use crate::wifi::{Addressing, Join, Key};

/// How each connection of ours is called, before its BSSID: what is left behind is known by it.
pub(super) const MARK: &str = "linkmend-";

/// Its settings. `hides`: its name has to be called for.
pub(super) fn settings(wish: &Join, hides: bool) -> Settings<'_> {
    let mut connection = HashMap::from([
        ("id", text(format!("{MARK}{}", wish.point.bssid))),
        ("type", text("802-11-wireless")),
        ("interface-name", text(wish.adapter.as_str())),
        ("autoconnect", Variant::from(false)),
    ]);
    if let Some(person) = person() {
        // For nobody else on this computer, which asks for a smaller permission, too.
        connection.insert(
            "permissions",
            Variant::from(vec![format!("user:{person}:")]),
        );
    }
    let mut wireless = HashMap::from([
        ("mode", text("infrastructure")),
        ("ssid", Variant::from(wish.point.name.bytes().to_vec())),
        ("bssid", Variant::from(wish.point.bssid.0.to_vec())),
        // Another address at each join would take another place at a receiver that has one.
        ("assigned-mac-address", text("permanent")),
        ("powersave", Variant::from(POWERSAVE_OFF)),
    ]);
    if hides {
        wireless.insert("hidden", Variant::from(true));
    }
    if let Some(channel) = wish.point.channel() {
        let band = if wish.point.is_2_4_ghz() { "bg" } else { "a" };
        wireless.insert("band", text(band));
        wireless.insert("channel", Variant::from(channel));
    }
    let mut all = Settings::from([
        ("connection", connection),
        ("802-11-wireless", wireless),
        ("ipv4", ipv4(wish.addressing)),
        ("ipv6", HashMap::from([("method", text("disabled"))])),
    ]);
    if let Some(security) = security(&wish.key) {
        all.insert("802-11-wireless-security", security);
    }
    all
}

/// What is asked beside the settings: saved on no disk, and gone with this process.
pub(super) fn options() -> HashMap<&'static str, Variant<'static>> {
    HashMap::from([
        ("persist", text("volatile")),
        ("bind-activation", text("dbus-client")),
    ])
}

/// `NM_SETTING_WIRELESS_POWERSAVE_DISABLE`: a small access point loses what it keeps for sleepers.
const POWERSAVE_OFF: u32 = 2;

/// Whom it is for. Root may do everything, needs no entry, and an entry for root would hide the
/// connection while root has no session of its own, as with `sudo`.
fn person() -> Option<String> {
    let uid = Uid::effective();
    if uid.is_root() {
        return None;
    }
    User::from_uid(uid).ok()?.map(|user| user.name)
}

fn ipv4(addressing: Addressing) -> HashMap<&'static str, Variant<'static>> {
    let mut ipv4 = HashMap::from([
        ("never-default", Variant::from(true)),
        ("ignore-auto-dns", Variant::from(true)),
    ]);
    match addressing {
        Addressing::Static { own, prefix } => {
            let address: HashMap<&str, Variant<'_>> = HashMap::from([
                ("address", text(own.to_string())),
                ("prefix", Variant::from(u32::from(prefix))),
            ]);
            ipv4.insert("method", text("manual"));
            ipv4.insert("address-data", Variant::from(vec![address]));
            // The address is looked for on the network for 200 ms otherwise.
            ipv4.insert("dad-timeout", Variant::from(0_i32));
        }
        Addressing::Dhcp => {
            ipv4.insert("method", text("auto"));
            ipv4.insert("may-fail", Variant::from(false));
            // The laptop's name is nobody's business there.
            ipv4.insert("dhcp-send-hostname", Variant::from(false));
        }
    }
    ipv4
}

fn security(key: &Key) -> Option<HashMap<&'static str, Variant<'_>>> {
    let (management, passphrase) = match key {
        Key::Open => return None,
        Key::Wpa2(passphrase) => ("wpa-psk", passphrase),
        Key::Wpa3(passphrase) => ("sae", passphrase),
    };
    Some(HashMap::from([
        ("key-mgmt", text(management)),
        ("psk", Variant::from(passphrase.expose_secret())),
    ]))
}

fn text<'a>(text: impl Into<zbus::Str<'a>>) -> Variant<'a> {
    Variant::Str(text.into())
}
