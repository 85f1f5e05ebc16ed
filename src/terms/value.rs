//! The value of one setting.

use std::fmt;

use rust_decimal::Decimal;
use semver::Version;
use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

use super::Untrusted;

/// A value that a [`super::Kind`] admitted. Secret is an attribute of a setting, not of a value.
///
/// The serialised form (externally tagged) is the journal's; what a person or a script sees is
/// [`Value::to_json`].
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Value {
    /// On or off.
    Flag(bool),
    /// A number; its unit stands in the kind.
    Number(#[serde(with = "rust_decimal::serde::str")] Decimal),
    /// The `off` of a number-or-off.
    Off,
    /// Text of a stranger.
    Text(Untrusted),
    /// One of the family's list, by our word for it.
    Choice(String),
    /// Bytes, shown as lower-case hexadecimal.
    Bytes(#[serde(with = "hex")] Vec<u8>),
    /// A version by `SemVer` 2.0.0. Two that differ in build metadata alone are different values,
    /// since another build is another firmware; whether two ends fit together goes by precedence,
    /// to which build metadata says nothing (section 10), and is the system's to say.
    Version(Version),
    /// Several of one kind.
    List(Vec<Value>),
    /// There is none, and that is known.
    Absent,
}

impl Value {
    /// The value as commands print it: flag, number, string, array, or null when absent.
    pub fn to_json(&self) -> Json {
        match self {
            Value::Flag(on) => Json::Bool(*on),
            Value::Number(number) => decimal_to_json(*number),
            Value::Off => Json::from("off"),
            Value::Text(text) => Json::from(text.raw()),
            Value::Choice(word) => Json::from(word.as_str()),
            Value::Bytes(bytes) => Json::from(hex::encode(bytes)),
            Value::Version(version) => Json::from(version.to_string()),
            Value::List(items) => items.iter().map(Value::to_json).collect(),
            Value::Absent => Json::Null,
        }
    }

    /// The bytes that a fingerprint of this value is made from.
    pub fn fingerprint_bytes(&self) -> Vec<u8> {
        self.to_json().to_string().into_bytes()
    }
}

/// A whole number as such, any other as the nearest double.
fn decimal_to_json(number: Decimal) -> Json {
    let plain = number.normalize().to_string();
    plain
        .parse::<i64>()
        .map(Json::from)
        .or_else(|_| plain.parse::<f64>().map(Json::from))
        .unwrap_or(Json::String(plain))
}

/// As a person reads it, escaped; the unit and the label are the setting's to add.
impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Value::Flag(true) => f.pad("on"),
            Value::Flag(false) | Value::Off => f.pad("off"),
            Value::Number(number) => f.pad(&number.normalize().to_string()),
            Value::Text(text) => text.fmt(f),
            Value::Choice(word) => Untrusted::new(word.as_str()).fmt(f),
            Value::Bytes(bytes) => f.pad(&hex::encode(bytes)),
            Value::Version(version) => f.pad(&version.to_string()),
            Value::List(items) => {
                let shown: Vec<String> = items.iter().map(ToString::to_string).collect();
                f.pad(&shown.join(" "))
            }
            Value::Absent => f.pad("none"),
        }
    }
}

/// A value may be a secret that only its setting knows of, so the debug form names its kind alone.
impl fmt::Debug for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Value::Flag(_) => "Flag(..)",
            Value::Number(_) => "Number(..)",
            Value::Off => "Off",
            Value::Text(_) => "Text(..)",
            Value::Choice(_) => "Choice(..)",
            Value::Bytes(_) => "Bytes(..)",
            Value::Version(_) => "Version(..)",
            Value::List(_) => "List(..)",
            Value::Absent => "Absent",
        })
    }
}
