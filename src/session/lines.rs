//! `key: value` lines, as small devices print their state.
//!
//! Nothing is thrown away: a line without a colon is a key without a value, and a key that stands
//! twice is kept twice, but nobody gets one of the two by asking for it.

use std::fmt;

/// The lines of one answer, in their order.
#[derive(Clone, PartialEq, Eq, Default)]
pub struct Lines(Vec<(String, String)>);

/// Most lines of one answer: beyond that it is no state but a log.
pub const MOST_LINES: usize = 4096;

/// Why an answer is not read as lines.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LinesError {
    /// More than [`MOST_LINES`].
    #[error("it has more than {MOST_LINES} lines")]
    TooMany,
    /// Bytes that are no UTF-8.
    #[error("it is not written in UTF-8")]
    NotUtf8,
    /// A key that was asked for stands there more than once.
    #[error("the line `{key}` stands there {times} times")]
    Twice {
        /// The key that was asked for.
        key: String,
        /// How often it stands there.
        times: usize,
    },
}

/// The number of lines alone, since a value may be a secret.
impl fmt::Debug for Lines {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Lines({})", self.0.len())
    }
}

impl Lines {
    /// Reads lines that end with LF or CRLF; blank ones are left aside. Key and value are what
    /// stands before and after the first colon, without the spaces and tabs around them.
    pub fn parse(body: &[u8]) -> Result<Self, LinesError> {
        let text = std::str::from_utf8(body).map_err(|_| LinesError::NotUtf8)?;
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut lines = Vec::new();
        for line in text.split('\n') {
            let line = line.strip_suffix('\r').unwrap_or(line);
            if line.trim().is_empty() {
                continue;
            }
            if lines.len() == MOST_LINES {
                return Err(LinesError::TooMany);
            }
            let (key, value) = line.split_once(':').unwrap_or((line, ""));
            lines.push((trimmed(key), trimmed(value)));
        }
        Ok(Self(lines))
    }

    /// The value of a key; none where no line has it.
    pub fn get(&self, key: &str) -> Result<Option<&str>, LinesError> {
        let mut found = self.values(key);
        let first = found.next();
        match found.count() {
            0 => Ok(first),
            more => Err(LinesError::Twice {
                key: key.to_owned(),
                times: more + 1,
            }),
        }
    }

    /// All values of a key, in their order.
    pub fn values<'a>(&'a self, key: &str) -> impl Iterator<Item = &'a str> {
        self.0
            .iter()
            .filter(move |(k, _)| k == key)
            .map(|(_, value)| value.as_str())
    }

    /// The keys, in their order, as often as they stand there.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|(key, _)| key.as_str())
    }
}

fn trimmed(text: &str) -> String {
    text.trim_matches([' ', '\t']).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_both_line_ends_and_keeps_later_colons() {
        let lines = Lines::parse(b"plate: TM-0815\r\nseen:  12:30 \n\n \nheld:\nmast receiver")
            .expect("lines");
        assert_eq!(lines.get("plate"), Ok(Some("TM-0815")));
        assert_eq!(lines.get("seen"), Ok(Some("12:30")));
        assert_eq!(lines.get("held"), Ok(Some("")));
        assert_eq!(lines.get("mast receiver"), Ok(Some("")));
        assert_eq!(lines.get("tie"), Ok(None));
        assert_eq!(lines.keys().count(), 4);
    }

    #[test]
    fn a_key_that_stands_twice_is_an_error_when_asked_for() {
        let lines = Lines::parse(b"held: 7\nheld: 8\ntie: kept\n").expect("lines");
        assert_eq!(
            lines.get("held"),
            Err(LinesError::Twice {
                key: "held".into(),
                times: 2
            })
        );
        assert_eq!(lines.get("tie"), Ok(Some("kept")));
        assert_eq!(lines.values("held").collect::<Vec<_>>(), ["7", "8"]);
    }

    #[test]
    fn a_log_and_other_encodings_are_refused() {
        assert_eq!(
            Lines::parse("a: b\n".repeat(MOST_LINES + 1).as_bytes()),
            Err(LinesError::TooMany)
        );
        assert_eq!(Lines::parse(b"name: Caf\xe9"), Err(LinesError::NotUtf8));
    }
}
