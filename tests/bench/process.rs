//! One run of a process, as the system counts it: how long, and how much memory at its peak.
//!
//! The peak is what `wait4` tells of the one child (`ru_maxrss`). Linux counts into it what the
//! parent held when the child was started, so this program stays small: the simulated receiver is
//! a process of its own.

use std::{
    io::Read,
    path::PathBuf,
    process::{Command, Stdio},
    time::{Duration, Instant},
};

use wait4::Wait4;

/// What one run took.
#[derive(Debug, Clone)]
pub(crate) struct Run {
    /// From before it was started until it had ended and was reaped.
    pub wall: Duration,
    /// Most memory that it held, in KiB.
    pub peak_kib: u64,
    /// What it wrote on stdout.
    pub stdout: Vec<u8>,
}

/// Runs it to its end; panics where it does not end with success, since a figure of a run that
/// failed is none.
pub(crate) fn run(command: &mut Command) -> Run {
    command
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let start = Instant::now();
    let mut child = command
        .spawn()
        .unwrap_or_else(|error| panic!("{command:?}: {error}"));
    let mut stdout = Vec::new();
    if let Some(mut pipe) = child.stdout.take() {
        pipe.read_to_end(&mut stdout).expect("what it says");
    }
    let mut words = child.stderr.take();
    let ended = child.wait4().expect("it is ours to wait for");
    let wall = start.elapsed();
    if !ended.status.success() {
        let mut stderr = String::new();
        if let Some(pipe) = &mut words {
            let _ = pipe.read_to_string(&mut stderr);
        }
        let said = String::from_utf8_lossy(&stdout);
        panic!(
            "{command:?} ended with {:?}\n{said}\n{stderr}",
            ended.status
        );
    }
    Run {
        wall,
        // The crate gives bytes.
        peak_kib: ended.rusage.maxrss / 1024,
        stdout,
    }
}

/// The program as it is released, with a plain environment.
pub(crate) fn linkmend() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_linkmend"));
    command.env_clear().env("HOME", "/nonexistent");
    command
}

/// A folder for what the benches make, inside of the target folder.
pub(crate) fn workshop(name: &str) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR"))
        .join("bench")
        .join(name);
    std::fs::create_dir_all(&folder).expect("a folder in target");
    folder
}

/// The middle one; of an even number the upper middle.
pub(crate) fn median<T: Ord + Copy>(values: impl IntoIterator<Item = T>) -> T {
    let mut values: Vec<T> = values.into_iter().collect();
    assert!(!values.is_empty(), "there is a figure");
    values.sort_unstable();
    values[values.len() / 2]
}
