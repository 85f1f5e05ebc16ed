//! How much of a stranger is borne: bytes, nesting, redirects, headers and time.
//!
//! A device may be broken or hostile. Every bound has a default that a small device never meets,
//! and every one can be set as `name=value`, so that an odd device can still be reached.

use std::{str::FromStr, time::Duration};

use crate::terms::Untrusted;

/// Bounds of one session.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Longest answer in bytes, after inflating; also the longest before it.
    pub answer_bytes: usize,
    /// Deepest nesting of HTML elements and of JSON values, in levels.
    pub nesting: usize,
    /// Most redirects that are followed for one request.
    pub redirects: usize,
    /// Longest time until a connection stands.
    pub connect: Duration,
    /// Longest time from the start of a request to the last byte of its answer.
    pub answer: Duration,
    /// Most headers of one answer.
    pub headers: usize,
    /// How often a request that does not act is sent until it is answered, at least 1.
    pub attempts: usize,
    /// Pause before the second attempt; each further one is twice as long.
    pub pause: Duration,
    /// How long a device may take to go away for its restart after it was told to.
    pub leave: Duration,
}

/// The bounds of a device in ordinary use.
impl Default for Limits {
    fn default() -> Self {
        Self {
            answer_bytes: 1024 * 1024,
            nesting: 512,
            redirects: 5,
            connect: Duration::from_secs(3),
            answer: Duration::from_secs(10),
            headers: 64,
            attempts: 3,
            pause: Duration::from_millis(200),
            leave: Duration::from_secs(8),
        }
    }
}

/// One bound as a person sets it, such as `answer-s=20`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    name: &'static str,
    value: f64,
}

/// Why a text sets no bound.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LimitError {
    /// There is no `=` in it.
    #[error(
        "`{given}` sets no limit: write NAME=VALUE, where NAME is one of {}",
        known()
    )]
    NoValue {
        /// What was given, escaped.
        given: String,
    },
    /// No bound has this name.
    #[error("there is no limit `{name}`: it is one of {}", known())]
    UnknownName {
        /// The name as given, escaped.
        name: String,
    },
    /// The value is no number, or out of the bound's own range.
    #[error("`{value}` is no value for the limit `{name}`: it takes {takes}")]
    BadValue {
        /// The bound.
        name: &'static str,
        /// The value as given, escaped.
        value: String,
        /// The range in words.
        takes: String,
    },
}

/// Name, smallest, largest, whether it must be whole.
///
/// The nesting stops at 1024, since both parsers descend by recursion and a thread has a stack of
/// 2 MiB.
const NAMES: [(&str, f64, f64, bool); 9] = [
    ("page-kib", 1.0, 65_536.0, true),
    ("nesting", 1.0, 1024.0, true),
    ("redirects", 0.0, 50.0, true),
    ("connect-s", 0.01, 600.0, false),
    ("answer-s", 0.01, 600.0, false),
    ("headers", 1.0, 1024.0, true),
    ("attempts", 1.0, 20.0, true),
    ("pause-s", 0.0, 60.0, false),
    ("leave-s", 0.1, 600.0, false),
];

fn known() -> String {
    let quoted: Vec<String> = NAMES.iter().map(|(name, ..)| format!("`{name}`")).collect();
    quoted.join(", ")
}

impl Limit {
    /// The names of all bounds.
    pub fn names() -> impl Iterator<Item = &'static str> {
        NAMES.iter().map(|(name, ..)| *name)
    }
}

impl FromStr for Limit {
    type Err = LimitError;

    fn from_str(given: &str) -> Result<Self, LimitError> {
        let shown = |text: &str| Untrusted::new(text).to_string();
        let (name, value) = given.split_once('=').ok_or_else(|| LimitError::NoValue {
            given: shown(given),
        })?;
        let &(name, from, to, whole) = NAMES
            .iter()
            .find(|(known, ..)| *known == name)
            .ok_or_else(|| LimitError::UnknownName { name: shown(name) })?;
        value
            .parse::<f64>()
            .ok()
            .filter(|number| (from..=to).contains(number) && (!whole || number.fract() == 0.0))
            .map(|value| Limit { name, value })
            .ok_or_else(|| LimitError::BadValue {
                name,
                value: shown(value),
                takes: format!(
                    "a {}number from {from} to {to}",
                    if whole { "whole " } else { "" }
                ),
            })
    }
}

impl Limits {
    /// The bounds with some of them set by a person; of two for the same bound the last counts.
    #[must_use]
    pub fn with(mut self, set: &[Limit]) -> Self {
        for limit in set {
            let seconds = Duration::from_secs_f64(limit.value);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "the names that take it are whole, positive and below 2^26"
            )]
            let whole = limit.value as usize;
            match limit.name {
                "page-kib" => self.answer_bytes = whole * 1024,
                "nesting" => self.nesting = whole,
                "redirects" => self.redirects = whole,
                "connect-s" => self.connect = seconds,
                "answer-s" => self.answer = seconds,
                "headers" => self.headers = whole,
                "attempts" => self.attempts = whole,
                "pause-s" => self.pause = seconds,
                _ => self.leave = seconds,
            }
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limit(text: &str) -> Limit {
        text.parse().expect("a limit")
    }

    #[test]
    fn sets_every_bound_by_its_name() {
        let set: Vec<Limit> = [
            "page-kib=2",
            "nesting=3",
            "redirects=0",
            "connect-s=0.5",
            "answer-s=2",
            "headers=7",
            "attempts=1",
            "pause-s=0",
            "leave-s=3",
        ]
        .map(limit)
        .to_vec();
        let expected = Limits {
            answer_bytes: 2048,
            nesting: 3,
            redirects: 0,
            connect: Duration::from_millis(500),
            answer: Duration::from_secs(2),
            headers: 7,
            attempts: 1,
            pause: Duration::ZERO,
            leave: Duration::from_secs(3),
        };
        assert_eq!(Limits::default().with(&set), expected);
        assert_eq!(set.len(), NAMES.len(), "no name is left out here");
    }

    #[test]
    fn the_last_of_two_counts() {
        let limits = Limits::default().with(&[limit("nesting=3"), limit("nesting=4")]);
        assert_eq!(limits.nesting, 4);
    }

    #[test]
    fn says_what_a_limit_takes() {
        let said = |text: &str| {
            text.parse::<Limit>()
                .map_err(|error| error.to_string())
                .expect_err("no limit")
        };
        assert_eq!(
            said("nesting=2.5"),
            "`2.5` is no value for the limit `nesting`: it takes a whole number from 1 to 1024"
        );
        assert!(said("answer-s=NaN").starts_with("`NaN` is no value"));
        assert!(said("answer-s=-1").contains("from 0.01 to 600"));
        assert!(said("speed=1").starts_with("there is no limit `speed`: it is one of `page-kib`"));
        assert!(said("nesting").starts_with("`nesting` sets no limit: write NAME=VALUE"));
    }
}
