//! What a file may hold, as a description: the loader checks a file by it and the JSON Schema is
//! made from it, so the two cannot disagree.
//!
//! [`check`] reports everything that can be said of one place by itself (unknown and missing keys,
//! types, words, names, the little languages such as selectors and pointers). What takes a look at
//! several places is `check.rs`'s.

use std::{collections::BTreeMap, net::IpAddr, ops::Range};

use super::diag::{Code, Faults, known_names, quoted};
use super::template::Template;
use super::tree::{Entry, Node, What};
use crate::terms::{Pointer, name::is_name};

/// What may stand somewhere.
#[derive(Debug)]
pub(crate) enum Shape {
    /// The number of a format that this program reads.
    Format,
    /// Any text.
    Text,
    /// Text that is not empty.
    Words,
    /// A kebab-case name of its own.
    Name,
    /// The name of something in the file.
    Of(Names),
    /// One of these words.
    Word(&'static [&'static str]),
    /// A text with at most one hole.
    Template,
    /// A CSS selector.
    Selector,
    /// A JSON Pointer.
    Pointer,
    /// A path from the root.
    Path,
    /// A literal IP address.
    Address,
    /// A version requirement.
    Needs,
    /// A service type of DNS-SD; what is wrong with one is said by `announce.rs`.
    Service,
    /// `true` or `false`.
    Flag,
    /// `true`: said or left out.
    True,
    /// A whole number from 0.
    Whole,
    /// A number.
    Number,
    /// Whatever JSON has as well.
    Json,
    /// Several of one shape.
    List(&'static Shape),
    /// Keys of a kind, each with one shape.
    Map(Keys, &'static Shape),
    /// Known keys.
    Table(&'static Table),
    /// A word or a name, or else something that is no text.
    Either(&'static Shape, &'static Shape),
    /// The one of these that takes such a thing: text, a number, a list, a table.
    Any(&'static [&'static Shape]),
}

/// What a name is the name of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Names {
    Request,
    Place,
    Save,
    Setting,
}

/// What the keys of a map are.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Keys {
    /// New names.
    Names,
    /// Places of the file.
    Places,
    /// Whatever the family calls it.
    Free,
}

/// A table with known keys.
#[derive(Debug)]
pub(crate) struct Table {
    /// Its name in the schema.
    pub(crate) name: &'static str,
    /// What it is for.
    pub(crate) doc: &'static str,
    pub(crate) keys: &'static [Key],
    /// Of each of these groups exactly one key must be there.
    pub(crate) groups: &'static [&'static [&'static str]],
}

/// A key of a table.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Key {
    pub(crate) name: &'static str,
    pub(crate) shape: &'static Shape,
    pub(crate) needed: bool,
    pub(crate) doc: &'static str,
}

/// A key that must be there.
pub(crate) const fn need(name: &'static str, shape: &'static Shape, doc: &'static str) -> Key {
    Key {
        name,
        shape,
        needed: true,
        doc,
    }
}

/// A key that may be there.
pub(crate) const fn may(name: &'static str, shape: &'static Shape, doc: &'static str) -> Key {
    Key {
        name,
        shape,
        needed: false,
        doc,
    }
}

impl Names {
    /// The table of the file that has them.
    pub(crate) fn table(self) -> &'static str {
        match self {
            Names::Request => "request",
            Names::Place => "place",
            Names::Save => "save",
            Names::Setting => "setting",
        }
    }
}

/// Checks a whole file against its shape, adding all faults.
pub(crate) fn check(root: &Node, table: &'static Table, faults: &mut Faults) {
    let known = [Names::Request, Names::Place, Names::Save, Names::Setting]
        .into_iter()
        .map(|kind| {
            let entries = root.get(kind.table()).map_or(&[][..], Node::entries);
            (kind, entries.iter().map(|e| e.key.clone()).collect())
        })
        .collect();
    let mut checker = Checker { known, faults };
    checker.table(root, table, "", 0..0);
}

struct Checker<'a> {
    known: BTreeMap<Names, Vec<String>>,
    faults: &'a mut Faults,
}

impl Checker<'_> {
    /// `path` is where this stands in words, `at` where to point for what is missing from it.
    fn check(&mut self, node: &Node, shape: &'static Shape, path: &str, at: Range<usize>) {
        match (shape, &node.what) {
            (Shape::Either(word, _), What::Text(_)) => self.check(node, word, path, at),
            (Shape::Either(_, other), _) => self.check(node, other, path, at),
            (Shape::Any(shapes), what) => {
                if let Some(shape) = shapes.iter().find(|shape| shape.takes(what)) {
                    self.check(node, shape, path, at);
                } else {
                    self.wrong_type(node, shape, path, at);
                }
            }
            (Shape::List(of), What::List(items)) => {
                for (index, item) in items.iter().enumerate() {
                    let path = format!("{path}[{index}]");
                    let at = node.spot(&[&index.to_string()]);
                    self.check(item, of, &path, at);
                }
            }
            (Shape::Map(keys, of), What::Table(entries)) => {
                for entry in entries {
                    self.key(entry, *keys);
                    let path = join(path, &entry.key);
                    self.check(&entry.node, of, &path, entry.key_span.clone());
                }
            }
            (Shape::Table(table), What::Table(_)) => self.table(node, table, path, at),
            (Shape::True, What::Flag(true))
            | (Shape::Flag, What::Flag(_))
            | (Shape::Number, What::Whole(_) | What::Number(_)) => {}
            (Shape::Json, _) if node.json().is_some() => {}
            (Shape::Whole | Shape::Format, What::Whole(_)) if node.whole().is_some() => {}
            (shape, What::Text(text)) if shape.is_text() => {
                self.text(text, shape, path, node.span.clone());
            }
            _ => self.wrong_type(node, shape, path, at),
        }
    }

    fn wrong_type(&mut self, node: &Node, shape: &Shape, path: &str, at: Range<usize>) {
        let message = format!(
            "{} is {}, not {}",
            quoted(path),
            type_words(&node.what),
            shape.words()
        );
        let span = match node.what {
            What::Table(_) | What::List(_) => at,
            _ => node.span.clone(),
        };
        let unquoted = node
            .text()
            .is_some_and(|text| matches!(text, "true" | "false") || text.parse::<f64>().is_ok());
        let help = unquoted.then(|| "write it without quotes".to_owned());
        self.faults.add(Code::WrongType, span, message, help);
    }

    fn table(&mut self, node: &Node, table: &'static Table, path: &str, at: Range<usize>) {
        let whole = if path.is_empty() {
            "the file".to_owned()
        } else {
            quoted(path)
        };
        for entry in node.entries() {
            match table.keys.iter().find(|key| key.name == entry.key) {
                Some(key) => {
                    let path = join(path, &entry.key);
                    self.check(&entry.node, key.shape, &path, entry.key_span.clone());
                }
                None => self.faults.add(
                    Code::UnknownKey,
                    entry.key_span.clone(),
                    format!("{} is no key of {whole}", quoted(&entry.key)),
                    known_names(&entry.key, table.keys.iter().map(|key| key.name)),
                ),
            }
        }
        for key in table.keys {
            if key.needed && node.get(key.name).is_none() {
                self.faults.add(
                    Code::MissingKey,
                    at.clone(),
                    format!("{whole} lacks `{}`", key.name),
                    key.doc.to_owned(),
                );
            }
        }
        for group in table.groups {
            let there: Vec<&Entry> = group.iter().filter_map(|key| node.entry(key)).collect();
            match there.as_slice() {
                [_] => {}
                [] => self.faults.add(
                    Code::PickOne,
                    at.clone(),
                    format!("{whole} has none of {}", group.join(", ")),
                    "write exactly one of them".to_owned(),
                ),
                [first, second, ..] => self.faults.add(
                    Code::PickOne,
                    second.key_span.clone(),
                    format!("{whole} has both `{}` and `{}`", first.key, second.key),
                    format!("write exactly one of {}", group.join(", ")),
                ),
            }
        }
    }

    fn key(&mut self, entry: &Entry, keys: Keys) {
        let span = entry.key_span.clone();
        match keys {
            Keys::Names => self.text(&entry.key, &Shape::Name, &entry.key, span),
            Keys::Places => self.text(&entry.key, &Shape::Of(Names::Place), &entry.key, span),
            Keys::Free => {}
        }
    }

    fn text(&mut self, text: &str, shape: &'static Shape, path: &str, span: Range<usize>) {
        let word = quoted(text);
        let mut fault = |code, message: String, help: String| {
            self.faults.add(code, span.clone(), message, help);
        };
        match shape {
            Shape::Words if text.trim().is_empty() => fault(
                Code::Empty,
                format!("{} is empty", quoted(path)),
                "a person reads it: say something".to_owned(),
            ),
            Shape::Name if !is_name(text) => fault(
                Code::BadName,
                format!("{word} is not a name"),
                "use lower-case letters, digits and single hyphens, at most 40 characters, starting with a letter".to_owned(),
            ),
            Shape::Of(kind) => {
                let known = self.known.get(kind).map_or(&[][..], Vec::as_slice);
                if !known.iter().any(|name| name == text) {
                    let message = format!("there is no {} {word}", kind.table());
                    let help = known_names(text, known.iter().map(String::as_str));
                    self.faults.add(Code::UnknownName, span, message, help);
                }
            }
            Shape::Word(words) if !words.contains(&text) => fault(
                Code::UnknownWord,
                format!("{word} is no word for {}", quoted(path)),
                known_names(text, words.iter().copied()),
            ),
            Shape::Template => {
                if let Err(error) = Template::parse(text) {
                    fault(
                        Code::BadTemplate,
                        format!("{word} is no template: {error}"),
                        "`{}` is the hole; everything else stands for itself".to_owned(),
                    );
                }
            }
            Shape::Selector if scraper::Selector::parse(text).is_err() => fault(
                Code::BadSelector,
                format!("{word} is no CSS selector"),
                "such as `#name`, `td.class` or `form[action=\"/x\"]`".to_owned(),
            ),
            Shape::Pointer if text.parse::<Pointer>().is_err() => fault(
                Code::BadPointer,
                format!("{word} is no JSON Pointer"),
                "start with `/`, or leave it empty for the whole; in a key write `~0` for `~` and `~1` for `/`".to_owned(),
            ),
            Shape::Path if !is_path(text) => fault(
                Code::BadPath,
                format!("{word} is no path"),
                "start with a single `/`; no host, no white space, no `#`".to_owned(),
            ),
            Shape::Address if text.parse::<IpAddr>().is_err() => fault(
                Code::BadAddress,
                format!("{word} is no literal IP address"),
                "such as 192.168.77.1; a name would have to be looked up on a network without a name server".to_owned(),
            ),
            Shape::Needs => {
                if let Err(error) = semver::VersionReq::parse(text) {
                    fault(
                        Code::BadNeeds,
                        format!("{word} is no version requirement: {error}"),
                        "such as `>=1.8.0`".to_owned(),
                    );
                }
            }
            _ => {}
        }
    }
}

impl Shape {
    fn is_text(&self) -> bool {
        matches!(
            self,
            Shape::Text
                | Shape::Words
                | Shape::Name
                | Shape::Of(_)
                | Shape::Word(_)
                | Shape::Template
                | Shape::Selector
                | Shape::Pointer
                | Shape::Path
                | Shape::Address
                | Shape::Needs
                | Shape::Service
        )
    }

    /// Whether a thing of this type can be of the shape at all.
    fn takes(&self, what: &What) -> bool {
        match what {
            What::Text(_) => self.is_text(),
            What::Whole(_) => matches!(self, Shape::Whole | Shape::Format | Shape::Number),
            What::Number(_) => matches!(self, Shape::Number),
            What::Flag(_) => matches!(self, Shape::Flag | Shape::True),
            What::List(_) => matches!(self, Shape::List(_)),
            What::Table(_) => matches!(self, Shape::Map(..) | Shape::Table(_)),
            What::Other => false,
        }
    }

    fn words(&self) -> &'static str {
        match self {
            Shape::Flag => "true or false",
            Shape::True => "true",
            Shape::Whole | Shape::Format => "a whole number from 0",
            Shape::Number => "a number",
            Shape::Json => "something that JSON has",
            Shape::List(_) => "a list",
            Shape::Map(..) | Shape::Table(_) => "a table",
            Shape::Either(_, other) => other.words(),
            Shape::Any(_) => "a value",
            _ => "text",
        }
    }
}

/// A path of our own origin: `//x` would name another host, and so may a backslash.
fn is_path(text: &str) -> bool {
    text.starts_with('/')
        && !text.starts_with("//")
        && !text.contains(['#', '\\'])
        && !text.chars().any(|c| c.is_whitespace() || c.is_control())
}

fn join(path: &str, key: &str) -> String {
    if path.is_empty() {
        key.to_owned()
    } else {
        format!("{path}.{key}")
    }
}

fn type_words(what: &What) -> &'static str {
    match what {
        What::Text(_) => "text",
        What::Whole(_) | What::Number(_) => "a number",
        What::Flag(true) => "true",
        What::Flag(false) => "false",
        What::List(_) => "a list",
        What::Table(_) => "a table",
        What::Other => "a date or an endless number",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_stays_on_its_origin() {
        for good in ["/", "/radio", "/radio?tab=2", "/a%20b"] {
            assert!(is_path(good), "{good}");
        }
        for bad in [
            "",
            "radio",
            "//host/radio",
            "http://host/",
            "/a b",
            "/a#b",
            "/\\host",
            "/a\n",
        ] {
            assert!(!is_path(bad), "{bad}");
        }
    }
}
