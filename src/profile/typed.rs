//! Values as a person writes them: typed, or in a file of theirs.
//!
//! What is wrong is one sentence that names the range and what was nearly meant; of a secret it has
//! not a letter.

use super::model::{Means, Setting};
use crate::terms::{Kind, Value, name::nearest};

impl Setting {
    /// What the setting is to be, from the words for it; `none` is absent where the family has
    /// that, and a key may have `:`, `-` or spaces between its bytes.
    ///
    /// # Errors
    /// One sentence for the person, with the setting's name.
    pub fn parse(&self, typed: &str) -> Result<Value, String> {
        let name = &self.name;
        if typed == "none" && self.means_absent() {
            return Ok(Value::Absent);
        }
        if typed.chars().any(char::is_control) {
            // Of a secret too, this says nothing of the rest.
            return Err(format!(
                "`{name}`: a value holds no line break, tab or other control character"
            ));
        }
        let words = match &self.kind {
            // As people and pages spell them.
            Kind::Bytes { .. } => typed.replace([':', '-', ' '], ""),
            _ => typed.to_owned(),
        };
        self.kind.parse(&words).map_err(|error| {
            let or_none = if self.means_absent() { ", or none" } else { "" };
            if self.secret {
                return format!("this is no `{name}`: it takes {}{or_none}", self.kind);
            }
            let near = match &self.kind {
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
    pub fn means_absent(&self) -> bool {
        let mut rows = self.rows.iter();
        rows.any(|row| row.means == Means::Is(Value::Absent))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::named;

    fn said(setting: &str, typed: &str) -> Result<Value, String> {
        let profile = named("sample-form").expect("it comes with the program");
        profile.setting(setting).expect("it has one").parse(typed)
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
