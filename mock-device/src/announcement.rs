//! What a receiver announces of itself on a local network that it has joined, as data: who sends it
//! is another matter.

use crate::{Family, air::mac};

/// Most bytes of the name of an instance: one label (RFC 6763 section 4.1.1).
const MOST_NAME_BYTES: usize = 63;
/// Most bytes of a value of the TXT record, so that the key has room in the 255 of RFC 6763 section
/// 6.1.
const MOST_VALUE_BYTES: usize = 200;

/// A service of DNS-SD (RFC 6763).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Announcement {
    /// The service type without a domain, such as `_tarn-boat._tcp`.
    pub service: &'static str,
    /// What the instance is called.
    pub name: String,
    /// The keys and values of the TXT record.
    pub txt: Vec<(&'static str, String)>,
}

impl Announcement {
    pub(crate) fn new(family: Family, serial: &str, bssid: [u8; 6]) -> Self {
        let (service, name, txt) = match family {
            Family::SampleForm => (
                "_tarn-boat._tcp",
                format!("Tarn deck {serial}"),
                vec![("hull", "deck".to_owned()), ("plate", serial.to_owned())],
            ),
            Family::SampleLogin => (
                "_tarn-boat._tcp",
                format!("Tarn mast {serial}"),
                vec![("hull", "mast".to_owned()), ("plate", serial.to_owned())],
            ),
            Family::SampleScript => {
                let [.., a, b, c] = bssid;
                let name = format!("Tarn keel {a:02x}{b:02x}{c:02x}");
                ("_tarn-keel._tcp", name, vec![("aerial", mac(bssid))])
            }
        };
        Self {
            service,
            name: cut(&name, MOST_NAME_BYTES),
            txt: txt
                .into_iter()
                .map(|(key, value)| (key, cut(&value, MOST_VALUE_BYTES)))
                .collect(),
        }
    }
}

/// The beginning of a text, in whole characters.
fn cut(text: &str, bytes: usize) -> String {
    text[..text.floor_char_boundary(bytes)].to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_family_announces_itself_as_its_page_says() {
        let bssid = [2, 0x1c, 0x9e, 0x40, 0x77, 0xe2];
        let of = |family, serial| {
            let announcement = Announcement::new(family, serial, bssid);
            let txt: Vec<String> = announcement
                .txt
                .iter()
                .map(|(key, value)| format!("{key}={value}"))
                .collect();
            (announcement.service, announcement.name, txt.join(" "))
        };
        // The rows of FAMILIES.md.
        assert_eq!(
            of(Family::SampleForm, "TD-00471"),
            (
                "_tarn-boat._tcp",
                "Tarn deck TD-00471".to_owned(),
                "hull=deck plate=TD-00471".to_owned()
            )
        );
        assert_eq!(
            of(Family::SampleLogin, "TM-0815"),
            (
                "_tarn-boat._tcp",
                "Tarn mast TM-0815".to_owned(),
                "hull=mast plate=TM-0815".to_owned()
            )
        );
        assert_eq!(
            of(Family::SampleScript, ""),
            (
                "_tarn-keel._tcp",
                "Tarn keel 4077e2".to_owned(),
                "aerial=02:1c:9e:40:77:e2".to_owned()
            )
        );
    }

    #[test]
    fn what_is_announced_has_room_in_its_records() {
        let serial = "\u{202e}".repeat(100);
        let announcement = Announcement::new(Family::SampleForm, &serial, [2; 6]);
        assert!(announcement.name.len() <= 63);
        assert!(announcement.txt.iter().all(|(_, value)| value.len() <= 200));
        assert!(announcement.name.ends_with('\u{202e}'));
    }
}
