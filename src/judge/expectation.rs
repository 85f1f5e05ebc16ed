//! What is wanted of a device: always an input, since a lock may be there on purpose.

use std::collections::BTreeMap;

use crate::{
    profile::System,
    terms::{SettingName, Snapshot, Value},
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

/// The other end of the link, and what must agree between the two.
#[derive(Debug, Clone)]
pub struct OtherEnd {
    /// As it was read.
    pub snapshot: Snapshot,
    /// The rules of the system that both belong to.
    pub system: System,
}
