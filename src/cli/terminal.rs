//! Leaves the terminal as it was found: its mode, the cursor visible, and nothing left on it that
//! was shown privately.

use std::{
    io::{IsTerminal, Write},
    sync::{
        OnceLock,
        atomic::{AtomicBool, Ordering},
    },
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
    leave_private();
    if let Some(Mode(mode)) = FOUND.get() {
        let _ = tcsetattr(std::io::stdin(), SetArg::TCSADRAIN, &Termios::from(*mode));
        if std::io::stderr().is_terminal() {
            let _ = write!(std::io::stderr(), "\x1b[?25h");
        }
    }
}

/// A screen of its own, which takes with it what stood on it: neither the screen of before nor its
/// history keeps a line. As xterm's control sequences have it (private mode 1049).
pub(super) struct Private;

impl Private {
    /// Goes there.
    pub(super) fn new() -> Self {
        ON_PRIVATE.store(true, Ordering::SeqCst);
        let _ = write!(std::io::stderr(), "\x1b[?1049h\x1b[2J\x1b[H");
        Self
    }

    /// Takes away what stands there.
    pub(super) fn clear() {
        let _ = write!(std::io::stderr(), "\x1b[2J\x1b[H");
    }
}

impl Drop for Private {
    fn drop(&mut self) {
        leave_private();
    }
}

fn leave_private() {
    if ON_PRIVATE.swap(false, Ordering::SeqCst) {
        // Cleared first: some consoles have one screen only.
        let _ = write!(std::io::stderr(), "\x1b[2J\x1b[H\x1b[?1049l");
    }
}

static ON_PRIVATE: AtomicBool = AtomicBool::new(false);

struct Mode(nix::libc::termios);

static FOUND: OnceLock<Mode> = OnceLock::new();
