//! Numbers that look random and are the same for the same seed.
//!
//! Each purpose draws from a stream of its own, so that one page more or less in a test does not
//! change how long a restart takes.

use std::time::Duration;

/// A stream of numbers by `SplitMix64` (Steele, Lea and Flood 2014; constants from memory). It
/// guards nothing: whoever knows the seed knows the tokens.
#[derive(Debug, Clone)]
pub(crate) struct Seed(u64);

impl Seed {
    /// The stream of one purpose, such as `waits`.
    pub(crate) fn stream(seed: u64, purpose: &str) -> Self {
        // FNV-1a, 64 bits (constants from memory), spreads the purposes over the numbers.
        let mark = purpose.bytes().fold(0xcbf2_9ce4_8422_2325, |hash: u64, b| {
            (hash ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
        });
        let mut stream = Self(seed ^ mark);
        stream.next();
        stream
    }

    /// The next number.
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number from 0 to `count - 1`; 0 when `count` is 0.
    pub(crate) fn below(&mut self, count: usize) -> usize {
        let count = u64::try_from(count).unwrap_or(u64::MAX).max(1);
        usize::try_from(self.next() % count).unwrap_or(0)
    }

    /// As many bytes as asked for.
    pub(crate) fn bytes<const N: usize>(&mut self) -> [u8; N] {
        std::array::from_fn(|_| self.next().to_le_bytes()[7])
    }

    /// A time from `from` to `to`, to the millisecond; `from` when `to` is no later.
    pub(crate) fn time(&mut self, from: Duration, to: Duration) -> Duration {
        let span = usize::try_from(to.saturating_sub(from).as_millis()).unwrap_or(0);
        let more = u64::try_from(self.below(span + 1)).unwrap_or(0);
        from + Duration::from_millis(more)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn same_seed_and_purpose_give_the_same_numbers_and_others_do_not() {
        let draw = |seed, purpose| Seed::stream(seed, purpose).bytes::<16>();
        assert_eq!(draw(1, "waits"), draw(1, "waits"));
        assert_ne!(draw(1, "waits"), draw(2, "waits"));
        assert_ne!(draw(1, "waits"), draw(1, "tokens"));
    }

    #[test]
    fn times_stay_in_their_range() {
        let (from, to) = (Duration::from_secs(4), Duration::from_secs(8));
        let mut seed = Seed::stream(1, "waits");
        let times: Vec<Duration> = (0..200).map(|_| seed.time(from, to)).collect();
        assert!(times.iter().all(|time| (from..=to).contains(time)));
        assert!(times.iter().any(|time| *time < Duration::from_secs(5)));
        assert!(times.iter().any(|time| *time > Duration::from_secs(7)));
        assert_eq!(seed.time(to, from), to);
    }
}
