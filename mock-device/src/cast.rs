//! Who plays a receiver of a shelf: what tells it from its neighbours, and what it brings along.

use crate::{Chaos, seed::Seed};

/// A receiver that is one of many.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Cast {
    /// What it shows as its serial, where the family shows one.
    pub(crate) serial: String,
    /// Its BSSID, as long as it keeps it.
    pub(crate) bssid: [u8; 6],
    /// What its owner calls it.
    pub(crate) name: String,
    /// The bind key of its transmitter; none: one that follows from its seed.
    pub(crate) bind_key: Option<[u8; 6]>,
    /// Whether somebody has left the local network of his own on it.
    pub(crate) visited: bool,
    /// What goes wrong again and again.
    pub(crate) chaos: Option<Chaos>,
}

/// Draws the marks of a whole shelf, no two the same.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Marks {
    first: usize,
    stride: usize,
    mask: u32,
    head: [u8; 2],
}

impl Marks {
    /// Those of the shelf of this seed.
    pub(crate) fn new(seed: u64) -> Self {
        let mut numbers = Seed::stream(seed, "marks of a shelf");
        Self {
            first: numbers.below(1_000_000),
            // No factor in common with a power of ten, so that each number comes once.
            stride: 1 + 10 * numbers.below(1000),
            mask: u32::from_le_bytes(numbers.bytes()) & 0x00ff_ffff,
            head: numbers.bytes(),
        }
    }

    /// The serial of this receiver, as a family writes it: so many digits after the start.
    pub(crate) fn serial(&self, index: usize, start: &str, digits: u32) -> String {
        let number = (self.first + index * self.stride) % 10_usize.pow(digits);
        format!("{start}{number:0width$}", width = digits as usize)
    }

    /// The serial of somebody else's, which no receiver of the shelf has: a digit more.
    pub(crate) fn strange(&self, index: usize, start: &str, digits: u32) -> String {
        format!("{}7", self.serial(index, start, digits))
    }

    /// Its BSSID: locally administered, one station (IEEE 802).
    pub(crate) fn bssid(&self, index: usize) -> [u8; 6] {
        let number = u32::try_from(index).unwrap_or(0) ^ self.mask;
        let [_, a, b, c] = number.to_be_bytes();
        [2, self.head[0], self.head[1], a, b, c]
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn no_two_of_ten_thousand_have_a_mark_in_common() {
        for seed in 0..4 {
            let marks = Marks::new(seed);
            let serials: HashSet<String> = (0..10_000)
                .map(|index| marks.serial(index, "TM-", 4))
                .collect();
            assert_eq!(serials.len(), 10_000);
            assert!(!serials.contains(&marks.strange(3, "TM-", 4)));
            let bssids: HashSet<[u8; 6]> = (0..10_000).map(|index| marks.bssid(index)).collect();
            assert_eq!(bssids.len(), 10_000);
            assert!(bssids.iter().all(|bssid| bssid[0] == 2));
        }
        assert_ne!(Marks::new(1).bssid(0), Marks::new(2).bssid(0));
    }
}
