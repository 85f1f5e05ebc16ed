//! Bodies that are made from places and fixed parts, in another shape than what was read.

use encoding_rs::UTF_8;
use serde_json::{Map, Value as Json};

use super::{
    SessionError,
    page::{
        Boundary, Enctype, Entry,
        encode::{self, Encoded},
    },
};
use crate::{
    profile::{Body, Encoding, Field},
    terms::{PlaceName, Pointer, Raw},
};

/// Builds a body. Fields whose place is missing on this device are left out; `what` names the save
/// or the request in errors.
pub(super) fn make<'a>(
    what: &str,
    body: &Body,
    stands: impl Fn(&PlaceName) -> &'a Raw,
) -> Result<Encoded, SessionError> {
    let fields = body.fields.iter().map(|(key, field)| {
        let raw = match field {
            Field::Place(place) => stands(place).clone(),
            Field::Fixed(json) => Raw::Json(json.clone()),
        };
        (key, raw)
    });
    let enctype = match body.encoding {
        Encoding::Json => {
            let mut document = Json::Object(Map::new());
            for (key, raw) in fields {
                if let Some(json) = json_of(&raw) {
                    put(what, key, &mut document, json)?;
                }
            }
            return Ok(json(&document));
        }
        Encoding::Urlencoded => Enctype::Urlencoded,
        Encoding::Multipart => Enctype::Multipart,
    };
    let entries: Vec<Entry> = fields
        .flat_map(|(key, raw)| {
            let values = texts_of(&raw).into_iter();
            values.map(move |value| Entry::text(key, value))
        })
        .collect();
    Ok(encode::body(&entries, enctype, UTF_8, &Boundary::Random))
}

/// Sets a value at a pointer that a profile gives.
pub(super) fn put(
    what: &str,
    key: &str,
    document: &mut Json,
    value: Json,
) -> Result<(), SessionError> {
    key.parse::<Pointer>()
        .and_then(|pointer| pointer.set(document, value))
        .map_err(|source| SessionError::Body {
            what: what.to_owned(),
            key: key.to_owned(),
            source,
        })
}

/// A body of JSON.
pub(super) fn json(document: &Json) -> Encoded {
    Encoded {
        content_type: "application/json".to_owned(),
        bytes: document.to_string().into_bytes(),
    }
}

/// A merge patch (RFC 7396).
pub(super) fn merge_patch(patch: &Json) -> Encoded {
    Encoded {
        content_type: "application/merge-patch+json".to_owned(),
        ..json(patch)
    }
}

/// What stands at a place as JSON; none: it is missing.
pub(super) fn json_of(raw: &Raw) -> Option<Json> {
    Some(match raw {
        Raw::Missing => return None,
        Raw::Text(text) => Json::from(text.as_str()),
        Raw::Box(ticked) => Json::from(*ticked),
        Raw::Choice(chosen) => chosen.as_deref().into(),
        Raw::Many(texts) => texts.as_slice().into(),
        Raw::Json(json) => json.clone(),
    })
}

/// What stands at a place as the values of one field of a form: none for a box that is not ticked,
/// `on` for one that is, as browsers do.
fn texts_of(raw: &Raw) -> Vec<String> {
    match raw {
        Raw::Missing | Raw::Box(false) | Raw::Choice(None) => Vec::new(),
        Raw::Box(true) => vec!["on".into()],
        Raw::Text(text) | Raw::Choice(Some(text)) | Raw::Json(Json::String(text)) => {
            vec![text.clone()]
        }
        Raw::Many(texts) => texts.clone(),
        Raw::Json(Json::Null) => vec![String::new()],
        Raw::Json(other) => vec![other.to_string()],
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn place(name: &str) -> Field {
        Field::Place(name.parse().expect("a name"))
    }

    fn made(encoding: Encoding, fields: Vec<(&str, Field)>) -> Result<String, SessionError> {
        let body = Body {
            encoding,
            fields: fields.into_iter().map(|(k, f)| (k.to_owned(), f)).collect(),
        };
        let blank = Raw::Text(String::new());
        let stands = |name: &PlaceName| match name.as_str() {
            "called" => &blank,
            "kin" => &Raw::Json(Json::Null),
            "turned" => &Raw::Box(true),
            "tied" => &Raw::Box(false),
            _ => &Raw::Missing,
        };
        let made = make("radio", &body, stands)?;
        Ok(String::from_utf8(made.bytes).expect("UTF-8"))
    }

    #[test]
    fn json_is_built_by_pointers_in_their_order() {
        let text = made(
            Encoding::Json,
            vec![
                ("/title", place("called")),
                ("/tie/key", place("kin")),
                ("/turned", place("turned")),
                ("/tied", place("tied")),
                ("/gone", place("gone")),
                ("/sure", Field::Fixed(json!([1, 2.5]))),
            ],
        )
        .expect("a body");
        assert_eq!(
            text,
            r#"{"title":"","tie":{"key":null},"turned":true,"tied":false,"sure":[1,2.5]}"#
        );
    }

    #[test]
    fn a_form_is_built_as_a_browser_would() {
        let text = made(
            Encoding::Urlencoded,
            vec![
                ("called", place("called")),
                ("kin", place("kin")),
                ("turned", place("turned")),
                ("tied", place("tied")),
                ("gone", place("gone")),
                ("sure", Field::Fixed(json!("yes & no"))),
                ("n", Field::Fixed(json!(7))),
            ],
        )
        .expect("a body");
        assert_eq!(text, "called=&kin=&turned=on&sure=yes+%26+no&n=7");
    }

    #[test]
    fn a_multipart_body_is_built_by_the_same_rules() {
        let text = made(
            Encoding::Multipart,
            vec![
                ("called", place("called")),
                ("turned", place("turned")),
                ("tied", place("tied")),
                ("gone", place("gone")),
                ("sure", Field::Fixed(json!("yes & no"))),
            ],
        )
        .expect("a body");
        let (boundary, _) = text.split_once("\r\n").expect("a first line");
        let part = |name: &str, value: &str| {
            format!(
                "{boundary}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n"
            )
        };
        let parts = [("called", ""), ("turned", "on"), ("sure", "yes & no")];
        let expected = parts.map(|(name, value)| part(name, value)).concat();
        assert_eq!(text, format!("{expected}{boundary}--\r\n"));
    }

    #[test]
    fn what_cannot_be_built_is_named() {
        let error = made(
            Encoding::Json,
            vec![("/a", place("called")), ("/a/b", place("called"))],
        );
        let error = error.expect_err("no room");
        assert_eq!(error.code(), "body-not-built");
        assert!(
            error
                .to_string()
                .starts_with("`radio` cannot be built at `/a/b`"),
            "{error}"
        );
    }
}
