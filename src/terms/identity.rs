//! Which device it is: a set of marks, some strong, one weak.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{Mac, Untrusted};

/// What is known of who a device is. A serial and a stable BSSID are strong parts; an address
/// says nothing among lookalikes.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Identity {
    /// What the device shows as its serial.
    pub serial: Option<Untrusted>,
    /// The BSSID of its access point.
    pub bssid: Option<Bssid>,
    /// Where it was reached, such as `http://192.168.77.1`.
    pub address: Option<String>,
}

/// The MAC address of an access point, and whether it stays the same over restarts.
#[derive(Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bssid {
    /// Six bytes, IEEE 802 order.
    pub mac: [u8; 6],
    /// Whether the family keeps it over restarts; one that changes is no mark at all.
    pub stable: bool,
}

/// Whether two identities are of one device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sameness {
    /// A strong part agrees and none conflicts.
    Same,
    /// A strong part conflicts.
    Different,
    /// Nothing strong can be compared.
    Undetermined,
}

impl Identity {
    /// Compares two identities. A conflict in a strong part outweighs every agreement.
    pub fn compare(&self, other: &Identity) -> Sameness {
        let serials = both(self.serial.as_ref(), other.serial.as_ref()).map(|(a, b)| a == b);
        let bssids = both(self.strong_bssid(), other.strong_bssid()).map(|(a, b)| a == b);
        match (serials, bssids) {
            (Some(false), _) | (_, Some(false)) => Sameness::Different,
            (Some(true), _) | (_, Some(true)) => Sameness::Same,
            (None, None) => Sameness::Undetermined,
        }
    }

    /// Whether anything in here can tell this device from a lookalike.
    pub fn is_strong(&self) -> bool {
        self.serial.is_some() || self.strong_bssid().is_some()
    }

    fn strong_bssid(&self) -> Option<[u8; 6]> {
        self.bssid
            .filter(|bssid| bssid.stable)
            .map(|bssid| bssid.mac)
    }
}

fn both<T>(a: Option<T>, b: Option<T>) -> Option<(T, T)> {
    a.zip(b)
}

/// `serial TD-0042`, or the BSSID, or the address.
impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (&self.serial, &self.bssid, &self.address) {
            (Some(serial), _, _) => write!(f, "serial {serial}"),
            (_, Some(bssid), _) => write!(f, "BSSID {bssid}"),
            (_, _, Some(address)) => write!(f, "address {address}"),
            _ => f.write_str("unknown device"),
        }
    }
}

/// Colon-separated lower-case hexadecimal.
impl fmt::Display for Bssid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        Mac(self.mac).fmt(f)
    }
}

impl fmt::Debug for Bssid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}{}", if self.stable { "" } else { " (changes)" })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn identity(serial: Option<&str>, bssid: Option<(u8, bool)>) -> Identity {
        Identity {
            serial: serial.map(Into::into),
            bssid: bssid.map(|(last, stable)| Bssid {
                mac: [2, 0, 0, 0, 0, last],
                stable,
            }),
            address: Some("http://127.0.0.1".into()),
        }
    }

    #[test]
    fn conflict_in_one_strong_part_is_another_device() {
        let a = identity(Some("A"), Some((1, true)));
        assert_eq!(
            a.compare(&identity(Some("B"), Some((1, true)))),
            Sameness::Different
        );
        assert_eq!(
            a.compare(&identity(Some("A"), Some((2, true)))),
            Sameness::Different
        );
    }

    #[test]
    fn agreement_in_one_strong_part_is_the_same_device() {
        let a = identity(Some("A"), Some((1, true)));
        assert_eq!(a.compare(&identity(Some("A"), None)), Sameness::Same);
        assert_eq!(a.compare(&identity(None, Some((1, true)))), Sameness::Same);
    }

    #[test]
    fn address_and_a_changing_bssid_say_nothing() {
        let a = identity(None, Some((1, false)));
        assert_eq!(a.compare(&a), Sameness::Undetermined);
        assert!(!a.is_strong());
        let b = identity(None, Some((1, true)));
        assert_eq!(a.compare(&b), Sameness::Undetermined);
    }
}
