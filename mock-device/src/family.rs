//! The families that can be simulated, and the lists of words that they share.

use std::{fmt, str::FromStr, time::Duration};

use serde::{Serialize, Serializer};

use crate::{
    hooks::Hooks,
    http::{Reply, Request},
    seed::Seed,
    settings::{Field, Settings},
};

mod fields;
pub(crate) mod form;
pub(crate) mod login;
mod markup;
pub(crate) mod script;
mod tokens;

/// A family of receivers, as FAMILIES.md describes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Family {
    /// One HTML page with three forms; a save restarts it.
    SampleForm,
    /// An empty page and a JSON document; restarted by a request of its own.
    SampleScript,
    /// Behind a login, with its settings over three pages; restarted by a request of its own.
    SampleLogin,
}

/// A word that names nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{word}` is none of {known}")]
pub struct UnknownWord {
    /// What was given.
    pub word: String,
    /// What would have done.
    pub known: String,
}

/// How long a restart of a family takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Waits {
    /// Shortest wait.
    pub(crate) from: Duration,
    /// Longest wait.
    pub(crate) to: Duration,
}

/// What a device knows of itself when it answers.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Context<'a> {
    pub(crate) serial: &'a str,
    /// Time since its start.
    pub(crate) awake: Duration,
    /// How often it was started.
    pub(crate) begun: u64,
    /// Its version, one of [`Family::versions`].
    pub(crate) works: &'a str,
    /// What is wrong with it.
    pub(crate) hooks: &'a Hooks,
}

impl Waits {
    /// A wait of this range, divided by the speed.
    pub(crate) fn draw(&self, speed: f64, seed: &mut Seed) -> Duration {
        seed.time(self.from, self.to).div_f64(speed)
    }
}

impl Context<'_> {
    /// Whether its firmware is of this version or a later one.
    pub(crate) fn is_from(&self, version: [u32; 3]) -> bool {
        is_from(self.works, version)
    }
}

/// What came of a request.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    pub(crate) reply: Reply,
    pub(crate) kind: Kind,
    /// Whether it restarts.
    pub(crate) restarts: bool,
    /// What a save is made of, in the order of the wire.
    pub(crate) fields: &'static [Field],
    /// A remark for the log and the truth; never a value.
    pub(crate) note: String,
}

/// What kind of request it was, for the scenarios.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A reading of all settings.
    Reading,
    /// A save that was taken.
    Saved,
    /// A request for bind mode that was taken.
    Met,
    /// A save of which a part was taken, and that was answered as a failure.
    Broken,
    /// A save or a restart request that was not taken.
    Refused,
    /// Anything else.
    Other,
}

impl Outcome {
    pub(crate) fn new(kind: Kind, reply: Reply, note: impl Into<String>) -> Self {
        Self {
            reply,
            kind,
            restarts: false,
            fields: &[],
            note: note.into(),
        }
    }

    /// A save that is made of these.
    pub(crate) fn of(mut self, fields: &'static [Field]) -> Self {
        self.fields = fields;
        self
    }

    pub(crate) fn restarting(mut self) -> Self {
        self.restarts = true;
        self
    }
}

/// What runs on a device of each family.
#[derive(Debug, Clone)]
pub(crate) enum Firmware {
    Form(form::Form),
    Script(script::Script),
    Login(login::Login),
}

impl Firmware {
    /// Answers a request, and changes the settings where it is a good save.
    pub(crate) fn handle(
        &mut self,
        settings: &mut Settings,
        context: &Context<'_>,
        request: &Request,
    ) -> Outcome {
        match self {
            Firmware::Form(form) => form.handle(settings, context, request),
            Firmware::Script(script) => script.handle(settings, context, request),
            Firmware::Login(login) => login.handle(settings, context, request),
        }
    }

    /// Whether it is in bind mode.
    pub(crate) fn meets(&self) -> bool {
        match self {
            Firmware::Form(_) | Firmware::Login(_) => false,
            Firmware::Script(script) => script.meets(),
        }
    }

    /// Forgets what does not outlive a restart.
    pub(crate) fn restarted(&mut self) {
        match self {
            Firmware::Form(form) => form.restarted(),
            Firmware::Script(script) => script.restarted(),
            Firmware::Login(login) => login.restarted(),
        }
    }
}

impl Family {
    /// All that can be simulated.
    pub const ALL: [Family; 3] = [
        Family::SampleForm,
        Family::SampleScript,
        Family::SampleLogin,
    ];

    /// The word on the command line and in the truth.
    pub fn word(self) -> &'static str {
        match self {
            Family::SampleForm => "sample-form",
            Family::SampleScript => "sample-script",
            Family::SampleLogin => "sample-login",
        }
    }

    /// Who is let in, and by which word, where the family has a login.
    pub fn login(self) -> Option<(&'static str, &'static str)> {
        match self {
            Family::SampleForm | Family::SampleScript => None,
            Family::SampleLogin => Some((login::USER, login::WORD)),
        }
    }

    /// The paths whose answers hold the settings; together they are one reading.
    pub(crate) fn readings(self) -> &'static [&'static str] {
        match self {
            Family::SampleForm => &["/"],
            Family::SampleScript => &["/as-it-is"],
            Family::SampleLogin => &["/state", "/radio", "/pins", "/shore"],
        }
    }

    /// Whether it shows a serial.
    pub(crate) fn shows_serial(self) -> bool {
        match self {
            Family::SampleForm | Family::SampleLogin => true,
            Family::SampleScript => false,
        }
    }

    /// What its serials start with, and how many digits follow.
    pub(crate) fn plate(self) -> (&'static str, u32) {
        match self {
            Family::SampleForm | Family::SampleScript => ("TD-", 5),
            Family::SampleLogin => ("TM-", 4),
        }
    }

    /// One line for a help screen.
    pub fn about(self) -> &'static str {
        match self {
            Family::SampleForm => "one page with three forms; a save restarts it",
            Family::SampleScript => "an empty page and a JSON document; restarted by a request",
            Family::SampleLogin => "a login and three pages; restarted by a request",
        }
    }

    /// The versions of its firmware that can be simulated, its usual one first.
    pub fn versions(self) -> &'static [&'static str] {
        match self {
            Family::SampleForm => &["2.4.1", "3.0.2"],
            Family::SampleScript => &["3.1.0"],
            Family::SampleLogin => &["1.8.2", "1.7.3"],
        }
    }

    /// A version by its words; without any, the usual one.
    pub(crate) fn version(self, wanted: Option<&str>) -> Result<&'static str, UnknownWord> {
        match wanted {
            Some(wanted) => find_word(self.versions(), wanted),
            None => Ok(self.versions()[0]),
        }
    }

    /// The range of its waits, from FAMILIES.md.
    pub(crate) fn waits(self) -> Waits {
        let (from, to) = match self {
            Family::SampleForm => (40_000, 55_000),
            Family::SampleScript => (4_000, 8_000),
            Family::SampleLogin => (50_000, 70_000),
        };
        Waits {
            from: Duration::from_millis(from),
            to: Duration::from_millis(to),
        }
    }
}

impl fmt::Display for Family {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Family {
    type Err = UnknownWord;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        find_word(&Self::ALL, text)
    }
}

impl Serialize for Family {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

/// Whether a version, three numbers with dots, is this one or a later one.
pub(crate) fn is_from(works: &str, version: [u32; 3]) -> bool {
    let numbers: Vec<u32> = works.split('.').filter_map(|n| n.parse().ok()).collect();
    numbers[..] >= version[..]
}

/// The item whose word this is.
pub(crate) fn find_word<T: Copy + fmt::Display>(all: &[T], text: &str) -> Result<T, UnknownWord> {
    all.iter()
        .copied()
        .find(|item| item.to_string() == text)
        .ok_or_else(|| UnknownWord {
            word: text.to_owned(),
            known: all
                .iter()
                .map(|item| format!("`{item}`"))
                .collect::<Vec<_>>()
                .join(", "),
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_compared_number_by_number() {
        assert!(is_from("2.10.0", [2, 9, 9]) && is_from("1.8.0", [1, 8, 0]));
        assert!(!is_from("1.7.3", [1, 8, 0]) && !is_from("2.4.1", [3, 0, 0]));
        let family = Family::SampleForm;
        assert_eq!(family.version(None), Ok("2.4.1"));
        assert_eq!(family.version(Some("3.0.2")), Ok("3.0.2"));
        let fault = family.version(Some("3.0.1")).expect_err("no such version");
        assert_eq!(fault.to_string(), "`3.0.1` is none of `2.4.1`, `3.0.2`");
    }

    #[test]
    fn words_lead_back_to_their_families_and_others_are_refused() {
        for family in Family::ALL {
            assert_eq!(family.word().parse(), Ok(family));
        }
        let fault = "sample-lgoin".parse::<Family>().expect_err("no such word");
        assert_eq!(
            fault.to_string(),
            "`sample-lgoin` is none of `sample-form`, `sample-script`, `sample-login`"
        );
    }
}
