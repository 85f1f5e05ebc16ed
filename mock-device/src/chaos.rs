//! Faults that come again and again, drawn for each request from a seed: what a campaign over a whole
//! shelf runs against.
//!
//! What is drawn for a receiver depends on its own requests alone, so that one seed brings the same
//! mishaps to the same receivers in whatever order a client goes through them.

use crate::{fault::Fault, seed::Seed};

/// How often something goes wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chaos {
    /// In so many of a thousand requests.
    pub per_mille: u16,
    /// Most faults that one receiver has, so that every run comes to an end.
    pub most: u16,
    /// Of these faults, with equal chances; empty: of all that there are on a shelf of the family.
    pub only: Vec<Fault>,
}

/// How often [`Chaos::from_seed`] has something go wrong, at least and at most.
const PER_MILLE: (usize, usize) = (20, 200);
/// How many faults of a receiver [`Chaos::from_seed`] allows at most.
const MOST: usize = 5;

impl Chaos {
    /// From 20 to 200 in a thousand, and one to five of each receiver: each number as likely as any
    /// other.
    pub fn from_seed(seed: u64) -> Self {
        let mut numbers = Seed::stream(seed, "chaos");
        let from_to = PER_MILLE.0 + numbers.below(PER_MILLE.1 - PER_MILLE.0 + 1);
        let most = 1 + numbers.below(MOST);
        Self {
            per_mille: u16::try_from(from_to).unwrap_or(u16::MAX),
            most: u16::try_from(most).unwrap_or(u16::MAX),
            only: Vec::new(),
        }
    }
}

/// The faults that one receiver meets.
#[derive(Debug, Clone)]
pub(crate) struct Draws {
    per_mille: u16,
    most: u16,
    seed: u64,
    known: Vec<Fault>,
    /// The last of its own requests that was drawn for.
    last: u64,
    drawn: u16,
}

impl Draws {
    /// Those of a receiver of this seed, of these faults as far as they are wished for.
    pub(crate) fn new(chaos: &Chaos, seed: u64, mut known: Vec<Fault>) -> Self {
        known.retain(|fault| chaos.only.is_empty() || chaos.only.contains(fault));
        Self {
            per_mille: chaos.per_mille,
            most: chaos.most,
            seed,
            known,
            last: 0,
            drawn: 0,
        }
    }

    /// What goes wrong with its own request of this number, which is asked for once.
    pub(crate) fn draw(&mut self, own: u64) -> Option<Fault> {
        if own <= self.last || self.drawn >= self.most {
            return None;
        }
        self.last = own;
        let mut numbers = Seed::stream(self.seed, &format!("request {own}"));
        if numbers.below(1000) >= usize::from(self.per_mille) || self.known.is_empty() {
            return None;
        }
        self.drawn += 1;
        Some(self.known[numbers.below(self.known.len())])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(per_mille: u16, most: u16, seed: u64) -> Vec<Option<Fault>> {
        let chaos = Chaos {
            per_mille,
            most,
            only: Vec::new(),
        };
        let mut draws = Draws::new(&chaos, seed, Fault::ALL.to_vec());
        (1..=400).map(|own| draws.draw(own)).collect()
    }

    #[test]
    fn one_seed_brings_the_same_faults_and_never_more_than_allowed() {
        assert_eq!(drawn(100, 9, 3), drawn(100, 9, 3));
        assert_ne!(drawn(100, 9, 3), drawn(100, 9, 4));
        for (per_mille, most, count) in [(1000, 5, 5), (0, 5, 0), (1000, 0, 0)] {
            let happened = drawn(per_mille, most, 1).into_iter().flatten().count();
            assert_eq!(happened, count, "{per_mille} {most}");
        }
        let mut some: Vec<u64> = Vec::new();
        for seed in 0..50 {
            let count = drawn(100, 400, seed).into_iter().flatten().count();
            some.push(u64::try_from(count).expect("a few"));
        }
        // 400 requests with a chance of a tenth each: 40 on average.
        let mean = some.iter().sum::<u64>() / 50;
        assert!((30..=50).contains(&mean), "{some:?}");
    }

    #[test]
    fn request_is_drawn_for_once_however_often_it_is_looked_at() {
        let chaos = Chaos {
            per_mille: 1000,
            most: 2,
            only: vec![Fault::Drop, Fault::Lookalike],
        };
        let mut draws = Draws::new(&chaos, 1, vec![Fault::Stale, Fault::Drop]);
        assert_eq!(draws.draw(1), Some(Fault::Drop));
        assert_eq!(draws.draw(1), None);
        assert_eq!(draws.draw(2), Some(Fault::Drop));
        assert_eq!(draws.draw(3), None);
    }

    #[test]
    fn seeds_bring_calm_and_rough_weather() {
        let all: Vec<Chaos> = (0..300).map(Chaos::from_seed).collect();
        assert!(
            all.iter()
                .all(|chaos| (20..=200).contains(&chaos.per_mille))
        );
        assert!(all.iter().any(|chaos| chaos.per_mille < 40));
        assert!(all.iter().any(|chaos| chaos.per_mille > 180));
        for most in 1..=5 {
            assert!(all.iter().any(|chaos| chaos.most == most));
        }
        assert!(all.iter().all(|chaos| (1..=5).contains(&chaos.most)));
    }
}
