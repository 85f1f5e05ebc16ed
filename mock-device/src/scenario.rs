//! What can be wrong with a simulated receiver: each scenario, and what it changes.
//!
//! [`Scenario::hooks`] is the one place that says which scenario changes what; the rest of the
//! crate knows hooks and no scenarios. A new scenario is a variant, its words in the table below
//! and an arm that names its hooks.

use std::{fmt, str::FromStr};

use serde::{Serialize, Serializer};

use crate::family::{UnknownWord, find_word};

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
}

impl Scenario {
    /// All of them, in the order of the help screen.
    pub const ALL: [Scenario; 14] = [
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
    ];

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
        }
    }

    /// What it changes of a plain locked receiver.
    pub(crate) fn hooks(self) -> Hooks {
        let plain = Hooks::default();
        match self {
            Scenario::Locked => plain,
            Scenario::Unbound => Hooks {
                bound: false,
                locked: false,
                ..plain
            },
            Scenario::Healthy => Hooks {
                locked: false,
                ..plain
            },
            Scenario::Faulty => Hooks {
                locked: false,
                radio_answers: false,
                ..plain
            },
            Scenario::LockReturns => Hooks {
                lock_returns: true,
                ..plain
            },
            Scenario::NoAnswer => Hooks {
                restart: RestartHook::BeforeAnswer,
                ..plain
            },
            Scenario::LostRestart => Hooks {
                restart: RestartHook::Lost,
                ..plain
            },
            Scenario::OmittedReset => Hooks {
                omitted_reset: true,
                ..plain
            },
            Scenario::SwappedBeforeWrite => Hooks {
                swap: Some(Swap::AfterReading),
                ..plain
            },
            Scenario::SwappedAfterRestart => Hooks {
                swap: Some(Swap::AtReturn),
                ..plain
            },
            Scenario::Stalled => Hooks {
                reading: Wire::Stalled,
                ..plain
            },
            Scenario::StalledSave => Hooks {
                save: Wire::Silent,
                ..plain
            },
            Scenario::CutOff => Hooks {
                reading: Wire::Cut,
                ..plain
            },
            Scenario::CutOffSave => Hooks {
                save: Wire::Cut,
                ..plain
            },
        }
    }
}

/// What a scenario can change.
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a fault of its own, and any of them may go with any other"
)]
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Hooks {
    /// Whether it starts with a bind key.
    pub(crate) bound: bool,
    /// Whether it starts with a model lock to slot 7.
    pub(crate) locked: bool,
    /// Whether it reaches its radio part.
    pub(crate) radio_answers: bool,
    /// Whether each restart brings the lock to slot 7 back.
    pub(crate) lock_returns: bool,
    /// Whether fields left out of a save are reset where the family itself would keep them.
    pub(crate) omitted_reset: bool,
    /// What becomes of a request that restarts it.
    pub(crate) restart: RestartHook,
    /// When another device takes its place.
    pub(crate) swap: Option<Swap>,
    /// How the answers that hold the settings go over the wire.
    pub(crate) reading: Wire,
    /// How the answers to saves that were taken go over the wire.
    pub(crate) save: Wire,
}

impl Default for Hooks {
    fn default() -> Self {
        Self {
            bound: true,
            locked: true,
            radio_answers: true,
            lock_returns: false,
            omitted_reset: false,
            restart: RestartHook::Usual,
            swap: None,
            reading: Wire::Whole,
            save: Wire::Whole,
        }
    }
}

/// What becomes of a request that restarts a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum RestartHook {
    /// It is answered, and the restart follows.
    Usual,
    /// The restart comes first; the connection is reset without a byte.
    BeforeAnswer,
    /// It is answered, and nothing follows.
    Lost,
}

/// When another device takes the place of the first, once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Swap {
    /// As soon as the settings were read for the first time.
    AfterReading,
    /// When the network is there again after the first restart.
    AtReturn,
}

/// How an answer goes over the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wire {
    /// As it is.
    Whole,
    /// Its head and half of its body, then the connection closes.
    Cut,
    /// Its head and half of its body, then nothing more.
    Stalled,
    /// Nothing at all, and the connection stays open.
    Silent,
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
