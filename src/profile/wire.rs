//! The text in a hole ↔ a value: how one kind is spelled on the wire.
//!
//! Both ways are exact or fail: a number that does not come out even, bytes with another
//! separator or a word that the family does not have are no value, so that nothing is guessed
//! from a page that means something else. Ranges are not looked at here; that is
//! [`Kind::admit`]'s.

use rust_decimal::Decimal;
use semver::Version;
use serde_json::Value as Json;

use super::model::Wire;
use crate::terms::{Kind, Value, untrusted::is_too_long};

impl Default for Wire {
    fn default() -> Self {
        Self {
            times: Decimal::ONE,
            add: Decimal::ZERO,
            separator: String::new(),
            upper: false,
        }
    }
}

impl Wire {
    /// The value that a hole's text means; none: it means none of this kind.
    pub fn decode(&self, kind: &Kind, hole: &str) -> Option<Value> {
        match kind {
            // What is kept of it would be another value.
            Kind::Text { .. } | Kind::Version if is_too_long(hole) => None,
            Kind::Flag => hole.parse().ok().map(Value::Flag),
            Kind::Number(_) | Kind::NumberOrOff(_) => {
                self.number_from(plain_decimal(hole)?).map(Value::Number)
            }
            Kind::Text { .. } => Some(Value::Text(hole.into())),
            Kind::Choice(options) => options
                .iter()
                .find(|option| option.wire == hole)
                .map(|option| Value::Choice(option.value.clone())),
            Kind::Bytes { .. } => self.bytes_from(hole).map(Value::Bytes),
            Kind::Version => Version::parse(hole).ok().map(Value::Version),
            Kind::List { .. } if hole.is_empty() => Some(Value::List(Vec::new())),
            Kind::List { .. } if self.separator.is_empty() => None,
            Kind::List { of, .. } => hole
                .split(self.separator.as_str())
                .map(|item| self.decode(of, item))
                .collect::<Option<_>>()
                .map(Value::List),
        }
    }

    /// The hole's text for a value; none: this value cannot be spelled in a hole.
    pub fn encode(&self, kind: &Kind, value: &Value) -> Option<String> {
        match (kind, value) {
            (Kind::Flag, Value::Flag(on)) => Some(on.to_string()),
            (Kind::Number(_) | Kind::NumberOrOff(_), Value::Number(number)) => {
                Some(self.number_to(*number)?.normalize().to_string())
            }
            (Kind::Text { .. }, Value::Text(text)) => Some(text.raw().to_owned()),
            (Kind::Choice(options), Value::Choice(word)) => options
                .iter()
                .find(|option| option.value == *word)
                .map(|option| option.wire.clone()),
            (Kind::Bytes { .. }, Value::Bytes(bytes)) => Some(self.bytes_to(bytes)),
            (Kind::Version, Value::Version(version)) => Some(version.to_string()),
            (Kind::List { of, .. }, Value::List(items)) => {
                let spelled: Vec<String> = items
                    .iter()
                    .map(|item| self.encode(of, item))
                    .collect::<Option<_>>()?;
                let apart = |item: &String| {
                    !item.is_empty()
                        && !self.separator.is_empty()
                        && !item.contains(&self.separator)
                };
                (spelled.iter().all(apart)).then(|| spelled.join(&self.separator))
            }
            _ => None,
        }
    }

    /// The value that a JSON array means: the items of a list, or bytes as numbers.
    pub fn decode_array(&self, kind: &Kind, items: &[Json]) -> Option<Value> {
        match kind {
            Kind::Bytes { .. } => items
                .iter()
                .map(|item| {
                    json_decimal(item)
                        .filter(Decimal::is_integer)?
                        .try_into()
                        .ok()
                })
                .collect::<Option<_>>()
                .map(Value::Bytes),
            Kind::List { of, .. } => items
                .iter()
                .map(|item| match (&**of, item) {
                    (Kind::Flag, Json::Bool(on)) => Some(Value::Flag(*on)),
                    (Kind::Number(_), Json::Number(_)) => {
                        self.number_from(json_decimal(item)?).map(Value::Number)
                    }
                    (Kind::Flag | Kind::Number(_), _) => None,
                    (of, Json::String(text)) => self.decode(of, text),
                    _ => None,
                })
                .collect::<Option<_>>()
                .map(Value::List),
            _ => None,
        }
    }

    /// The JSON array for a value; none: this value is no array.
    pub fn encode_array(&self, kind: &Kind, value: &Value) -> Option<Json> {
        match (kind, value) {
            (Kind::Bytes { .. }, Value::Bytes(bytes)) => {
                Some(bytes.iter().copied().map(Json::from).collect())
            }
            (Kind::List { of, .. }, Value::List(items)) => items
                .iter()
                .map(|item| match (&**of, item) {
                    (Kind::Flag, Value::Flag(on)) => Some(Json::Bool(*on)),
                    (Kind::Number(_), Value::Number(number)) => {
                        decimal_json(self.number_to(*number)?)
                    }
                    (of, item) => self.encode(of, item).map(Json::String),
                })
                .collect(),
            _ => None,
        }
    }

    /// Wire number = value × times + add, undone; none where it does not come out even. A
    /// quotient that does not end fills the 28 digits of a decimal, and multiplying it back would
    /// round to the wire number again, so long fractions are refused.
    fn number_from(&self, wire: Decimal) -> Option<Decimal> {
        let value = wire
            .checked_sub(self.add)?
            .checked_div(self.times)?
            .normalize();
        let ends = value.scale() <= MOST_DECIMALS;
        (ends && self.number_to(value)? == wire).then_some(value)
    }

    fn number_to(&self, value: Decimal) -> Option<Decimal> {
        value.checked_mul(self.times)?.checked_add(self.add)
    }

    /// Either case is read, since pages show and take them alike; the separator must stand
    /// between all bytes.
    fn bytes_from(&self, hole: &str) -> Option<Vec<u8>> {
        if hole.is_empty() {
            return Some(Vec::new());
        }
        if self.separator.is_empty() {
            return hex::decode(hole).ok();
        }
        hole.split(self.separator.as_str())
            .map(|byte| match hex::decode(byte).ok()?.as_slice() {
                [one] => Some(*one),
                _ => None,
            })
            .collect()
    }

    fn bytes_to(&self, bytes: &[u8]) -> String {
        let spell = |byte: &u8| {
            if self.upper {
                format!("{byte:02X}")
            } else {
                format!("{byte:02x}")
            }
        };
        let spelled: Vec<String> = bytes.iter().map(spell).collect();
        spelled.join(&self.separator)
    }
}

/// Reads digits with at most one point and a sign, such as `007.50`; white space, exponents,
/// grouping and a plus sign are refused, since a page that shows them means something else or
/// is not the page that the profile describes.
pub(super) fn plain_decimal(text: &str) -> Option<Decimal> {
    let unsigned = text.strip_prefix('-').unwrap_or(text);
    let (whole, part) = match unsigned.split_once('.') {
        Some((whole, part)) if !part.is_empty() => (whole, part),
        Some(_) => return None,
        None if unsigned.is_empty() => return None,
        None => (unsigned, ""),
    };
    if !whole
        .bytes()
        .chain(part.bytes())
        .all(|byte| byte.is_ascii_digit())
    {
        return None;
    }
    Decimal::from_str_exact(text).ok().map(|d| d.normalize())
}

/// The number of a JSON number, by its shortest spelling.
pub(super) fn json_decimal(json: &Json) -> Option<Decimal> {
    let spelled = json.as_number()?.to_string();
    Decimal::from_str_exact(&spelled)
        .or_else(|_| Decimal::from_scientific(&spelled))
        .ok()
        .map(|d| d.normalize())
}

/// The JSON number of a decimal, a whole one without a point; none where a double cannot hold it.
pub(super) fn decimal_json(number: Decimal) -> Option<Json> {
    let plain = number.normalize().to_string();
    if let Ok(whole) = plain.parse::<i64>() {
        return Some(Json::from(whole));
    }
    let json = Json::from(plain.parse::<f64>().ok()?);
    (json_decimal(&json)? == number).then_some(json)
}

/// Most decimals of a value that was divided: half of what a decimal holds, and far more than any
/// setting has.
const MOST_DECIMALS: u32 = 14;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::{ChoiceOption, NumberRange};

    fn number() -> Kind {
        Kind::Number(NumberRange {
            from: 0.into(),
            to: 100.into(),
            step: Decimal::ZERO,
            unit: None,
        })
    }

    fn decimal(text: &str) -> Decimal {
        text.parse().expect("a decimal")
    }

    #[test]
    fn a_number_is_read_to_its_value_and_not_to_its_spelling() {
        let wire = Wire::default();
        let read = |hole| wire.decode(&number(), hole);
        assert_eq!(read("007.50"), Some(Value::Number(decimal("7.5"))));
        assert_eq!(read("-3"), Some(Value::Number((-3).into())));
        assert_eq!(read(".5"), Some(Value::Number(decimal("0.5"))));
        for bad in [
            "", " 7", "7 ", "7\n", "+7", "1_000", "1e3", "0x7", "7.", ".", "-", "٧", "1,5",
        ] {
            assert_eq!(read(bad), None, "{bad:?}");
        }
        let written = wire.encode(&number(), &Value::Number(decimal("7.50")));
        assert_eq!(written.as_deref(), Some("7.5"));
    }

    #[test]
    fn a_number_is_scaled_and_shifted_both_ways() {
        let wire = Wire {
            times: 2.into(),
            add: (-1).into(),
            ..Wire::default()
        };
        let seven = Value::Number(7.into());
        assert_eq!(wire.encode(&number(), &seven).as_deref(), Some("13"));
        assert_eq!(wire.decode(&number(), "13"), Some(seven));
        let thirds = Wire {
            times: 3.into(),
            ..Wire::default()
        };
        assert_eq!(
            thirds.decode(&number(), "10"),
            None,
            "does not come out even"
        );
    }

    #[test]
    fn bytes_keep_their_separator_and_case() {
        let kind = Kind::Bytes { from: 0, to: 6 };
        let wire = Wire {
            separator: ":".into(),
            upper: true,
            ..Wire::default()
        };
        let key = Value::Bytes(vec![0x4a, 0x1f, 0]);
        assert_eq!(wire.encode(&kind, &key).as_deref(), Some("4A:1F:00"));
        assert_eq!(wire.decode(&kind, "4a:1F:00"), Some(key.clone()));
        assert_eq!(wire.decode(&kind, "4A1F00"), None);
        assert_eq!(wire.decode(&kind, "4A:1F:"), None);
        assert_eq!(wire.decode(&kind, "4:1F:00"), None);
        assert_eq!(Wire::default().decode(&kind, "4a1f00"), Some(key));
        assert_eq!(Wire::default().decode(&kind, "4a1f0"), None);
    }

    #[test]
    fn a_choice_is_told_by_its_wire_word_alone() {
        let kind = Kind::Choice(vec![ChoiceOption {
            value: "calm".into(),
            wire: "w0".into(),
            label: None,
        }]);
        let calm = Value::Choice("calm".into());
        assert_eq!(Wire::default().decode(&kind, "w0"), Some(calm.clone()));
        assert_eq!(Wire::default().decode(&kind, "calm"), None);
        assert_eq!(Wire::default().encode(&kind, &calm).as_deref(), Some("w0"));
    }

    #[test]
    fn a_version_is_semver_without_a_leading_v() {
        let read = |hole| Wire::default().decode(&Kind::Version, hole);
        assert_eq!(read("2.4.1"), Some(Value::Version(Version::new(2, 4, 1))));
        // SemVer 2.0.0 sections 2 and 9: no leading zeros, three numbers.
        for bad in ["v2.4.1", "2.4", "2.04.1", "2.4.1 "] {
            assert_eq!(read(bad), None, "{bad:?}");
        }
    }

    #[test]
    fn a_list_is_split_at_its_separator_or_stands_in_an_array() {
        let kind = Kind::List {
            of: Box::new(number()),
            from: 0,
            to: 8,
        };
        let wire = Wire {
            separator: ",".into(),
            ..Wire::default()
        };
        let list = Value::List(vec![Value::Number(3.into()), Value::Number(1.into())]);
        assert_eq!(wire.encode(&kind, &list).as_deref(), Some("3,1"));
        assert_eq!(wire.decode(&kind, "3,1"), Some(list.clone()));
        assert_eq!(wire.decode(&kind, "3, 1"), None, "white space is refused");
        assert_eq!(
            wire.encode_array(&kind, &list),
            Some(serde_json::json!([3, 1]))
        );
        assert_eq!(
            wire.decode_array(&kind, &[3.into(), Json::from(1.0)]),
            Some(list)
        );
        assert_eq!(wire.decode_array(&kind, &["3".into()]), None);
    }

    #[test]
    fn a_list_of_texts_that_hold_the_separator_is_not_written() {
        let kind = Kind::List {
            of: Box::new(Kind::Text { from: 0, to: 9 }),
            from: 0,
            to: 8,
        };
        let wire = Wire {
            separator: ",".into(),
            ..Wire::default()
        };
        let list = Value::List(vec![Value::Text("a,b".into())]);
        assert_eq!(wire.encode(&kind, &list), None);
        assert_eq!(
            wire.encode_array(&kind, &list),
            Some(serde_json::json!(["a,b"]))
        );
    }

    #[test]
    fn a_text_that_would_not_be_kept_whole_means_nothing() {
        let kind = Kind::Text { from: 0, to: 4096 };
        let read = |length: usize| Wire::default().decode(&kind, &"a".repeat(length));
        assert!(read(4096).is_some());
        assert_eq!(read(4097), None);
        let version = format!("1.0.0+{}", "a".repeat(4096));
        assert_eq!(Wire::default().decode(&Kind::Version, &version), None);
    }

    #[test]
    fn bytes_of_an_array_lie_between_0_and_255() {
        let kind = Kind::Bytes { from: 0, to: 6 };
        let read = |items: &[Json]| Wire::default().decode_array(&kind, items);
        assert_eq!(
            read(&[0.into(), 255.into()]),
            Some(Value::Bytes(vec![0, 255]))
        );
        assert_eq!(read(&[256.into()]), None);
        assert_eq!(read(&[(-1).into()]), None);
        assert_eq!(read(&[Json::from(1.5)]), None);
    }
}
