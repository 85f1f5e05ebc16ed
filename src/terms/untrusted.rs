//! Text that a device said: kept to the letter, shown only with its teeth drawn.
//!
//! A device is a stranger. Its text may hold terminal escapes (CWE-150), bidirectional overrides
//! or invisible characters, so [`std::fmt::Display`] shows those as visible escapes and cuts long
//! texts. The letters themselves stay available through [`Untrusted::raw`] for writing back. No more
//! than [`MOST_CHARS`] of them are ever kept, so that no output or file grows with what a device
//! says.

use std::fmt::{self, Write};

use serde::{Deserialize, Serialize};

/// Characters of a text that are shown before it is cut.
pub const SHOWN_CHARS: usize = 160;

/// Most characters of a text that are kept: the most that a profile may allow a setting, and far
/// more than a page of a small device holds (a choice of ours, no source).
pub const MOST_CHARS: usize = 1 << 12;

/// Text from outside. `Display` and `Debug` are safe on a terminal; [`raw`](Self::raw) is not.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default)]
#[serde(from = "String")]
pub struct Untrusted(String);

impl Untrusted {
    /// Takes text as it came, up to its first [`MOST_CHARS`] characters; the rest is gone. Where a
    /// part would be taken for the whole, such as a value that is written back, ask
    /// [`is_too_long`] first.
    pub fn new(text: impl Into<String>) -> Self {
        let mut text = text.into();
        if let Some((end, _)) = text.char_indices().nth(MOST_CHARS) {
            text.truncate(end);
        }
        Self(text)
    }

    /// The letters as they came: for comparing and for writing back, never for showing.
    pub fn raw(&self) -> &str {
        &self.0
    }
}

/// Whether a text has more than [`MOST_CHARS`] characters.
pub fn is_too_long(text: &str) -> bool {
    text.chars().nth(MOST_CHARS).is_some()
}

impl From<String> for Untrusted {
    fn from(text: String) -> Self {
        Self::new(text)
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
pub fn acts_on_a_screen(c: char) -> bool {
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
    }

    #[test]
    fn keeps_no_more_than_its_bound_however_it_comes() {
        let long = "ä".repeat(MOST_CHARS + 1);
        let kept = "ä".repeat(MOST_CHARS);
        assert!(is_too_long(&long) && !is_too_long(&kept));
        assert_eq!(Untrusted::new(kept.as_str()).raw(), kept);
        assert_eq!(Untrusted::new(long.as_str()).raw(), kept);
        let json = serde_json::to_string(&long).expect("JSON");
        let read: Untrusted = serde_json::from_str(&json).expect("text");
        assert_eq!(read.raw(), kept);
        let written = serde_json::to_string(&read).expect("JSON");
        assert_eq!(written, format!("\"{kept}\""));
    }
}
