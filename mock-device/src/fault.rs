//! Faults that happen once, at some request: the words for them, and faults by seed.
//!
//! A scenario is a receiver with one habit; faults are single mishaps, any of them at any moment,
//! so that a client meets what nobody thought of.

use std::{fmt, str::FromStr};

use crate::{family::UnknownWord, family::find_word, seed::Seed};

/// One mishap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// The connection is reset as soon as it is made.
    Refuse,
    /// The connection is reset; the request is not carried out.
    Drop,
    /// The request is carried out; the connection is reset without a byte.
    LoseAnswer,
    /// The answer ends in the middle.
    Cut,
    /// The answer stops in the middle, and the connection stays open.
    Stall,
    /// The answer comes in small pieces, half a second in all.
    Slow,
    /// It restarts in the middle of the answer.
    RestartMidway,
    /// The answer comes twice over one connection.
    Twice,
    /// In place of the answer an earlier one to the same request comes.
    Stale,
    /// Another receiver of the family gets this request and answers it; where the family shows a
    /// serial, the next two as well.
    Lookalike,
    /// Answered with 500; not carried out.
    Trouble,
    /// The first half of what a save carries is kept, the rest is as before; answered as ever.
    HalfKept,
    /// The first half of what a save carries is kept, the rest is lost; answered as ever.
    HalfLost,
    /// Nothing of a save is kept; answered as ever.
    NotKept,
    /// It answers that it restarts, and does not.
    LostRestart,
    /// It restarts, is back, and restarts once more.
    DoubleRestart,
    /// It restarts by itself; the request is not carried out.
    RestartAlone,
    /// It loses its power, and has it back after one to three times its wait.
    Away,
    /// It loses its power for good.
    Leave,
    /// Its BSSID is another after the restart.
    OtherBssid,
    /// The lock that a save changed is back after the next restart; answered as ever.
    OldLock,
    /// On a shelf, another receiver of it gets this request and answers it, and up to two that
    /// follow.
    Neighbour,
}

/// A fault and when it happens: at the first request from this number on that it can happen to.
/// What concerns saves waits for a save, what concerns restarts for one that restarts it, and an
/// earlier answer for one that there is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct FaultAt {
    /// From 1, as the truth counts them.
    pub request: u64,
    /// What happens.
    pub fault: Fault,
}

/// Why a text such as `drop@3` is none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FaultSyntax {
    /// There is no `@`.
    #[error("`{text}` is not a fault and a request, such as `drop@3`")]
    Shape {
        /// What was given.
        text: String,
    },
    /// There is no such fault.
    #[error(transparent)]
    Word(#[from] UnknownWord),
    /// What follows the `@` is no number from 1.
    #[error("`{text}` does not end in the number of a request, from 1")]
    Request {
        /// What was given.
        text: String,
    },
}

/// Which faults are to happen.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Faults(Vec<FaultAt>);

/// Most faults that a seed gives a lone receiver.
const MOST: usize = 3;
/// The last request at which a fault of a seed can be due.
const SPAN: usize = 30;

impl Faults {
    /// One to three faults, each number as likely as any other. Each is one of those that
    /// [are of one](Fault::is_of_one), with equal chances, and is due at a request from 1 to 30, of which early ones are likelier: the
    /// number is evenly drawn from 1 to a bound that is itself evenly drawn from 1 to 30.
    pub fn from_seed(seed: u64) -> Self {
        let mut numbers = Seed::stream(seed, "faults");
        let count = 1 + numbers.below(MOST);
        let known: Vec<Fault> = Fault::ALL.into_iter().filter(|f| f.is_of_one()).collect();
        let faults = (0..count).map(|_| {
            let fault = known[numbers.below(known.len())];
            let bound = 1 + numbers.below(SPAN);
            let request = u64::try_from(1 + numbers.below(bound)).unwrap_or(1);
            FaultAt { request, fault }
        });
        faults.collect()
    }

    /// Each of them.
    pub fn iter(&self) -> impl Iterator<Item = FaultAt> + '_ {
        self.0.iter().copied()
    }
}

impl FromIterator<FaultAt> for Faults {
    fn from_iter<I: IntoIterator<Item = FaultAt>>(faults: I) -> Self {
        Self(faults.into_iter().collect())
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.0.iter().enumerate() {
            if index > 0 {
                f.write_str(" ")?;
            }
            fault.fmt(f)?;
        }
        Ok(())
    }
}

impl Fault {
    /// All of them, in the order of the help screen.
    pub const ALL: [Fault; 22] = [
        Fault::Refuse,
        Fault::Drop,
        Fault::LoseAnswer,
        Fault::Cut,
        Fault::Stall,
        Fault::Slow,
        Fault::RestartMidway,
        Fault::Twice,
        Fault::Stale,
        Fault::Lookalike,
        Fault::Trouble,
        Fault::HalfKept,
        Fault::HalfLost,
        Fault::NotKept,
        Fault::LostRestart,
        Fault::DoubleRestart,
        Fault::RestartAlone,
        Fault::Away,
        Fault::Leave,
        Fault::OtherBssid,
        Fault::OldLock,
        Fault::Neighbour,
    ];

    /// Whether [`Faults::from_seed`] gives it: a lone receiver is there again afterwards, by itself
    /// and as the one that it was. The later ones are given by [`Chaos`](crate::Chaos).
    pub fn is_of_one(self) -> bool {
        !matches!(
            self,
            Fault::RestartAlone
                | Fault::Away
                | Fault::Leave
                | Fault::OtherBssid
                | Fault::OldLock
                | Fault::Neighbour
        )
    }

    /// The word on the command line and in the truth.
    pub fn word(self) -> &'static str {
        self.words().0
    }

    /// One line for a help screen.
    pub fn about(self) -> &'static str {
        self.words().1
    }

    fn words(self) -> (&'static str, &'static str) {
        match self {
            Fault::Refuse => ("refuse", "the connection is reset when it is made"),
            Fault::Drop => ("drop", "reset, and not carried out"),
            Fault::LoseAnswer => ("lose-answer", "carried out, and reset without a byte"),
            Fault::Cut => ("cut", "the answer ends in the middle"),
            Fault::Stall => ("stall", "the answer stops in the middle and stays open"),
            Fault::Slow => ("slow", "the answer comes in small pieces"),
            Fault::RestartMidway => ("restart-midway", "it restarts in the middle of the answer"),
            Fault::Twice => ("twice", "the answer comes twice"),
            Fault::Stale => ("stale", "an earlier answer comes once more"),
            Fault::Lookalike => ("lookalike", "another receiver answers for a moment"),
            Fault::Trouble => ("trouble", "answered with 500, and not carried out"),
            Fault::HalfKept => ("half-kept", "half of a save is kept, the rest is as before"),
            Fault::HalfLost => ("half-lost", "half of a save is kept, the rest is lost"),
            Fault::NotKept => ("not-kept", "nothing of a save is kept, though it says so"),
            Fault::LostRestart => ("lost-restart", "it says that it restarts and does not"),
            Fault::DoubleRestart => ("double-restart", "it restarts, is back and restarts again"),
            Fault::RestartAlone => (
                "restart-alone",
                "it restarts by itself, and carries nothing out",
            ),
            Fault::Away => ("away", "it loses its power, and has it back after a while"),
            Fault::Leave => ("leave", "it loses its power for good"),
            Fault::OtherBssid => ("other-bssid", "its BSSID is another after the restart"),
            Fault::OldLock => (
                "old-lock",
                "the lock that a save changed is back after the restart",
            ),
            Fault::Neighbour => ("neighbour", "on a shelf: another one gets it and answers"),
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Fault {
    type Err = UnknownWord;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        find_word(&Self::ALL, text)
    }
}

impl fmt::Display for FaultAt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}@{}", self.fault, self.request)
    }
}

impl FromStr for FaultAt {
    type Err = FaultSyntax;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (word, number) = text.split_once('@').ok_or_else(|| FaultSyntax::Shape {
            text: text.to_owned(),
        })?;
        let fault = word.parse()?;
        let request = number.parse().ok().filter(|request| *request > 0);
        let request = request.ok_or_else(|| FaultSyntax::Request {
            text: text.to_owned(),
        })?;
        Ok(Self { request, fault })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_lead_back_to_their_faults_and_others_are_named() {
        for fault in Fault::ALL {
            assert_eq!(fault.word().parse(), Ok(fault));
            let at = FaultAt { request: 12, fault };
            assert_eq!(at.to_string().parse(), Ok(at));
        }
        for (text, words) in [
            ("drop", "such as `drop@3`"),
            ("drip@3", "`drip` is none of `refuse`"),
            ("drop@0", "from 1"),
            ("drop@x", "`drop@x`"),
        ] {
            let fault = text.parse::<FaultAt>().expect_err("it is none");
            assert!(fault.to_string().contains(words), "{fault}");
        }
    }

    #[test]
    fn seed_gives_one_to_three_faults_and_early_requests_more_often() {
        let all: Vec<Faults> = (0..2000).map(Faults::from_seed).collect();
        assert_eq!(all[7], Faults::from_seed(7));
        let counts = |count| {
            all.iter()
                .filter(|faults| faults.iter().count() == count)
                .count()
        };
        assert_eq!(counts(1) + counts(2) + counts(3), 2000);
        assert!([1, 2, 3].iter().all(|count| counts(*count) > 500));
        let flat: Vec<FaultAt> = all.iter().flat_map(Faults::iter).collect();
        assert!(flat.iter().all(|fault| (1..=30).contains(&fault.request)));
        let early = flat.iter().filter(|fault| fault.request <= 8).count();
        assert!(early * 2 > flat.len() && flat.iter().any(|fault| fault.request > 25));
        for fault in Fault::ALL {
            let comes = flat.iter().any(|at| at.fault == fault);
            assert_eq!(comes, fault.is_of_one(), "{fault}");
        }
    }
}
