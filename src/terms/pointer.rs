//! JSON Pointer (RFC 6901): where a value stands in a document.
//!
//! Reading never guesses: a leading zero, `-` and a step into a scalar all find nothing. Setting
//! makes the objects on the way, so that a body can be built from nothing, but never an array.

use std::{fmt, str::FromStr};

use serde_json::{Map, Value as Json};

/// Reference tokens, unescaped, from the root on.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Pointer(Vec<String>);

/// Why a pointer is none, or finds no room.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PointerError {
    /// It is neither empty nor starts with `/`.
    #[error("a JSON Pointer is empty or starts with `/`")]
    NoSlash,
    /// `~` is followed by something other than `0` or `1`.
    #[error("`~` stands alone in a JSON Pointer; write `~0` for it, and `~1` for `/`")]
    LoneTilde,
    /// An array has no such place: no index, a leading zero, or beyond its end.
    #[error("`{token}` is no place in the array at `{at}`, which has {items} items")]
    NoSuchIndex {
        /// The token.
        token: String,
        /// The array's own pointer.
        at: String,
        /// How many items it has.
        items: usize,
    },
    /// The way leads into a scalar.
    #[error("what stands at `{at}` is neither an object nor an array")]
    IntoScalar {
        /// The scalar's own pointer.
        at: String,
    },
}

impl Pointer {
    /// What stands there.
    pub fn get<'a>(&self, document: &'a Json) -> Option<&'a Json> {
        self.0.iter().try_fold(document, |at, token| match at {
            Json::Object(members) => members.get(token),
            Json::Array(items) => items.get(index(token)?),
            _ => None,
        })
    }

    /// Puts a value there: replaces what stands there, adds a member, or adds an item at the end
    /// (`-`, or the index one past the last). Objects on the way are made.
    pub fn set(&self, document: &mut Json, value: Json) -> Result<(), PointerError> {
        let mut at = document;
        for (depth, token) in self.0.iter().enumerate() {
            at = match at {
                Json::Object(members) => members
                    .entry(token.as_str())
                    .or_insert_with(|| Json::Object(Map::new())),
                Json::Array(items) => {
                    let found = match token.as_str() {
                        "-" => Some(items.len()),
                        token => index(token),
                    };
                    match found {
                        Some(index) if index <= items.len() => {
                            if index == items.len() {
                                items.push(Json::Object(Map::new()));
                            }
                            &mut items[index]
                        }
                        _ => {
                            return Err(PointerError::NoSuchIndex {
                                token: token.clone(),
                                at: self.up_to(depth),
                                items: items.len(),
                            });
                        }
                    }
                }
                _ => {
                    return Err(PointerError::IntoScalar {
                        at: self.up_to(depth),
                    });
                }
            };
        }
        *at = value;
        Ok(())
    }

    /// Takes out what stands there; later items of an array move up. The whole document cannot
    /// be taken out of itself.
    pub fn remove(&self, document: &mut Json) -> Option<Json> {
        let (last, way) = self.0.split_last()?;
        let parent = way.iter().try_fold(document, |at, token| match at {
            Json::Object(members) => members.get_mut(token),
            Json::Array(items) => items.get_mut(index(token)?),
            _ => None,
        })?;
        match parent {
            Json::Object(members) => members.shift_remove(last),
            Json::Array(items) => {
                let index = index(last)?;
                (index < items.len()).then(|| items.remove(index))
            }
            _ => None,
        }
    }

    /// The pointer to a member or an item of what stands here.
    #[must_use]
    pub fn child(&self, token: &str) -> Self {
        let mut tokens = self.0.clone();
        tokens.push(token.to_owned());
        Self(tokens)
    }

    /// How many tokens it has.
    pub fn depth(&self) -> usize {
        self.0.len()
    }

    /// The bytes of its tokens.
    pub fn bytes(&self) -> usize {
        self.0.iter().map(String::len).sum()
    }

    /// Whether the other stands at or within what stands here.
    pub fn covers(&self, other: &Pointer) -> bool {
        other.0.starts_with(&self.0)
    }

    fn up_to(&self, depth: usize) -> String {
        Pointer(self.0[..depth].to_vec()).to_string()
    }
}

/// An array index: `0`, or digits without a leading zero (RFC 6901, section 4).
fn index(token: &str) -> Option<usize> {
    let digits = token.bytes().all(|byte| byte.is_ascii_digit());
    (digits && (token == "0" || !token.starts_with('0')))
        .then(|| token.parse().ok())
        .flatten()
}

impl FromStr for Pointer {
    type Err = PointerError;

    fn from_str(text: &str) -> Result<Self, PointerError> {
        if text.is_empty() {
            return Ok(Self::default());
        }
        let tokens = text.strip_prefix('/').ok_or(PointerError::NoSlash)?;
        tokens
            .split('/')
            .map(unescape)
            .collect::<Result<_, _>>()
            .map(Self)
    }
}

fn unescape(token: &str) -> Result<String, PointerError> {
    let mut parts = token.split('~');
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        let (c, rest) = match (part.strip_prefix('0'), part.strip_prefix('1')) {
            (Some(rest), _) => ('~', rest),
            (_, Some(rest)) => ('/', rest),
            _ => return Err(PointerError::LoneTilde),
        };
        out.push(c);
        out.push_str(rest);
    }
    Ok(out)
}

impl fmt::Display for Pointer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0
            .iter()
            .try_for_each(|token| write!(f, "/{}", token.replace('~', "~0").replace('/', "~1")))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn pointer(text: &str) -> Pointer {
        text.parse().expect("a pointer")
    }

    /// The example document of RFC 6901, section 5.
    fn section_5() -> Json {
        json!({
            "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5,
            "k\"l": 6, " ": 7, "m~n": 8
        })
    }

    #[test]
    fn finds_every_value_of_rfc_6901_section_5() {
        // The pointers as JSON strings, as the section writes them.
        let table = r#"[
            ["", null], ["/foo", ["bar", "baz"]], ["/foo/0", "bar"], ["/", 0], ["/a~1b", 1],
            ["/c%d", 2], ["/e^f", 3], ["/g|h", 4], ["/i\\j", 5], ["/k\"l", 6], ["/ ", 7],
            ["/m~0n", 8]
        ]"#;
        let table: Vec<(String, Json)> = serde_json::from_str(table).expect("JSON");
        assert_eq!(table.len(), 12);
        for (text, expected) in table {
            let whole = section_5();
            let expected = if text.is_empty() {
                whole.clone()
            } else {
                expected
            };
            assert_eq!(pointer(&text).get(&whole), Some(&expected), "{text}");
            assert_eq!(pointer(&text).to_string(), text);
        }
    }

    #[test]
    fn the_fragments_of_rfc_6901_section_6_are_the_same_pointers() {
        for (fragment, text) in [
            ("#", ""),
            ("#/foo", "/foo"),
            ("#/foo/0", "/foo/0"),
            ("#/", "/"),
            ("#/a~1b", "/a~1b"),
            ("#/c%25d", "/c%d"),
            ("#/e%5Ef", "/e^f"),
            ("#/g%7Ch", "/g|h"),
            ("#/i%5Cj", "/i\\j"),
            ("#/k%22l", "/k\"l"),
            ("#/%20", "/ "),
            ("#/m~0n", "/m~0n"),
        ] {
            let decoded = percent_decoded(fragment.trim_start_matches('#'));
            assert_eq!(decoded, text);
            assert_eq!(pointer(&decoded), pointer(text));
        }
    }

    fn percent_decoded(text: &str) -> String {
        let query = format!("x={text}");
        form_urlencoded::parse(query.as_bytes())
            .map(|(_, value)| value.into_owned())
            .next()
            .expect("one pair")
    }

    #[test]
    fn tilde_escapes_are_undone_once() {
        // RFC 6901, section 4: `~01` is `~1`, never `/`.
        assert_eq!(
            pointer("/~01").get(&json!({"~1": "right", "/": "wrong"})),
            Some(&json!("right"))
        );
    }

    #[test]
    fn refuses_what_is_no_pointer() {
        assert_eq!("a".parse::<Pointer>(), Err(PointerError::NoSlash));
        for text in ["/~", "/~2", "/a~b"] {
            assert_eq!(
                text.parse::<Pointer>(),
                Err(PointerError::LoneTilde),
                "{text}"
            );
        }
    }

    #[test]
    fn finds_nothing_at_an_index_that_is_none() {
        let items = json!([[0, 1], "text", {"-": 1}]);
        for text in [
            "/00",
            "/01",
            "/+1",
            "/-",
            "/3",
            "/0/ 1",
            "/1/0",
            "/99999999999999999999",
        ] {
            assert_eq!(pointer(text).get(&items), None, "{text}");
        }
        assert_eq!(pointer("/2/-").get(&items), Some(&json!(1)));
    }

    #[test]
    fn sets_what_is_there_and_makes_objects_on_the_way() {
        let mut body = json!({});
        pointer("/tie/slot").set(&mut body, json!(7)).expect("room");
        pointer("/tie/slot").set(&mut body, json!(8)).expect("room");
        pointer("/kin").set(&mut body, json!([1])).expect("room");
        pointer("/kin/-").set(&mut body, json!(2)).expect("room");
        pointer("/kin/2").set(&mut body, json!(3)).expect("room");
        pointer("/kin/0").set(&mut body, json!(0)).expect("room");
        assert_eq!(body, json!({"tie": {"slot": 8}, "kin": [0, 2, 3]}));
        pointer("").set(&mut body, json!(null)).expect("room");
        assert_eq!(body, json!(null));
    }

    #[test]
    fn sets_nothing_beyond_an_array_or_within_a_scalar() {
        let before = json!({"kin": [1], "slot": 7});
        for text in ["/kin/2", "/kin/01", "/kin/x", "/slot/a"] {
            let mut body = before.clone();
            assert!(pointer(text).set(&mut body, json!(0)).is_err(), "{text}");
            assert_eq!(body, before, "{text}");
        }
        let said = pointer("/kin/2")
            .set(&mut before.clone(), json!(0))
            .expect_err("no room");
        assert_eq!(
            said.to_string(),
            "`2` is no place in the array at `/kin`, which has 1 items"
        );
    }

    #[test]
    fn removes_a_member_and_an_item() {
        let mut body = json!({"kin": [1, 2], "slot": 7});
        assert_eq!(pointer("/kin/0").remove(&mut body), Some(json!(1)));
        assert_eq!(pointer("/slot").remove(&mut body), Some(json!(7)));
        assert_eq!(pointer("/slot").remove(&mut body), None);
        assert_eq!(pointer("/kin/-").remove(&mut body), None);
        assert_eq!(pointer("").remove(&mut body), None);
        assert_eq!(body, json!({"kin": [2]}));
    }

    #[test]
    fn covers_what_lies_within() {
        assert!(pointer("/a").covers(&pointer("/a/b")));
        assert!(!pointer("/a").covers(&pointer("/ab")));
    }
}
