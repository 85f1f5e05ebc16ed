//! The connection that is asked for: one access point through one adapter, saved nowhere.

use std::collections::HashMap;

use nix::unistd::{Uid, User};
use secrecy::ExposeSecret;
use zbus::Variant;

use super::bus::Settings;
use crate::wifi::{AccessPoint, Addressing, Join, Key};

/// How each connection of ours is called, before its BSSID: what is left behind is known by it.
pub(super) const MARK: &str = "linkmend-";

/// Its settings, for the access point as it is now. `hides`: its name has to be called for.
pub(super) fn settings<'a>(wish: &'a Join, point: &AccessPoint, hides: bool) -> Settings<'a> {
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
    if let Some(channel) = point.channel() {
        let band = if point.is_2_4_ghz() { "bg" } else { "a" };
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
        // A lease may name routes that are narrower than the default one, and so take all traffic.
        ("ignore-auto-routes", Variant::from(true)),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wifi::network_manager::sample::{wish, wpa2, wpa3};

    fn shown(settings: &Settings<'_>, group: &str, name: &str) -> Option<String> {
        let value = settings.get(group)?.get(name)?;
        Some(value.to_string())
    }

    #[test]
    fn it_is_joined_for_now_alone_and_never_the_way_to_anywhere_else() {
        for key in [Key::Open, wpa2(), wpa3()] {
            let wish = wish(key);
            let settings = settings(&wish, &wish.point, false);
            let shown = |group, name| shown(&settings, group, name);
            assert_eq!(shown("connection", "autoconnect").as_deref(), Some("false"));
            assert_eq!(shown("ipv4", "never-default").as_deref(), Some("true"));
            assert_eq!(shown("ipv4", "ignore-auto-dns").as_deref(), Some("true"));
            assert_eq!(shown("ipv4", "ignore-auto-routes").as_deref(), Some("true"));
            assert_eq!(shown("ipv4", "gateway"), None);
            assert_eq!(shown("ipv6", "method").as_deref(), Some("\"disabled\""));
        }
        assert_eq!(options()["persist"].to_string(), "\"volatile\"");
        assert_eq!(options()["bind-activation"].to_string(), "\"dbus-client\"");
    }

    #[test]
    fn key_decides_how_it_is_secured() {
        for (key, management) in [
            (Key::Open, None),
            (wpa2(), Some("wpa-psk")),
            (wpa3(), Some("sae")),
        ] {
            let wish = wish(key);
            let settings = settings(&wish, &wish.point, false);
            let found = shown(&settings, "802-11-wireless-security", "key-mgmt");
            assert_eq!(found, management.map(|it| format!("\"{it}\"")));
        }
    }

    #[test]
    fn channel_is_that_of_now_and_a_name_is_called_for_where_it_has_to_be() {
        let wish = wish(Key::Open);
        let mut now = wish.point.clone();
        now.frequency_mhz = 5180;
        let settings = settings(&wish, &now, true);
        let shown = |name| shown(&settings, "802-11-wireless", name);
        assert_eq!(shown("channel").as_deref(), Some("uint32 36"));
        assert_eq!(shown("band").as_deref(), Some("\"a\""));
        assert_eq!(shown("hidden").as_deref(), Some("true"));
    }
}
