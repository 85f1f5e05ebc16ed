//! What is to stand at which place, and how well a change is proved.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{PlaceName, Raw};

/// What is to be written at which place; every other place is sent as it was read.
pub type Overlay = BTreeMap<PlaceName, Raw>;

/// How well one setting's new value is proved, weakest first.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Proof {
    /// Not at all.
    None,
    /// The device showed it when it was read back.
    ReadBack,
    /// The device showed it after a restart that was witnessed.
    AfterRestart,
}
