//! Bind keys and locks of a shelf, judged as pairs.
//!
//! A club runs one bind key with another lock for every craft. Two that share both, or share a key
//! while one of them has no lock, obey one transmitter together. The file is judged by it before a
//! run, and a run by it as it goes on. Keys are compared in memory, and nothing of them is ever told.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use rust_decimal::Decimal;

use super::shelf::{Loaner, Wish};
use crate::{
    profile::Profile,
    terms::{SettingName, Snapshot, Value, output::loaners::ShelfFinding},
};

/// Two share bind key and lock.
pub const SHARED_PAIR: &str = "shared-pair";

/// Some share a bind key, and at least one of them has no lock.
pub const SHARED_KEY_WITHOUT_LOCK: &str = "shared-key-without-lock";

/// The bind key of a loaner.
#[derive(Clone, Default, PartialEq, Eq)]
pub enum Key {
    /// These bytes.
    Known(Vec<u8>),
    /// It has none: it obeys nobody.
    Absent,
    /// One that no other has.
    Own,
    /// Not known.
    #[default]
    Unknown,
}

/// The lock of a loaner.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Lock {
    /// This slot.
    Slot(Decimal),
    /// It has none: it follows any slot.
    Off,
    /// A slot that no other has.
    Own,
    /// Not known.
    #[default]
    Unknown,
}

/// What decides who drives a loaner, as far as it is known.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pair {
    /// Its bind key.
    pub key: Key,
    /// Its lock.
    pub lock: Lock,
}

/// Whether it is known, but never which.
impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Key::Known(_) => "Known(..)",
            Key::Absent => "Absent",
            Key::Own => "Own",
            Key::Unknown => "Unknown",
        })
    }
}

impl Key {
    /// Of a value of `bind-key`.
    pub fn of(value: &Value) -> Self {
        match value {
            Value::Bytes(bytes) => Key::Known(bytes.clone()),
            Value::Absent => Key::Absent,
            _ => Key::Unknown,
        }
    }
}

impl Lock {
    /// Of a value of `model-lock`.
    pub fn of(value: &Value) -> Self {
        match value {
            Value::Number(slot) => Lock::Slot(slot.normalize()),
            Value::Off | Value::Absent => Lock::Off,
            _ => Lock::Unknown,
        }
    }
}

impl Pair {
    /// As it was read.
    pub fn read(snapshot: &Snapshot, profile: &Profile) -> Self {
        Self::unread(profile).with(|name| snapshot.value(name))
    }

    /// As the file alone says.
    pub fn named(loaner: &Loaner, profile: &Profile) -> Self {
        let wish = |name: &str| loaner.wanted.get(name);
        let mut pair = Self::unread(profile).with(|name| match wish(name) {
            Some(Wish::Value(value)) => Some(value),
            Some(Wish::Unique) | None => None,
        });
        if wish(SettingName::BIND_KEY) == Some(&Wish::Unique) {
            pair.key = Key::Own;
        }
        if wish(SettingName::MODEL_LOCK) == Some(&Wish::Unique) {
            pair.lock = Lock::Own;
        }
        pair
    }

    /// Of one of which nothing was read: a family without a lock has none.
    pub fn unread(profile: &Profile) -> Self {
        let has_lock = profile.setting(SettingName::MODEL_LOCK).is_some();
        Self {
            key: Key::Unknown,
            lock: if has_lock { Lock::Unknown } else { Lock::Off },
        }
    }

    /// With other values in its place, where there are any.
    #[must_use]
    pub fn with<'a>(self, value: impl Fn(&str) -> Option<&'a Value>) -> Self {
        Self {
            key: value(SettingName::BIND_KEY).map_or(self.key, Key::of),
            lock: value(SettingName::MODEL_LOCK).map_or(self.lock, Lock::of),
        }
    }
}

/// Why a pair is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shared {
    /// [`SHARED_PAIR`] or [`SHARED_KEY_WITHOUT_LOCK`].
    pub code: &'static str,
    /// One of those it would be shared with, by its place on the shelf.
    pub with: usize,
}

/// The pairs of a shelf, by the place of each loaner. What is not known of one is shared with nobody.
#[derive(Default)]
pub struct Pairs {
    of: HashMap<usize, Pair>,
    by_key: HashMap<Vec<u8>, Group>,
}

/// Those of one key.
#[derive(Default)]
struct Group {
    all: BTreeSet<usize>,
    open: BTreeSet<usize>,
    by_slot: BTreeMap<Decimal, BTreeSet<usize>>,
}

impl Group {
    fn insert(&mut self, loaner: usize, lock: Lock) {
        self.all.insert(loaner);
        match lock {
            Lock::Slot(slot) => {
                self.by_slot.entry(slot).or_default().insert(loaner);
            }
            Lock::Off => {
                self.open.insert(loaner);
            }
            Lock::Own | Lock::Unknown => {}
        }
    }

    fn remove(&mut self, loaner: usize) {
        self.all.remove(&loaner);
        self.open.remove(&loaner);
        for same in self.by_slot.values_mut() {
            same.remove(&loaner);
        }
    }
}

impl Pairs {
    /// As the file alone says.
    pub fn named(loaners: &[Loaner], profile: &Profile) -> Self {
        let mut pairs = Self::default();
        for (place, loaner) in loaners.iter().enumerate() {
            pairs.set(place, Pair::named(loaner, profile));
        }
        pairs
    }

    /// What is known of a loaner from now on.
    pub fn set(&mut self, loaner: usize, pair: Pair) {
        self.forget(loaner);
        if let Key::Known(key) = &pair.key {
            let group = self.by_key.entry(key.clone()).or_default();
            group.insert(loaner, pair.lock);
        }
        self.of.insert(loaner, pair);
    }

    /// Nothing is known of a loaner any more.
    pub fn forget(&mut self, loaner: usize) {
        if let Some(Pair {
            key: Key::Known(old),
            ..
        }) = self.of.remove(&loaner)
            && let Some(group) = self.by_key.get_mut(&old)
        {
            group.remove(loaner);
        }
    }

    /// What is known of a loaner; none: nothing was said of it.
    pub fn get(&self, loaner: usize) -> Option<&Pair> {
        self.of.get(&loaner)
    }

    /// Whether a loaner must not have this pair, since others have it.
    pub fn refuses(&self, loaner: usize, pair: &Pair) -> Option<Shared> {
        let Key::Known(key) = &pair.key else {
            return None;
        };
        let group = self.by_key.get(key)?;
        let (code, same) = match pair.lock {
            Lock::Off => (SHARED_KEY_WITHOUT_LOCK, &group.all),
            Lock::Slot(slot) => (SHARED_PAIR, group.by_slot.get(&slot)?),
            // A lock of its own keeps others out.
            Lock::Own | Lock::Unknown => return None,
        };
        let with = same.iter().copied().find(|one| *one != loaner)?;
        Some(Shared { code, with })
    }

    /// What is shared, the gravest first: equal pairs, then keys without a lock; of one kind in the
    /// order of the shelf, since that of the keys would say something of them. `labels`: those of
    /// all places.
    pub fn shared(&self, labels: &[&str]) -> Vec<ShelfFinding> {
        let mut found: Vec<(usize, ShelfFinding)> = Vec::new();
        let mut open: Vec<(usize, ShelfFinding)> = Vec::new();
        let of = |places: &BTreeSet<usize>| -> Vec<&str> {
            places.iter().map(|place| labels[*place]).collect()
        };
        for group in self.by_key.values() {
            let Some(first) = group.all.first().filter(|_| group.all.len() > 1) else {
                continue;
            };
            for (slot, same) in group.by_slot.iter().filter(|(_, same)| same.len() > 1) {
                let first = same.first().unwrap_or(first);
                found.push((*first, equal(*slot, &of(same))));
            }
            if !group.open.is_empty() {
                open.push((*first, without_lock(&of(&group.all), &of(&group.open))));
            }
        }
        found.sort_by_key(|(first, _)| *first);
        open.sort_by_key(|(first, _)| *first);
        found.append(&mut open);
        found.into_iter().map(|(_, finding)| finding).collect()
    }
}

/// Those of one key that have one slot too.
fn equal(slot: Decimal, labels: &[&str]) -> ShelfFinding {
    ShelfFinding {
        code: SHARED_PAIR.to_owned(),
        text: format!(
            "{} share bind key and lock: one transmitter at slot {slot} drives {}",
            listed(labels),
            all(labels.len())
        ),
        loaners: owned(labels),
    }
}

/// Those of one key of which somebody has no lock.
fn without_lock(labels: &[&str], open: &[&str]) -> ShelfFinding {
    let text = if open.len() == labels.len() {
        format!(
            "{} share a bind key and have no lock: any transmitter of that key drives {}",
            listed(labels),
            all(labels.len())
        )
    } else {
        format!(
            "{} share a bind key, and {} no lock: any transmitter of that key drives {} beside its own",
            listed(labels),
            if open.len() == 1 {
                format!("{} has", open[0])
            } else {
                format!("{} have", listed(open))
            },
            if open.len() == 1 { "it" } else { "them" },
        )
    };
    ShelfFinding {
        code: SHARED_KEY_WITHOUT_LOCK.to_owned(),
        loaners: owned(labels),
        text,
    }
}

fn owned(labels: &[&str]) -> Vec<String> {
    labels.iter().map(|label| (*label).to_owned()).collect()
}

fn all(count: usize) -> &'static str {
    if count == 2 { "both" } else { "all of them" }
}

/// `Heron, Smew and Teal`; of many the first ones, and how many more.
pub(super) fn listed(labels: &[&str]) -> String {
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

    /// A key of this text, and a slot; 0: no lock. No text: no key.
    fn pair(key: &str, lock: i64) -> Pair {
        Pair {
            key: match key {
                "" => Key::Absent,
                key => Key::Known(key.into()),
            },
            lock: match lock {
                0 => Lock::Off,
                slot => Lock::Slot(slot.into()),
            },
        }
    }

    fn shared(ends: &[(&str, Pair)]) -> Vec<ShelfFinding> {
        let mut pairs = Pairs::default();
        for (place, (_, pair)) in ends.iter().enumerate() {
            pairs.set(place, pair.clone());
        }
        let labels: Vec<&str> = ends.iter().map(|(label, _)| *label).collect();
        pairs.shared(&labels)
    }

    fn told(ends: &[(&str, Pair)]) -> Vec<String> {
        let found = shared(ends).into_iter();
        found.map(|f| format!("{}: {}", f.code, f.text)).collect()
    }

    #[test]
    fn one_key_with_another_lock_each_is_how_a_club_does_it() {
        let ends = [
            ("Heron", pair("k", 1)),
            ("Smew", pair("k", 2)),
            ("Teal", pair("l", 1)),
        ];
        assert_eq!(told(&ends), Vec::<String>::new());
    }

    #[test]
    fn one_of_which_nothing_is_known_any_more_shares_nothing() {
        let mut pairs = Pairs::default();
        pairs.set(0, pair("k", 7));
        pairs.set(1, pair("k", 7));
        assert_eq!(pairs.shared(&["Heron", "Smew"]).len(), 1);
        pairs.forget(1);
        assert_eq!(pairs.shared(&["Heron", "Smew"]), []);
        assert!(pairs.get(1).is_none());
        assert!(pairs.refuses(1, &pair("k", 7)).is_some(), "Heron has it");
    }

    #[test]
    fn equal_pairs_come_first_and_say_which_transmitter_drives_them() {
        let ends = [
            ("Coot", pair("l", 0)),
            ("Heron", pair("k", 7)),
            ("Grebe", pair("l", 0)),
            ("Smew", pair("k", 7)),
            ("Teal", pair("k", 3)),
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
    fn groups_are_told_in_the_order_of_the_shelf_and_not_of_their_keys() {
        let ends = [
            ("Heron", pair("z", 9)),
            ("Coot", pair("z", 2)),
            ("Smew", pair("a", 1)),
            ("Grebe", pair("z", 2)),
            ("Teal", pair("a", 1)),
            ("Eider", pair("z", 9)),
        ];
        let firsts: Vec<String> = shared(&ends)
            .into_iter()
            .map(|f| f.loaners.join(" "))
            .collect();
        assert_eq!(firsts, ["Heron Eider", "Coot Grebe", "Smew Teal"]);
    }

    #[test]
    fn one_without_a_lock_obeys_every_transmitter_of_its_key() {
        let ends = [
            ("Heron", pair("k", 7)),
            ("Smew", pair("k", 0)),
            ("Teal", pair("k", 3)),
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
        let locks = [Lock::Own, Lock::Unknown];
        let open = |key: Key| Pair {
            key,
            lock: Lock::Off,
        };
        let of_k = |lock| Pair {
            lock,
            ..pair("k", 0)
        };
        for pair in keys.map(open).into_iter().chain(locks.map(of_k)) {
            let ends = [("Heron", pair.clone()), ("Smew", pair.clone())];
            assert_eq!(told(&ends), Vec::<String>::new(), "{pair:?}");
            let mut pairs = Pairs::default();
            pairs.set(0, pair.clone());
            assert_eq!(pairs.refuses(1, &pair), None, "{pair:?}");
        }
    }

    #[test]
    fn a_slot_is_one_however_its_number_is_written() {
        let seven = |text: &str| Value::Number(text.parse().expect("a number"));
        assert_eq!(Lock::of(&seven("7")), Lock::of(&seven("7.0")));
    }

    #[test]
    fn many_are_counted_and_nothing_of_a_key_is_told() {
        let labels: Vec<String> = (1..=10).map(|n| format!("B{n}")).collect();
        let ends: Vec<(&str, Pair)> = labels
            .iter()
            .map(|label| (label.as_str(), pair("reed", 0)))
            .collect();
        let told = told(&ends);
        assert_eq!(
            told,
            [
                "shared-key-without-lock: B1, B2, B3, B4, B5, B6 and 4 more share a bind key and have no lock: any transmitter of that key drives all of them"
            ]
        );
        assert!(!format!("{ends:?}").contains("114"), "a byte of the key");
    }

    #[test]
    fn a_pair_is_refused_where_another_has_it_and_a_key_without_lock_where_another_has_the_key() {
        let mut pairs = Pairs::default();
        pairs.set(0, pair("k", 4));
        pairs.set(1, pair("l", 0));
        pairs.set(2, pair("", 0));
        let code = |loaner, pair| pairs.refuses(loaner, &pair).map(|s| (s.code, s.with));
        assert_eq!(code(5, pair("k", 4)), Some((SHARED_PAIR, 0)));
        assert_eq!(code(5, pair("k", 0)), Some((SHARED_KEY_WITHOUT_LOCK, 0)));
        assert_eq!(code(5, pair("k", 5)), None);
        // Its own lock keeps others out, though the other one has none.
        assert_eq!(code(5, pair("l", 5)), None);
        assert_eq!(code(0, pair("k", 4)), None, "it is its own");
        assert_eq!(code(5, pair("m", 0)), None);
        assert_eq!(code(5, pair("", 0)), None, "unbound ones share nothing");
    }

    #[test]
    fn what_was_set_last_counts() {
        let mut pairs = Pairs::default();
        let labels = ["Heron", "Smew", "Teal", "Coot"];
        let all = [pair("k", 0), pair("k", 3), pair("l", 7), pair("l", 7)];
        for (place, one) in all.into_iter().enumerate() {
            pairs.set(place, one);
        }
        let codes: Vec<String> = pairs.shared(&labels).into_iter().map(|f| f.code).collect();
        assert_eq!(codes, [SHARED_PAIR, SHARED_KEY_WITHOUT_LOCK]);
        pairs.set(3, pair("l", 8));
        pairs.set(0, pair("k", 2));
        assert_eq!(pairs.shared(&labels), []);
        let key = Value::Bytes(b"k".to_vec());
        let before = pairs.get(3).expect("set").clone();
        let after = before.with(|name| (name == SettingName::BIND_KEY).then_some(&key));
        assert_eq!(after, pair("k", 8));
        assert_eq!(pairs.get(9), None);
    }

    #[test]
    fn receivers_of_a_family_without_a_lock_have_none() {
        let text = crate::profile::named("sample-form").expect("built in");
        assert_eq!(Pair::unread(&text).lock, Lock::Unknown);
        let mut without = text;
        let lock = |one: &crate::profile::Setting| one.name.as_str() == SettingName::MODEL_LOCK;
        without.settings.retain(|one| !lock(one));
        assert_eq!(Pair::unread(&without).lock, Lock::Off);
    }
}
