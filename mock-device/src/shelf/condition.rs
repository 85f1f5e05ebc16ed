//! What a receiver of a shelf is like, and how many of a shelf are like what.

use std::{fmt, str::FromStr};

use serde::{Serialize, Serializer};

use crate::{Fault, FaultAt, Faults, Scenario, UnknownWord, family::find_word, seed::Seed};

/// What a receiver of a shelf is like.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Condition {
    /// As a receiver alone in this scenario, without a local network.
    Is(Scenario),
    /// Locked, and somebody has left the local network of his own on it.
    Visited,
    /// It has no power, and nobody gives it any.
    Absent,
    /// Somebody else's, with marks that are in no list, stands in its place.
    Stranger,
    /// It loses its power for good at the third request to it.
    Leaves,
}

/// The request at which one that leaves does so: after it was read, and before it is proved.
const LEAVES_AT: u64 = 3;

impl Condition {
    /// All of them, in the order of the help screen.
    pub fn all() -> Vec<Condition> {
        let own = [
            Condition::Visited,
            Condition::Absent,
            Condition::Stranger,
            Condition::Leaves,
        ];
        let scenarios = Scenario::ALL.iter().copied().map(Condition::Is);
        own.into_iter().chain(scenarios).collect()
    }

    /// The word on the command line and in the truth.
    pub fn word(self) -> &'static str {
        match self {
            Condition::Is(scenario) => scenario.word(),
            Condition::Visited => "visited",
            Condition::Absent => "absent",
            Condition::Stranger => "stranger",
            Condition::Leaves => "leaves",
        }
    }

    /// One line for a help screen.
    pub fn about(self) -> &'static str {
        match self {
            Condition::Is(scenario) => scenario.about(),
            Condition::Visited => "locked, with somebody's own local network on it",
            Condition::Absent => "without power from the start",
            Condition::Stranger => "somebody else's stands in its place, with other marks",
            Condition::Leaves => "without power for good from the third request on",
        }
    }

    /// What it is alone.
    pub(super) fn scenario(self) -> Scenario {
        match self {
            Condition::Is(scenario) => scenario,
            Condition::Visited | Condition::Absent | Condition::Stranger | Condition::Leaves => {
                Scenario::Locked
            }
        }
    }

    /// What goes wrong with it.
    pub(super) fn faults(self) -> Faults {
        let leaves = (self == Condition::Leaves).then_some(FaultAt {
            request: LEAVES_AT,
            fault: Fault::Leave,
        });
        leaves.into_iter().collect()
    }
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Condition {
    type Err = UnknownWord;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        find_word(&Self::all(), text)
    }
}

impl Serialize for Condition {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

/// How many of a shelf are like what, as shares: `locked:20,healthy:3,lock-returns:1`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conditions(Vec<(Condition, usize)>);

/// Why a text is none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ConditionsSyntax {
    /// There is no such condition.
    #[error(transparent)]
    Word(#[from] UnknownWord),
    /// What follows a colon is no number, or all are nothing.
    #[error("`{text}` gives no share, such as `locked:20,healthy:4`")]
    Share {
        /// What was given.
        text: String,
    },
}

/// The largest share, so that sums stay numbers.
const MOST_SHARE: usize = 10_000;

impl Conditions {
    /// All are like this.
    pub fn all(condition: Condition) -> Self {
        Self(vec![(condition, 1)])
    }

    /// What each of so many is like: the shares as near as can be, in an order that follows from the
    /// seed.
    pub(super) fn deal(&self, count: usize, seed: u64) -> Vec<Condition> {
        let sum: usize = self.0.iter().map(|(_, share)| share).sum();
        let mut dealt = Vec::with_capacity(count);
        let mut shares = 0;
        for (condition, share) in &self.0 {
            shares += share;
            // Up to the rounded part of all shares so far, so that the sum is right.
            dealt.resize((count * shares + sum / 2) / sum.max(1), *condition);
        }
        // By Fisher and Yates.
        let mut numbers = Seed::stream(seed, "conditions");
        for last in (1..dealt.len()).rev() {
            dealt.swap(last, numbers.below(last + 1));
        }
        dealt
    }
}

impl FromStr for Conditions {
    type Err = ConditionsSyntax;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let part = |part: &str| {
            let (word, share) = part.split_once(':').unwrap_or((part, "1"));
            let share = share.parse().ok().filter(|share| *share <= MOST_SHARE);
            let share = share.ok_or_else(|| ConditionsSyntax::Share {
                text: part.to_owned(),
            })?;
            Ok((word.parse()?, share))
        };
        let all: Vec<(Condition, usize)> = text
            .split(',')
            .map(part)
            .collect::<Result<_, Self::Err>>()?;
        if all.iter().all(|(_, share)| *share == 0) {
            return Err(ConditionsSyntax::Share {
                text: text.to_owned(),
            });
        }
        Ok(Self(all))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_lead_back_to_their_conditions() {
        for condition in Condition::all() {
            assert_eq!(condition.word().parse(), Ok(condition));
        }
        let fault = "lokced:3".parse::<Conditions>().expect_err("no such word");
        assert!(
            fault.to_string().contains("`lokced` is none of `visited`"),
            "{fault}"
        );
        for text in ["locked:x", "locked:0", "locked:0,healthy:0", "locked:10001"] {
            let fault = text.parse::<Conditions>().expect_err("no share");
            assert!(fault.to_string().contains("gives no share"), "{fault}");
        }
    }

    #[test]
    fn shares_are_dealt_out_whole_and_the_order_follows_from_the_seed() {
        let conditions: Conditions = "locked:20,healthy:3,absent".parse().expect("shares");
        let dealt = conditions.deal(24, 1);
        let count = |wanted: &str| dealt.iter().filter(|is| is.word() == wanted).count();
        assert_eq!(
            (count("locked"), count("healthy"), count("absent")),
            (20, 3, 1)
        );
        assert_eq!(conditions.deal(24, 1), dealt);
        assert_ne!(conditions.deal(24, 2), dealt);
        for count in [1, 7, 100, 10_000] {
            assert_eq!(conditions.deal(count, 1).len(), count);
        }
    }
}
