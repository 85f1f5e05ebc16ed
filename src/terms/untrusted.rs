//! Text that a device said: kept to the letter, shown only with its teeth drawn.
//!
//! A device is a stranger. Its text may hold terminal escapes (CWE-150), bidirectional overrides
//! or invisible characters, so [`std::fmt::Display`] shows those as visible escapes and cuts long
//! texts. The letters themselves stay available through [`Untrusted::raw`] for writing back.

use std::fmt::{self, Write};

use serde::{Deserialize, Serialize};

/// Characters of a text that are shown before it is cut.
pub const SHOWN_CHARS: usize = 160;

/// Text from outside. `Display` and `Debug` are safe on a terminal; [`raw`](Self::raw) is not.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default)]
#[serde(transparent)]
pub struct Untrusted(String);

impl Untrusted {
    /// Takes text as it came.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// The letters as they came: for comparing and for writing back, never for showing.
    pub fn raw(&self) -> &str {
        &self.0
    }

    /// The whole text with every character that could act on a terminal shown as `\u{..}`.
    pub fn escaped(&self) -> String {
        self.0.chars().fold(String::new(), |mut out, c| {
            push_escaped(&mut out, c);
            out
        })
    }
}

impl From<&str> for Untrusted {
    fn from(text: &str) -> Self {
        Self::new(text)
    }
}

impl fmt::Display for Untrusted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut out = String::new();
        let mut chars = self.0.chars();
        for c in chars.by_ref().take(SHOWN_CHARS) {
            push_escaped(&mut out, c);
        }
        let rest = chars.count();
        if rest > 0 {
            write!(out, "… (+{rest})")?;
        }
        f.pad(&out)
    }
}

impl fmt::Debug for Untrusted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "\"{self}\"")
    }
}

fn push_escaped(out: &mut String, c: char) {
    if acts_on_a_screen(c) {
        out.extend(c.escape_unicode());
    } else {
        out.push(c);
    }
}

/// Control characters (C0, DEL, C1), line and paragraph separators, and the format characters of
/// Unicode's general category Cf that hide or reorder text (list from memory of Unicode 16,
/// `DerivedGeneralCategory.txt`), with the variation selectors and tags that draw nothing.
fn acts_on_a_screen(c: char) -> bool {
    c.is_control()
        || matches!(u32::from(c),
            0x00AD | 0x034F | 0x0600..=0x0605 | 0x061C | 0x06DD | 0x070F | 0x0890..=0x0891
            | 0x08E2 | 0x115F..=0x1160 | 0x17B4..=0x17B5 | 0x180B..=0x180F | 0x200B..=0x200F
            | 0x2028..=0x202E | 0x2060..=0x206F | 0x3164 | 0xFE00..=0xFE0F | 0xFEFF | 0xFFA0
            | 0xFFF0..=0xFFFB | 0x110BD | 0x110CD | 0x13430..=0x1345F | 0x1BCA0..=0x1BCA3
            | 0x1D173..=0x1D17A | 0xE0000..=0xE0FFF)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn escapes_what_could_act_on_a_terminal() {
        let text = Untrusted::new("Grebe\u{1b}]0;owned\u{7}\u{202e}gnp.\u{200b}\r\n\u{9b}2J");
        assert_eq!(
            text.to_string(),
            "Grebe\\u{1b}]0;owned\\u{7}\\u{202e}gnp.\\u{200b}\\u{d}\\u{a}\\u{9b}2J"
        );
    }

    #[test]
    fn keeps_ordinary_text_of_any_script() {
        let text = Untrusted::new("Röhrsänger № 7 – 白鳥");
        assert_eq!(text.to_string(), "Röhrsänger № 7 – 白鳥");
    }

    #[test]
    fn cuts_long_text_and_says_how_much_is_missing() {
        let text = Untrusted::new("a".repeat(SHOWN_CHARS + 5));
        assert!(text.to_string().ends_with("a… (+5)"));
        assert_eq!(text.escaped().len(), SHOWN_CHARS + 5);
    }
}
