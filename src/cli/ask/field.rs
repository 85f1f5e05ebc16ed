//! What is typed at a prompt, key by key, without a terminal: so every key can be tried in a test.
//!
//! Nothing that acts on a screen gets into a text that is shown again.

use dialoguer::console::Key;
use secrecy::zeroize::Zeroize;

use crate::terms::untrusted::acts_on_a_screen;

/// Most characters that are taken: longer than any passphrase, address or path that somebody types
/// (no source).
const MOST: usize = 512;

/// What a prompt takes, and how it shows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Takes {
    /// `y`, then Enter; `n` at once.
    YesNo,
    /// A number, also by the arrow keys.
    Number {
        /// Least.
        from: u32,
        /// Most.
        to: u32,
    },
    /// A text that is shown as it is typed.
    Text,
    /// A text of which nothing is shown.
    Hidden,
}

impl Takes {
    /// Columns that it needs behind its question, so that one sees what one types.
    pub(super) fn room(self) -> usize {
        match self {
            Takes::YesNo => "yes".len(),
            Takes::Number { to, .. } => to.to_string().len(),
            Takes::Text => 20,
            Takes::Hidden => 0,
        }
    }
}

/// What a key did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pressed {
    /// The field may have changed.
    Stay,
    /// It is to be taken as it is.
    Enter,
    /// An explanation is wanted.
    Help,
    /// Escape, or Ctrl-D.
    Leave,
    /// Ctrl-C.
    Stop,
}

/// One line that is typed.
pub(super) struct Field {
    takes: Takes,
    helps: bool,
    typed: String,
}

impl Field {
    /// An empty one; `helps` says whether `?` asks for an explanation.
    pub(super) fn new(takes: Takes, helps: bool) -> Self {
        Self {
            takes,
            helps,
            // A text that grows leaves copies of itself in memory.
            typed: String::with_capacity(MOST * char::MAX.len_utf8()),
        }
    }

    /// What was typed.
    pub(super) fn typed(&self) -> &str {
        &self.typed
    }

    /// Makes ready for another try. A text stays, to be mended.
    pub(super) fn again(&mut self) {
        if self.takes != Takes::Text {
            self.typed.clear();
        }
    }

    /// What may be shown of it.
    pub(super) fn shown(&self) -> &str {
        match self.takes {
            Takes::Hidden => "",
            _ => &self.typed,
        }
    }

    /// Presses a key.
    pub(super) fn press(&mut self, key: &Key) -> Pressed {
        match key {
            Key::Enter => return Pressed::Enter,
            // Ctrl-D, as a terminal hands it over in raw mode.
            Key::Escape | Key::Char('\u{4}') => return Pressed::Leave,
            Key::CtrlC => return Pressed::Stop,
            Key::Backspace => {
                self.typed.pop();
            }
            // Ctrl-U, as everywhere.
            Key::Char('\u{15}') => self.typed.clear(),
            Key::Char('?') if self.asks_for_help() => return Pressed::Help,
            Key::Char(c) => return self.char(*c),
            Key::ArrowUp => self.step(false),
            Key::ArrowDown => self.step(true),
            _ => {}
        }
        Pressed::Stay
    }

    /// A question mark may be part of a text or a password, but no text begins with one.
    fn asks_for_help(&self) -> bool {
        let is_key = match self.takes {
            Takes::YesNo | Takes::Number { .. } => true,
            Takes::Text => self.typed.is_empty(),
            Takes::Hidden => false,
        };
        self.helps && is_key
    }

    fn char(&mut self, c: char) -> Pressed {
        let fits = self.typed.chars().count() < MOST;
        match self.takes {
            Takes::YesNo if c.eq_ignore_ascii_case(&'n') => {
                self.typed.clear();
                return Pressed::Enter;
            }
            Takes::YesNo if c.eq_ignore_ascii_case(&'y') => "y".clone_into(&mut self.typed),
            Takes::Number { to, .. }
                if c.is_ascii_digit() && self.typed.len() < to.to_string().len() =>
            {
                self.typed.push(c);
            }
            Takes::Text if fits && !acts_on_a_screen(c) => self.typed.push(c),
            Takes::Hidden if fits && !c.is_control() => self.typed.push(c),
            _ => {}
        }
        Pressed::Stay
    }

    /// The number before or after, round at the ends.
    fn step(&mut self, down: bool) {
        let Takes::Number { from, to } = self.takes else {
            return;
        };
        let now: Option<u32> = self.typed.parse().ok();
        let next = match (now, down) {
            (Some(now), true) if (from..to).contains(&now) => now + 1,
            (Some(now), false) if now > from && now <= to => now - 1,
            (_, true) => from,
            (_, false) => to,
        };
        self.typed = next.to_string();
    }
}

/// It may have been a secret.
impl Drop for Field {
    fn drop(&mut self) {
        self.typed.zeroize();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(mut field: Field, keys: &[Key]) -> (String, Pressed) {
        let mut last = Pressed::Stay;
        for key in keys {
            last = field.press(key);
        }
        (field.typed().to_owned(), last)
    }

    fn chars(text: &str) -> Vec<Key> {
        text.chars().map(Key::Char).collect()
    }

    const ALL: [Takes; 4] = [
        Takes::YesNo,
        Takes::Number { from: 1, to: 40 },
        Takes::Text,
        Takes::Hidden,
    ];

    #[test]
    fn every_field_can_be_left_and_stopped() {
        for takes in ALL {
            for (key, pressed) in [
                (Key::Escape, Pressed::Leave),
                (Key::Char('\u{4}'), Pressed::Leave),
                (Key::CtrlC, Pressed::Stop),
            ] {
                let mut field = Field::new(takes, true);
                field.press(&Key::Char('y'));
                assert_eq!(field.press(&key), pressed, "{takes:?} {key:?}");
            }
        }
    }

    #[test]
    fn yes_needs_enter_and_no_does_not() {
        let yes_no = || Field::new(Takes::YesNo, false);
        assert_eq!(
            after(yes_no(), &[Key::Char('Y')]),
            ("y".into(), Pressed::Stay)
        );
        assert_eq!(
            after(yes_no(), &chars("yn")),
            (String::new(), Pressed::Enter)
        );
        let taken_back = [Key::Char('y'), Key::Backspace, Key::Enter];
        assert_eq!(
            after(yes_no(), &taken_back),
            (String::new(), Pressed::Enter)
        );
    }

    #[test]
    fn numbers_take_digits_and_arrows_and_nothing_else() {
        let number = || Field::new(Takes::Number { from: 1, to: 40 }, false);
        assert_eq!(after(number(), &chars("a3-b99")).0, "39");
        assert_eq!(after(number(), &[Key::ArrowDown, Key::ArrowDown]).0, "2");
        assert_eq!(after(number(), &[Key::ArrowUp]).0, "40");
        assert_eq!(after(number(), &[Key::ArrowUp, Key::ArrowDown]).0, "1");
        let beyond = [Key::Char('9'), Key::Char('9'), Key::ArrowUp];
        assert_eq!(after(number(), &beyond).0, "40");
    }

    #[test]
    fn question_mark_asks_for_help_only_where_it_is_no_part_of_an_answer() {
        let helps = |takes, before: &str| {
            let mut keys = chars(before);
            keys.push(Key::Char('?'));
            after(Field::new(takes, true), &keys).1 == Pressed::Help
        };
        assert!(helps(Takes::YesNo, "y"));
        assert!(helps(Takes::Number { from: 1, to: 3 }, "1"));
        assert!(helps(Takes::Text, ""));
        assert!(!helps(Takes::Text, "http://192.168.77.1/"));
        assert!(!helps(Takes::Hidden, ""));
        let silent = Field::new(Takes::YesNo, false);
        assert_eq!(after(silent, &chars("?")).1, Pressed::Stay);
    }

    #[test]
    fn what_acts_on_a_screen_is_not_taken_and_what_is_hidden_is_not_shown() {
        let typed = chars("a\u{1b}\u{202e}\u{7}b\u{9b}");
        assert_eq!(after(Field::new(Takes::Text, false), &typed).0, "ab");
        let mut hidden = Field::new(Takes::Hidden, false);
        for key in chars("heron ñ") {
            hidden.press(&key);
        }
        assert_eq!((hidden.shown(), hidden.typed()), ("", "heron ñ"));
        hidden.press(&Key::Char('\u{15}'));
        assert_eq!(hidden.typed(), "");
    }

    #[test]
    fn text_is_bounded() {
        for takes in [Takes::Text, Takes::Hidden] {
            let (typed, _) = after(Field::new(takes, false), &chars(&"ß".repeat(MOST + 9)));
            assert_eq!(typed.chars().count(), MOST);
        }
    }
}
