//! What is wanted of a device: always an input, since a lock may be there on purpose.

use std::collections::BTreeMap;

use crate::{
    profile::{Profile, System},
    terms::{Kind, SettingName, Snapshot, Value},
};

/// What a device is judged against. Empty: it should link with any transmitter of its bind key.
#[derive(Debug, Clone, Default)]
pub struct Expectation {
    /// Values that are wanted, such as a lock on purpose.
    pub wanted: BTreeMap<SettingName, Value>,
    /// The waveforms that this hardware can do, as its profile lists them.
    pub waveforms: Vec<String>,
    /// The other end, where it was read too.
    pub other_end: Option<OtherEnd>,
}

impl Expectation {
    /// Nothing but what the hardware of a family can do.
    pub fn of(profile: &Profile) -> Self {
        let waveform = profile.setting(SettingName::WAVEFORM);
        let waveforms = match waveform.map(|setting| &setting.kind) {
            Some(Kind::Choice(options)) => options.iter().map(|o| o.value.clone()).collect(),
            _ => Vec::new(),
        };
        Self {
            waveforms,
            ..Self::default()
        }
    }
}

/// The other end of the link, and what must agree between the two.
#[derive(Debug, Clone)]
pub struct OtherEnd {
    /// As it was read.
    pub snapshot: Snapshot,
    /// The rules of the system that both belong to.
    pub system: System,
}
