//! Leaves the terminal as it was found: its mode, and the cursor visible.

use std::{
    io::{IsTerminal, Write},
    sync::OnceLock,
};

use nix::sys::termios::{SetArg, Termios, tcgetattr, tcsetattr};

/// Puts the terminal back when it is dropped.
pub(super) struct Guard;

impl Guard {
    /// Remembers the terminal's mode.
    pub(super) fn new() -> Self {
        if let Ok(mode) = tcgetattr(std::io::stdin()) {
            let _ = FOUND.set(Mode(mode.into()));
        }
        Self
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        restore();
    }
}

/// Puts the terminal back now: a prompt that was cut off leaves it raw and without a cursor.
pub(super) fn restore() {
    if let Some(Mode(mode)) = FOUND.get() {
        let _ = tcsetattr(std::io::stdin(), SetArg::TCSADRAIN, &Termios::from(*mode));
        if std::io::stderr().is_terminal() {
            let _ = write!(std::io::stderr(), "\x1b[?25h");
        }
    }
}

struct Mode(nix::libc::termios);

static FOUND: OnceLock<Mode> = OnceLock::new();
