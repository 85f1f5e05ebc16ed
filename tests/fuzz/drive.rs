//! Runs a check over one input after the other, for a time, and keeps the input that breaks it.

use std::{
    env, fs,
    panic::{AssertUnwindSafe, catch_unwind, resume_unwind},
    path::PathBuf,
    time::{Duration, Instant, SystemTime, UNIX_EPOCH},
};

/// How long one input may take, in a debug build on a busy machine. The page reader gives up by
/// itself after 5 s.
const LONGEST: Duration = Duration::from_secs(20);

/// A stream of numbers that follows from its seed: `SplitMix64` (Steele, Lea & Flood 2014; constants
/// from memory).
#[derive(Debug, Clone)]
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// A number below a bound; 0 where the bound is 0.
    pub(crate) fn below(&mut self, bound: usize) -> usize {
        let bound = u64::try_from(bound).unwrap_or(u64::MAX).max(1);
        usize::try_from(self.number() % bound).expect("it is below a usize")
    }

    /// Yes, once in so many times.
    pub(crate) fn once_in(&mut self, times: usize) -> bool {
        self.below(times) == 0
    }

    /// One of these.
    pub(crate) fn pick<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[self.below(all.len())]
    }
}

/// Makes inputs and checks each, until the time is up.
pub(crate) fn fuzz(
    name: &str,
    mut make: impl FnMut(&mut Dice) -> Vec<u8>,
    mut check: impl FnMut(&[u8]),
) {
    let number = |variable: &str| env::var(variable).ok().and_then(|text| text.parse().ok());
    if let Some(seed) = number("LINKMEND_FUZZ_SEED") {
        return once(name, seed, &mut make, &mut check);
    }
    let seconds: Option<u64> = number("LINKMEND_FUZZ_S");
    // Without a time it is a test like any other, whose inputs are the same each time.
    let first = if seconds.is_some() {
        let now = SystemTime::now().duration_since(UNIX_EPOCH);
        u64::try_from(now.expect("after 1970").as_nanos() % 1_000_000_000_000).expect("it fits")
            << 20
    } else {
        0
    };
    let time = Duration::from_secs(seconds.unwrap_or(1));
    let start = Instant::now();
    let mut seed = first;
    while start.elapsed() < time || seed < first + 50 {
        once(name, seed, &mut make, &mut check);
        seed += 1;
    }
    println!(
        "{name}: {} inputs from seed {first} in {:.0} s",
        seed - first,
        start.elapsed().as_secs_f64()
    );
}

fn once(
    name: &str,
    seed: u64,
    make: &mut impl FnMut(&mut Dice) -> Vec<u8>,
    check: &mut impl FnMut(&[u8]),
) {
    let input = make(&mut Dice(seed));
    let start = Instant::now();
    let checked = catch_unwind(AssertUnwindSafe(|| check(&input)));
    let took = start.elapsed();
    if checked.is_err() || took > LONGEST {
        let file = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("fuzz-{name}-{seed}"));
        fs::write(&file, &input).expect("the target folder can be written");
        println!(
            "{name}: seed {seed}, {took:?}; the input is {}",
            file.display()
        );
    }
    if let Err(panic) = checked {
        resume_unwind(panic);
    }
    assert!(took <= LONGEST, "{name}: seed {seed} took {took:?}");
}
