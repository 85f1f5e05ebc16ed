//! What values a setting can have, and the only door through which raw things become a value.

use std::fmt;

use rust_decimal::Decimal;
use semver::Version;

use super::{Untrusted, Value, untrusted::is_too_long};

/// The kind of a setting with its range.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Kind {
    /// On or off.
    Flag,
    /// A number in a range.
    Number(NumberRange),
    /// A number in a range, or `off`.
    NumberOrOff(NumberRange),
    /// Text of at most so many characters.
    Text {
        /// Fewest characters.
        from: usize,
        /// Most characters.
        to: usize,
    },
    /// One of a list.
    Choice(Vec<ChoiceOption>),
    /// So many bytes.
    Bytes {
        /// Fewest bytes.
        from: usize,
        /// Most bytes.
        to: usize,
    },
    /// A version by `SemVer` 2.0.0.
    Version,
    /// Several of one kind.
    List {
        /// The kind of each.
        of: Box<Kind>,
        /// Fewest items.
        from: usize,
        /// Most items.
        to: usize,
    },
}

/// A closed range of numbers with a step and a unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NumberRange {
    /// Smallest.
    pub from: Decimal,
    /// Largest.
    pub to: Decimal,
    /// Values are `from` plus a multiple of this; 1 unless the profile says otherwise.
    pub step: Decimal,
    /// Unit as it is printed, such as `ms`.
    pub unit: Option<String>,
}

/// One of a choice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChoiceOption {
    /// Our word for it.
    pub value: String,
    /// What the family calls it.
    pub wire: String,
    /// What a person reads.
    pub label: Option<String>,
}

/// Why something is no value of a kind.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ValueError {
    /// Not of this kind at all.
    #[error("`{given}` is not {expected}")]
    NotThisKind {
        /// What was given, escaped.
        given: String,
        /// What the kind takes.
        expected: String,
    },
    /// Of this kind, but outside of its range.
    #[error("`{given}` is out of range: {expected}")]
    OutOfRange {
        /// What was given, escaped.
        given: String,
        /// The range.
        expected: String,
    },
}

impl Kind {
    /// Reads what a person typed: `on`/`off`, a number, our word of a choice, hexadecimal, a list
    /// with spaces or commas, `none` for absent.
    ///
    /// # Errors
    /// When the words are not of this kind or out of its range.
    pub fn parse(&self, typed: &str) -> Result<Value, ValueError> {
        let wrong = || self.not_this_kind(typed);
        let value = match self {
            Kind::Flag => match typed {
                "on" | "true" | "yes" => Value::Flag(true),
                "off" | "false" | "no" => Value::Flag(false),
                _ => return Err(wrong()),
            },
            Kind::NumberOrOff(_) if typed == "off" => Value::Off,
            Kind::Number(_) | Kind::NumberOrOff(_) => {
                Value::Number(typed.trim().parse().map_err(|_| wrong())?)
            }
            // What is kept of it would be another value.
            Kind::Text { .. } if is_too_long(typed) => return Err(self.out_of_range(typed)),
            Kind::Text { .. } => Value::Text(typed.into()),
            Kind::Choice(_) => Value::Choice(typed.to_owned()),
            Kind::Bytes { .. } if typed == "none" => Value::Absent,
            Kind::Bytes { .. } => Value::Bytes(hex::decode(typed).map_err(|_| wrong())?),
            Kind::Version => Value::Version(Version::parse(typed).map_err(|_| wrong())?),
            Kind::List { of, .. } => Value::List(
                typed
                    .split([',', ' '])
                    .filter(|item| !item.is_empty())
                    .map(|item| of.parse(item))
                    .collect::<Result<_, _>>()?,
            ),
        };
        self.admit(value)
    }

    /// Lets a value pass that is of this kind and in its range. Absent passes always: whether a
    /// setting can be absent is its profile's to say.
    ///
    /// # Errors
    /// When the value is of another kind or out of range.
    pub fn admit(&self, value: Value) -> Result<Value, ValueError> {
        let in_range = match (self, &value) {
            (_, Value::Absent)
            | (Kind::Flag, Value::Flag(_))
            | (Kind::Version, Value::Version(_))
            | (Kind::NumberOrOff(_), Value::Off) => true,
            (Kind::Number(range) | Kind::NumberOrOff(range), Value::Number(number)) => {
                range.holds(*number)
            }
            (Kind::Text { from, to }, Value::Text(text)) => {
                (*from..=*to).contains(&text.raw().chars().count())
            }
            (Kind::Choice(options), Value::Choice(word)) => {
                options.iter().any(|option| option.value == *word)
            }
            (Kind::Bytes { from, to }, Value::Bytes(bytes)) => (*from..=*to).contains(&bytes.len()),
            (Kind::List { of, from, to }, Value::List(items)) => {
                for item in items {
                    of.admit(item.clone())?;
                }
                (*from..=*to).contains(&items.len())
            }
            _ => return Err(self.not_this_kind(&value.to_string())),
        };
        if in_range {
            Ok(value)
        } else {
            Err(self.out_of_range(&value.to_string()))
        }
    }

    /// What a person reads beside a value: the label of a choice.
    pub fn label_of(&self, value: &Value) -> Option<&str> {
        match (self, value) {
            (Kind::Choice(options), Value::Choice(word)) => options
                .iter()
                .find(|option| option.value == *word)
                .and_then(|option| option.label.as_deref()),
            _ => None,
        }
    }

    /// The unit, where it has one.
    pub fn unit(&self) -> Option<&str> {
        match self {
            Kind::Number(range) | Kind::NumberOrOff(range) => range.unit.as_deref(),
            _ => None,
        }
    }

    fn out_of_range(&self, given: &str) -> ValueError {
        ValueError::OutOfRange {
            given: Untrusted::new(given).to_string(),
            expected: self.to_string(),
        }
    }

    fn not_this_kind(&self, given: &str) -> ValueError {
        ValueError::NotThisKind {
            given: Untrusted::new(given).to_string(),
            expected: self.to_string(),
        }
    }
}

impl NumberRange {
    /// Whether a number lies in the range and on its steps.
    pub fn holds(&self, number: Decimal) -> bool {
        (self.from..=self.to).contains(&number)
            && (self.step.is_zero() || ((number - self.from) % self.step).is_zero())
    }
}

impl fmt::Display for NumberRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "a number from {} to {}", self.from, self.to)?;
        if self.step != Decimal::ONE {
            write!(f, " in steps of {}", self.step)?;
        }
        if let Some(unit) = &self.unit {
            write!(f, " {unit}")?;
        }
        Ok(())
    }
}

/// The range in words: "a number from 1 to 40, or off".
impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Kind::Flag => f.write_str("on or off"),
            Kind::Number(range) => range.fmt(f),
            Kind::NumberOrOff(range) => write!(f, "{range}, or off"),
            Kind::Text { from: 0, to } => write!(f, "text of at most {to} characters"),
            Kind::Text { from, to } => write!(f, "text of {from} to {to} characters"),
            Kind::Choice(options) => {
                let words: Vec<&str> = options.iter().map(|o| o.value.as_str()).collect();
                write!(f, "one of {}", words.join(", "))
            }
            Kind::Bytes { from, to } if from == to => write!(f, "{from} bytes in hexadecimal"),
            Kind::Bytes { from, to } => write!(f, "{from} to {to} bytes in hexadecimal"),
            Kind::Version => f.write_str("a version such as 2.4.1"),
            Kind::List { of, from, to } if from == to => write!(f, "{from} times {of}"),
            Kind::List { of, from, to } => write!(f, "{from} to {to} times {of}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slots() -> Kind {
        Kind::NumberOrOff(NumberRange {
            from: 1.into(),
            to: 40.into(),
            step: Decimal::ONE,
            unit: None,
        })
    }

    #[test]
    fn number_or_off_takes_its_range_and_off() {
        assert_eq!(slots().parse("off"), Ok(Value::Off));
        assert_eq!(slots().parse("40"), Ok(Value::Number(40.into())));
        let too_large = slots().parse("41").map_err(|error| error.to_string());
        assert_eq!(
            too_large,
            Err("`41` is out of range: a number from 1 to 40, or off".into())
        );
        assert!(slots().parse("2.5").is_err(), "off the steps");
        assert!(slots().parse("seven").is_err());
    }

    #[test]
    fn a_text_that_would_not_be_kept_whole_is_no_value() {
        let kind = Kind::Text { from: 0, to: 4096 };
        assert!(kind.parse(&"a".repeat(4096)).is_ok());
        assert!(matches!(
            kind.parse(&"a".repeat(4097)),
            Err(ValueError::OutOfRange { .. })
        ));
    }

    fn version(text: &str) -> Version {
        match Kind::Version.parse(text) {
            Ok(Value::Version(version)) => version,
            other => panic!("`{text}` is {other:?}"),
        }
    }

    #[test]
    fn versions_follow_each_other_as_in_semver_section_11() {
        // SemVer 2.0.0, section 11, points 2 and 4.
        for chain in [
            &["1.0.0", "2.0.0", "2.1.0", "2.1.1"][..],
            &[
                "1.0.0-alpha",
                "1.0.0-alpha.1",
                "1.0.0-alpha.beta",
                "1.0.0-beta",
                "1.0.0-beta.2",
                "1.0.0-beta.11",
                "1.0.0-rc.1",
                "1.0.0",
            ],
        ] {
            for (index, earlier) in chain.iter().enumerate() {
                for later in &chain[index + 1..] {
                    let order = version(earlier).cmp_precedence(&version(later));
                    assert!(order.is_lt(), "{earlier} and {later}");
                }
            }
        }
    }

    #[test]
    fn build_metadata_makes_another_firmware_of_the_same_precedence() {
        let (one, other) = (version("1.0.0+a"), version("1.0.0+b"));
        // SemVer 2.0.0, section 10.
        assert!(one.cmp_precedence(&other).is_eq());
        assert_ne!(Value::Version(one), Value::Version(other));
    }

    #[test]
    fn a_list_is_checked_item_by_item() {
        let kind = Kind::List {
            of: Box::new(slots()),
            from: 2,
            to: 2,
        };
        assert!(kind.parse("1,2").is_ok());
        assert!(kind.parse("1 41").is_err());
        assert!(kind.parse("1 2 3").is_err());
    }

    #[test]
    fn json_of_a_whole_number_has_no_point() {
        let half: Decimal = "7.50".parse().expect("a decimal");
        assert_eq!(Value::Number(7.into()).to_json().to_string(), "7");
        assert_eq!(Value::Number(half).to_json().to_string(), "7.5");
        assert_eq!(Value::Off.to_json().to_string(), "\"off\"");
    }
}
