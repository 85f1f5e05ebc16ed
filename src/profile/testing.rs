//! Settings and raw things for the tests of this folder, made by hand and never by the loader.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::{Means, Pattern, Row, Setting, Template, Wire, load_text};
use crate::terms::{Kind, NumberRange, PlaceName, Raw, Value};

pub(super) fn place(name: &str) -> PlaceName {
    name.parse().expect("a place's name")
}

pub(super) fn text(template: &str) -> Pattern {
    Pattern::Text(Template::parse(template).expect("a template"))
}

pub(super) fn choice(template: &str) -> Pattern {
    Pattern::Choice(Template::parse(template).expect("a template"))
}

pub(super) fn row(means: Means, parts: &[(&str, Pattern)]) -> Row {
    let parts: Vec<_> = parts.iter().map(|(n, p)| (place(n), p.clone())).collect();
    Row {
        means,
        puts: parts.clone(),
        parts,
    }
}

pub(super) fn setting(kind: Kind, rows: Vec<Row>) -> Setting {
    Setting {
        name: "model-lock".parse().expect("a name"),
        label: "Model lock".into(),
        help: None,
        kind,
        wire: Wire::default(),
        rows,
        saves: vec!["air".parse().expect("a name")],
        secret: false,
        optional: false,
        needs: None,
        blank_keeps: false,
        words: None,
    }
}

pub(super) fn slots() -> Kind {
    Kind::NumberOrOff(NumberRange {
        from: 1.into(),
        to: 40.into(),
        step: Decimal::ONE,
        unit: None,
    })
}

pub(super) fn number(n: i64) -> Value {
    Value::Number(n.into())
}

pub(super) fn at(raws: &[(&str, Raw)]) -> BTreeMap<PlaceName, Raw> {
    raws.iter()
        .map(|(n, raw)| (place(n), raw.clone()))
        .collect()
}

pub(super) fn chosen(word: &str) -> Raw {
    Raw::Choice(Some(word.into()))
}

/// A sound small profile.
pub(super) const SMALL: &str = include_str!("../../tests/profiles/ok/small.toml");

/// The faults of the sound small profile after some replacements, as `code: message`.
pub(super) fn faults(changes: &[(&str, &str)]) -> Vec<String> {
    let text = changes.iter().fold(SMALL.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "`{from}` is not in the small profile");
        text.replacen(from, to, 1)
    });
    load_text("small.toml", &text).map_or_else(
        |faults| {
            let said = faults.list.iter();
            said.map(|fault| format!("{}: {fault}", fault.code))
                .collect()
        },
        |_| Vec::new(),
    )
}
