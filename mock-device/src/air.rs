//! Whether the network of a simulated receiver is open: told at each turn, and no radio of ours.
//!
//! Who gives the simulation a radio opens and closes a real access point by what is told here.

use serde::{Serialize, Serializer, ser::SerializeStruct};

/// The network that a receiver opens by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Air {
    /// It is open.
    Open {
        /// As which access point.
        bssid: [u8; 6],
    },
    /// It is not.
    Closed(Why),
}

/// What closed a network, or keeps it from opening.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// It was restarted, and its wait is not over.
    Restart,
    /// It has no power, or its wait since it was powered up is not over.
    Power,
    /// A transmitter that it counts as its own is on, or its wait since then is not over.
    Transmitter,
    /// It has joined a stored local network instead.
    Joined,
}

impl Why {
    /// The word in what is told.
    pub fn word(self) -> &'static str {
        match self {
            Why::Restart => "restart",
            Why::Power => "power",
            Why::Transmitter => "transmitter",
            Why::Joined => "joined",
        }
    }
}

/// `{"air":"open","bssid":"02:…"}` or `{"air":"closed","why":"power"}`.
impl Serialize for Air {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut line = serializer.serialize_struct("Air", 2)?;
        match self {
            Air::Open { bssid } => {
                line.serialize_field("air", "open")?;
                line.serialize_field("bssid", &mac(*bssid))?;
            }
            Air::Closed(why) => {
                line.serialize_field("air", "closed")?;
                line.serialize_field("why", why.word())?;
            }
        }
        line.end()
    }
}

/// Colon-separated lower-case hexadecimal.
pub(crate) fn mac(bytes: [u8; 6]) -> String {
    bytes.map(|byte| format!("{byte:02x}")).join(":")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn air_is_told_as_one_short_object() {
        let told = |air| serde_json::to_string(&air).expect("it is plain data");
        let bssid = [2, 0xab, 0, 1, 2, 3];
        assert_eq!(
            told(Air::Open { bssid }),
            r#"{"air":"open","bssid":"02:ab:00:01:02:03"}"#
        );
        for why in [Why::Restart, Why::Power, Why::Transmitter, Why::Joined] {
            let word = why.word();
            assert_eq!(
                told(Air::Closed(why)),
                format!(r#"{{"air":"closed","why":"{word}"}}"#)
            );
        }
    }
}
