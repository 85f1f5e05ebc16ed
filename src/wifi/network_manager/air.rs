//! What is in range, as the host hears it by itself and after each scan.

use std::time::Duration;

use tokio::{sync::watch, time};
use zbus::OwnedObjectPath;

use super::{Inner, adapters, picture::Device};
use crate::wifi::{AccessPoint, AdapterName, Offers, WifiError};

/// How long changes are gathered before the air is told anew, since a scan changes each access
/// point by itself (a choice of ours: below what a person notices).
const GATHER: Duration = Duration::from_millis(50);

/// The air of an adapter, told anew at each change.
pub(super) fn air(
    inner: &Inner,
    adapter: &AdapterName,
) -> Result<watch::Receiver<Vec<AccessPoint>>, WifiError> {
    let mut picture = inner.picture.clone();
    let now = {
        let picture = picture.borrow_and_update();
        inner.there(&picture)?;
        in_range(&adapters::one(&picture, adapter)?)
    };
    let (sender, receiver) = watch::channel(now);
    let adapter = adapter.clone();
    tokio::spawn(async move {
        loop {
            tokio::select! {
                changed = picture.changed() => if changed.is_err() { break },
                () = sender.closed() => break,
            }
            time::sleep(GATHER).await;
            let now = picture
                .borrow_and_update()
                .adapter(adapter.as_str())
                .map(|device| in_range(&device));
            let Some(now) = now else { break };
            sender.send_if_modified(|before| {
                let changes = *before != now;
                *before = now;
                changes
            });
        }
    });
    Ok(receiver)
}

/// Everything that it hears, the loudest first. A network that keeps its name to itself is there
/// once, with its name where somebody called for it.
pub(super) fn in_range(device: &Device<'_>) -> Vec<AccessPoint> {
    let all: Vec<AccessPoint> = device.points().map(|(_, point)| point).collect();
    let named = |point: &AccessPoint| {
        all.iter()
            .any(|other| other.bssid == point.bssid && !other.name.is_hidden())
    };
    let mut found: Vec<AccessPoint> = all
        .iter()
        .filter(|point| !point.name.is_hidden() || !named(point))
        .cloned()
        .collect();
    found.sort_by(|one, other| {
        (other.signal, one.bssid, &one.name).cmp(&(one.signal, other.bssid, &other.name))
    });
    found
}

/// An access point as it is now.
pub(super) struct Seen {
    /// Its object.
    pub(super) path: OwnedObjectPath,
    /// What it says of itself now, such as its channel after a restart.
    pub(super) point: AccessPoint,
}

/// The access point that is wanted, by its BSSID and its name, and whether it keeps the name to
/// itself unless it is called for.
pub(super) fn seen(device: &Device<'_>, wanted: &AccessPoint) -> (Option<Seen>, bool) {
    let mut found = None;
    let mut hides = false;
    for (path, point) in device.points().filter(|(_, it)| it.bssid == wanted.bssid) {
        hides |= point.name.is_hidden();
        if point.name == wanted.name {
            found = Some(Seen { path, point });
        }
    }
    (found, hides)
}

/// What it offers, of `NM80211ApFlags` and twice `NM80211ApSecurityFlags` of `NetworkManager`'s D-Bus
/// reference.
pub(super) fn offers(flags: u32, wpa: u32, rsn: u32) -> Offers {
    const PRIVACY: u32 = 0x1;
    const PSK: u32 = 0x100;
    const SAE: u32 = 0x400;
    const OPEN_BESIDE: u32 = 0x1000;
    // 802.1X, encrypted without a passphrase, and its strongest kind.
    const OTHERS: u32 = 0x200 | 0x800 | 0x2000;
    let either = wpa | rsn;
    let bare = either & !OPEN_BESIDE == 0;
    Offers {
        open: bare && flags & PRIVACY == 0,
        psk: either & PSK != 0,
        sae: rsn & SAE != 0,
        other: either & OTHERS != 0 || (bare && flags & PRIVACY != 0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_access_point_offers_follows_from_its_flags() {
        let said = |flags, wpa, rsn| offers(flags, wpa, rsn).to_string();
        // The numbers are of NetworkManager's D-Bus reference, those of a WPA2 network as its
        // command-line program shows them (pair and group ciphers CCMP, PSK).
        assert_eq!(said(0, 0, 0), "open");
        assert_eq!(said(1, 0, 0x188), "WPA2");
        assert_eq!(said(1, 0x144, 0x188), "WPA2");
        assert_eq!(said(1, 0, 0x588), "WPA2, WPA3");
        assert_eq!(said(1, 0, 0x488), "WPA3");
        // WEP, a user's name, encrypted without a passphrase.
        assert_eq!(said(1, 0, 0), "other");
        assert_eq!(said(1, 0, 0x288), "other");
        assert_eq!(said(1, 0, 0x888), "other");
    }
}
