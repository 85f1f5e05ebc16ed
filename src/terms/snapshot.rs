//! All that one reading of a device gave.

use std::{collections::BTreeMap, fmt};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Identity, PlaceName, Raw, Sameness, SettingName, Untrusted, Value};

/// Which of the two ends a family is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The end in the craft.
    Receiver,
    /// The end in the skipper's hands.
    Transmitter,
}

/// Who was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Device {
    /// Its marks.
    pub identity: Identity,
    /// The family, by its profile's name.
    pub family: String,
    /// Which end.
    pub role: Role,
}

impl Device {
    /// Whether the other may be this one: where only the address tells, every device of the family
    /// at that address is.
    pub fn may_be(&self, other: &Device) -> bool {
        match self.identity.compare(&other.identity) {
            Sameness::Same => true,
            Sameness::Different => false,
            Sameness::Undetermined => {
                self.family == other.family && self.identity.address == other.identity.address
            }
        }
    }
}

/// What could be learned of one setting.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reading {
    /// Its value, which may be [`Value::Absent`].
    Known(Value),
    /// The device takes it and never shows it.
    WriteOnly,
    /// It stands there and was not understood, or does not stand there; in words, escaped.
    Unread(String),
}

/// One setting of a snapshot.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// What was learned.
    pub reading: Reading,
    /// Whether its value may be shown.
    pub secret: bool,
}

impl Entry {
    /// The value, where it is known.
    pub fn value(&self) -> Option<&Value> {
        match &self.reading {
            Reading::Known(value) => Some(value),
            Reading::WriteOnly | Reading::Unread(_) => None,
        }
    }
}

impl fmt::Debug for Entry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.secret {
            f.write_str("(secret)")
        } else {
            self.reading.fmt(f)
        }
    }
}

/// A mark by which a restart can be told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Witness {
    /// Time since the device started, in seconds: falls with a restart.
    Uptime(f64),
    /// A mark that is another one after each start.
    BootMark(Untrusted),
}

impl Witness {
    /// Whether a restart lies between an earlier mark and this one.
    pub fn restarted_since(&self, earlier: &Witness) -> bool {
        match (earlier, self) {
            (Witness::Uptime(before), Witness::Uptime(after)) => after < before,
            (Witness::BootMark(before), Witness::BootMark(after)) => {
                // 17 and 17.0 are one mark in two spellings.
                let number = |mark: &Untrusted| mark.raw().trim().parse::<f64>().ok();
                let same_number = number(before)
                    .zip(number(after))
                    .is_some_and(|(before, after)| before.total_cmp(&after).is_eq());
                before != after && !same_number
            }
            _ => false,
        }
    }
}

/// All settings of one device at one time, with what was not understood kept raw.
///
/// Volatile things (one-time tokens, uptime) are left out of `places` and `rest`, so that two
/// snapshots of an untouched device are equal in both.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Snapshot {
    /// Who.
    pub device: Device,
    /// What it means.
    pub settings: BTreeMap<SettingName, Entry>,
    /// What stands at each place of the profile.
    pub places: BTreeMap<PlaceName, Raw>,
    /// Controls, JSON members and lines that the profile does not map, by where they stand.
    pub rest: BTreeMap<String, Raw>,
    /// Whether the device says that it does not reach its radio part; none: it does not tell.
    pub faulty: Option<bool>,
    /// The mark of this start of the device.
    pub witness: Option<Witness>,
}

impl Snapshot {
    /// The value of a setting, where it is known.
    pub fn value(&self, setting: &str) -> Option<&Value> {
        self.settings.get(setting).and_then(Entry::value)
    }

    /// Whether it goes by a serial, a BSSID or, letter case aside, a name.
    pub fn goes_by(&self, who: &str) -> bool {
        let Identity { serial, bssid, .. } = &self.device.identity;
        let named = matches!(self.value(SettingName::NAME),
            Some(Value::Text(name)) if name.raw().to_lowercase() == who.to_lowercase());
        named
            || serial.as_ref().is_some_and(|serial| serial.raw() == who)
            || bssid.is_some_and(|bssid| bssid.to_string().eq_ignore_ascii_case(who))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn uptime_must_fall_and_a_boot_mark_must_change() {
        assert!(Witness::Uptime(3.0).restarted_since(&Witness::Uptime(80.0)));
        assert!(!Witness::Uptime(80.0).restarted_since(&Witness::Uptime(80.0)));
        let mark = |text: &str| Witness::BootMark(text.into());
        assert!(mark("b").restarted_since(&mark("a")));
        assert!(!mark("a").restarted_since(&mark("a")));
        assert!(mark("18").restarted_since(&mark("17")));
        assert!(!mark("17.0").restarted_since(&mark("17")));
        assert!(!mark("a").restarted_since(&Witness::Uptime(1.0)));
    }
}
