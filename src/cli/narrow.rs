//! A terminal that a wait is drawn on, a little narrower than it is.
//!
//! It guards against what stays behind: a wait fills its line, and the `^C` that a terminal shows for
//! Ctrl-C would go on below, where clearing one line does not reach what stands above.

use std::io;

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wait_leaves_room_for_what_keys_leave_on_its_line() {
        let whole = Term::buffered_stderr().size().1;
        assert_eq!(Narrow::stderr().width() + ROOM, whole);
    }
}
