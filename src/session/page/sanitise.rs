//! What a browser makes of an input's value before anybody sees it: the value sanitisation
//! algorithms of the HTML standard, 4.10.5.1.
//!
//! A value that a browser would blank or bend must never be read as the device's setting, nor be
//! written back. Where Chromium is known to differ from the standard it is followed, since a
//! device's page was tried out in browsers: colours may be any CSS colour, and a range's value is
//! written anew as a number (though in plain digits, where Chromium keeps an exponent).

use std::fmt;

use rust_decimal::{Decimal, RoundingStrategy};

/// The types of `<input>` that hold one line of text for their value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LineType {
    Hidden,
    Text,
    Search,
    Tel,
    Url,
    Email { several: bool },
    Password,
    Date,
    Month,
    Week,
    Time,
    LocalTime,
    Number,
    Range,
    Colour,
}

/// `min`, `max` and `step` of a number or a range.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Bounds {
    pub(super) min: Option<Decimal>,
    pub(super) max: Option<Decimal>,
    /// None: `any`.
    pub(super) step: Option<Decimal>,
    /// Where the steps are counted from.
    pub(super) base: Decimal,
}

impl LineType {
    /// The value as a browser has it.
    pub(super) fn sanitise(self, value: &str, bounds: &Bounds) -> String {
        match self {
            LineType::Hidden => value.to_owned(),
            LineType::Text | LineType::Search | LineType::Tel | LineType::Password => {
                without_breaks(value)
            }
            LineType::Url | LineType::Email { several: false } => {
                trimmed(&without_breaks(value)).to_owned()
            }
            LineType::Email { several: true } => {
                let value = without_breaks(value);
                let parts: Vec<&str> = value.split(',').map(trimmed).collect();
                parts.join(",")
            }
            LineType::Date => kept_if(value, is_date),
            LineType::Month => kept_if(value, |text| month(text).is_some()),
            LineType::Week => kept_if(value, is_week),
            LineType::Time => kept_if(value, |text| time(text).is_some()),
            LineType::LocalTime => local_time(value).unwrap_or_default(),
            LineType::Number => kept_if(value, is_number),
            LineType::Range => bounds.range_value(value),
            LineType::Colour => colour(value),
        }
    }
}

impl Bounds {
    /// The bounds that the attributes of an element state; a range has 0 to 100 by default.
    pub(super) fn of(
        line: LineType,
        min: Option<&str>,
        max: Option<&str>,
        step: Option<&str>,
        value: Option<&str>,
    ) -> Self {
        let default = |number: i64| (line == LineType::Range).then(|| Decimal::from(number));
        let stated_min = min.and_then(number);
        let min = stated_min.or(default(0));
        let mut max = max.and_then(number).or(default(100));
        if line == LineType::Range {
            max = max.max(min);
        }
        let step = match step {
            Some(any) if any.eq_ignore_ascii_case("any") => None,
            stated => Some(
                stated
                    .and_then(number)
                    .filter(|step| step.is_sign_positive() && !step.is_zero())
                    .unwrap_or(Decimal::ONE),
            ),
        };
        let base = stated_min
            .or_else(|| value.and_then(number))
            .unwrap_or_default();
        Self {
            min,
            max,
            step,
            base,
        }
    }

    /// Whether a number lies between the bounds and on a step.
    pub(super) fn admits(&self, value: &str) -> bool {
        let Some(value) = number(value) else {
            return false;
        };
        let on_step = self.step.is_none_or(|step| {
            value
                .checked_sub(self.base)
                .and_then(|above| above.checked_rem(step))
                .is_some_and(|rest| rest.is_zero())
        });
        self.min.is_none_or(|min| value >= min)
            && self.max.is_none_or(|max| value <= max)
            && on_step
    }

    fn range_value(&self, value: &str) -> String {
        let (min, max) = (self.min.unwrap_or_default(), self.max.unwrap_or_default());
        let middle = || {
            let sum = min.checked_add(max);
            sum.map_or(min, |sum| sum / Decimal::TWO)
        };
        let wanted = number(value).unwrap_or_else(middle).clamp(min, max);
        let stepped = self
            .step
            .and_then(|step| self.on_step(wanted, step, min, max));
        stepped.unwrap_or(wanted).normalize().to_string()
    }

    /// The nearest step within the bounds, the upper of two; none where a step is too large.
    fn on_step(
        &self,
        wanted: Decimal,
        step: Decimal,
        min: Decimal,
        max: Decimal,
    ) -> Option<Decimal> {
        let steps = wanted.checked_sub(self.base)?.checked_div(step)?;
        let steps = steps.round_dp_with_strategy(0, RoundingStrategy::MidpointAwayFromZero);
        let nearest = self.base.checked_add(steps.checked_mul(step)?)?;
        let within = if nearest > max {
            nearest.checked_sub(step)?
        } else if nearest < min {
            nearest.checked_add(step)?
        } else {
            nearest
        };
        (min..=max).contains(&within).then_some(within)
    }
}

/// `1 to 40 in steps of 1`, or what of it is stated.
impl fmt::Display for Bounds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.min, self.max) {
            (Some(min), Some(max)) => write!(f, "{min} to {max}")?,
            (Some(min), None) => write!(f, "from {min}")?,
            (None, Some(max)) => write!(f, "up to {max}")?,
            (None, None) => write!(f, "any number")?,
        }
        match self.step {
            Some(step) => write!(f, " in steps of {step}"),
            None => Ok(()),
        }
    }
}

/// ASCII white space of the standard is trimmed, nothing else.
pub(super) fn trimmed(text: &str) -> &str {
    text.trim_matches([' ', '\t', '\n', '\r', '\u{c}'])
}

fn without_breaks(text: &str) -> String {
    text.replace(['\n', '\r'], "")
}

fn kept_if(value: &str, valid: impl Fn(&str) -> bool) -> String {
    if valid(value) {
        value.to_owned()
    } else {
        String::new()
    }
}

/// A valid floating-point number (HTML standard, 2.3.4.3) that a double can hold.
fn is_number(text: &str) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let unsigned = text.strip_prefix('-').unwrap_or(text);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (unsigned, None),
    };
    let mantissa_is_valid = match mantissa.split_once('.') {
        Some((whole, part)) => (whole.is_empty() || digits(whole)) && digits(part),
        None => digits(mantissa),
    };
    let exponent_is_valid =
        exponent.is_none_or(|text| digits(text.strip_prefix(['-', '+']).unwrap_or(text)));
    mantissa_is_valid && exponent_is_valid && text.parse::<f64>().is_ok_and(f64::is_finite)
}

/// The number of a valid floating-point number. What is too large for a decimal becomes the
/// largest, what is too small becomes zero: both only ever meet bounds.
fn number(text: &str) -> Option<Decimal> {
    if !is_number(text) {
        return None;
    }
    let exact = if text.contains(['e', 'E']) {
        Decimal::from_scientific(text)
    } else {
        text.parse()
    };
    exact.ok().or_else(|| {
        let rough: f64 = text.parse().ok()?;
        Some(if rough.abs() < 1.0 {
            Decimal::ZERO
        } else if rough < 0.0 {
            Decimal::MIN
        } else {
            Decimal::MAX
        })
    })
}

/// The last day of a script's `Date` (ECMAScript, "Time Values and Time Range") and its week. The
/// HTML standard has no last day; Chromium ends here.
const LAST_DAY: (u32, u32, u32) = (275_760, 9, 13);
const LAST_WEEK: (u32, u32) = (275_760, 37);

/// So many digits, as a number.
fn fixed(text: &str, width: usize) -> Option<u32> {
    (text.len() == width && text.bytes().all(|b| b.is_ascii_digit()))
        .then(|| text.parse().ok())
        .flatten()
}

fn year(text: &str) -> Option<u32> {
    let year = fixed(text, text.len()).filter(|year| (1..=LAST_DAY.0).contains(year))?;
    (text.len() >= 4).then_some(year)
}

fn month(text: &str) -> Option<(u32, u32)> {
    let (y, m) = text.split_once('-')?;
    let m = fixed(m, 2).filter(|m| (1..=12).contains(m))?;
    Some((year(y)?, m)).filter(|month| *month <= (LAST_DAY.0, LAST_DAY.1))
}

fn is_date(text: &str) -> bool {
    let parsed = text
        .rsplit_once('-')
        .and_then(|(front, day)| Some((month(front)?, fixed(day, 2)?)));
    parsed.is_some_and(|((y, m), day)| {
        let last = match m {
            2 if is_leap(y) => 29,
            2 => 28,
            4 | 6 | 9 | 11 => 30,
            _ => 31,
        };
        (1..=last).contains(&day) && (y, m, day) <= LAST_DAY
    })
}

fn is_leap(year: u32) -> bool {
    year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400))
}

/// A year has 53 weeks when it begins on a Thursday, or is a leap year that begins on a Wednesday
/// (ISO 8601).
fn is_week(text: &str) -> bool {
    let parsed = text
        .split_once("-W")
        .and_then(|(y, week)| Some((year(y)?, fixed(week, 2)?)));
    parsed.is_some_and(|(y, week)| {
        let before = y - 1;
        // 1 January of the year 1 was a Monday in the proleptic Gregorian calendar.
        let first = (before + before / 4 - before / 100 + before / 400) % 7;
        let last = if first == 3 || (first == 2 && is_leap(y)) {
            53
        } else {
            52
        };
        (1..=last).contains(&week) && (y, week) <= LAST_WEEK
    })
}

/// Hours, minutes, seconds and the digits of a fraction.
fn time(text: &str) -> Option<(u32, u32, u32, &str)> {
    let mut parts = text.split(':');
    let hour = fixed(parts.next()?, 2).filter(|hour| *hour < 24)?;
    let minute = fixed(parts.next()?, 2).filter(|minute| *minute < 60)?;
    let (second, fraction) = match parts.next() {
        None => (0, ""),
        Some(seconds) => match seconds.split_once('.') {
            None => (fixed(seconds, 2)?, ""),
            Some((second, fraction)) => {
                fixed(fraction, fraction.len())?;
                if !(1..=3).contains(&fraction.len()) {
                    return None;
                }
                (fixed(second, 2)?, fraction)
            }
        },
    };
    (second < 60 && parts.next().is_none()).then_some((hour, minute, second, fraction))
}

/// A local date and time, normalised: `T` between them and the time as short as it can be.
fn local_time(text: &str) -> Option<String> {
    let (date, clock) = text.split_once(['T', ' '])?;
    let (hour, minute, second, fraction) = time(clock).filter(|_| is_date(date))?;
    let to_the_minute = format!("{date}T{hour:02}:{minute:02}");
    Some(match (second, fraction.trim_end_matches('0')) {
        (0, "") => to_the_minute,
        (second, "") => format!("{to_the_minute}:{second:02}"),
        (second, part) => format!("{to_the_minute}:{second:02}.{part}"),
    })
}

/// `#rrggbb` of any CSS colour, its transparency dropped; black where it is none.
fn colour(text: &str) -> String {
    // The library also takes bare hexadecimal digits and `hsv()`, which CSS does not; and Chromium
    // takes no space around a colour's name, though around anything else.
    let bare = trimmed(text);
    let is_word = bare.bytes().all(|b| b.is_ascii_alphanumeric());
    let is_css = !(is_word && (bare != text || bare.bytes().all(|b| b.is_ascii_hexdigit()))
        || bare.to_ascii_lowercase().starts_with("hsv"));
    let parsed = is_css.then(|| csscolorparser::parse(bare).ok()).flatten();
    let [red, green, blue, _] = parsed.map_or([0; 4], |colour| colour.to_rgba8());
    format!("#{red:02x}{green:02x}{blue:02x}")
}
