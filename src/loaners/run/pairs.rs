//! Bind key and model lock as a pair, across the shelf: two loaners of one pair follow one
//! transmitter, and a loaner with a shared key and no lock follows all of that key.

use std::collections::{BTreeSet, HashMap};

use crate::{
    change::Wanted,
    terms::{SettingName, Snapshot, Value},
};

/// A pair, as far as it is known. An unbound loaner has the key [`Value::Absent`].
#[derive(Clone, Default, PartialEq)]
pub(super) struct Pair {
    /// Its bind key; none: not known.
    pub(super) key: Option<Value>,
    /// Its model lock; none: not known.
    pub(super) lock: Option<Value>,
}

impl Pair {
    /// As it was read.
    pub(super) fn read(snapshot: &Snapshot) -> Self {
        Self {
            key: snapshot.value(SettingName::BIND_KEY).cloned(),
            lock: snapshot.value(SettingName::MODEL_LOCK).cloned(),
        }
    }

    /// With what is wanted in its place.
    #[must_use]
    pub(super) fn with(self, wanted: &Wanted) -> Self {
        let of = |name: &str| wanted.get(name).cloned();
        Self {
            key: of(SettingName::BIND_KEY).or(self.key),
            lock: of(SettingName::MODEL_LOCK).or(self.lock),
        }
    }

    fn key_bytes(&self) -> Option<Vec<u8>> {
        match &self.key {
            None | Some(Value::Absent) => None,
            Some(key) => Some(key.fingerprint_bytes()),
        }
    }

    fn lock_bytes(&self) -> Option<Vec<u8>> {
        self.lock.as_ref().map(Value::fingerprint_bytes)
    }

    fn is_without_lock(&self) -> bool {
        self.lock == Some(Value::Off)
    }
}

/// Why a pair is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Shared {
    /// `shared-pair` or `shared-key-without-lock`.
    pub(super) code: &'static str,
    /// One of those it would be shared with.
    pub(super) with: usize,
}

/// The codes of [`Shared`].
pub(super) const SHARED_PAIR: &str = "shared-pair";
pub(super) const SHARED_KEY: &str = "shared-key-without-lock";

/// The pairs of a shelf: of those that are through as they are, of the others as they are to be.
#[derive(Default)]
pub(super) struct Pairs {
    of: HashMap<usize, Pair>,
    by_key: HashMap<Vec<u8>, Group>,
}

/// Those of one key.
#[derive(Default)]
struct Group {
    all: BTreeSet<usize>,
    by_lock: HashMap<Vec<u8>, BTreeSet<usize>>,
}

impl Pairs {
    /// What is known of a loaner from now on.
    pub(super) fn set(&mut self, loaner: usize, pair: Pair) {
        if let Some(old) = self.of.remove(&loaner)
            && let Some(group) = old.key_bytes().and_then(|key| self.by_key.get_mut(&key))
        {
            group.all.remove(&loaner);
            let lock = old.lock_bytes();
            if let Some(same) = lock.and_then(|lock| group.by_lock.get_mut(&lock)) {
                same.remove(&loaner);
            }
        }
        if let Some(key) = pair.key_bytes() {
            let group = self.by_key.entry(key).or_default();
            group.all.insert(loaner);
            if let Some(lock) = pair.lock_bytes() {
                group.by_lock.entry(lock).or_default().insert(loaner);
            }
        }
        self.of.insert(loaner, pair);
    }

    /// What is known of a loaner.
    pub(super) fn get(&self, loaner: usize) -> Pair {
        self.of.get(&loaner).cloned().unwrap_or_default()
    }

    /// Whether a loaner must not have this pair, since others have it.
    pub(super) fn refuses(&self, loaner: usize, pair: &Pair) -> Option<Shared> {
        let group = self.by_key.get(&pair.key_bytes()?)?;
        let other = |all: &BTreeSet<usize>| all.iter().copied().find(|one| *one != loaner);
        if pair.is_without_lock() {
            let with = other(&group.all)?;
            return Some(Shared {
                code: SHARED_KEY,
                with,
            });
        }
        let same = group.by_lock.get(&pair.lock_bytes()?)?;
        other(same).map(|with| Shared {
            code: SHARED_PAIR,
            with,
        })
    }

    /// Those that share a pair, and those that share a key of which some have no lock, each group in
    /// the order of the file.
    pub(super) fn shared(&self) -> Vec<(&'static str, Vec<usize>)> {
        let off = Value::Off.fingerprint_bytes();
        let mut found = Vec::new();
        for group in self.by_key.values() {
            let locked = group.by_lock.iter().filter(|(lock, _)| **lock != off);
            for (_, same) in locked.filter(|(_, same)| same.len() > 1) {
                found.push((SHARED_PAIR, same.iter().copied().collect()));
            }
            let open = group.by_lock.get(&off).is_some_and(|open| !open.is_empty());
            if open && group.all.len() > 1 {
                found.push((SHARED_KEY, group.all.iter().copied().collect()));
            }
        }
        // Equal pairs first, then by the first loaner of each.
        found.sort_by(|a: &(&str, Vec<usize>), b| {
            (a.0 != SHARED_PAIR, &a.1).cmp(&(b.0 != SHARED_PAIR, &b.1))
        });
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(key: u8, lock: i64) -> Pair {
        Pair {
            key: Some(match key {
                0 => Value::Absent,
                key => Value::Bytes(vec![key; 6]),
            }),
            lock: Some(match lock {
                0 => Value::Off,
                slot => Value::Number(slot.into()),
            }),
        }
    }

    #[test]
    fn a_pair_is_refused_where_another_has_it_and_a_key_without_lock_where_another_has_the_key() {
        let mut pairs = Pairs::default();
        pairs.set(0, pair(1, 4));
        pairs.set(1, pair(2, 0));
        let code = |loaner, pair| pairs.refuses(loaner, &pair).map(|s| (s.code, s.with));
        assert_eq!(code(5, pair(1, 4)), Some((SHARED_PAIR, 0)));
        assert_eq!(code(5, pair(1, 0)), Some((SHARED_KEY, 0)));
        assert_eq!(code(5, pair(1, 5)), None);
        // Its own lock keeps others out, though the other one has none.
        assert_eq!(code(5, pair(2, 5)), None);
        assert_eq!(code(0, pair(1, 4)), None, "it is its own");
        assert_eq!(code(5, pair(3, 0)), None);
        pairs.set(2, pair(0, 0));
        assert_eq!(
            code_of(&pairs, &pair(0, 0)),
            None,
            "unbound ones share nothing"
        );
        let unknown = Pair {
            lock: None,
            ..pair(1, 4)
        };
        assert_eq!(code_of(&pairs, &unknown), None);
    }

    fn code_of(pairs: &Pairs, pair: &Pair) -> Option<&'static str> {
        pairs.refuses(5, pair).map(|shared| shared.code)
    }

    #[test]
    fn what_was_set_last_counts_and_equal_pairs_are_told_first() {
        let mut pairs = Pairs::default();
        for (loaner, one) in [
            (0, pair(1, 0)),
            (1, pair(1, 3)),
            (2, pair(2, 7)),
            (3, pair(2, 7)),
        ] {
            pairs.set(loaner, one);
        }
        let expected = vec![(SHARED_PAIR, vec![2, 3]), (SHARED_KEY, vec![0, 1])];
        assert_eq!(pairs.shared(), expected);
        pairs.set(3, pair(2, 8));
        pairs.set(0, pair(1, 2));
        assert!(pairs.shared().is_empty());
        let with_key = Wanted::from([(
            "bind-key".parse().expect("a name"),
            Value::Bytes(vec![1; 6]),
        )]);
        let after = pairs.get(3).with(&with_key);
        assert!(after == pair(1, 8));
    }
}
