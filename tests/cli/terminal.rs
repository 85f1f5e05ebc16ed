//! The program at a terminal of its own: what it asks is waited for, and then answered.

use std::process::Command;

use rexpect::session::{PtySession, spawn_command};

use crate::{claims::keep, harness::Call};

/// A run at a terminal.
pub(crate) struct Terminal {
    session: PtySession,
    /// All that was seen so far.
    seen: String,
}

/// How a run at a terminal ended.
#[derive(Debug)]
pub(crate) struct Left {
    code: i32,
    seen: String,
}

impl Terminal {
    /// Starts a run.
    pub(crate) fn start(call: Call) -> Self {
        let made = call.env("TERM", "xterm").into_command();
        // What it was to read from is left out: here that is the terminal.
        let mut command = Command::new(made.get_program());
        command.args(made.get_args()).env_clear();
        for (name, value) in made.get_envs() {
            command.env(name, value.expect("none is taken out"));
        }
        Self {
            session: spawn_command(command, Some(PATIENCE_MS)).expect("a terminal"),
            seen: String::new(),
        }
    }

    /// Waits for words on the screen; each word of them may stand on a line of its own.
    #[track_caller]
    pub(crate) fn sees(mut self, words: &str) -> Self {
        for word in words.split(' ') {
            let before = self.session.exp_string(word);
            let before = before.unwrap_or_else(|error| panic!("{error}\nbefore:\n{}", self.seen));
            self.seen += &before;
            self.seen += word;
        }
        self
    }

    /// Types keys.
    #[track_caller]
    pub(crate) fn types(mut self, keys: &str) -> Self {
        self.session.send(keys).expect("it takes keys");
        self.session.flush().expect("it takes keys");
        self
    }

    /// Waits for its end.
    #[track_caller]
    pub(crate) fn ends(mut self) -> Left {
        let rest = self.session.exp_eof();
        self.seen += &rest.unwrap_or_else(|error| panic!("{error}\nbefore:\n{}", self.seen));
        let status = self.session.process().wait().expect("it ended");
        let rexpect::process::WaitStatus::Exited(_, code) = status else {
            panic!("{status:?}\n{}", self.seen);
        };
        Left {
            code,
            seen: self.seen,
        }
    }
}

impl Left {
    /// Asserts the exit code, and that some words were seen, line breaks aside.
    #[track_caller]
    pub(crate) fn with(self, code: i32, words: &str) -> Self {
        assert_eq!(self.code, code, "{}", self.seen);
        assert!(self.shows(words), "`{words}` is not in:\n{}", self.seen);
        self
    }

    /// Whether some words were seen, line breaks aside.
    pub(crate) fn shows(&self, words: &str) -> bool {
        let flat = self.seen.split_whitespace().collect::<Vec<_>>().join(" ");
        flat.contains(words)
    }

    /// All that was seen, with what steers the screen.
    pub(crate) fn seen(&self) -> &str {
        &self.seen
    }

    /// Asserts that none of these was ever on the screen.
    #[track_caller]
    pub(crate) fn without(self, secrets: &[&str]) -> Self {
        let secrets: Vec<String> = secrets.iter().map(|&secret| secret.to_owned()).collect();
        keep(&secrets, &self.seen);
        self
    }
}

/// Longer than anything takes that is waited for, on a busy machine.
const PATIENCE_MS: u64 = 30_000;
