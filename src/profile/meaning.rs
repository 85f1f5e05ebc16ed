//! Raw things ↔ the value of a setting: pure, and the same rules both ways.
//!
//! * [`Setting::read`]: what stands at the places → [`Reading`].
//! * [`Setting::write`]: a value → what is to stand at which place ([`Overlay`]), or why not.
//! * [`Setting::own_places`]: every place that belongs to the setting, read or written.
//! * [`Pattern::fits`] and [`Pattern::put`] (in `pattern.rs`): one raw thing ↔ the hole's text.
//!
//! The hole is always text. For a JSON number it is the number in plain digits (`7.5`), for a
//! JSON array the array itself as compact JSON. What the text means is
//! [`Wire::decode`](super::model::Wire::decode)'s to say.
//!
//! It guards against three things: a raw thing that fits no row is never guessed at, but
//! [`Reading::Unread`]; a secret's text stands in no message; and a blank is never written where
//! a blank means "keep what you have".
//!
//! What a setting `needs` of the firmware is asked with [`Setting::is_in`]; `read` and `write` do
//! not look at it.

use std::collections::{BTreeMap, BTreeSet};

use semver::Version;
use serde_json::Value as Json;

use super::model::{Means, Pattern, Row, Setting};
use crate::terms::{Overlay, PlaceName, Raw, Reading, SettingName, Untrusted, Value};

/// Why a value cannot be written. No message holds the text of a secret.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WriteError {
    /// The family shows this setting and does not take it.
    #[error("`{setting}` can be read, not written")]
    ReadOnly {
        /// Which.
        setting: SettingName,
    },
    /// Of another kind, or out of range.
    #[error("{given} is no value of `{setting}`: it takes {expected}")]
    NoValue {
        /// Which.
        setting: SettingName,
        /// What was given, escaped, in backticks; of a secret no letter.
        given: String,
        /// The range in words.
        expected: String,
    },
    /// In range, but the family has no way to be told it.
    #[error("`{setting}` cannot be set to {given} on this family")]
    NoWay {
        /// Which.
        setting: SettingName,
        /// What was given, escaped, in backticks; of a secret no letter.
        given: String,
    },
    /// It would be sent blank, and blank keeps what the device has.
    #[error(
        "`{setting}` cannot be set to nothing: this family keeps what it has when it is sent a blank"
    )]
    BlankKeeps {
        /// Which.
        setting: SettingName,
    },
}

impl Setting {
    /// What the raw things at the places mean. A place that is not in the map counts as missing.
    ///
    /// The first row all of whose parts fit and whose hole is a value in range counts. Where none
    /// does: an optional setting none of whose places is there is [`Value::Absent`]; any other is
    /// unread, with what stood there, escaped and cut (for a secret without its text).
    ///
    /// Of a setting that the device never shows (`blank_keeps`) only a row that means one constant
    /// is known, such as "none"; everything else is write-only.
    pub fn read(&self, places: &BTreeMap<PlaceName, Raw>) -> Reading {
        match self.rows.iter().find_map(|row| self.read_row(row, places)) {
            Some(value) => Reading::Known(value),
            None if self.blank_keeps => Reading::WriteOnly,
            None => self.unread(places),
        }
    }

    /// What is to stand at which place for the setting to have this value: the puts of the first
    /// row that means it and can be put. Every other place is left as it is.
    ///
    /// # Errors
    /// When the setting is only read, the value is out of range, or no row says how to write it.
    pub fn write(&self, value: &Value) -> Result<Overlay, WriteError> {
        let setting = || self.name.clone();
        if self.saves.is_empty() {
            return Err(WriteError::ReadOnly { setting: setting() });
        }
        self.kind
            .admit(value.clone())
            .map_err(|_| WriteError::NoValue {
                setting: setting(),
                given: self.shown(value),
                expected: self.kind.to_string(),
            })?;
        let overlay = self
            .rows
            .iter()
            .find_map(|row| self.write_row(row, value))
            .ok_or_else(|| WriteError::NoWay {
                setting: setting(),
                given: self.shown(value),
            })?;
        let blank = |raw: &Raw| matches!(raw, Raw::Text(text) if text.is_empty());
        if self.blank_keeps && overlay.values().any(blank) {
            return Err(WriteError::BlankKeeps { setting: setting() });
        }
        Ok(overlay)
    }

    /// All places that its rows read or write.
    pub fn own_places(&self) -> BTreeSet<&PlaceName> {
        self.rows
            .iter()
            .flat_map(|row| row.parts.iter().chain(&row.puts))
            .map(|(place, _)| place)
            .collect()
    }

    /// Whether a device with this firmware has the setting. A pre-release counts as the version
    /// it leads to, unlike in [`semver::VersionReq::matches`], since devices in the field run
    /// such builds. Unknown firmware: assumed to have it.
    pub fn is_in(&self, firmware: Option<&Version>) -> bool {
        match (&self.needs, firmware) {
            (Some(needs), Some(firmware)) => {
                let release = Version::new(firmware.major, firmware.minor, firmware.patch);
                needs.matches(firmware) || needs.matches(&release)
            }
            _ => true,
        }
    }

    /// What a row gives for these places; none: it does not fit.
    pub(super) fn read_row(&self, row: &Row, places: &BTreeMap<PlaceName, Raw>) -> Option<Value> {
        self.mean(&row.means, &row.parts, places)
    }

    /// What patterns at places give under a meaning; none: one does not fit, or what is in the
    /// hole is no value of this setting.
    pub(super) fn mean(
        &self,
        means: &Means,
        patterns: &[(PlaceName, Pattern)],
        places: &BTreeMap<PlaceName, Raw>,
    ) -> Option<Value> {
        let mut value = None;
        for (place, pattern) in patterns {
            let hole = pattern.fits(places.get(place).unwrap_or(&Raw::Missing))?;
            if pattern.has_hole() {
                value = self.value_of(pattern, &hole);
            }
        }
        match means {
            Means::Is(constant) => Some(constant.clone()),
            Means::Value => self.kind.admit(value?).ok(),
        }
    }

    /// What a row puts where for a value; none: it does not mean the value or cannot be put.
    pub(super) fn write_row(&self, row: &Row, value: &Value) -> Option<Overlay> {
        if row.puts.is_empty() {
            return None;
        }
        self.fill(&row.means, &row.puts, value)
    }

    /// What patterns become for a value.
    pub(super) fn fill(
        &self,
        means: &Means,
        patterns: &[(PlaceName, Pattern)],
        value: &Value,
    ) -> Option<Overlay> {
        let means_it = match means {
            Means::Is(constant) => constant == value,
            Means::Value => !matches!(value, Value::Absent | Value::Off),
        };
        if !means_it {
            return None;
        }
        patterns
            .iter()
            .map(|(place, pattern)| {
                let hole = if pattern.has_hole() {
                    self.hole_of(pattern, value)?
                } else {
                    String::new()
                };
                Some((place.clone(), pattern.put(&hole)?))
            })
            .collect()
    }

    fn value_of(&self, pattern: &Pattern, hole: &str) -> Option<Value> {
        if matches!(pattern, Pattern::JsonArray) {
            let items: Vec<Json> = serde_json::from_str(hole).ok()?;
            return self.wire.decode_array(&self.kind, &items);
        }
        self.wire.decode(&self.kind, hole)
    }

    fn hole_of(&self, pattern: &Pattern, value: &Value) -> Option<String> {
        if matches!(pattern, Pattern::JsonArray) {
            return Some(self.wire.encode_array(&self.kind, value)?.to_string());
        }
        self.wire.encode(&self.kind, value)
    }

    fn unread(&self, places: &BTreeMap<PlaceName, Raw>) -> Reading {
        let read: BTreeSet<&PlaceName> = self
            .rows
            .iter()
            .flat_map(|row| row.parts.iter().map(|(place, _)| place))
            .collect();
        let raw = |place: &PlaceName| places.get(place).unwrap_or(&Raw::Missing);
        if read.iter().all(|place| *raw(place) == Raw::Missing) {
            return if self.optional {
                Reading::Known(Value::Absent)
            } else {
                Reading::Unread("not on the page".to_owned())
            };
        }
        let stood: Vec<String> = read
            .iter()
            .map(|place| format!("`{place}` {}", self.stood(raw(place))))
            .collect();
        Reading::Unread(format!("not understood: {}", stood.join(", ")))
    }

    /// What stood somewhere, in words; of a secret only whether anything did.
    fn stood(&self, raw: &Raw) -> String {
        let said = match raw {
            Raw::Missing => return "is not on the page".to_owned(),
            _ if self.secret => return "is hidden".to_owned(),
            Raw::Text(text) | Raw::Choice(Some(text)) => text.clone(),
            Raw::Box(true) => return "is ticked".to_owned(),
            Raw::Box(false) => return "is not ticked".to_owned(),
            Raw::Choice(None) => return "has nothing chosen".to_owned(),
            Raw::Many(texts) => texts.join(", "),
            Raw::Json(json) => return format!("is {}", Untrusted::new(json.to_string())),
        };
        format!("is \"{}\"", Untrusted::new(said))
    }

    fn shown(&self, value: &Value) -> String {
        match value {
            Value::Absent => "none".to_owned(),
            _ if self.secret => "what was given".to_owned(),
            _ => format!("`{value}`"),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value as Json, json};

    use super::super::testing::{at, choice, chosen, number, place, row, setting, slots, text};
    use super::*;
    use crate::terms::{ChoiceOption, Kind};

    /// The lock as a choice of any or only, with a number one less than the slot.
    fn choice_and_number() -> Setting {
        let mut lock = setting(
            slots(),
            vec![
                row(Means::Is(Value::Off), &[("follows", choice("any"))]),
                row(
                    Means::Value,
                    &[("follows", choice("only")), ("slot", text("{}"))],
                ),
            ],
        );
        lock.wire.add = (-1).into();
        lock
    }

    #[test]
    fn a_lock_of_a_choice_and_a_number_is_read_and_written() {
        let lock = choice_and_number();
        let off = at(&[("follows", chosen("any")), ("slot", Raw::Text("6".into()))]);
        let seven = at(&[("follows", chosen("only")), ("slot", Raw::Text("6".into()))]);
        assert_eq!(lock.read(&off), Reading::Known(Value::Off));
        assert_eq!(lock.read(&seven), Reading::Known(number(7)));
        assert_eq!(lock.write(&number(7)), Ok(seven));
        let any = at(&[("follows", chosen("any"))]);
        assert_eq!(
            lock.write(&Value::Off),
            Ok(any),
            "the number stays as it is"
        );
        let names: Vec<&str> = lock
            .own_places()
            .into_iter()
            .map(PlaceName::as_str)
            .collect();
        assert_eq!(names, ["follows", "slot"]);
    }

    #[test]
    fn a_lock_of_a_box_and_a_number_is_read_and_written() {
        let lock = setting(
            slots(),
            vec![
                row(Means::Is(Value::Off), &[("tied", Pattern::Box(false))]),
                row(
                    Means::Value,
                    &[("tied", Pattern::Box(true)), ("slot", text("{}"))],
                ),
            ],
        );
        let seven = at(&[("tied", Raw::Box(true)), ("slot", Raw::Text("07".into()))]);
        assert_eq!(lock.read(&seven), Reading::Known(number(7)));
        let off = at(&[("tied", Raw::Box(false))]);
        assert_eq!(lock.read(&off), Reading::Known(Value::Off));
        assert_eq!(lock.write(&Value::Off), Ok(off));
    }

    #[test]
    fn a_number_where_one_word_means_off_is_read_and_written() {
        let lock = setting(
            slots(),
            vec![
                row(Means::Is(Value::Off), &[("held", text("nobody"))]),
                row(Means::Value, &[("held", text("slot {} (held)"))]),
            ],
        );
        let held = at(&[("held", Raw::Text("slot 7 (held)".into()))]);
        assert_eq!(lock.read(&held), Reading::Known(number(7)));
        assert_eq!(lock.write(&number(7)), Ok(held));
        let nobody = at(&[("held", Raw::Text("nobody".into()))]);
        assert_eq!(lock.read(&nobody), Reading::Known(Value::Off));
    }

    #[test]
    fn a_null_means_off_and_a_json_number_the_slot() {
        let lock = setting(
            slots(),
            vec![
                row(
                    Means::Is(Value::Off),
                    &[("held", Pattern::JsonIs(Json::Null))],
                ),
                row(Means::Value, &[("held", Pattern::JsonNumber)]),
            ],
        );
        let read = |json: Json| lock.read(&at(&[("held", Raw::Json(json))]));
        assert_eq!(read(Json::Null), Reading::Known(Value::Off));
        assert_eq!(read(json!(7)), Reading::Known(number(7)));
        assert_eq!(read(json!(7.0)), Reading::Known(number(7)));
        assert!(
            matches!(read(json!("7")), Reading::Unread(_)),
            "text is no number"
        );
        assert!(matches!(read(json!(0)), Reading::Unread(_)), "out of range");
        let written = lock.write(&number(7)).expect("a slot");
        assert_eq!(written["held"], Raw::Json(json!(7)), "no point");
    }

    #[test]
    fn json_arrays_are_bytes_or_lists() {
        let mut key = setting(
            Kind::Bytes { from: 3, to: 3 },
            vec![
                row(
                    Means::Is(Value::Absent),
                    &[("kin", Pattern::JsonIs(Json::Null))],
                ),
                row(Means::Value, &[("kin", Pattern::JsonArray)]),
            ],
        );
        key.secret = true;
        let kin = at(&[("kin", Raw::Json(json!([74, 31, 0])))]);
        let value = Value::Bytes(vec![74, 31, 0]);
        assert_eq!(key.read(&kin), Reading::Known(value.clone()));
        assert_eq!(key.write(&value), Ok(kin));
        let none = at(&[("kin", Raw::Json(Json::Null))]);
        assert_eq!(key.read(&none), Reading::Known(Value::Absent));
        assert_eq!(key.write(&Value::Absent), Ok(none));
    }

    #[test]
    fn what_does_not_fit_is_unread_with_what_stood_there_escaped() {
        let lock = choice_and_number();
        let odd = at(&[
            ("follows", chosen("b\u{1b}th")),
            ("slot", Raw::Text("6".into())),
        ]);
        assert_eq!(
            lock.read(&odd),
            Reading::Unread("not understood: `follows` is \"b\\u{1b}th\", `slot` is \"6\"".into())
        );
        let half = at(&[("follows", chosen("only"))]);
        assert_eq!(
            lock.read(&half),
            Reading::Unread(
                "not understood: `follows` is \"only\", `slot` is not on the page".into()
            )
        );
    }

    #[test]
    fn the_text_of_a_secret_stands_in_no_message() {
        let mut key = setting(
            Kind::Bytes { from: 6, to: 6 },
            vec![row(Means::Value, &[("kin", text("{}"))])],
        );
        key.secret = true;
        let word = || "reedwarbler".to_owned();
        for stands in [
            Raw::Text(word()),
            Raw::Choice(Some(word())),
            Raw::Many(vec![word()]),
            Raw::Json(json!([word()])),
            Raw::Box(true),
        ] {
            assert_eq!(
                key.read(&at(&[("kin", stands)])),
                Reading::Unread("not understood: `kin` is hidden".into())
            );
        }
        let short = key.write(&Value::Bytes(vec![0xab])).expect_err("too short");
        assert_eq!(
            short.to_string(),
            "what was given is no value of `model-lock`: it takes 6 bytes in hexadecimal"
        );
        let none = key.write(&Value::Absent).expect_err("no row means absent");
        assert_eq!(
            none.to_string(),
            "`model-lock` cannot be set to none on this family"
        );
    }

    #[test]
    fn a_missing_place_is_unread_unless_the_setting_is_optional() {
        let mut lock = choice_and_number();
        assert_eq!(
            lock.read(&BTreeMap::new()),
            Reading::Unread("not on the page".into())
        );
        lock.optional = true;
        assert_eq!(lock.read(&BTreeMap::new()), Reading::Known(Value::Absent));
        assert!(
            matches!(
                lock.read(&at(&[("slot", Raw::Text("6".into()))])),
                Reading::Unread(_)
            ),
            "half of it is there, so it is not absent"
        );
        let row = row(Means::Is(Value::Off), &[("held", Pattern::Missing)]);
        let lock = setting(slots(), vec![row]);
        assert_eq!(lock.read(&BTreeMap::new()), Reading::Known(Value::Off));
        assert!(lock.write(&Value::Off).is_err(), "nothing can be put there");
    }

    #[test]
    fn a_write_only_setting_tells_a_constant_and_is_never_sent_blank() {
        let mut key = setting(
            Kind::Text { from: 0, to: 8 },
            vec![
                Row {
                    means: Means::Is(Value::Absent),
                    parts: vec![(place("tie"), text("none"))],
                    puts: vec![],
                },
                row(Means::Value, &[("kin", text("{}"))]),
            ],
        );
        key.blank_keeps = true;
        key.rows[1].parts = vec![(place("tie"), text("kept"))];
        let told = |word: &str| at(&[("tie", Raw::Text(word.into()))]);
        assert_eq!(key.read(&told("none")), Reading::Known(Value::Absent));
        assert_eq!(key.read(&told("kept")), Reading::WriteOnly);
        assert_eq!(key.read(&BTreeMap::new()), Reading::WriteOnly);
        assert!(matches!(
            key.write(&Value::Absent),
            Err(WriteError::NoWay { .. })
        ));
        assert!(matches!(
            key.write(&Value::Text("".into())),
            Err(WriteError::BlankKeeps { .. })
        ));
        let written = at(&[("kin", Raw::Text("heron".into()))]);
        assert_eq!(key.write(&Value::Text("heron".into())), Ok(written));
    }

    #[test]
    fn a_setting_without_a_save_is_not_written() {
        let mut lock = choice_and_number();
        lock.saves.clear();
        assert!(matches!(
            lock.write(&Value::Off),
            Err(WriteError::ReadOnly { .. })
        ));
    }

    #[test]
    fn needs_counts_a_pre_release_as_the_version_it_leads_to() {
        let mut wait = choice_and_number();
        wait.needs = Some(">=1.8.0".parse().expect("a requirement"));
        let is_in = |version: &str| wait.is_in(Some(&version.parse().expect("a version")));
        assert!(is_in("1.8.0"));
        assert!(is_in("1.9.0-rc.1"));
        assert!(!is_in("1.7.9"));
        assert!(wait.is_in(None));
    }

    #[test]
    fn the_first_row_that_fits_counts() {
        let options = ["calm", "gale"].map(|word| ChoiceOption {
            value: word.into(),
            wire: word.into(),
            label: None,
        });
        let waveform = setting(
            Kind::Choice(options.to_vec()),
            vec![
                row(
                    Means::Is(Value::Choice("gale".into())),
                    &[("wave", choice("calm"))],
                ),
                row(Means::Value, &[("wave", choice("{}"))]),
            ],
        );
        let calm = at(&[("wave", chosen("calm"))]);
        assert_eq!(
            waveform.read(&calm),
            Reading::Known(Value::Choice("gale".into()))
        );
        assert_eq!(waveform.write(&Value::Choice("gale".into())), Ok(calm));
    }

    #[test]
    fn a_json_flag_is_two_rows() {
        let turned = setting(
            Kind::Flag,
            vec![
                row(
                    Means::Is(Value::Flag(false)),
                    &[("turned", Pattern::JsonIs(json!(false)))],
                ),
                row(
                    Means::Is(Value::Flag(true)),
                    &[("turned", Pattern::JsonIs(json!(true)))],
                ),
            ],
        );
        for on in [true, false] {
            let raw = at(&[("turned", Raw::Json(json!(on)))]);
            assert_eq!(turned.read(&raw), Reading::Known(Value::Flag(on)));
            assert_eq!(turned.write(&Value::Flag(on)), Ok(raw));
        }
    }

    proptest! {
        #[test]
        fn reading_never_panics_and_never_leaves_the_range(hole in any::<String>()) {
            let lock = choice_and_number();
            let raws = at(&[("follows", chosen("only")), ("slot", Raw::Text(hole))]);
            if let Reading::Known(value) = lock.read(&raws) {
                prop_assert!(lock.kind.admit(value).is_ok());
            }
        }
    }
}
