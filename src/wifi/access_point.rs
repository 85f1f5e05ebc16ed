//! One access point as a scan hears it. Its name is a stranger's.

use std::fmt::{self, Write as _};

use crate::terms::{Mac, Untrusted};

/// The name of a network: 0 to 32 bytes, which need be no text (IEEE 802.11-2020, 9.4.2.2, clause
/// from memory).
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct NetworkName(Vec<u8>);

impl NetworkName {
    /// Most bytes of a name.
    pub const MOST_BYTES: usize = 32;

    /// Takes the first 32 bytes.
    pub fn new(bytes: impl Into<Vec<u8>>) -> Self {
        let mut bytes = bytes.into();
        bytes.truncate(Self::MOST_BYTES);
        Self(bytes)
    }

    /// As they came.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// Whether the network keeps its name to itself: none, or nothing but zeros.
    pub fn is_hidden(&self) -> bool {
        self.0.iter().all(|byte| *byte == 0)
    }
}

impl From<&str> for NetworkName {
    fn from(text: &str) -> Self {
        Self::new(text)
    }
}

/// Escaped as every text of a stranger; bytes that are no UTF-8 as `\xNN`.
impl fmt::Display for NetworkName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_hidden() {
            return f.pad("(hidden)");
        }
        let mut text = String::new();
        for chunk in self.0.utf8_chunks() {
            write!(text, "{}", Untrusted::new(chunk.valid()))?;
            for byte in chunk.invalid() {
                write!(text, "\\x{byte:02x}")?;
            }
        }
        f.pad(&text)
    }
}

impl fmt::Debug for NetworkName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{self}`")
    }
}

/// How an access point may be joined, as it says itself; several may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is one bit of what it announces"
)]
pub struct Offers {
    /// Without a passphrase, unencrypted.
    pub open: bool,
    /// WPA or WPA2 with a passphrase.
    pub psk: bool,
    /// WPA3 with a passphrase.
    pub sae: bool,
    /// In another way (WEP, a user's name, encrypted without a passphrase), which no receiver
    /// of a profile has.
    pub other: bool,
}

/// `open`, `WPA2`, `WPA2, WPA3`.
impl fmt::Display for Offers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = [
            (self.open, "open"),
            (self.psk, "WPA2"),
            (self.sae, "WPA3"),
            (self.other, "other"),
        ];
        let words = words.iter().filter(|(is, _)| *is).map(|(_, word)| *word);
        f.pad(&words.collect::<Vec<_>>().join(", "))
    }
}

/// One access point in range.
#[derive(Debug, Clone, PartialEq)]
pub struct AccessPoint {
    /// What its network is called.
    pub name: NetworkName,
    /// Which of those it is.
    pub bssid: Mac,
    /// How loud it is, in percent (0 to 100), as the host's system reckons it.
    pub signal: u8,
    /// The middle of its channel, in MHz.
    pub frequency_mhz: u32,
    /// How it may be joined.
    pub offers: Offers,
    /// When it was heard last, in s since this computer started (time asleep included); none where
    /// that is not known.
    pub heard_s: Option<f64>,
}

impl AccessPoint {
    /// The number of its channel; none for a frequency that is no Wi-Fi channel's.
    ///
    /// IEEE 802.11-2020, 15.4.4.3 and 17.3.8.4.2 (clauses from memory): 2407 + 5n MHz with 14 at
    /// 2484, and 5000 + 5n MHz.
    pub fn channel(&self) -> Option<u32> {
        let from = |base: u32| Some((self.frequency_mhz - base) / 5);
        match self.frequency_mhz {
            2484 => Some(14),
            2412..=2472 => from(2407),
            5005..=5895 => from(5000),
            _ => None,
        }
    }

    /// Whether it is in the band that receivers use: 2.4 GHz.
    pub fn is_2_4_ghz(&self) -> bool {
        (2400..2500).contains(&self.frequency_mhz)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn name_is_shown_with_its_teeth_drawn_and_kept_to_the_byte() {
        let name = NetworkName::new(b"Tarn\x1b[2J\xff\xe2\x80\xaeBoat".as_slice());
        let shown = name.to_string();
        assert!(
            shown.starts_with("Tarn") && shown.ends_with("Boat"),
            "{shown}"
        );
        assert!(shown.contains("\\xff"), "{shown}");
        assert!(!shown.contains(['\u{1b}', '\u{202e}']), "{shown}");
        assert_eq!(name.bytes().len(), 16);
    }

    #[test]
    fn name_of_nothing_or_zeros_is_hidden() {
        for bytes in [&b""[..], &[0; 7]] {
            assert!(NetworkName::new(bytes).is_hidden());
        }
        assert!(!NetworkName::from("TarnBoat 3").is_hidden());
    }

    #[test]
    fn channels_of_both_bands_follow_from_the_frequency() {
        // The values of the two formulas, by hand.
        let channel = |frequency_mhz| {
            AccessPoint {
                name: "a".into(),
                bssid: Mac([2, 0, 0, 0, 0, 1]),
                signal: 50,
                frequency_mhz,
                offers: Offers::default(),
                heard_s: None,
            }
            .channel()
        };
        for (frequency, number) in [(2412, 1), (2437, 6), (2472, 13), (2484, 14), (5180, 36)] {
            assert_eq!(channel(frequency), Some(number));
        }
        assert_eq!(channel(2400), None);
        assert_eq!(channel(60480), None);
    }
}
