//! Characters that act on a screen have no place in a profile or system file.
//!
//! Titles, labels and helps are shown as they stand, and a file may come from a stranger: so no
//! such character gets past the loader (CWE-150), raw or written as an escape of TOML, and the
//! picture of a faulty file is drawn over a text without them.

use std::fmt::Write;

use super::diag::{Code, Faults};
use super::tree::{Node, What};
use crate::terms::untrusted::acts_on_a_screen;

/// Adds a fault for each line, and each escaped text, that holds such characters.
pub(crate) fn refuse(text: &str, root: &Node, faults: &mut Faults) {
    refuse_raw(text, faults);
    escaped(text, root, faults);
}

/// Adds a fault for each line that holds such characters as they are.
pub(crate) fn refuse_raw(text: &str, faults: &mut Faults) {
    let mut last_line = None;
    let mut told = 0;
    for (line, at, c) in unseen(text) {
        // A byte order mark is no part of the text.
        if told < MOST_TOLD && last_line != Some(line) && (at, c) != (0, '\u{feff}') {
            last_line = Some(line);
            told += 1;
            add(faults, at..at + c.len_utf8(), c);
        }
    }
}

/// The text with each such character replaced by as many `?` as it has bytes, so that every other
/// byte stays at its place.
pub(crate) fn drawable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = 0;
    for (_, at, c) in unseen(text) {
        out.push_str(&text[rest..at]);
        out.extend(std::iter::repeat_n('?', c.len_utf8()));
        rest = at + c.len_utf8();
    }
    out.push_str(&text[rest..]);
    out
}

/// Line from 0, byte and character of all that acts on a screen. Tabs and ends of lines do not
/// count; a carriage return is one only before a line feed.
fn unseen(text: &str) -> impl Iterator<Item = (usize, usize, char)> {
    let mut line = 0;
    text.char_indices().filter_map(move |(at, c)| {
        let ends_line = c == '\r' && text.as_bytes().get(at + 1) == Some(&b'\n');
        line += usize::from(c == '\n');
        let counts = acts_on_a_screen(c) && !matches!(c, '\n' | '\t') && !ends_line;
        counts.then_some((line, at, c))
    })
}

/// Faults of the keys and texts that hold such a character by an escape of TOML.
fn escaped(text: &str, node: &Node, faults: &mut Faults) {
    let mut look = |said: &str, span: &std::ops::Range<usize>| {
        let stands_raw = text
            .get(span.clone())
            .is_some_and(|part| unseen(part).next().is_some());
        if let (false, Some((_, _, c))) = (stands_raw, unseen(said).next()) {
            add(faults, span.clone(), c);
        }
    };
    match &node.what {
        What::Text(said) => look(said, &node.span),
        What::List(items) => items.iter().for_each(|item| escaped(text, item, faults)),
        What::Table(entries) => {
            for entry in entries {
                look(&entry.key, &entry.key_span);
            }
            for entry in entries {
                escaped(text, &entry.node, faults);
            }
        }
        What::Whole(_) | What::Number(_) | What::Flag(_) | What::Other => {}
    }
}

fn add(faults: &mut Faults, span: std::ops::Range<usize>, c: char) {
    let mut message = String::from("the character `");
    // Writing to a string cannot fail.
    let _ = write!(message, "{}", c.escape_unicode());
    message.push_str("` acts on a screen instead of being seen");
    faults.add(Code::BadCharacter, span, message, "leave it out".to_owned());
}

/// Lines of raw characters that are told; more of them is no text, and each costs a look over the
/// file (a choice of ours, no source).
const MOST_TOLD: usize = 20;

#[cfg(test)]
mod tests {
    use super::super::testing::{SMALL, faults};
    use super::super::{load_system, load_text};
    use super::*;

    #[test]
    fn no_character_that_acts_on_a_screen_gets_past_the_loader() {
        for (from, to) in [
            ("title = \"Small", "title = \"\u{202e}Small"),
            ("title = \"Small", "title = \"\\u202eSmall"),
            ("format = 1", "format = 1 # \u{202e}"),
            ("format = 1", "format = 1\n\"\\u202e\" = 1"),
        ] {
            let said = faults(&[(from, to)]);
            let of_ours = |said: &&String| said.starts_with("bad-character");
            let ours: Vec<&String> = said.iter().filter(of_ours).collect();
            assert_eq!(
                ours,
                ["bad-character: the character `\\u{202e}` acts on a screen instead of being seen"],
                "{said:?}"
            );
        }
        assert_eq!(
            faults(&[("title = \"Small", "title = \"\\rSmall")]),
            ["bad-character: the character `\\u{d}` acts on a screen instead of being seen"]
        );
        let system = "format = 1\nsystem = \"s\"\ntitle = \"S\u{200b}\"\nrule = [\n\
            { setting = \"a\", agree = \"equal\", why = \"w\\u001b\" }]";
        let faults = load_system("s.toml", system).expect_err("two faults");
        let codes: Vec<Code> = faults.list.iter().map(|fault| fault.code).collect();
        assert_eq!(codes, [Code::BadCharacter, Code::BadCharacter]);
    }

    #[test]
    fn an_escape_that_toml_refuses_too_is_told_beside_that() {
        let said = faults(&[("title = \"Small", "title = \"\u{1b}[2JSmall")]);
        assert!(said[1].starts_with("bad-character"), "{said:?}");
    }

    #[test]
    fn tabs_ends_of_lines_and_a_byte_order_mark_are_taken() {
        let text = format!("\u{feff}{}", SMALL.replace('\n', "\t\r\n"));
        let taken = load_text("small.toml", &text).map(|profile| profile.family);
        assert_eq!(taken.expect("sound"), "small");
    }

    #[test]
    fn a_file_of_nothing_else_is_refused_within_the_time_of_a_test() {
        let text = "# \u{200b}\n".repeat(100_000);
        let faults = load_text("many.toml", &text).expect_err("faulty");
        let ours = faults.list.iter().filter(|f| f.code == Code::BadCharacter);
        assert_eq!(ours.count(), MOST_TOLD);
    }

    #[test]
    fn what_is_drawn_keeps_every_other_byte_at_its_place() {
        assert_eq!(
            drawable("a\u{1b}b\u{202e}c\r\nd\re\tä"),
            "a?b???c\r\nd?e\tä"
        );
    }
}
