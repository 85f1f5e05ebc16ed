//! Bodies that are made from places and fixed parts, in another shape than what was read.

use serde_json::{Map, Value as Json};

use super::SessionError;
use crate::{
    profile::{Body, Encoding, Field},
    terms::{PlaceName, Pointer, Raw},
};

/// What a made request carries.
#[derive(Clone, PartialEq, Eq)]
pub(super) struct Made {
    pub(super) content_type: &'static str,
    pub(super) bytes: Vec<u8>,
}

/// Builds a body. Fields whose place is missing on this device are left out; `what` names the save
/// or the request in errors.
pub(super) fn make<'a>(
    what: &str,
    body: &Body,
    stands: impl Fn(&PlaceName) -> &'a Raw,
) -> Result<Made, SessionError> {
    let fields = body.fields.iter().map(|(key, field)| {
        let raw = match field {
            Field::Place(place) => stands(place).clone(),
            Field::Fixed(json) => Raw::Json(json.clone()),
        };
        (key, raw)
    });
    match body.encoding {
        Encoding::Json => {
            let mut document = Json::Object(Map::new());
            for (key, raw) in fields {
                if let Some(json) = json_of(&raw) {
                    put(what, key, &mut document, json)?;
                }
            }
            Ok(Made::json(&document))
        }
        Encoding::Urlencoded => {
            let mut pairs = form_urlencoded::Serializer::new(String::new());
            for (key, raw) in fields {
                for value in texts_of(&raw) {
                    pairs.append_pair(key, &value);
                }
            }
            Ok(Made {
                content_type: "application/x-www-form-urlencoded",
                bytes: pairs.finish().into_bytes(),
            })
        }
        Encoding::Multipart => Err(SessionError::NotBuilt { what: what.into() }),
    }
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

impl Made {
    pub(super) fn json(document: &Json) -> Self {
        Self {
            content_type: "application/json",
            bytes: document.to_string().into_bytes(),
        }
    }

    pub(super) fn merge_patch(patch: &Json) -> Self {
        Self {
            content_type: "application/merge-patch+json",
            ..Self::json(patch)
        }
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
        let multipart = made(Encoding::Multipart, Vec::new()).expect_err("not built");
        assert_eq!(multipart.code(), "multipart-not-built");
    }
}
