//! Bind keys and locks of a shelf, judged as pairs.
//!
//! A club runs one bind key with another lock for every craft. Two that share both, or share a key
//! while one of them has no lock, obey one transmitter together. Keys are compared in memory, and
//! nothing of them is ever told.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::shelf::{Loaner, Wish};
use crate::terms::{SettingName, Value, output::loaners::ShelfFinding};

/// Two share bind key and lock.
pub const SHARED_PAIR: &str = "shared-pair";

/// Some share a bind key, and at least one of them has no lock.
pub const SHARED_KEY_WITHOUT_LOCK: &str = "shared-key-without-lock";

/// The bind key of a loaner.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Key<'a> {
    /// These bytes.
    Known(&'a [u8]),
    /// It has none: it obeys nobody.
    Absent,
    /// One that no other has.
    Own,
    /// Not known.
    Unknown,
}

/// The lock of a loaner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lock {
    /// This slot.
    Slot(Decimal),
    /// It has none: it follows any slot.
    Off,
    /// A slot that no other has.
    Own,
    /// Not known.
    Unknown,
}

/// What decides who drives a loaner.
#[derive(Debug, Clone, Copy)]
pub struct End<'a> {
    /// What stands on its sticker.
    pub label: &'a str,
    /// Its bind key.
    pub key: Key<'a>,
    /// Its lock.
    pub lock: Lock,
}

/// Whether it is known, but never which.
impl std::fmt::Debug for Key<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Key::Known(_) => "Known(..)",
            Key::Absent => "Absent",
            Key::Own => "Own",
            Key::Unknown => "Unknown",
        })
    }
}

impl<'a> Key<'a> {
    /// Of a value of `bind-key`; none: not known.
    pub fn of(value: Option<&'a Value>) -> Self {
        match value {
            Some(Value::Bytes(bytes)) => Key::Known(bytes),
            Some(Value::Absent) => Key::Absent,
            _ => Key::Unknown,
        }
    }
}

impl Lock {
    /// Of a value of `model-lock`; none: not known.
    pub fn of(value: Option<&Value>) -> Self {
        match value {
            Some(Value::Number(slot)) => Lock::Slot(slot.normalize()),
            Some(Value::Off | Value::Absent) => Lock::Off,
            _ => Lock::Unknown,
        }
    }
}

impl<'a> End<'a> {
    /// What the file alone says of a loaner; `has_lock`: whether its family knows a lock.
    pub fn wanted(loaner: &'a Loaner, has_lock: bool) -> Self {
        let wish = |name: &str| loaner.wanted.get(name);
        End {
            label: &loaner.label,
            key: match wish(SettingName::BIND_KEY) {
                Some(Wish::Unique) => Key::Own,
                Some(Wish::Value(value)) => Key::of(Some(value)),
                None => Key::Unknown,
            },
            lock: match wish(SettingName::MODEL_LOCK) {
                _ if !has_lock => Lock::Off,
                Some(Wish::Unique) => Lock::Own,
                Some(Wish::Value(value)) => Lock::of(Some(value)),
                None => Lock::Unknown,
            },
        }
    }
}

/// What is shared, the gravest first: equal pairs, then keys without a lock; of one kind in the
/// order of the shelf. What is not known is taken for neither.
pub fn shared(ends: &[End<'_>]) -> Vec<ShelfFinding> {
    let mut by_key: BTreeMap<&[u8], Vec<&End<'_>>> = BTreeMap::new();
    for end in ends {
        if let Key::Known(key) = end.key {
            by_key.entry(key).or_default().push(end);
        }
    }
    // In the order of the shelf: that of the keys would say something of them.
    let mut groups: Vec<Vec<&End<'_>>> = by_key.into_values().filter(|g| g.len() > 1).collect();
    let place: BTreeMap<&str, usize> = ends.iter().zip(0..).map(|(e, at)| (e.label, at)).collect();
    groups.sort_by_key(|group| place.get(group[0].label));
    let mut pairs = groups
        .iter()
        .flat_map(|group| equal(group))
        .collect::<Vec<_>>();
    pairs.extend(groups.iter().filter_map(|group| without_lock(group)));
    pairs
}

/// Those of one key that have one slot too.
fn equal(group: &[&End<'_>]) -> Vec<ShelfFinding> {
    let mut by_slot: BTreeMap<Decimal, Vec<&str>> = BTreeMap::new();
    for end in group {
        if let Lock::Slot(slot) = end.lock {
            by_slot.entry(slot).or_default().push(end.label);
        }
    }
    by_slot
        .into_iter()
        .filter(|(_, labels)| labels.len() > 1)
        .map(|(slot, labels)| ShelfFinding {
            code: SHARED_PAIR.to_owned(),
            text: format!(
                "{} share bind key and lock: one transmitter at slot {slot} drives {}",
                listed(&labels),
                all(labels.len())
            ),
            loaners: labels.into_iter().map(str::to_owned).collect(),
        })
        .collect()
}

/// Those of one key of which somebody has no lock.
fn without_lock(group: &[&End<'_>]) -> Option<ShelfFinding> {
    let open: Vec<&str> = group
        .iter()
        .filter(|e| e.lock == Lock::Off)
        .map(|e| e.label)
        .collect();
    if open.is_empty() {
        return None;
    }
    let labels: Vec<&str> = group.iter().map(|end| end.label).collect();
    let text = if open.len() == labels.len() {
        format!(
            "{} share a bind key and have no lock: any transmitter of that key drives {}",
            listed(&labels),
            all(labels.len())
        )
    } else {
        format!(
            "{} share a bind key, and {} no lock: any transmitter of that key drives {} beside its own",
            listed(&labels),
            if open.len() == 1 {
                format!("{} has", open[0])
            } else {
                format!("{} have", listed(&open))
            },
            if open.len() == 1 { "it" } else { "them" },
        )
    };
    Some(ShelfFinding {
        code: SHARED_KEY_WITHOUT_LOCK.to_owned(),
        loaners: labels.into_iter().map(str::to_owned).collect(),
        text,
    })
}

fn all(count: usize) -> &'static str {
    if count == 2 { "both" } else { "all of them" }
}

/// `Heron, Smew and Teal`; of many the first ones, and how many more.
fn listed(labels: &[&str]) -> String {
    let (shown, more) = labels.split_at(labels.len().min(MOST_LISTED));
    match (shown, more.len()) {
        ([one], 0) => (*one).to_owned(),
        ([before @ .., last], 0) => format!("{} and {last}", before.join(", ")),
        (shown, more) => format!("{} and {more} more", shown.join(", ")),
    }
}

/// More labels than this are counted (a choice of ours, no source).
const MOST_LISTED: usize = 6;

#[cfg(test)]
mod tests {
    use super::*;

    fn end<'a>(label: &'a str, key: &'a str, lock: i64) -> End<'a> {
        End {
            label,
            key: Key::Known(key.as_bytes()),
            lock: if lock == 0 {
                Lock::Off
            } else {
                Lock::Slot(lock.into())
            },
        }
    }

    fn told(ends: &[End<'_>]) -> Vec<String> {
        let found = shared(ends).into_iter();
        found.map(|f| format!("{}: {}", f.code, f.text)).collect()
    }

    #[test]
    fn one_key_with_another_lock_each_is_how_a_club_does_it() {
        let ends = [
            end("Heron", "k", 1),
            end("Smew", "k", 2),
            end("Teal", "l", 1),
        ];
        assert_eq!(told(&ends), Vec::<String>::new());
    }

    #[test]
    fn equal_pairs_come_first_and_say_which_transmitter_drives_them() {
        let ends = [
            end("Coot", "l", 0),
            end("Heron", "k", 7),
            end("Grebe", "l", 0),
            end("Smew", "k", 7),
            end("Teal", "k", 3),
        ];
        assert_eq!(
            told(&ends),
            [
                "shared-pair: Heron and Smew share bind key and lock: one transmitter at slot 7 drives both",
                "shared-key-without-lock: Coot and Grebe share a bind key and have no lock: any transmitter of that key drives both",
            ]
        );
    }

    #[test]
    fn one_without_a_lock_obeys_every_transmitter_of_its_key() {
        let ends = [
            end("Heron", "k", 7),
            end("Smew", "k", 0),
            end("Teal", "k", 3),
        ];
        assert_eq!(
            told(&ends),
            [
                "shared-key-without-lock: Heron, Smew and Teal share a bind key, and Smew has no lock: any transmitter of that key drives it beside its own"
            ]
        );
        let found = shared(&ends);
        assert_eq!(found[0].loaners, ["Heron", "Smew", "Teal"]);
    }

    #[test]
    fn what_is_absent_unknown_or_its_own_is_shared_with_nobody() {
        let keys = [Key::Absent, Key::Own, Key::Unknown];
        for key in keys {
            let one = |label| End {
                label,
                key,
                lock: Lock::Off,
            };
            assert_eq!(
                told(&[one("Heron"), one("Smew")]),
                Vec::<String>::new(),
                "{key:?}"
            );
        }
        for lock in [Lock::Own, Lock::Unknown] {
            let one = |label| End {
                label,
                key: Key::Known(b"k"),
                lock,
            };
            assert_eq!(
                told(&[one("Heron"), one("Smew")]),
                Vec::<String>::new(),
                "{lock:?}"
            );
        }
    }

    #[test]
    fn a_slot_is_one_however_its_number_is_written() {
        let seven = |text: &str| Value::Number(text.parse().expect("a number"));
        let (a, b) = (seven("7"), seven("7.0"));
        assert_eq!(Lock::of(Some(&a)), Lock::of(Some(&b)));
    }

    #[test]
    fn many_are_counted_and_nothing_of_a_key_is_told() {
        let labels: Vec<String> = (1..=10).map(|n| format!("B{n}")).collect();
        let ends: Vec<End<'_>> = labels.iter().map(|label| end(label, "reed", 0)).collect();
        let told = told(&ends);
        assert_eq!(
            told,
            [
                "shared-key-without-lock: B1, B2, B3, B4, B5, B6 and 4 more share a bind key and have no lock: any transmitter of that key drives all of them"
            ]
        );
        assert!(!format!("{ends:?}").contains("114"), "a byte of the key");
    }
}
