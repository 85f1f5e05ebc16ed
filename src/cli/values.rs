//! Values as a person types them, with messages that name the range and what was nearly meant.
//!
//! A secret's value stands in no message, and never on a command line: that is seen by everybody
//! on the computer, and kept by the shell.

use super::{failure::Failure, read::nearest};
use crate::{
    change::Trouble,
    profile::{Means, Setting},
    terms::{Exit, Kind, Value},
};

/// What a setting is to be, from the words for it; `none` is absent where the family has that.
/// The error is one sentence for the person, and of a secret without a letter of it.
pub(super) fn parse(setting: &Setting, typed: &str) -> Result<Value, String> {
    let name = &setting.name;
    if typed == "none" && means_absent(setting) {
        return Ok(Value::Absent);
    }
    if typed.chars().any(char::is_control) {
        // Of a secret too, this says nothing of the rest.
        return Err(format!(
            "`{name}`: a value holds no line break, tab or other control character"
        ));
    }
    let words = match &setting.kind {
        // As people and pages spell them.
        Kind::Bytes { .. } => typed.replace([':', '-', ' '], ""),
        _ => typed.to_owned(),
    };
    setting.kind.parse(&words).map_err(|error| {
        let or_none = if means_absent(setting) {
            ", or none"
        } else {
            ""
        };
        if setting.secret {
            return format!("this is no `{name}`: it takes {}{or_none}", setting.kind);
        }
        let near = match &setting.kind {
            Kind::Choice(options) => nearest(options.iter().map(|o| o.value.as_str()), typed),
            _ => None,
        };
        match near {
            Some(near) => format!("`{name}`: {error}{or_none}; did you mean `{near}`?"),
            None => format!("`{name}`: {error}{or_none}"),
        }
    })
}

/// Whether the family has a way to say that there is none.
fn means_absent(setting: &Setting) -> bool {
    let mut rows = setting.rows.iter();
    rows.any(|row| row.means == Means::Is(Value::Absent))
}

/// Refuses what the family can never be told, before anything is sent.
pub(super) fn writable(setting: &Setting, value: &Value) -> Result<(), Failure> {
    setting.write(value).map(drop).map_err(|error| {
        let code = if setting.saves.is_empty() {
            "setting-read-only"
        } else {
            "value-cannot-be-written"
        };
        let help = "`linkmend profile show` says what this family takes";
        Failure::Trouble(Trouble::new(code, error.to_string(), Some(help)).ending(Exit::Refused))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::named;

    fn said(setting: &str, typed: &str) -> Result<Value, String> {
        let profile = named("sample-form").expect("it comes with the program");
        parse(profile.setting(setting).expect("it has one"), typed)
    }

    #[test]
    fn a_slip_is_told_with_its_range_and_what_was_nearly_meant() {
        assert_eq!(
            said("waveform", "breze"),
            Err("`waveform`: `breze` is out of range: one of calm, breeze, gale; did you mean `breeze`?".into())
        );
        assert_eq!(
            said("light", "101"),
            Err("`light`: `101` is out of range: a number from 0 to 100 %".into())
        );
        assert_eq!(
            said("output-rate", "fast"),
            Err("`output-rate`: `fast` is not a number from 50 to 400 in steps of 10 Hz".into())
        );
    }

    #[test]
    fn what_acts_on_a_screen_or_breaks_a_line_is_no_value() {
        for (setting, typed) in [
            ("name", "Teal\nGrebe"),
            ("name", "\u{1b}[2J"),
            ("local-passphrase", "sedge\tand sallow"),
        ] {
            let why = said(setting, typed).expect_err("a control character");
            assert!(why.ends_with("control character"), "{why}");
            assert!(!why.contains("Grebe") && !why.contains("sedge"), "{why}");
        }
        assert!(said("name", "Röhrsänger 7").is_ok());
    }

    #[test]
    fn a_key_is_taken_as_people_spell_it_and_stands_in_no_message() {
        let key = Value::Bytes(vec![0x4a, 0x1f, 0, 0x9c, 0x77, 0xe2]);
        for spelled in ["4a1f009c77e2", "4A:1F:00:9C:77:E2", "4a-1f-00 9c-77-e2"] {
            assert_eq!(said("bind-key", spelled).as_ref(), Ok(&key), "{spelled}");
        }
        assert_eq!(said("bind-key", "none"), Ok(Value::Absent));
        let why = said("bind-key", "4a1f").expect_err("too short");
        assert_eq!(
            why,
            "this is no `bind-key`: it takes 6 bytes in hexadecimal, or none"
        );
    }
}
