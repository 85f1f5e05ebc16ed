//! Values that a family cannot be told, refused before anything is sent.

use super::failure::Failure;
use crate::{
    change::Trouble,
    profile::Setting,
    terms::{Exit, Value},
};

/// Refuses what the family can never be told, before anything is sent.
pub(super) fn writable(setting: &Setting, value: &Value) -> Result<(), Failure> {
    setting.write(value).map(drop).map_err(|error| {
        let code = if setting.saves.is_empty() {
            "setting-read-only"
        } else {
            "value-cannot-be-written"
        };
        let help = "`linkmend profile show` says what this family takes";
        Failure::Trouble(Trouble::new(code, error.to_string(), Some(help)).ending(Exit::Refused))
    })
}
