//! The verdict on one device.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SettingName;

/// What keeps a device from linking. The first that applies, in this order, is the verdict.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// Its processor runs but does not reach its radio part; no setting mends it.
    Faulty,
    /// It is set to something that this hardware or this end cannot do.
    Unsupported,
    /// It has no bind key.
    Unbound,
    /// A model lock that is not wanted keeps its transmitter out.
    Locked,
    /// It differs from the other end, or from what is wanted.
    Mismatched,
    /// Nothing found that would keep it from linking.
    Healthy,
    /// What decides was not readable.
    Unknown,
}

impl Condition {
    /// The word that commands print.
    pub fn word(self) -> &'static str {
        match self {
            Condition::Faulty => "faulty",
            Condition::Unsupported => "unsupported",
            Condition::Unbound => "unbound",
            Condition::Locked => "locked",
            Condition::Mismatched => "mismatched",
            Condition::Healthy => "healthy",
            Condition::Unknown => "unknown",
        }
    }
}

/// One thing that was found, with what to do about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Which condition it speaks for; `healthy` for a mere remark.
    pub condition: Condition,
    /// The setting it is about.
    pub setting: Option<SettingName>,
    /// What was found and what to do, as a person reads it.
    pub text: String,
}
