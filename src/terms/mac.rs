//! A MAC address: of an access point, where it is called BSSID, or of an adapter.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

/// Six bytes, in the order of IEEE 802.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Mac(pub [u8; 6]);

/// Why a text is no MAC address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a MAC address is six bytes in hexadecimal, such as 02:00:5e:00:00:01")]
pub struct MacError;

/// Colon-separated lower-case hexadecimal.
impl fmt::Display for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parts: Vec<String> = self.0.iter().map(|byte| format!("{byte:02x}")).collect();
        f.pad(&parts.join(":"))
    }
}

impl fmt::Debug for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

/// Takes it as people and systems write it: `02:00:5e:00:00:01`, `02-00-5E-00-00-01`,
/// `0200.5e00.0001` or `02005e000001`.
impl FromStr for Mac {
    type Err = MacError;

    fn from_str(text: &str) -> Result<Self, MacError> {
        let (size, sign) = match text.len() {
            17 => (2, text.chars().find(|c| *c == ':' || *c == '-')),
            14 => (4, Some('.')),
            _ => (12, None),
        };
        let groups: Vec<&str> = match sign {
            Some(sign) => text.split(sign).collect(),
            None => vec![text],
        };
        if groups.iter().any(|group| group.len() != size) {
            return Err(MacError);
        }
        let mut bytes = [0; 6];
        hex::decode_to_slice(groups.concat(), &mut bytes).map_err(|_| MacError)?;
        Ok(Self(bytes))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_is_read_in_every_usual_spelling_and_written_in_one() {
        for text in [
            "02:00:5e:00:00:0a",
            "02-00-5E-00-00-0A",
            "0200.5e00.000a",
            "02005E00000A",
        ] {
            let mac: Mac = text.parse().expect(text);
            assert_eq!(mac.to_string(), "02:00:5e:00:00:0a");
        }
    }

    #[test]
    fn what_is_no_address_is_refused() {
        for text in [
            "",
            "02:00:5e:00:00",
            "02:00:5e:00:00:0g",
            "02:00-5e:00:00:0a",
            "020:0:5e:00:00:0a",
            "02:00:5e:00:00:0a:0b",
            "é2:00:5e:00:00:0",
        ] {
            assert_eq!(text.parse::<Mac>(), Err(MacError), "{text}");
        }
    }
}
