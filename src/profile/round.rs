//! Whether every setting is read back as it was written, over its whole range.
//!
//! It guards against the profile that is right for the values somebody tried and wrong for the
//! others: a number one off at its end, a word that means off and is also a slot, a row that an
//! earlier one hides. Everything is computed on patterns; no device is needed.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use semver::Version;

use super::diag::{Code, Faults};
use super::model::{Means, Profile, Setting};
use super::tree::Node;
use crate::terms::{Kind, NumberRange, Overlay, PlaceName, Raw, Reading, Value};

/// Adds the first value of each setting that does not come back.
pub(super) fn trips(profile: &Profile, root: &Node, faults: &mut Faults) {
    for setting in &profile.settings {
        let broken = values(setting).into_iter().find_map(|value| {
            let why = lost(setting, &value)?;
            Some((value, why))
        });
        if let Some((value, why)) = broken {
            let name = setting.name.as_str();
            let rows = root
                .get("setting")
                .and_then(|all| all.get(name)?.get("row"));
            let key = if rows.is_some() { "row" } else { "at" };
            let shown = if matches!(value, Value::Text(_)) {
                format!("\"{value}\"")
            } else {
                value.to_string()
            };
            faults.add(
                Code::RoundTrip,
                root.spot(&["setting", name, key]),
                format!("`{name}` of {shown} {why}"),
                "each value of the range needs a row of its own meaning; the first row that fits counts"
                    .to_owned(),
            );
        }
    }
}

/// Why a value does not come back; none: it does.
fn lost(setting: &Setting, value: &Value) -> Option<String> {
    let told = setting
        .rows
        .iter()
        .find_map(|row| setting.fill(&row.means, &row.parts, value));
    if let Some(told) = told
        && !setting.blank_keeps
    {
        let read = setting.read(&told);
        if read != Reading::Known(value.clone()) {
            return Some(format!("is read as {}", words(&read)));
        }
    }
    if setting.saves.is_empty() {
        return None;
    }
    let Ok(written) = setting.write(value) else {
        return Some("cannot be written".to_owned());
    };
    let taken = setting
        .rows
        .iter()
        .filter(|row| !row.puts.is_empty())
        .find_map(|row| setting.mean(&row.means, &row.puts, &written));
    if taken.as_ref() != Some(value) {
        let taken = taken.map_or_else(|| "nothing".to_owned(), |taken| taken.to_string());
        return Some(format!("is written as what means {taken}"));
    }
    // What is not written stays as it was, so the value must come out over every other one.
    let plain = setting.rows.iter().all(|row| row.puts == row.parts);
    if !plain || setting.blank_keeps {
        return None;
    }
    befores(setting).find_map(|before| {
        let mut after: BTreeMap<PlaceName, Raw> = before;
        after.extend(written.clone());
        let read = setting.read(&after);
        (read != Reading::Known(value.clone())).then(|| {
            format!(
                "is read as {} when another value was there before",
                words(&read)
            )
        })
    })
}

/// What stands there for one value of each row.
fn befores(setting: &Setting) -> impl Iterator<Item = Overlay> {
    let some = values(setting);
    setting.rows.iter().filter_map(move |row| {
        some.iter()
            .find_map(|value| setting.fill(&row.means, &row.parts, value))
    })
}

fn words(reading: &Reading) -> String {
    match reading {
        Reading::Known(value) => value.to_string(),
        Reading::WriteOnly => "write-only".to_owned(),
        Reading::Unread(why) => why.clone(),
    }
}

/// The values to try: all where they are few, else the ends, their neighbours and a spread; and
/// absent where a row writes it.
fn values(setting: &Setting) -> Vec<Value> {
    let absent = setting
        .rows
        .iter()
        .any(|row| row.means == Means::Is(Value::Absent) && !row.puts.is_empty());
    let mut values = of_kind(&setting.kind);
    if absent {
        values.push(Value::Absent);
    }
    values
}

fn of_kind(kind: &Kind) -> Vec<Value> {
    let candidates: Vec<Value> = match kind {
        Kind::Flag => vec![Value::Flag(false), Value::Flag(true)],
        Kind::Number(range) => numbers(range),
        Kind::NumberOrOff(range) => {
            let mut values = vec![Value::Off];
            values.extend(numbers(range));
            values
        }
        Kind::Text { from, to } => texts(*from, *to),
        Kind::Choice(options) => options
            .iter()
            .map(|option| Value::Choice(option.value.clone()))
            .collect(),
        Kind::Bytes { from, to } => lengths(*from, *to)
            .flat_map(|length| {
                [
                    vec![0; length],
                    vec![0xff; length],
                    (0..length)
                        .map(|i| (i * 37 + 10).to_le_bytes()[0])
                        .collect(),
                ]
            })
            .map(Value::Bytes)
            .collect(),
        Kind::Version => [
            Version::new(0, 0, 0),
            Version::new(2, 4, 1),
            Version::new(10, 20, 30),
        ]
        .into_iter()
        .map(Value::Version)
        .collect(),
        Kind::List { of, from, to } => {
            let items = of_kind(of);
            lengths(*from, *to)
                .map(|length| {
                    // Every so many-th item, so that both ends of the items' range are in it.
                    let step = (items.len() / length.max(1)).max(1);
                    let mut list: Vec<Value> = items
                        .iter()
                        .step_by(step)
                        .cycle()
                        .take(length)
                        .cloned()
                        .collect();
                    if let (Some(last), Some(item)) = (list.last_mut(), items.last()) {
                        item.clone_into(last);
                    }
                    Value::List(list)
                })
                .collect()
        }
    };
    candidates
        .into_iter()
        .filter(|value| kind.admit(value.clone()).is_ok())
        .collect()
}

fn numbers(range: &NumberRange) -> Vec<Value> {
    let width = range.to.checked_sub(range.from).unwrap_or(Decimal::MAX);
    let step = if range.step.is_zero() {
        Decimal::new(1, 2)
    } else {
        range.step
    };
    let last = width
        .checked_div(step)
        .and_then(|count| count.floor().to_i64())
        .unwrap_or(i64::MAX)
        .max(0);
    let counts: Vec<i64> = if last < ALL_UP_TO {
        (0..=last).collect()
    } else {
        let spread = (0..=SPREAD).map(|i| last / SPREAD * i);
        [0, 1, last - 1, last].into_iter().chain(spread).collect()
    };
    counts
        .into_iter()
        .filter_map(|count| range.from.checked_add(step.checked_mul(count.into())?))
        .map(|number| Value::Number(number.normalize()))
        .collect()
}

fn texts(from: usize, to: usize) -> Vec<Value> {
    let mut texts: Vec<String> = [
        "",
        "0",
        "Smew",
        " Smew",
        "Smew ",
        "\"Smew\"",
        "it's <b>&amp;",
        "{}",
        "a,b;c:d=e",
        "R\u{f6}hrs\u{e4}nger \u{767d}\u{9ce5}",
        "\\u0041%20+",
        "null",
        "off",
    ]
    .map(str::to_owned)
    .to_vec();
    let alphabet = |length: usize| ('a'..='z').cycle().take(length).collect::<String>();
    texts.push(alphabet(from));
    texts.push(alphabet(to.min(MOST_TEXT)));
    texts
        .into_iter()
        .map(|text| Value::Text(text.as_str().into()))
        .collect()
}

/// The shortest and the longest, and one between.
fn lengths(from: usize, to: usize) -> impl Iterator<Item = usize> {
    let to = to.min(from + MOST_TEXT);
    [from, from.midpoint(to), to].into_iter()
}

/// Ranges of so many values are tried whole.
const ALL_UP_TO: i64 = 1_000;
/// Of larger ones, so many values are tried between the ends.
const SPREAD: i64 = 100;
/// Longer texts and lists than this are not tried.
const MOST_TEXT: usize = 1_000;
