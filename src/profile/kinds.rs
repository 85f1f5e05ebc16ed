//! The settings of a profile file: their ranges, spellings and rows.
//!
//! What a setting says of itself is judged here: ranges that hold nothing, words of a choice that
//! cannot be told apart, values that are not of the setting's own kind, and rows whose holes do
//! not hold exactly what the row means.

use rust_decimal::Decimal;
use semver::VersionReq;
use serde_json::Value as Json;

use super::diag::{Code, Faults};
use super::load::{about, list, named, patterns, word, yes};
use super::model::{Means, Pattern, Row, Setting, Wire};
use super::tree::Node;
use crate::terms::{
    ChoiceOption, Kind, NumberRange, PlaceName, Untrusted, Value, ValueError, untrusted::MOST_CHARS,
};

/// All settings that could be made, in the order of the file.
pub(super) fn settings(root: &Node, faults: &mut Faults) -> Vec<Setting> {
    named(root, "setting", |name, node| {
        Loading { name, root, faults }.setting(node)
    })
}

/// The setting that is being read, with where to point.
pub(super) struct Loading<'a> {
    pub(super) name: &'a str,
    root: &'a Node,
    faults: &'a mut Faults,
}

impl Loading<'_> {
    fn setting(&mut self, node: &Node) -> Option<Setting> {
        let (kind, wire) = self.kind(node)?;
        let secret = yes(node, "secret");
        if secret && matches!(kind, Kind::Choice(_) | Kind::Flag) {
            self.fault(
                Code::SecretChoice,
                &["secret"],
                format!("`{}` is one of few values and cannot be secret", self.name),
                "whoever sees its fingerprint could try them all; leave `secret` out",
            );
        }
        let blank_keeps = yes(node, "blank-keeps");
        let rows = if node.get("at").is_some() {
            self.short(node, &kind)?
        } else {
            self.rows(node, &kind, blank_keeps)
        };
        let words = node.get("words").and_then(|node| self.words(node, &kind));
        Some(Setting {
            name: self.name.parse().ok()?,
            label: word(node, "label")?.to_owned(),
            help: word(node, "help").map(str::to_owned),
            kind,
            wire,
            rows,
            saves: saves(node),
            secret,
            optional: yes(node, "optional"),
            needs: word(node, "needs").and_then(|needs| VersionReq::parse(needs).ok()),
            blank_keeps,
            words,
        })
    }

    pub(super) fn fault(&mut self, code: Code, path: &[&str], message: String, help: &str) {
        let path: Vec<&str> = ["setting", self.name]
            .into_iter()
            .chain(path.iter().copied())
            .collect();
        let span = self.root.spot(&path);
        self.faults.add(code, span, message, help.to_owned());
    }

    fn kind(&mut self, node: &Node) -> Option<(Kind, Wire)> {
        let mut wire = Wire::default();
        if node.get("or-off").is_some() && node.get("number").is_none() {
            let message = "only a number can be off beside its range".to_owned();
            self.fault(Code::OutOfPlace, &["or-off"], message, "leave `or-off` out");
        }
        if let Some(number) = node.get("number") {
            let range = self.number(number, &mut wire, &["number"])?;
            return Some(if node.get("or-off").is_some() {
                (Kind::NumberOrOff(range), wire)
            } else {
                (Kind::Number(range), wire)
            });
        }
        let kind = if let Some(text) = node.get("text") {
            self.text(text, &["text"])?
        } else if node.get("choice").is_some() {
            self.choice(list(node, "choice"), &["choice"])?
        } else if let Some(bytes) = node.get("bytes") {
            word(bytes, "separator")
                .unwrap_or_default()
                .clone_into(&mut wire.separator);
            wire.upper = yes(bytes, "upper");
            let (from, to) = self.length(bytes, "bytes")?;
            Kind::Bytes { from, to }
        } else if let Some(items) = node.get("list") {
            word(items, "separator")
                .unwrap_or(",")
                .clone_into(&mut wire.separator);
            let of = if let Some(number) = items.get("of-number") {
                Kind::Number(self.number(number, &mut wire, &["list", "of-number"])?)
            } else if let Some(text) = items.get("of-text") {
                self.text(text, &["list", "of-text"])?
            } else {
                items.get("of-choice")?;
                self.choice(list(items, "of-choice"), &["list", "of-choice"])?
            };
            let (from, to) = self.length(items, "list")?;
            Kind::List {
                of: Box::new(of),
                from,
                to,
            }
        } else if yes(node, "version") {
            Kind::Version
        } else if yes(node, "flag") {
            Kind::Flag
        } else {
            return None;
        };
        Some((kind, wire))
    }

    fn number(&mut self, node: &Node, wire: &mut Wire, path: &[&str]) -> Option<NumberRange> {
        let key = |key: &str| node.get(key).and_then(Node::decimal);
        let (from, to) = (key("from")?, key("to")?);
        let step = key("step").unwrap_or(Decimal::ONE);
        let at = |key| [path, &[key]].concat();
        if from > to {
            self.nothing_between(&from, &to, &at("from"));
        }
        for (key, end) in [("from", from), ("to", to)] {
            if end.abs() > LARGEST.into() {
                let message = format!("{end} is larger than any setting");
                let help = format!("numbers lie between -{LARGEST} and {LARGEST}");
                self.fault(Code::BadRange, &at(key), message, &help);
                return None;
            }
        }
        if step.is_sign_negative() {
            let message = format!("a step of {step} leads nowhere");
            let help = "a step is more than 0, or 0 for any number";
            self.fault(Code::BadRange, &at("step"), message, help);
        }
        wire.times = key("times").unwrap_or(Decimal::ONE);
        wire.add = key("add").unwrap_or_default();
        if wire.times.is_zero() {
            let message = "0 times any value is 0".to_owned();
            let help = "`times` is what one unit of the value is on the wire";
            self.fault(Code::BadRange, &at("times"), message, help);
            return None;
        }
        Some(NumberRange {
            from,
            to,
            step,
            unit: word(node, "unit").map(str::to_owned),
        })
    }

    fn text(&mut self, node: &Node, path: &[&str]) -> Option<Kind> {
        let from = node.get("from").and_then(Node::whole).unwrap_or(0);
        let to = node.get("to")?.whole()?;
        if from > to {
            self.nothing_between(&from, &to, &[path, &["from"]].concat());
        }
        self.not_too_long(to.max(from), &[path, &["to"]].concat())?;
        Some(Kind::Text { from, to })
    }

    /// How many bytes or items: `length`, or `from` and `to`.
    fn length(&mut self, node: &Node, key: &str) -> Option<(usize, usize)> {
        if let Some(length) = node.get("length") {
            if node.get("from").is_some() {
                let message = "`from` says nothing beside `length`".to_owned();
                let help = "write `length`, or `from` and `to`";
                self.fault(Code::OutOfPlace, &[key, "from"], message, help);
            }
            let length = length.whole()?;
            self.not_too_long(length, &[key, "length"])?;
            return Some((length, length));
        }
        let from = node.get("from").and_then(Node::whole).unwrap_or(0);
        let to = node.get("to")?.whole()?;
        if from > to {
            self.nothing_between(&from, &to, &[key, "from"]);
        }
        self.not_too_long(to.max(from), &[key, "to"])?;
        Some((from, to))
    }

    /// A bound, so that checking a stranger's profile ends.
    pub(super) fn not_too_long(&mut self, length: usize, path: &[&str]) -> Option<()> {
        if length <= LONGEST {
            return Some(());
        }
        let message = format!("{length} is longer than any setting");
        let help = format!("at most {LONGEST}");
        self.fault(Code::BadRange, path, message, &help);
        None
    }

    pub(super) fn nothing_between(
        &mut self,
        from: &dyn std::fmt::Display,
        to: &dyn std::fmt::Display,
        path: &[&str],
    ) {
        let message = format!("nothing lies between {from} and {to}");
        self.fault(Code::BadRange, path, message, "`from` is at most `to`");
    }

    fn choice(&mut self, nodes: &[Node], path: &[&str]) -> Option<Kind> {
        let mut options: Vec<ChoiceOption> = Vec::new();
        for (index, node) in nodes.iter().enumerate() {
            let option = ChoiceOption {
                value: word(node, "is")?.to_owned(),
                wire: word(node, "wire")?.to_owned(),
                label: word(node, "label").map(str::to_owned),
            };
            let index = index.to_string();
            for (key, word, twice) in [
                (
                    "is",
                    &option.value,
                    options.iter().any(|o| o.value == option.value),
                ),
                (
                    "wire",
                    &option.wire,
                    options.iter().any(|o| o.wire == option.wire),
                ),
            ] {
                if twice {
                    let message = about(word, "stands for two of this choice");
                    let help = "each has its own `is` and its own `wire`";
                    self.fault(
                        Code::ChoiceTwice,
                        &[path, &[index.as_str(), key]].concat(),
                        message,
                        help,
                    );
                }
            }
            options.push(option);
        }
        if options.is_empty() {
            let message = format!("`{}` is a choice of nothing", self.name);
            self.fault(Code::Empty, path, message, "list what it can be");
        }
        Some(Kind::Choice(options))
    }

    /// The rows that `at` is short for.
    fn short(&mut self, node: &Node, kind: &Kind) -> Option<Vec<Row>> {
        let at = node.get("at")?;
        let mut patterns = patterns(at);
        let (place, pattern) = match at.entries().len() {
            1 => patterns.pop()?,
            0 => {
                let message = "`at` names no place".to_owned();
                self.fault(Code::Empty, &["at"], message, "name the one place");
                return None;
            }
            _ => {
                let message = "`at` is short for one place".to_owned();
                self.fault(Code::PickOne, &["at"], message, "write `row` for several");
                return None;
            }
        };
        let rows = match (kind, &pattern) {
            (Kind::Flag, Pattern::Box(on)) => flag_rows(&place, Pattern::Box(!on), pattern),
            (Kind::Flag, Pattern::JsonIs(Json::Bool(on))) => {
                flag_rows(&place, Pattern::JsonIs(Json::Bool(!on)), pattern)
            }
            _ => {
                if !pattern.has_hole() {
                    let message = format!("`{}` is nowhere in this pattern", self.name);
                    let help =
                        "write the hole `{}` where the value stands, or `row` for what has none";
                    self.fault(Code::HoleCount, &["at", place.as_str()], message, help);
                }
                vec![same_row(Means::Value, vec![(place, pattern)])]
            }
        };
        Some(rows)
    }

    fn rows(&mut self, node: &Node, kind: &Kind, blank_keeps: bool) -> Vec<Row> {
        let nodes = list(node, "row");
        if nodes.is_empty() && node.get("row").is_some() {
            let message = format!("`{}` has no row", self.name);
            let help = "say which raw things mean which value";
            self.fault(Code::Empty, &["row"], message, help);
        }
        let rows = nodes.iter().enumerate().filter_map(|(index, node)| {
            let index = index.to_string();
            let means = self.means(node, kind, &index)?;
            let parts = patterns(node.get("in")?);
            let puts = node.get("put").map(patterns);
            if node.get("in")?.entries().is_empty() && !blank_keeps {
                let message = "this row fits anything".to_owned();
                let help = "say what must stand where";
                self.fault(Code::Empty, &["row", &index, "in"], message, help);
            }
            let row = Row {
                means,
                puts: puts.unwrap_or_else(|| parts.clone()),
                parts,
            };
            self.holes(&row, &index, blank_keeps);
            Some(row)
        });
        rows.collect()
    }

    fn means(&mut self, node: &Node, kind: &Kind, index: &str) -> Option<Means> {
        let means = node.get("means")?;
        let constant = match means.text() {
            Some("value") => return Some(Means::Value),
            Some("absent") => return Some(Means::Is(Value::Absent)),
            Some("off") => kind.admit(Value::Off),
            Some(_) => return None,
            None => {
                let json = means.get("is")?.json()?;
                value_of(kind, &json)
            }
        };
        match constant {
            Ok(value) => Some(Means::Is(value)),
            Err(error) => {
                let help = format!("`{}` takes {kind}", self.name);
                let path = ["row", index, "means", "is"];
                self.fault(Code::BadValue, &path, error.to_string(), &help);
                None
            }
        }
    }

    /// A row that means the value has one hole for it, any other none.
    fn holes(&mut self, row: &Row, index: &str, blank_keeps: bool) {
        let count = |patterns: &[(PlaceName, Pattern)]| {
            patterns.iter().filter(|(_, p)| p.has_hole()).count()
        };
        let (told, put) = (count(&row.parts), count(&row.puts));
        let sound = match row.means {
            Means::Value => {
                (told == 1 || (told == 0 && blank_keeps)) && (put == 1 || row.puts.is_empty())
            }
            Means::Is(_) => told == 0 && put == 0,
        };
        if !sound {
            let (message, help) = match row.means {
                Means::Value => (
                    "a row that means the value has one hole for it".to_owned(),
                    "write the hole `{}` at one place, and fixed words at the others",
                ),
                Means::Is(_) => (
                    "a row that means one value has no hole".to_owned(),
                    "write the words that stand there, or `means = \"value\"`",
                ),
            };
            self.fault(Code::HoleCount, &["row", index, "means"], message, help);
        }
    }
}

/// The value that a row's `is`, or a file of loaners, gives, as commands take it: a flag, a number, a list, or text for
/// everything else.
pub(crate) fn value_of(kind: &Kind, json: &Json) -> Result<Value, ValueError> {
    let value = match (kind, json) {
        (Kind::Flag, Json::Bool(on)) => Value::Flag(*on),
        (Kind::Number(_) | Kind::NumberOrOff(_), Json::Number(_)) => {
            match super::wire::json_decimal(json) {
                Some(number) => Value::Number(number),
                None => return Err(not_this_kind(kind, json)),
            }
        }
        (
            Kind::Text { .. } | Kind::Choice(_) | Kind::Bytes { .. } | Kind::Version,
            Json::String(text),
        ) => {
            return kind.parse(text);
        }
        (Kind::List { of, .. }, Json::Array(items)) => Value::List(
            items
                .iter()
                .map(|item| value_of(of, item))
                .collect::<Result<_, _>>()?,
        ),
        _ => return Err(not_this_kind(kind, json)),
    };
    kind.admit(value)
}

fn not_this_kind(kind: &Kind, json: &Json) -> ValueError {
    ValueError::NotThisKind {
        given: Untrusted::new(json.to_string()).to_string(),
        expected: kind.to_string(),
    }
}

fn flag_rows(place: &PlaceName, off: Pattern, on: Pattern) -> Vec<Row> {
    [(false, off), (true, on)]
        .into_iter()
        .map(|(value, pattern)| {
            same_row(
                Means::Is(Value::Flag(value)),
                vec![(place.clone(), pattern)],
            )
        })
        .collect()
}

fn same_row(means: Means, parts: Vec<(PlaceName, Pattern)>) -> Row {
    Row {
        means,
        puts: parts.clone(),
        parts,
    }
}

fn saves(node: &Node) -> Vec<crate::terms::SaveName> {
    let one = word(node, "save").into_iter();
    one.chain(list(node, "save").iter().filter_map(Node::text))
        .filter_map(|name| name.parse().ok())
        .collect()
}

/// Largest end of a range of numbers: a double still holds each whole number up to it.
const LARGEST: i64 = 1 << 53;
/// Most characters, bytes or items of a setting; no longer text is kept.
const LONGEST: usize = MOST_CHARS;

#[cfg(test)]
mod tests {
    use super::super::testing::{SMALL, faults};

    const NUMBER: &str = "number = { from = 1, to = 40 }";

    #[test]
    fn a_range_that_holds_nothing_or_leads_nowhere_is_a_fault() {
        let number = |range: &str| faults(&[(NUMBER, &format!("number = {{ {range} }}"))]);
        assert_eq!(
            number("from = 1, to = 40, step = -1"),
            ["bad-range: a step of -1 leads nowhere"]
        );
        assert_eq!(
            number("from = 1, to = 40, times = 0"),
            ["bad-range: 0 times any value is 0"]
        );
        assert_eq!(
            number("from = 1, to = 9007199254740993"),
            ["bad-range: 9007199254740993 is larger than any setting"]
        );
        let text =
            |range: &str| faults(&[("text = { to = 24 }", &format!("text = {{ {range} }}"))]);
        assert_eq!(
            text("from = 2, to = 1"),
            ["bad-range: nothing lies between 2 and 1"]
        );
        assert_eq!(
            text("to = 5000"),
            ["bad-range: 5000 is longer than any setting"]
        );
    }

    #[test]
    fn a_length_is_said_in_one_way() {
        let bytes =
            |range: &str| faults(&[("text = { to = 24 }", &format!("bytes = {{ {range} }}"))]);
        assert_eq!(bytes("length = 6"), [""; 0]);
        assert_eq!(bytes("from = 4, to = 6, separator = \"-\""), [""; 0]);
        assert_eq!(
            bytes("length = 6, from = 4"),
            ["out-of-place: `from` says nothing beside `length`"]
        );
        assert_eq!(
            bytes("from = 4"),
            ["pick-one: `setting.name.bytes` has none of length, to"]
        );
    }

    #[test]
    fn a_list_needs_items_of_one_kind() {
        let list = |list: &str| faults(&[("text = { to = 24 }", &format!("list = {{ {list} }}"))]);
        assert_eq!(
            list("of-number = { from = 1, to = 8 }, length = 8"),
            [""; 0]
        );
        assert_eq!(
            list(
                "of-choice = [{ is = \"a\", wire = \"x\" }, { is = \"a\", wire = \"y\" }], to = 3"
            ),
            ["choice-twice: `a` stands for two of this choice"]
        );
        assert_eq!(
            list("to = 3"),
            ["pick-one: `setting.name.list` has none of of-number, of-text, of-choice"]
        );
    }

    #[test]
    fn the_short_form_is_for_one_place_with_a_hole() {
        let at = |at: &str| faults(&[("at = { called = { text = \"{}\" } }", at)]);
        assert_eq!(at("at = {}"), ["empty: `at` names no place"]);
        assert_eq!(
            at("at = { called = { text = \"{}\" }, pace = { text = \"{}\" } }"),
            ["pick-one: `at` is short for one place"]
        );
        assert_eq!(
            at("at = { called = { text = \"Smew\" } }"),
            ["hole-count: `name` is nowhere in this pattern"]
        );
        assert_eq!(at("row = []"), ["empty: `name` has no row"]);
        assert_eq!(
            at("row = [{ means = \"absent\", in = {}, put = { called = { text = \"\" } } }]")[0],
            "empty: this row fits anything"
        );
    }

    #[test]
    fn a_flag_says_at_its_place_what_stands_for_on() {
        let flag = |at: &str| {
            faults(&[
                ("text = { to = 24 }", "flag = true"),
                ("at = { called = { text = \"{}\" } }", at),
            ])
        };
        assert_eq!(flag("at = { called = { box = true } }"), [""; 0]);
        assert_eq!(flag("at = { called = { box = false } }"), [""; 0]);
        assert_eq!(flag("at = { called = { text = \"{}\" } }"), [""; 0]);
        assert_eq!(
            flag("at = { called = { text = \"on\" } }"),
            ["hole-count: `name` is nowhere in this pattern"]
        );
    }

    #[test]
    fn what_a_row_means_is_of_the_setting_s_own_kind() {
        let means = |means: &str| {
            let row = "{ means = \"off\",";
            assert!(SMALL.contains(row));
            faults(&[(row, &format!("{{ means = {means},"))])
        };
        assert_eq!(
            means("{ is = \"seven\" }"),
            ["bad-value: `\"seven\"` is not a number from 1 to 40, or off"]
        );
        assert_eq!(
            means("{ is = 41 }"),
            ["bad-value: `41` is out of range: a number from 1 to 40, or off"]
        );
        assert_eq!(
            faults(&[("or-off = true\n", "")]),
            ["bad-value: `off` is not a number from 1 to 40"]
        );
        let text = |is: &str| {
            let row = format!(
                "row = [{{ means = {{ is = {is} }}, in = {{ called = {{ text = \"-\" }} }} }}, {{ means = \"value\", in = {{ called = {{ text = \"{{}}\" }} }} }}]"
            );
            faults(&[("at = { called = { text = \"{}\" } }", &row)])
        };
        assert_eq!(
            text("7"),
            ["bad-value: `7` is not text of at most 24 characters"]
        );
        assert_eq!(
            text("\"Smew\""),
            [""; 0],
            "a row of one text beside all others"
        );
    }
}
