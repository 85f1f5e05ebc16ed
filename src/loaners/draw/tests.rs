//! What is drawn, with a source of random bytes that is the same in every run.

use std::sync::Arc;

use proptest::prelude::*;
use sha2::{Digest, Sha256};

use super::*;
use crate::{
    loaners::{
        shelf::{Loaner, Mark},
        testing::FAMILY,
    },
    profile::Profile,
};

/// SHA-256 over a seed and a counter: as good as random, and the same in every run. How many keys
/// were asked for is counted.
struct Made {
    seed: u64,
    asked: u64,
}

impl Made {
    fn new(seed: u64) -> Self {
        Self { seed, asked: 0 }
    }

    fn fill(&mut self, bytes: &mut [u8]) {
        self.asked += 1;
        let hash = Sha256::new()
            .chain_update(self.seed.to_be_bytes())
            .chain_update(self.asked.to_be_bytes())
            .finalize();
        bytes.copy_from_slice(&hash[..bytes.len()]);
    }
}

/// A family whose key has so many bytes.
fn family(bytes: usize) -> Arc<Profile> {
    let mut profile = FAMILY.clone();
    for setting in &mut profile.settings {
        if setting.name == *SettingName::BIND_KEY {
            setting.kind = Kind::Bytes {
                from: bytes,
                to: bytes,
            };
        }
    }
    Arc::new(profile)
}

/// A shelf of loaners `B0`, `B1`, … that want these of one setting; `None` wants nothing of it.
fn shelf(profile: Arc<Profile>, name: &str, wishes: &[Option<Wish>]) -> Shelf {
    let loaner = |(wish, at): (&Option<Wish>, usize)| Loaner {
        label: format!("B{at}"),
        mark: Mark {
            serial: Some(format!("S{at}")),
            bssid: None,
        },
        at: None,
        transmitter: None,
        wanted: wish
            .iter()
            .map(|wish| (name.parse().expect("a name"), wish.clone()))
            .collect(),
        line: at + 1,
    };
    Shelf {
        title: "Drawn".into(),
        profile,
        loaners: wishes.iter().zip(0..).map(loaner).collect(),
    }
}

fn slot(number: i64) -> Value {
    Value::Number(number.into())
}

fn having(name: &str, values: &[(usize, Value)]) -> Drawn {
    let name: SettingName = name.parse().expect("a name");
    let values = values.iter().cloned();
    values
        .map(|(at, value)| ((format!("B{at}"), name.clone()), value))
        .collect()
}

const LOCK: &str = SettingName::MODEL_LOCK;
const KEY: &str = SettingName::BIND_KEY;

/// Slots by the place of the loaner.
fn slots_of(
    shelf: &Shelf,
    earlier: &Drawn,
    present: &Drawn,
) -> Result<Vec<(usize, i64)>, DrawError> {
    let mut none = |_: &mut [u8]| Err(DrawError::NotRandom);
    let drawn = all(shelf, earlier, present, &mut none)?;
    let mut slots: Vec<(usize, i64)> = drawn
        .into_iter()
        .map(|((label, _), value)| match value {
            Value::Number(number) => {
                let number = number.to_string().parse().expect("a whole number");
                (label[1..].parse().expect("a place"), number)
            }
            other => panic!("{other:?}"),
        })
        .collect();
    slots.sort_unstable();
    Ok(slots)
}

#[test]
fn slots_are_the_lowest_that_no_row_names_and_no_other_has() {
    let wishes = [
        Some(Wish::Unique),
        Some(Wish::Value(slot(1))),
        None,
        Some(Wish::Unique),
        Some(Wish::Unique),
    ];
    let shelf = shelf(family(6), LOCK, &wishes);
    let drawn = |earlier: &[(usize, Value)], present: &[(usize, Value)]| {
        slots_of(&shelf, &having(LOCK, earlier), &having(LOCK, present)).expect("enough")
    };
    assert_eq!(drawn(&[], &[]), [(0, 2), (3, 3), (4, 4)]);
    // The third is not written, and keeps its 2.
    assert_eq!(drawn(&[], &[(2, slot(2))]), [(0, 3), (3, 4), (4, 5)]);
    // One that is alone with a slot may keep it, and no other gets it.
    assert_eq!(drawn(&[], &[(3, slot(2))]), [(0, 3), (3, 2), (4, 4)]);
    // Two that have the same both get another one.
    assert_eq!(
        drawn(&[], &[(0, slot(2)), (3, slot(2))]),
        [(0, 3), (3, 4), (4, 5)]
    );
    // What was drawn before is kept, whatever is lower by now.
    assert_eq!(drawn(&[(4, slot(40))], &[]), [(0, 2), (3, 3), (4, 40)]);
    // But not what a row names by now, what is no slot, or what two were given.
    assert_eq!(drawn(&[(0, slot(1))], &[]), [(0, 2), (3, 3), (4, 4)]);
    assert_eq!(drawn(&[(0, slot(41))], &[]), [(0, 2), (3, 3), (4, 4)]);
    assert_eq!(drawn(&[(0, Value::Off)], &[]), [(0, 2), (3, 3), (4, 4)]);
    assert_eq!(
        drawn(&[(0, slot(9)), (3, slot(9))], &[]),
        [(0, 9), (3, 2), (4, 3)]
    );
}

#[test]
fn forty_loaners_have_forty_slots_whatever_they_had_before_and_one_more_has_none() {
    let forty = vec![Some(Wish::Unique); 40];
    let shelf_of = |wishes: &[Option<Wish>]| shelf(family(6), LOCK, wishes);
    for present in [
        vec![],
        vec![(0, slot(7)); 1],
        (0..40).map(|at| (at, slot(7))).collect(),
    ] {
        let drawn = slots_of(&shelf_of(&forty), &Drawn::new(), &having(LOCK, &present));
        let slots: BTreeSet<i64> = drawn.expect("enough").into_iter().map(|(_, n)| n).collect();
        assert_eq!(slots, (1..=40).collect());
    }
    let more = [forty, vec![Some(Wish::Unique)]].concat();
    let none = slots_of(&shelf_of(&more), &Drawn::new(), &Drawn::new()).expect_err("too many");
    assert_eq!(
        none.to_string(),
        "no `model-lock` is left for B40: all 40 of them are taken"
    );
}

/// Draws keys of some bytes for so many loaners; gives what was drawn.
fn keys_for(count: usize, bytes: usize, random: Random<'_>) -> Result<Drawn, DrawError> {
    let shelf = shelf(family(bytes), KEY, &vec![Some(Wish::Unique); count]);
    all(&shelf, &Drawn::new(), &Drawn::new(), random)
}

fn distinct(drawn: &Drawn) -> usize {
    drawn
        .values()
        .map(|value| comparable(value.clone()))
        .collect::<BTreeSet<_>>()
        .len()
}

#[test]
fn keys_have_the_length_of_the_family_and_are_never_one_that_is_in_use() {
    let key = |byte: u8| Value::Bytes(vec![byte; 6]);
    let wishes = [
        Some(Wish::Unique),
        Some(Wish::Value(key(1))),
        None,
        Some(Wish::Unique),
    ];
    let shelf = shelf(family(6), KEY, &wishes);
    // A source that first gives what is named, what is there, what was drawn; then others.
    let mut given = [1, 2, 3, 3, 4].into_iter();
    let mut random = |bytes: &mut [u8]| {
        bytes.fill(given.next().expect("no more is asked for"));
        Ok(())
    };
    let present = having(KEY, &[(2, key(2)), (0, key(9))]);
    let drawn = all(&shelf, &Drawn::new(), &present, &mut random).expect("drawn");
    assert_eq!(drawn, having(KEY, &[(0, key(3)), (3, key(4))]));
    // The second time nothing is drawn.
    let mut none = |_: &mut [u8]| Err(DrawError::NotRandom);
    assert_eq!(all(&shelf, &drawn, &present, &mut none), Ok(drawn));
}

#[test]
fn a_source_that_gives_the_same_over_and_over_is_found_out() {
    let mut same = |bytes: &mut [u8]| {
        bytes.fill(7);
        Ok(())
    };
    assert_eq!(keys_for(2, 6, &mut same), Err(DrawError::NotRandom));
    let mut made = Made::new(1);
    let mut random = |bytes: &mut [u8]| {
        made.fill(bytes);
        Ok(())
    };
    // All keys of one byte there are, and no more.
    assert_eq!(
        distinct(&keys_for(256, 1, &mut random).expect("enough")),
        256
    );
    let none = keys_for(257, 1, &mut random).expect_err("too many");
    assert_eq!(none.code(), "none-left");
}

/// How many keys of two bytes were asked for, beyond those that were drawn, for so many loaners.
fn rejected(count: usize, seed: u64, spoil: impl Fn(&mut [u8])) -> u64 {
    let mut made = Made::new(seed);
    let mut random = |bytes: &mut [u8]| {
        made.fill(bytes);
        spoil(bytes);
        Ok(())
    };
    let drawn = keys_for(count, 2, &mut random).expect("enough");
    assert_eq!(distinct(&drawn), count, "before everything else");
    made.asked - u64::try_from(count).expect("few")
}

/// Holds rejections against the birthday bound. Of `n` keys out of `N` that are drawn one by one and
/// none twice, the `k`-th is asked for `N / (N - k)` times on average (geometric distribution; Feller,
/// An Introduction to Probability Theory and Its Applications, volume 1, sections II.3 and VI.8, from
/// memory); the sum of what is rejected is near n² / 2N, the common textbook approximation. Its
/// variance is the sum of k N / (N - k)². True where the mean over many runs is within five standard
/// deviations.
fn keeps_the_bound(count: u32, runs: u32, spoil: impl Fn(&mut [u8])) -> bool {
    let all = 65_536.0;
    let (mut mean, mut variance) = (0.0, 0.0);
    for k in (0..count).map(f64::from) {
        mean += k / (all - k);
        variance += k * all / ((all - k) * (all - k));
    }
    let about = f64::from(count) * f64::from(count) / (2.0 * all);
    assert!((mean / about - 1.0).abs() < 0.05, "{mean} and {about}");
    let total: u64 = (0..runs)
        .map(|seed| rejected(count as usize, seed.into(), &spoil))
        .sum();
    let total = f64::from(u32::try_from(total).expect("few"));
    let runs = f64::from(runs);
    (total - runs * mean).abs() < 5.0 * (runs * variance).sqrt()
}

#[test]
fn as_many_keys_are_rejected_as_the_birthday_bound_says() {
    // 2,000 of 65,536: about 31 of a run meet one that is there.
    assert!(keeps_the_bound(2_000, 6, |_| {}));
    // The check can fail: half of the keys are never given, or a third of one byte's values.
    assert!(!keeps_the_bound(2_000, 6, |bytes| bytes[1] &= 0xfe));
    assert!(!keeps_the_bound(2_000, 6, |bytes| bytes[0] %= 160));
}

#[test]
fn the_first_meeting_of_two_keys_is_as_likely_as_the_birthday_problem_has_it() {
    // Feller, volume 1, section II.3 (from memory): of n out of N none meet with a probability of
    // about exp(-n (n - 1) / 2N); 302 of 65,536 meet in every second run.
    let runs = 200;
    let likely = 1.0 - (-302.0_f64 * 301.0 / (2.0 * 65_536.0)).exp();
    assert!((likely - 0.5).abs() < 0.001, "{likely}");
    let met = |spoil: fn(&mut [u8])| {
        let met = (0..runs).filter(|seed| rejected(302, 1_000 + seed, spoil) > 0);
        f64::from(u32::try_from(met.count()).expect("few"))
    };
    // Binomial: 200 runs, five standard deviations of 7.07.
    assert!((met(|_| {}) - 100.0).abs() < 35.4);
    assert!(
        (met(|bytes| bytes[1] &= 0xf0) - 100.0).abs() > 35.4,
        "it can fail"
    );
}

#[test]
fn the_source_of_this_system_gives_keys_that_never_meet() {
    // 2,000 of 2^48: two of them meet once in 10^8 runs, by the same formula.
    let asked = std::cell::Cell::new(0);
    let mut random = |bytes: &mut [u8]| {
        asked.set(asked.get() + 1);
        system(bytes)
    };
    let drawn = keys_for(2_000, 6, &mut random).expect("the system gives some");
    assert_eq!((distinct(&drawn), asked.get()), (2_000, 2_000));
    // Each bit is set in about a half of them: 1,000, within seven standard deviations of 22.4.
    for bit in 0..48 {
        let set = drawn.values().filter(|value| {
            let bytes = comparable((*value).clone());
            bytes[bit / 8] >> (bit % 8) & 1 == 1
        });
        let set = set.count();
        assert!((843..=1157).contains(&set), "bit {bit} in {set}");
    }
}

proptest! {
    #[test]
    fn no_two_loaners_ever_get_the_same_slot_and_nobody_gets_one_that_is_named(
        wishes in proptest::collection::vec(prop_oneof![
            Just(None),
            Just(Some(Wish::Unique)),
            (1..=40_i64).prop_map(|n| Some(Wish::Value(slot(n)))),
        ], 1..40),
        earlier in proptest::collection::vec((0..40_usize, (1..=45_i64).prop_map(slot)), 0..20),
        present in proptest::collection::vec((0..40_usize, (1..=40_i64).prop_map(slot)), 0..40),
    ) {
        let shelf = shelf(family(6), LOCK, &wishes);
        let earlier = having(LOCK, &earlier);
        let present = having(LOCK, &present);
        match slots_of(&shelf, &earlier, &present) {
            Ok(slots) => {
                let unique = wishes.iter().filter(|w| **w == Some(Wish::Unique)).count();
                prop_assert_eq!(slots.len(), unique);
                let distinct: BTreeSet<i64> = slots.iter().map(|(_, slot)| *slot).collect();
                prop_assert_eq!(distinct.len(), unique);
                for (at, wish) in wishes.iter().enumerate() {
                    let has = match wish {
                        Some(Wish::Value(value)) => Some(value.clone()),
                        None => present.get(&(format!("B{at}"), LOCK.parse().expect("a name"))).cloned(),
                        Some(Wish::Unique) => None,
                    };
                    if let Some(has) = has {
                        prop_assert!(!slots.iter().any(|(_, n)| slot(*n) == has));
                    }
                }
                for number in distinct {
                    prop_assert!((1..=40).contains(&number));
                }
            }
            Err(error) => {
                // Only where there are not enough: what is held by others and what is wanted.
                prop_assert_eq!(error.code(), "none-left");
                prop_assert!(wishes.len() > 20, "{}", error);
            }
        }
    }
}
