//! The list of a shelf: what stands on the stickers, as a row, as a shelf file and as CSV.

use std::{fmt::Write as _, net::SocketAddr};

use serde::{Serialize, Serializer, ser::SerializeStruct};

use super::{Condition, Keys};
use crate::{Family, air::mac};

/// One row: who a receiver is said to be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lent {
    /// What stands on its sticker; no two of a shelf are the same.
    pub label: String,
    /// Its serial, where the family shows one.
    pub serial: Option<String>,
    /// The BSSID of its network when the shelf was put up.
    pub bssid: [u8; 6],
    /// Where it answers.
    pub address: SocketAddr,
    /// What it is like.
    pub condition: Condition,
    /// The slot that it is to be locked to; none: it is to have no lock.
    pub slot: Option<u8>,
}

impl Lent {
    /// Its address as a client is told it.
    pub fn at(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Its BSSID in words: lower-case hexadecimal with colons.
    pub fn bssid_text(&self) -> String {
        mac(self.bssid)
    }
}

/// A line of the list.
impl Serialize for Lent {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut line = serializer.serialize_struct("Lent", 6)?;
        line.serialize_field("label", &self.label)?;
        line.serialize_field("serial", &self.serial)?;
        line.serialize_field("bssid", &self.bssid_text())?;
        line.serialize_field("at", &self.at())?;
        line.serialize_field("condition", &self.condition)?;
        line.serialize_field("slot", &self.slot)?;
        line.end()
    }
}

/// What all loaners are to be: the settings that a borrower changes.
fn baseline(keys: Keys) -> &'static str {
    match keys {
        Keys::OfEach => "model-lock = \"off\"\n",
        Keys::OfTheSchool => "failsafe = \"neutral\"\n",
    }
}

/// The shelf file. All words in it are ours and plain, so that none needs an escape.
pub(super) fn toml(title: &str, family: Family, keys: Keys, lent: &[Lent]) -> String {
    let mut file = format!(
        "format = 1\ntitle = \"{title}\"\nfamily = \"{family}\"\n\n[baseline]\n{}",
        baseline(keys)
    );
    for row in lent {
        // Writing to a text does not fail.
        let _ = write!(file, "\n[[loaner]]\nlabel = \"{}\"\n", row.label);
        let _ = match &row.serial {
            Some(serial) => writeln!(file, "serial = \"{serial}\""),
            None => writeln!(file, "bssid = \"{}\"", row.bssid_text()),
        };
        let _ = writeln!(file, "at = \"{}\"", row.at());
        if let Some(slot) = row.slot {
            let _ = writeln!(file, "settings = {{ model-lock = {slot} }}");
        }
    }
    file
}

/// The list as CSV (RFC 4180): lines end in CRLF, and no field of ours needs quotes.
pub(super) fn csv(lent: &[Lent]) -> String {
    let has_slots = lent.iter().any(|row| row.slot.is_some());
    let mut file = String::from("label,serial,bssid,at");
    file.push_str(if has_slots { ",model-lock\r\n" } else { "\r\n" });
    for row in lent {
        let serial = row.serial.as_deref().unwrap_or_default();
        let _ = write!(
            file,
            "{},{serial},{},{}",
            row.label,
            row.bssid_text(),
            row.at()
        );
        if has_slots {
            let slot = row.slot.map(|slot| slot.to_string()).unwrap_or_default();
            let _ = write!(file, ",{slot}");
        }
        file.push_str("\r\n");
    }
    file
}
