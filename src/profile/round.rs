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

/// Adds the first value of each setting that does not come back. A setting that has a fault
/// already is left alone: what follows from that fault is no news.
pub(super) fn trips(profile: &Profile, root: &Node, faults: &mut Faults) {
    for setting in &profile.settings {
        let entry = root
            .get("setting")
            .and_then(|all| all.entry(setting.name.as_str()));
        let faulty = entry.is_some_and(|entry| {
            faults.list.iter().any(|fault| {
                entry.key_span.contains(&fault.span.start) || entry.node.covers(fault.span.start)
            })
        });
        if faulty {
            continue;
        }
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::testing::{choice, row, setting, slots, text};
    use super::super::{Means, Pattern, Template, Wire};
    use super::*;

    #[test]
    fn small_ranges_are_tried_whole_and_large_ones_at_their_ends() {
        assert_eq!(of_kind(&slots()).len(), 41, "off and 1 to 40");
        let large = Kind::Number(NumberRange {
            from: 0.into(),
            to: 1_000_000.into(),
            step: Decimal::ONE,
            unit: None,
        });
        let tried = of_kind(&large);
        assert!(tried.len() < 200);
        for end in [0, 1, 999_999, 1_000_000] {
            assert!(tried.contains(&Value::Number(end.into())), "{end}");
        }
    }

    #[test]
    fn a_value_that_an_earlier_row_hides_is_found() {
        let hidden = setting(
            slots(),
            vec![
                row(Means::Is(Value::Off), &[("held", text("0"))]),
                row(Means::Value, &[("held", text("{}"))]),
            ],
        );
        let lost = |setting: &Setting| {
            values(setting)
                .iter()
                .find_map(|value| Some((value.clone(), lost(setting, value)?)))
        };
        assert_eq!(lost(&hidden), None);
        let mut shifted = hidden;
        shifted.wire.add = (-1).into();
        let told = "is read as off".to_owned();
        assert_eq!(lost(&shifted), Some((Value::Number(1.into()), told)));
    }

    #[test]
    fn a_value_that_shows_only_over_an_unset_device_is_found() {
        // Off leaves the number standing, and the number's row comes first.
        let stays = setting(
            slots(),
            vec![
                row(Means::Value, &[("slot", text("{}"))]),
                row(Means::Is(Value::Off), &[("follows", choice("any"))]),
            ],
        );
        assert_eq!(
            lost(&stays, &Value::Off).as_deref(),
            Some("is read as 1 when another value was there before")
        );
    }

    #[test]
    fn a_value_without_a_row_is_found_where_the_setting_is_written() {
        let mut half = setting(slots(), vec![row(Means::Value, &[("held", text("{}"))])]);
        assert_eq!(
            lost(&half, &Value::Off).as_deref(),
            Some("cannot be written")
        );
        half.saves.clear();
        assert_eq!(lost(&half, &Value::Off), None, "it is only read");
    }

    #[test]
    fn puts_that_mean_something_else_are_found() {
        let mut told = setting(
            slots(),
            vec![
                row(Means::Is(Value::Off), &[("held", text("nobody"))]),
                row(Means::Value, &[("held", text("slot {}"))]),
            ],
        );
        let place = |name: &str| name.parse::<PlaceName>().expect("a name");
        told.rows[0].puts = vec![(place("slot"), text("7"))];
        told.rows[1].puts = vec![(place("slot"), text("{}"))];
        assert_eq!(
            lost(&told, &Value::Number(7.into())).as_deref(),
            Some("is written as what means off")
        );
        told.rows[0].puts = vec![(place("tied"), Pattern::Box(false))];
        told.rows[1].puts.push((place("tied"), Pattern::Box(true)));
        assert_eq!(lost(&told, &Value::Number(7.into())), None);
    }

    /// A kind, how it is spelled, and a pattern that holds it.
    fn spelled() -> impl Strategy<Value = (Setting, Value)> {
        let wires = (1..=1000_i64, -1000..=1000_i64, 0..3_u32, any::<bool>()).prop_map(
            |(times, add, scale, upper)| Wire {
                times: Decimal::new(times, scale),
                add: Decimal::new(add, scale),
                separator: ",".into(),
                upper,
            },
        );
        let range = || NumberRange {
            from: (-100_000).into(),
            to: 100_000.into(),
            step: Decimal::ZERO,
            unit: None,
        };
        let numbers =
            || (-1_000_000..=1_000_000_i64).prop_map(|n| Value::Number(Decimal::new(n, 2)));
        let text_kind = Kind::Text { from: 0, to: 200 };
        let list_kind = Kind::List {
            of: Box::new(Kind::Number(range())),
            from: 0,
            to: 8,
        };
        let values = prop_oneof![
            (Just(Kind::NumberOrOff(range())), numbers()),
            (
                Just(text_kind),
                any::<String>().prop_map(|t| Value::Text(
                    t.chars().take(200).collect::<String>().as_str().into()
                ))
            ),
            (
                Just(Kind::Bytes { from: 0, to: 16 }),
                prop::collection::vec(any::<u8>(), 0..=16).prop_map(Value::Bytes)
            ),
            (
                Just(list_kind),
                prop::collection::vec(numbers(), 0..=8).prop_map(Value::List)
            ),
        ];
        (wires, values, 0..3_usize).prop_map(|(wire, (kind, value), shape)| {
            let array = matches!(kind, Kind::Bytes { .. } | Kind::List { .. });
            let hole = Template::parse("<{}>").expect("a template");
            let pattern = match shape {
                0 => Pattern::Text(hole),
                1 => Pattern::Choice(hole),
                _ if array => Pattern::JsonArray,
                _ if matches!(kind, Kind::NumberOrOff(_)) => Pattern::JsonNumber,
                _ => Pattern::JsonText(hole),
            };
            let mut setting = setting(kind, vec![row(Means::Value, &[("p", pattern)])]);
            setting.wire = wire;
            (setting, value)
        })
    }

    proptest! {
        #[test]
        fn reading_gives_back_what_writing_put_in((setting, value) in spelled()) {
            let written = setting.write(&value).expect("in range and a way to write it");
            prop_assert_eq!(setting.read(&written), Reading::Known(value));
        }
    }
}
