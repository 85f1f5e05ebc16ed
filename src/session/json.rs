//! JSON answers: parsed strictly and within a depth, and merge patches (RFC 7396).
//!
//! An object with one name twice means different things to different readers (RFC 8259, section
//! 4), so it is a fault here: what is read must be what is written back.

use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Value as Json};

use crate::terms::Untrusted;

/// Why an answer is no JSON document.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum JsonError {
    /// Arrays and objects lie deeper in one another than the bound.
    #[error("it is nested deeper than {limit} levels")]
    TooDeep {
        /// The bound.
        limit: usize,
    },
    /// Not JSON, or one name twice in an object.
    #[error("it is no sound JSON document: {why}")]
    Unsound {
        /// What the parser says, escaped, with line and column.
        why: String,
    },
}

/// Reads one JSON document (RFC 8259), a byte order mark before it left aside.
pub fn parse(body: &[u8], nesting: usize) -> Result<Json, JsonError> {
    let body = body.strip_prefix(b"\xef\xbb\xbf").unwrap_or(body);
    if depth(body) > nesting {
        return Err(JsonError::TooDeep { limit: nesting });
    }
    let unsound = |error: serde_json::Error| JsonError::Unsound {
        why: Untrusted::new(error.to_string()).to_string(),
    };
    let mut parser = serde_json::Deserializer::from_slice(body);
    // The depth was bounded above, with the bound that the caller set; the stack grows with it.
    parser.disable_recursion_limit();
    let document = Strict
        .deserialize(serde_stacker::Deserializer::new(&mut parser))
        .map_err(unsound)?;
    parser.end().map_err(unsound)?;
    Ok(document)
}

/// How deep brackets lie in one another, counted before anything descends into them. Of a text
/// that is no JSON the number means nothing, and the parser refuses it.
fn depth(body: &[u8]) -> usize {
    let (mut deepest, mut now) = (0usize, 0usize);
    let (mut in_string, mut escaped) = (false, false);
    for byte in body {
        if in_string {
            match byte {
                _ if escaped => escaped = false,
                b'\\' => escaped = true,
                b'"' => in_string = false,
                _ => {}
            }
        } else {
            match byte {
                b'"' => in_string = true,
                b'[' | b'{' => {
                    now += 1;
                    deepest = deepest.max(now);
                }
                b']' | b'}' => now = now.saturating_sub(1),
                _ => {}
            }
        }
    }
    deepest
}

/// Applies a merge patch: RFC 7396, section 2, with null taking a member out.
pub fn merge(target: &mut Json, patch: &Json) {
    let Json::Object(patch) = patch else {
        *target = patch.clone();
        return;
    };
    if !target.is_object() {
        *target = Json::Object(Map::new());
    }
    if let Json::Object(members) = target {
        for (name, value) in patch {
            if value.is_null() {
                members.shift_remove(name);
            } else {
                merge(members.entry(name.as_str()).or_insert(Json::Null), value);
            }
        }
    }
}

/// The smallest patch that turns one document into another. There is none where a member of the
/// other one is null: a merge patch cannot say that.
pub fn patch_between(from: &Json, to: &Json) -> Option<Json> {
    let patch = difference(from, to);
    let mut result = from.clone();
    merge(&mut result, &patch);
    (result == *to).then_some(patch)
}

fn difference(from: &Json, to: &Json) -> Json {
    let (Json::Object(before), Json::Object(after)) = (from, to) else {
        return to.clone();
    };
    let gone = before
        .keys()
        .filter(|name| !after.contains_key(*name))
        .map(|name| (name.clone(), Json::Null));
    let changed = after
        .iter()
        .filter(|(name, value)| before.get(*name) != Some(*value))
        .map(|(name, value)| {
            let old = before.get(name).unwrap_or(&Json::Null);
            (name.clone(), difference(old, value))
        });
    Json::Object(gone.chain(changed).collect())
}

/// A value in which no object has one name twice.
struct Strict;

impl<'de> DeserializeSeed<'de> for Strict {
    type Value = Json;

    fn deserialize<D: Deserializer<'de>>(self, parser: D) -> Result<Json, D::Error> {
        parser.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Strict {
    type Value = Json;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Json, E> {
        Ok(Json::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Json, E> {
        Ok(Json::Bool(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Json, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Json, E> {
        Ok(value.into())
    }

    fn visit_f64<E>(self, value: f64) -> Result<Json, E> {
        Ok(value.into())
    }

    fn visit_str<E>(self, value: &str) -> Result<Json, E> {
        Ok(value.into())
    }

    fn visit_string<E>(self, value: String) -> Result<Json, E> {
        Ok(Json::String(value))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Json, A::Error> {
        let mut out = Vec::new();
        while let Some(item) = items.next_element_seed(Strict)? {
            out.push(item);
        }
        Ok(Json::Array(out))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Json, A::Error> {
        let mut out = Map::new();
        while let Some(name) = members.next_key_seed(std::marker::PhantomData::<String>)? {
            let value = members.next_value_seed(Strict)?;
            if out.contains_key(&name) {
                let name = Untrusted::new(name);
                return Err(A::Error::custom(format_args!(
                    "the name `{name}` stands twice in one object"
                )));
            }
            out.insert(name, value);
        }
        Ok(Json::Object(out))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sound(text: &str) -> Json {
        parse(text.as_bytes(), 512).expect("a document")
    }

    #[test]
    fn reads_a_document_and_keeps_its_order() {
        let text = r#"{"tie":{"kin":[74,31],"held":null},"awake":83.4,"craft":"Smew é"}"#;
        assert_eq!(sound(text).to_string(), text);
        assert_eq!(parse(b"\xef\xbb\xbf 1 ", 0), Ok(Json::from(1)));
    }

    #[test]
    fn one_name_twice_is_a_fault() {
        let error = parse(br#"{"a":{"held":1,"held":2}}"#, 512).expect_err("unsound");
        assert!(
            error.to_string().contains("the name `held` stands twice"),
            "{error}"
        );
    }

    #[test]
    fn what_follows_a_document_is_a_fault() {
        for text in ["", "{} {}", "{\"a\":1", "nul", "{'a':1}", "[1,]", "1e999"] {
            assert!(
                matches!(parse(text.as_bytes(), 512), Err(JsonError::Unsound { .. })),
                "{text}"
            );
        }
    }

    #[test]
    fn nesting_is_counted_before_anything_descends() {
        let nested = |levels: usize| format!("{}{}", "[".repeat(levels), "]".repeat(levels));
        assert!(parse(nested(512).as_bytes(), 512).is_ok());
        assert_eq!(
            parse(nested(513).as_bytes(), 512),
            Err(JsonError::TooDeep { limit: 512 })
        );
        assert_eq!(
            parse("[".repeat(1024 * 1024).as_bytes(), 512),
            Err(JsonError::TooDeep { limit: 512 })
        );
        assert!(
            parse(br#"["[[[[ \" [[[["]"#, 1).is_ok(),
            "brackets in a string are text"
        );
    }

    #[test]
    fn the_deepest_nesting_that_can_be_set_fits_a_thread() {
        // Test threads have the same 2 MiB of stack as the threads of the runtime, and a debug
        // build needs more than that for so many levels.
        let objects = format!("{}1{}", "{\"a\":".repeat(1024), "}".repeat(1024));
        assert!(parse(objects.as_bytes(), 1024).is_ok());
    }

    /// RFC 7396, appendix A: original, patch, result.
    const APPENDIX_A: [(&str, &str, &str); 15] = [
        (r#"{"a":"b"}"#, r#"{"a":"c"}"#, r#"{"a":"c"}"#),
        (r#"{"a":"b"}"#, r#"{"b":"c"}"#, r#"{"a":"b","b":"c"}"#),
        (r#"{"a":"b"}"#, r#"{"a":null}"#, "{}"),
        (r#"{"a":"b","b":"c"}"#, r#"{"a":null}"#, r#"{"b":"c"}"#),
        (r#"{"a":["b"]}"#, r#"{"a":"c"}"#, r#"{"a":"c"}"#),
        (r#"{"a":"c"}"#, r#"{"a":["b"]}"#, r#"{"a":["b"]}"#),
        (
            r#"{"a":{"b":"c"}}"#,
            r#"{"a":{"b":"d","c":null}}"#,
            r#"{"a":{"b":"d"}}"#,
        ),
        (r#"{"a":[{"b":"c"}]}"#, r#"{"a":[1]}"#, r#"{"a":[1]}"#),
        (r#"["a","b"]"#, r#"["c","d"]"#, r#"["c","d"]"#),
        (r#"{"a":"b"}"#, r#"["c"]"#, r#"["c"]"#),
        (r#"{"a":"foo"}"#, "null", "null"),
        (r#"{"a":"foo"}"#, r#""bar""#, r#""bar""#),
        (r#"{"e":null}"#, r#"{"a":1}"#, r#"{"e":null,"a":1}"#),
        ("[1,2]", r#"{"a":"b","c":null}"#, r#"{"a":"b"}"#),
        ("{}", r#"{"a":{"bb":{"ccc":null}}}"#, r#"{"a":{"bb":{}}}"#),
    ];

    #[test]
    fn merges_every_case_of_rfc_7396_appendix_a() {
        for (original, patch, result) in APPENDIX_A {
            let mut target = sound(original);
            merge(&mut target, &sound(patch));
            assert_eq!(target, sound(result), "{original} + {patch}");
        }
    }

    #[test]
    fn a_patch_between_two_documents_leads_from_one_to_the_other() {
        for (from, _, to) in APPENDIX_A {
            let (from, to) = (sound(from), sound(to));
            let Some(patch) = patch_between(&from, &to) else {
                panic!("no patch from {from} to {to}");
            };
            let mut result = from.clone();
            merge(&mut result, &patch);
            assert_eq!(result, to);
        }
        assert_eq!(
            patch_between(
                &sound(r#"{"a":1,"b":{"c":2,"d":3}}"#),
                &sound(r#"{"a":1,"b":{"c":4,"d":3}}"#)
            ),
            Some(sound(r#"{"b":{"c":4}}"#)),
            "only the difference is sent"
        );
        assert_eq!(
            patch_between(&sound(r#"{"held":7}"#), &sound(r#"{"held":null}"#)),
            None,
            "a merge patch cannot say null"
        );
    }
}
