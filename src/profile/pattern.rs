//! One raw thing ↔ the text of the hole of one pattern.
//!
//! The hole is always text: of a JSON number its plain digits, of a JSON array the array itself as
//! compact JSON. A raw thing of another type never fits: a JSON text `"7"` is no JSON number, and a
//! text control is no select, since a page that changed its controls is another page.

use rust_decimal::prelude::ToPrimitive;
use serde_json::Value as Json;

use super::model::Pattern;
use super::wire::{decimal_json, json_decimal, plain_decimal};
use crate::terms::Raw;

impl Pattern {
    /// The text of the hole where this pattern fits what stands there, empty where it fits without
    /// having a hole; none: it does not fit.
    pub fn fits(&self, raw: &Raw) -> Option<String> {
        match (self, raw) {
            (Pattern::Text(template), Raw::Text(text))
            | (Pattern::Choice(template), Raw::Choice(Some(text)))
            | (Pattern::JsonText(template), Raw::Json(Json::String(text))) => {
                template.find(text).map(str::to_owned)
            }
            (Pattern::Box(wanted), Raw::Box(ticked)) => (wanted == ticked).then(String::new),
            (Pattern::JsonNumber, Raw::Json(json)) => {
                json_decimal(json).map(|number| number.to_string())
            }
            (Pattern::JsonArray, Raw::Json(json @ Json::Array(_))) => Some(json.to_string()),
            (Pattern::JsonIs(wanted), Raw::Json(json)) => same_json(wanted, json).then(String::new),
            (Pattern::Missing, Raw::Missing) => Some(String::new()),
            _ => None,
        }
    }

    /// What stands there with this text in the hole; none: nothing can be put
    /// ([`Pattern::Missing`]), or the text is not what the pattern takes.
    pub fn put(&self, hole: &str) -> Option<Raw> {
        match self {
            Pattern::Text(template) => Some(Raw::Text(template.fill(hole))),
            Pattern::Choice(template) => Some(Raw::Choice(Some(template.fill(hole)))),
            Pattern::Box(ticked) => Some(Raw::Box(*ticked)),
            Pattern::JsonNumber => decimal_json(plain_decimal(hole)?).map(Raw::Json),
            Pattern::JsonText(template) => Some(Raw::Json(Json::String(template.fill(hole)))),
            Pattern::JsonArray => serde_json::from_str::<Vec<Json>>(hole)
                .ok()
                .map(|items| Raw::Json(Json::Array(items))),
            Pattern::JsonIs(json) => Some(Raw::Json(json.clone())),
            Pattern::Missing => None,
        }
    }

    /// Whether it has a hole.
    pub fn has_hole(&self) -> bool {
        match self {
            Pattern::Text(template) | Pattern::Choice(template) | Pattern::JsonText(template) => {
                template.has_hole()
            }
            Pattern::JsonNumber | Pattern::JsonArray => true,
            Pattern::Box(_) | Pattern::JsonIs(_) | Pattern::Missing => false,
        }
    }
}

/// Equal as JSON, numbers by their value: `1` and `1.0` are one.
fn same_json(a: &Json, b: &Json) -> bool {
    match (a, b) {
        (Json::Number(_), Json::Number(_)) => match (json_decimal(a), json_decimal(b)) {
            (Some(a), Some(b)) => a == b,
            _ => a == b,
        },
        _ => a == b,
    }
}

/// The number that a raw thing is, such as seconds since start: text of plain digits or a JSON
/// number, as far as a double holds it.
pub fn raw_number(raw: &Raw) -> Option<f64> {
    match raw {
        Raw::Text(text) => plain_decimal(text)?.to_f64(),
        Raw::Json(json) => json_decimal(json)?.to_f64(),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::testing::{choice, chosen, text};
    use super::*;

    #[test]
    fn a_mark_that_tells_a_restart_is_read_as_a_number() {
        assert_eq!(raw_number(&Raw::Text("83".into())), Some(83.0));
        assert_eq!(raw_number(&Raw::Json(json!(83.4))), Some(83.4));
        assert_eq!(raw_number(&Raw::Text("83 s".into())), None);
        assert_eq!(raw_number(&Raw::Missing), None);
    }

    #[test]
    fn a_pattern_fits_only_raw_things_of_its_own_type() {
        let raws = [
            Raw::Missing,
            Raw::Text("7".into()),
            Raw::Box(true),
            chosen("7"),
            Raw::Many(vec!["7".into()]),
            Raw::Json(json!(7)),
            Raw::Json(json!("7")),
            Raw::Json(json!([7])),
        ];
        let patterns = [
            (Pattern::Missing, 0),
            (text("{}"), 1),
            (Pattern::Box(true), 2),
            (choice("{}"), 3),
            (Pattern::JsonNumber, 5),
            (Pattern::JsonIs(json!("7")), 6),
            (Pattern::JsonArray, 7),
        ];
        for (pattern, own) in patterns {
            for (index, raw) in raws.iter().enumerate() {
                assert_eq!(
                    pattern.fits(raw).is_some(),
                    index == own,
                    "{pattern:?} {index}"
                );
            }
        }
    }

    #[test]
    fn what_is_put_fits_with_the_same_hole() {
        let holes = [
            (text("slot {} (held)"), "7"),
            (choice("s{}"), ""),
            (Pattern::JsonNumber, "-7.5"),
            (Pattern::JsonArray, "[1,\"a\",null]"),
            (Pattern::Box(false), ""),
            (Pattern::JsonIs(Json::Null), ""),
        ];
        for (pattern, hole) in holes {
            let raw = pattern.put(hole).expect("it can be put");
            assert_eq!(pattern.fits(&raw).as_deref(), Some(hole), "{pattern:?}");
        }
        assert_eq!(Pattern::Missing.put(""), None);
        assert_eq!(Pattern::JsonNumber.put("seven"), None);
        assert_eq!(Pattern::JsonArray.put("7"), None);
    }

    #[test]
    fn json_numbers_are_equal_by_value() {
        let seven = Pattern::JsonIs(json!(7));
        assert!(seven.fits(&Raw::Json(json!(7.0))).is_some());
        assert!(seven.fits(&Raw::Json(json!(7.5))).is_none());
        let large = Pattern::JsonNumber.fits(&Raw::Json(json!(1e21)));
        assert_eq!(large.as_deref(), Some("1000000000000000000000"));
    }
}
