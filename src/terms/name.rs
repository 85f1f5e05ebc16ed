//! Names of settings, places, requests and saves: kebab-case words that a profile gives.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Why a word is no name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{word}` is not a name: use lower-case letters, digits and single hyphens, at most 40 characters, starting with a letter"
)]
pub struct NameError {
    /// The word as given, escaped.
    pub word: String,
}

/// Whether a word is a name: `[a-z][a-z0-9]*(-[a-z0-9]+)*`, at most 40 characters.
pub fn is_name(word: &str) -> bool {
    word.len() <= 40
        && word.starts_with(|c: char| c.is_ascii_lowercase())
        && word.split('-').all(|part| {
            !part.is_empty()
                && part
                    .chars()
                    .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit())
        })
}

/// Which of some words was meant, where one was nearly typed.
pub fn nearest<'a>(words: impl Iterator<Item = &'a str>, typed: &str) -> Option<&'a str> {
    words
        .filter(|word| strsim::jaro(word, typed) > NEAR)
        .max_by(|a, b| strsim::jaro(a, typed).total_cmp(&strsim::jaro(b, typed)))
}

/// How alike, from 0 to 1, two names must be for one to be a slip of the other: no source, tried on
/// the settings of the built-in families.
const NEAR: f64 = 0.8;

macro_rules! names {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(String);

        impl $name {
            /// The word itself.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl TryFrom<String> for $name {
            type Error = NameError;
            fn try_from(word: String) -> Result<Self, NameError> {
                if is_name(&word) {
                    Ok(Self(word))
                } else {
                    Err(NameError { word: super::Untrusted::new(word).to_string() })
                }
            }
        }

        impl std::str::FromStr for $name {
            type Err = NameError;
            fn from_str(word: &str) -> Result<Self, NameError> {
                word.to_owned().try_into()
            }
        }

        impl From<$name> for String {
            fn from(name: $name) -> String {
                name.0
            }
        }

        impl std::borrow::Borrow<str> for $name {
            fn borrow(&self) -> &str {
                &self.0
            }
        }

        impl PartialEq<str> for $name {
            fn eq(&self, other: &str) -> bool {
                self.0 == other
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }
    )+};
}

names! {
    /// One thing that a device is told, such as `model-lock`.
    SettingName;
    /// Where a raw thing stands in an answer.
    PlaceName;
    /// One request of a family.
    RequestName;
    /// One way to write settings: an acting request with all that it carries.
    SaveName;
}

impl SettingName {
    /// What the owner calls the device.
    pub const NAME: &'static str = "name";
    /// Firmware version, `SemVer` 2.0.0.
    pub const FIRMWARE: &'static str = "firmware";
    /// `off`, or the one model memory (slot) that the receiver follows.
    pub const MODEL_LOCK: &'static str = "model-lock";
    /// The secret bytes that both ends share; absent: the receiver is unbound.
    pub const BIND_KEY: &'static str = "bind-key";
    /// How the two radios talk.
    pub const WAVEFORM: &'static str = "waveform";
    /// Regulatory region.
    pub const REGION: &'static str = "region";
    /// The owner's own Wi-Fi.
    pub const LOCAL_NETWORK: &'static str = "local-network";
    /// The passphrase of the owner's own Wi-Fi.
    pub const LOCAL_PASSPHRASE: &'static str = "local-passphrase";
    /// Transmit power: set by local rules, never raised by this program.
    pub const POWER: &'static str = "power";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_kebab_case_and_nothing_else() {
        for good in ["name", "model-lock", "a1-b2"] {
            assert!(good.parse::<SettingName>().is_ok(), "{good}");
        }
        for bad in [
            "",
            "Model",
            "-a",
            "a-",
            "a--b",
            "1a",
            "a_b",
            "a b",
            &"a".repeat(41),
        ] {
            assert!(bad.parse::<SettingName>().is_err(), "{bad}");
        }
    }
}
