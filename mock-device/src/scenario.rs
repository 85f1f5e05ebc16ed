//! What can be wrong with a simulated receiver: each scenario, and what it changes.
//!
//! The rest of the crate knows hooks and no scenarios. A new scenario is a variant, its words in
//! the table below, and an arm in `hooks.rs` that says what it changes.

use std::{fmt, str::FromStr};

use serde::{Serialize, Serializer};

use crate::family::{Family, UnknownWord, find_word};

/// What is simulated. Unless its line says otherwise, the receiver has a bind key and is locked
/// to slot 7.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scenario {
    /// A model lock to slot 7, and nothing else in the way.
    Locked,
    /// No bind key, no model lock.
    Unbound,
    /// A bind key and no model lock.
    Healthy,
    /// The radio part is out of reach; a bind key and no model lock.
    Faulty,
    /// The lock is back after the restart, though the save was taken and shown.
    LockReturns,
    /// It carries out what restarts it and is gone before it answers.
    NoAnswer,
    /// It answers as if it would restart, and does not.
    LostRestart,
    /// Every field left out of a save goes to its factory state.
    OmittedReset,
    /// Another device answers at the address after the first whole reading.
    SwappedBeforeWrite,
    /// Another device is the one that comes back after the first restart.
    SwappedAfterRestart,
    /// Readings stop half-way and the connection stays open.
    Stalled,
    /// A save is taken and its answer never comes.
    StalledSave,
    /// Readings are cut in the middle.
    CutOff,
    /// A save is taken and its answer is cut in the middle.
    CutOffSave,
    /// The tokens of all pages before the first save are refused once; those of later pages will do.
    ExpiredToken,
    /// Nobody is let in, whatever they say.
    RefusedLogin,
    /// A save is answered with 507, and nothing of it is kept.
    DiskFull,
    /// A save is answered with 500, and the first half of its fields is kept.
    HalfSaved,
    /// A save is taken, and answered with a 307 that leads to another path.
    RedirectAfterSave,
    /// A save is taken, and answered with a 307 that leads to where it was sent.
    RedirectToSave,
    /// Readings are answered with a redirect to another origin.
    RedirectElsewhere,
    /// Readings never end: some MiB, then the rest does not come.
    EndlessBody,
    /// Readings are some hundred KiB of gzip that inflate to hundreds of MiB.
    Bomb,
    /// Readings hold elements or lists that are nested ten thousands deep.
    DeepNesting,
    /// Its name and its texts hold terminal escapes, marks of direction, characters that do not show, line breaks and markup, and go on for long.
    HostileText,
    /// Readings are whole, and their Content-Length tells more.
    LengthTooLong,
    /// The Content-Length of readings tells half of what is sent.
    LengthTooShort,
    /// Readings have two Content-Lengths, one of them wrong.
    DoubleLength,
    /// Every answer has headers in odd case, with folded lines, spaces before colons and bare line feeds, and no reason behind its status.
    OddHeaders,
    /// Every answer has some hundred headers more.
    ManyHeaders,
    /// It closes after each answer without a word of it in the headers.
    ClosesEach,
}

impl Scenario {
    /// All of them, in the order of the help screen.
    pub const ALL: [Scenario; 31] = [
        Scenario::Locked,
        Scenario::Unbound,
        Scenario::Healthy,
        Scenario::Faulty,
        Scenario::LockReturns,
        Scenario::NoAnswer,
        Scenario::LostRestart,
        Scenario::OmittedReset,
        Scenario::SwappedBeforeWrite,
        Scenario::SwappedAfterRestart,
        Scenario::Stalled,
        Scenario::StalledSave,
        Scenario::CutOff,
        Scenario::CutOffSave,
        Scenario::ExpiredToken,
        Scenario::RefusedLogin,
        Scenario::DiskFull,
        Scenario::HalfSaved,
        Scenario::RedirectAfterSave,
        Scenario::RedirectToSave,
        Scenario::RedirectElsewhere,
        Scenario::EndlessBody,
        Scenario::Bomb,
        Scenario::DeepNesting,
        Scenario::HostileText,
        Scenario::LengthTooLong,
        Scenario::LengthTooShort,
        Scenario::DoubleLength,
        Scenario::OddHeaders,
        Scenario::ManyHeaders,
        Scenario::ClosesEach,
    ];

    /// The word on the command line and in the truth.
    pub fn word(self) -> &'static str {
        self.words().0
    }

    /// One line for a help screen.
    pub fn about(self) -> &'static str {
        self.words().1
    }

    /// Whether a family can have it: without tokens none expires, and without a login none is
    /// refused.
    pub fn suits(self, family: Family) -> bool {
        match self {
            Scenario::ExpiredToken => family != Family::SampleScript,
            Scenario::RefusedLogin => family.login().is_some(),
            _ => true,
        }
    }

    fn words(self) -> (&'static str, &'static str) {
        match self {
            Scenario::Locked => ("locked", "a model lock to slot 7"),
            Scenario::Unbound => ("unbound", "no bind key and no model lock"),
            Scenario::Healthy => ("healthy", "a bind key and no model lock"),
            Scenario::Faulty => ("faulty", "the radio part is out of reach"),
            Scenario::LockReturns => ("lock-returns", "the lock is back after the restart"),
            Scenario::NoAnswer => ("no-answer", "it restarts before it answers"),
            Scenario::LostRestart => ("lost-restart", "it says that it restarts and does not"),
            Scenario::OmittedReset => ("omitted-reset", "fields left out of a save are reset"),
            Scenario::SwappedBeforeWrite => (
                "swapped-before-write",
                "another device answers after the first reading",
            ),
            Scenario::SwappedAfterRestart => (
                "swapped-after-restart",
                "another device comes back after the first restart",
            ),
            Scenario::Stalled => ("stalled", "readings stop half-way, and stay open"),
            Scenario::StalledSave => ("stalled-save", "a save is taken and never answered"),
            Scenario::CutOff => ("cut-off", "readings are cut in the middle"),
            Scenario::CutOffSave => ("cut-off-save", "a save is taken, its answer cut short"),
            Scenario::ExpiredToken => {
                ("expired-token", "the tokens of the first pages are refused")
            }
            Scenario::RefusedLogin => ("refused-login", "nobody is let in"),
            Scenario::DiskFull => ("disk-full", "a save is answered that there is no room"),
            Scenario::HalfSaved => ("half-saved", "a save fails, and half of it is kept"),
            Scenario::RedirectAfterSave => (
                "redirect-after-save",
                "a save is taken and sent on with a 307",
            ),
            Scenario::RedirectToSave => (
                "redirect-to-save",
                "a save is taken and asked for again by a 307",
            ),
            Scenario::RedirectElsewhere => (
                "redirect-elsewhere",
                "readings are sent on to another origin",
            ),
            Scenario::EndlessBody => ("endless-body", "readings never end"),
            Scenario::Bomb => ("bomb", "readings inflate to hundreds of MiB"),
            Scenario::DeepNesting => ("deep-nesting", "readings are nested ten thousands deep"),
            Scenario::HostileText => ("hostile-text", "names and texts with escapes and the like"),
            Scenario::LengthTooLong => ("length-too-long", "readings end before their told length"),
            Scenario::LengthTooShort => ("length-too-short", "readings tell half of their length"),
            Scenario::DoubleLength => ("double-length", "readings tell two lengths"),
            Scenario::OddHeaders => ("odd-headers", "headers as nobody should write them"),
            Scenario::ManyHeaders => ("many-headers", "some hundred headers in every answer"),
            Scenario::ClosesEach => ("closes-each", "it closes after each answer unannounced"),
        }
    }
}

impl fmt::Display for Scenario {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Scenario {
    type Err = UnknownWord;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        find_word(&Self::ALL, text)
    }
}

impl Serialize for Scenario {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_scenario_has_a_word_of_its_own_that_leads_back_to_it() {
        for scenario in Scenario::ALL {
            assert_eq!(scenario.word().parse(), Ok(scenario));
        }
        assert!("Locked".parse::<Scenario>().is_err());
    }

    #[test]
    fn every_scenario_but_the_plain_one_changes_something_and_no_two_the_same() {
        for (index, one) in Scenario::ALL.iter().enumerate() {
            for other in &Scenario::ALL[index + 1..] {
                assert_ne!(one.hooks(), other.hooks(), "{one} and {other}");
            }
        }
    }
}
