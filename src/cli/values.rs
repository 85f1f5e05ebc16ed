//! Values as a person types them, with messages that name the range and what was nearly meant.
//!
//! A secret's value stands in no message, and never on a command line: that is seen by everybody
//! on the computer, and kept by the shell.

use std::{fs::File, io::Read, os::unix::fs::MetadataExt, path::Path};

use super::{
    failure::Failure,
    read::nearest,
    screen::{Screen, Tone},
};
use crate::{
    change::Trouble,
    profile::{Means, Setting},
    terms::{Exit, Kind, Untrusted, Value},
};

/// What a setting is to be, from the words for it; `none` is absent where the family has that.
/// The error is one sentence for the person, and of a secret without a letter of it.
pub(super) fn parse(setting: &Setting, typed: &str) -> Result<Value, String> {
    let name = &setting.name;
    if typed == "none" && means_absent(setting) {
        return Ok(Value::Absent);
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

/// The one line of a file that holds a secret, without its line end. Where others can read the
/// file, that is told: it is its owner's to mend.
pub(super) fn line_of(file: &Path, screen: Screen) -> Result<String, Failure> {
    let shown = Untrusted::new(file.display().to_string()).to_string();
    let failed = |why: &str| {
        Failure::usage(
            format!("the file `{shown}` {why}"),
            "put the secret alone into it, on one line, readable by you alone",
        )
    };
    let unread = |error: std::io::Error| failed(&format!("cannot be read: {error}"));
    let opened = File::open(file).map_err(unread)?;
    let found = opened.metadata().map_err(unread)?;
    if found.is_file() && found.mode() & OTHERS != 0 {
        let text =
            format!("others on this computer can read `{shown}`; chmod 600 takes that from them");
        screen.step("careful", Tone::Careful, &text);
    }
    let mut bytes = Vec::new();
    opened
        .take(MOST_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(unread)?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(failed("is too large for a secret"));
    }
    let text = String::from_utf8(bytes).map_err(|_| failed("is no UTF-8 text"))?;
    let line = text.strip_suffix('\n').unwrap_or(&text);
    let line = line.strip_suffix('\r').unwrap_or(line);
    if line.contains(['\n', '\r']) {
        return Err(failed("has more than one line"));
    }
    Ok(line.to_owned())
}

/// What a group and everybody else may do with a file.
const OTHERS: u32 = 0o077;

/// No secret is longer than the longest text of a setting.
const MOST_BYTES: u64 = 16 * 1024;

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

    #[test]
    fn a_file_holds_one_line_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("words");
        let screen = Screen::new(true, true, true);
        let line = |bytes: &[u8]| {
            std::fs::write(&file, bytes).expect("written");
            line_of(&file, screen).map_err(|failure| failure.to_string())
        };
        for text in ["mist  over ", "mist  over \n", "mist  over \r\n"] {
            assert_eq!(line(text.as_bytes()).as_deref(), Ok("mist  over "));
        }
        let why = |bytes: &[u8]| line(bytes).expect_err("no line");
        assert!(why(b"mist\nover\n").ends_with("has more than one line"));
        assert!(why(b"\xff\xfe").ends_with("is no UTF-8 text"));
        assert!(why(&vec![b'a'; 20_000]).ends_with("is too large for a secret"));
        let missing = line_of(&folder.path().join("no-such"), screen).expect_err("not there");
        assert!(missing.to_string().contains("cannot be read"));
    }
}
