//! A shelf as its file describes it, checked.

use std::{collections::BTreeMap, sync::Arc};

use crate::{
    profile::Profile,
    session::Origin,
    terms::{Identity, Mac, SettingName, Untrusted, Value},
};

/// All loaners of one shelf, and what each should be.
#[derive(Debug, Clone)]
pub struct Shelf {
    /// What it is called.
    pub title: String,
    /// How the family behaves.
    pub profile: Arc<Profile>,
    /// In the order of the file.
    pub loaners: Vec<Loaner>,
}

/// One loaner.
#[derive(Debug, Clone)]
pub struct Loaner {
    /// What stands on its sticker; unique within the shelf.
    pub label: String,
    /// Who it is.
    pub mark: Mark,
    /// Where it is reached without a network of its own: it has joined a local network, or is
    /// simulated. It says nothing of who it is.
    pub at: Option<Origin>,
    /// What its transmitter is called.
    pub transmitter: Option<String>,
    /// What it should be: the baseline, with its own settings over it. Some of it is only compared
    /// ([`is_only_compared`]).
    pub wanted: BTreeMap<SettingName, Wish>,
    /// The line of the file at which it begins, from 1.
    pub line: usize,
}

impl Loaner {
    /// What of it may be written: all that is wanted, but what is only compared.
    pub fn to_write(&self) -> impl Iterator<Item = (&SettingName, &Wish)> {
        self.wanted
            .iter()
            .filter(|(setting, _)| !is_only_compared(setting))
    }
}

/// Whether a shelf may want a setting and never writes it: local rules set region and power, each
/// device by itself and with its person's consent. A check compares them.
pub fn is_only_compared(setting: &SettingName) -> bool {
    [SettingName::REGION, SettingName::POWER].contains(&setting.as_str())
}

/// What tells a loaner from its lookalikes: at least one of the two.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// What it shows as its serial.
    pub serial: Option<String>,
    /// The BSSID of its fallback network, where the family keeps it.
    pub bssid: Option<Mac>,
}

/// What is wanted of a setting.
#[derive(Clone, PartialEq)]
pub enum Wish {
    /// This value.
    Value(Value),
    /// One that no other loaner of the shelf has: drawn once, and the same from then on.
    Unique,
}

impl Mark {
    /// As an identity without an address.
    pub fn identity(&self, bssid_is_stable: bool) -> Identity {
        Identity {
            serial: self.serial.as_deref().map(Untrusted::new),
            bssid: self.bssid.map(|mac| crate::terms::Bssid {
                mac: mac.0,
                stable: bssid_is_stable,
            }),
            address: None,
        }
    }
}

/// A value may be a secret: none is shown.
impl std::fmt::Debug for Wish {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Wish::Value(_) => "a value",
            Wish::Unique => "a unique one",
        })
    }
}
