//! What others on this computer may learn of a run: the log, and the memory that a crash leaves
//! behind.
//!
//! It guards against the libraries below: at a fine level some of them log headers and bodies, so
//! whatever `RUST_LOG` says, nothing but this program's own lines gets through.

use std::{fmt, time::Instant};

use tracing_subscriber::{
    EnvFilter, Layer,
    filter::{FilterExt, filter_fn},
    fmt::{format::Writer, layer, time::FormatTime},
    layer::SubscriberExt,
    util::SubscriberInitExt,
};

/// What is read of a device holds secrets. A core dump would write them to disk, and another
/// program of the same person could read them from memory.
pub(super) fn close_memory() {
    use nix::sys::resource::{Resource, setrlimit};
    // Where even this is forbidden, there is nothing left to try.
    let _ = setrlimit(Resource::RLIMIT_CORE, 0, 0);
    #[cfg(target_os = "linux")]
    let _ = nix::sys::prctl::set_dumpable(false);
}

/// Logs go to stderr and hold methods, paths, status and times, never contents. `--verbose` shows
/// every request; `RUST_LOG` chooses among this program's own lines.
pub(super) fn log(verbose: bool) {
    let chosen = std::env::var_os("RUST_LOG").is_some();
    let filter = match (chosen, verbose) {
        (true, _) => EnvFilter::from_default_env(),
        (false, true) => EnvFilter::new("linkmend=debug"),
        (false, false) => return,
    };
    let ours = filter_fn(|line| is_ours(line.target()));
    let lines = layer()
        .with_writer(std::io::stderr)
        .with_ansi(false)
        .with_timer(SinceStart(Instant::now()))
        .with_level(chosen)
        .with_target(chosen)
        .with_filter(filter.and(ours));
    // There is no other one yet.
    let _ = tracing_subscriber::registry().with(lines).try_init();
}

fn is_ours(target: &str) -> bool {
    let ours = env!("CARGO_CRATE_NAME");
    target
        .strip_prefix(ours)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
}

/// Seconds since the start with milliseconds: what a person compares with a wait.
struct SinceStart(Instant);

impl FormatTime for SinceStart {
    fn format_time(&self, writer: &mut Writer<'_>) -> fmt::Result {
        write!(writer, "{:8.3} s", self.0.elapsed().as_secs_f64())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_lines_of_this_program_are_logged() {
        for (target, expected) in [
            ("linkmend", true),
            ("linkmend::session::http", true),
            ("linkmendx", false),
            ("hyper::proto::h1::io", false),
            ("reqwest::connect", false),
            ("log", false),
            ("", false),
        ] {
            assert_eq!(is_ours(target), expected, "{target}");
        }
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn memory_is_neither_dumped_nor_open_to_others() {
        use nix::sys::{
            prctl,
            resource::{Resource, getrlimit},
        };
        close_memory();
        let core = getrlimit(Resource::RLIMIT_CORE).expect("it can be asked");
        assert_eq!(core, (0, 0), "soft and hard");
        assert!(!prctl::get_dumpable().expect("it can be asked"));
    }
}
