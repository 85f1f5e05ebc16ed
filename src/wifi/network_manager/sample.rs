//! What the tests of this folder wish to join.

use secrecy::SecretString;

use crate::{
    terms::Mac,
    wifi::{AccessPoint, AdapterName, Addressing, Join, Key, Offers},
};

pub(super) fn wish(key: Key) -> Join {
    Join {
        adapter: AdapterName::new("wlan0"),
        point: AccessPoint {
            name: "TarnBoat".into(),
            bssid: Mac([2, 0, 0, 0, 2, 0]),
            signal: 50,
            frequency_mhz: 2412,
            offers: Offers::default(),
            heard_s: None,
        },
        key,
        addressing: Addressing::Dhcp,
    }
}

pub(super) fn wpa2() -> Key {
    Key::Wpa2(SecretString::from("sailing-tarn"))
}

pub(super) fn wpa3() -> Key {
    Key::Wpa3(SecretString::from("sailing-tarn"))
}
