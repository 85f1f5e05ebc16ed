//! A terminal that a wait is drawn on, a little narrower than it is.
//!
//! It guards against what stays behind: a wait fills its line, and the `^C` that a terminal shows for
//! Ctrl-C would go on below, where clearing one line does not reach what stands above.

use std::{
    io,
    sync::atomic::{AtomicBool, Ordering},
};

use dialoguer::console::Term;
use indicatif::TermLike;

/// Stderr, with room at the end of a line for what keys leave there.
#[derive(Debug)]
pub(super) struct Narrow(Term);

impl Narrow {
    pub(super) fn stderr() -> Self {
        Self(Term::buffered_stderr())
    }
}

/// Columns for `^C` pressed a few times.
const ROOM: u16 = 8;

impl TermLike for Narrow {
    fn width(&self) -> u16 {
        self.0.size().1.saturating_sub(ROOM)
    }

    fn height(&self) -> u16 {
        self.0.size().0
    }

    fn move_cursor_up(&self, n: usize) -> io::Result<()> {
        self.0.move_cursor_up(n)
    }

    fn move_cursor_down(&self, n: usize) -> io::Result<()> {
        self.0.move_cursor_down(n)
    }

    fn move_cursor_right(&self, n: usize) -> io::Result<()> {
        self.0.move_cursor_right(n)
    }

    fn move_cursor_left(&self, n: usize) -> io::Result<()> {
        self.0.move_cursor_left(n)
    }

    fn write_line(&self, text: &str) -> io::Result<()> {
        self.0.write_line(text)
    }

    fn write_str(&self, text: &str) -> io::Result<()> {
        self.0.write_str(text)
    }

    fn clear_line(&self) -> io::Result<()> {
        self.0.clear_line()
    }

    fn flush(&self) -> io::Result<()> {
        self.0.flush()
    }
}

/// Stderr for several lines below one another.
///
/// A line ends where its text does. Where it would be filled up to the last column, as `indicatif` does
/// to get to the next, the rest of it is cleared and the next one begins with a line end: what keys
/// leave stands behind the last line, and is gone when that is drawn again.
#[derive(Debug)]
pub(super) struct Rows {
    term: Term,
    filled: AtomicBool,
}

impl Rows {
    pub(super) fn stderr() -> Self {
        Self {
            term: Term::buffered_stderr(),
            filled: AtomicBool::new(false),
        }
    }

    /// What takes the place of a text: the text itself, or the end of a line for what fills it up.
    fn instead(&self, text: &str) -> String {
        if text.is_empty() {
            String::new()
        } else if text.trim_matches(' ').is_empty() {
            self.filled.store(true, Ordering::Relaxed);
            CLEAR_TO_THE_END.into()
        } else if self.filled.swap(false, Ordering::Relaxed) {
            format!("\r\n{text}")
        } else {
            text.into()
        }
    }

    fn moved(&self) {
        self.filled.store(false, Ordering::Relaxed);
    }
}

/// EL, erase in line (ECMA-48, 8.3.41).
const CLEAR_TO_THE_END: &str = "\u{1b}[K";

impl TermLike for Rows {
    fn width(&self) -> u16 {
        self.term.size().1
    }

    fn height(&self) -> u16 {
        self.term.size().0
    }

    fn move_cursor_up(&self, n: usize) -> io::Result<()> {
        self.moved();
        self.term.move_cursor_up(n)
    }

    fn move_cursor_down(&self, n: usize) -> io::Result<()> {
        self.moved();
        self.term.move_cursor_down(n)
    }

    fn move_cursor_right(&self, n: usize) -> io::Result<()> {
        self.term.move_cursor_right(n)
    }

    fn move_cursor_left(&self, n: usize) -> io::Result<()> {
        self.term.move_cursor_left(n)
    }

    fn write_line(&self, text: &str) -> io::Result<()> {
        let text = self.instead(text);
        self.moved();
        self.term.write_line(&text)
    }

    fn write_str(&self, text: &str) -> io::Result<()> {
        self.term.write_str(&self.instead(text))
    }

    fn clear_line(&self) -> io::Result<()> {
        self.term.clear_line()
    }

    fn flush(&self) -> io::Result<()> {
        self.term.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wait_leaves_room_for_what_keys_leave_on_its_line() {
        let whole = Term::buffered_stderr().size().1;
        assert_eq!(Narrow::stderr().width() + ROOM, whole);
    }

    #[test]
    fn row_ends_with_its_text_and_the_next_begins_below() {
        let rows = Rows::stderr();
        assert_eq!(rows.instead("Heron"), "Heron");
        assert_eq!(rows.instead("   "), CLEAR_TO_THE_END);
        assert_eq!(rows.instead("Smew"), "\r\nSmew");
        assert_eq!(rows.instead(" "), CLEAR_TO_THE_END);
        rows.moved();
        assert_eq!(rows.instead("\r"), "\r");
        assert_eq!(rows.instead(""), "");
    }
}
