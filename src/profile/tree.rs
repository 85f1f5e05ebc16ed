//! A TOML file as a tree in which every key and value knows where it stands.
//!
//! serde stops at the first fault and loses the places; this keeps both. Parsing recovers from
//! faults of the TOML itself, so that the rest of the file is still looked at.

use std::ops::Range;

use rust_decimal::Decimal;
use serde_json::Value as Json;
use toml::de::{DeTable, DeValue};

use super::diag::{Code, Faults};
use crate::terms::Untrusted;

/// A value and where it stands.
#[derive(Debug, Clone)]
pub(crate) struct Node {
    /// Bytes of the file.
    pub(crate) span: Range<usize>,
    pub(crate) what: What,
}

/// What a value is.
#[derive(Debug, Clone)]
pub(crate) enum What {
    Text(String),
    Whole(i64),
    Number(Decimal),
    Flag(bool),
    List(Vec<Node>),
    Table(Vec<Entry>),
    /// A date, or a number that none can be counted with.
    Other,
}

/// A key with its value.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    pub(crate) key: String,
    pub(crate) key_span: Range<usize>,
    pub(crate) node: Node,
}

impl Node {
    /// Reads a whole file, adding the faults of its TOML.
    pub(crate) fn parse(text: &str, faults: &mut Faults) -> Node {
        let (table, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            let span = error.span().unwrap_or(0..0);
            let message = Untrusted::new(error.message()).to_string();
            faults.add(Code::NotToml, span, message, None);
        }
        Node {
            span: 0..0,
            what: table_from(table.get_ref()),
        }
    }

    pub(crate) fn get(&self, key: &str) -> Option<&Node> {
        self.entry(key).map(|entry| &entry.node)
    }

    pub(crate) fn entry(&self, key: &str) -> Option<&Entry> {
        self.entries().iter().find(|entry| entry.key == key)
    }

    pub(crate) fn entries(&self) -> &[Entry] {
        match &self.what {
            What::Table(entries) => entries,
            _ => &[],
        }
    }

    pub(crate) fn items(&self) -> &[Node] {
        match &self.what {
            What::List(items) => items,
            _ => &[],
        }
    }

    pub(crate) fn text(&self) -> Option<&str> {
        match &self.what {
            What::Text(text) => Some(text),
            _ => None,
        }
    }

    pub(crate) fn flag(&self) -> Option<bool> {
        match self.what {
            What::Flag(on) => Some(on),
            _ => None,
        }
    }

    pub(crate) fn decimal(&self) -> Option<Decimal> {
        match self.what {
            What::Whole(whole) => Some(whole.into()),
            What::Number(number) => Some(number),
            _ => None,
        }
    }

    pub(crate) fn whole(&self) -> Option<usize> {
        match self.what {
            What::Whole(whole) => whole.try_into().ok(),
            _ => None,
        }
    }

    /// The same value as JSON; none where it holds a date or an endless number.
    pub(crate) fn json(&self) -> Option<Json> {
        Some(match &self.what {
            What::Text(text) => Json::from(text.as_str()),
            What::Whole(whole) => Json::from(*whole),
            What::Number(number) => super::wire::decimal_json(*number)?,
            What::Flag(on) => Json::from(*on),
            What::List(items) => items.iter().map(Node::json).collect::<Option<_>>()?,
            What::Table(entries) => entries
                .iter()
                .map(|entry| Some((entry.key.clone(), entry.node.json()?)))
                .collect::<Option<serde_json::Map<_, _>>>()?
                .into(),
            What::Other => return None,
        })
    }

    /// Where to point for something at a path: the value where it is a single word or number,
    /// else its key; the nearest that there is where the path ends early.
    pub(crate) fn spot(&self, path: &[&str]) -> Range<usize> {
        let mut node = self;
        let mut spot = self.span.clone();
        for step in path {
            if let What::List(items) = &node.what {
                let Some(item) = step.parse::<usize>().ok().and_then(|i| items.get(i)) else {
                    break;
                };
                spot = item.point();
                node = item;
                continue;
            }
            let Some(entry) = node.entry(step) else {
                break;
            };
            spot = entry.point();
            node = &entry.node;
        }
        spot
    }

    /// Whether a byte of the file lies in this or in anything below it. A table's own span is its
    /// header alone, so everything below is asked.
    pub(crate) fn covers(&self, at: usize) -> bool {
        self.span.contains(&at)
            || self.items().iter().any(|item| item.covers(at))
            || self
                .entries()
                .iter()
                .any(|entry| entry.key_span.contains(&at) || entry.node.covers(at))
    }

    fn point(&self) -> Range<usize> {
        match &self.what {
            // A table in a list has no key of its own: its first one stands for it.
            What::Table(entries) => entries
                .first()
                .map_or_else(|| self.span.clone(), |entry| entry.key_span.clone()),
            _ => self.span.clone(),
        }
    }
}

impl Entry {
    /// Where to point for this entry.
    pub(crate) fn point(&self) -> Range<usize> {
        match self.node.what {
            What::Table(_) | What::List(_) => self.key_span.clone(),
            _ => self.node.span.clone(),
        }
    }
}

fn table_from(table: &DeTable<'_>) -> What {
    let entries = table.iter().map(|(key, value)| Entry {
        key: key.get_ref().to_string(),
        key_span: key.span(),
        node: Node {
            span: value.span(),
            what: what_from(value.get_ref()),
        },
    });
    What::Table(entries.collect())
}

fn what_from(value: &DeValue<'_>) -> What {
    match value {
        DeValue::String(text) => What::Text(text.to_string()),
        DeValue::Boolean(on) => What::Flag(*on),
        DeValue::Integer(whole) => {
            i64::from_str_radix(whole.as_str(), whole.radix()).map_or(What::Other, What::Whole)
        }
        DeValue::Float(number) => Decimal::from_str_exact(number.as_str())
            .or_else(|_| Decimal::from_scientific(number.as_str()))
            .map_or(What::Other, What::Number),
        DeValue::Datetime(_) => What::Other,
        DeValue::Array(items) => What::List(
            items
                .iter()
                .map(|item| Node {
                    span: item.span(),
                    what: what_from(item.get_ref()),
                })
                .collect(),
        ),
        DeValue::Table(table) => table_from(table),
    }
}
