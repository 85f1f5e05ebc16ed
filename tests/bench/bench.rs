//! Is it fast, beside what else a person could use? Side by side, in one run, on this machine.
//!
//! ```text
//! cargo bench                      all tables
//! cargo bench -- unlock start      some of them: unlock, return, start, page, form, shelf
//! LINKMEND_BENCH_RUNS=100 cargo bench
//! ```
//!
//! Every figure is the median of many runs, each a process of its own, the rivals in turn within
//! each round, so that a machine that gets busy slows all of them. Nothing here fails when it is
//! slow: it prints what was to be reached and whether it is.

mod bare;
mod device;
mod page;
mod process;
mod python;
mod shelf;
mod start;
mod table;
mod unlock;

use std::process::ExitCode;

/// Prints a table from so many runs.
type Table = fn(usize);

/// The tables by the words that choose them.
const TABLES: [(&str, Table); 6] = [
    ("unlock", unlock::beside_others),
    ("return", unlock::after_the_return),
    ("start", start::beside_curl),
    ("page", page::reading),
    ("form", page::filling),
    ("shelf", shelf::beside_python),
];

fn main() -> ExitCode {
    let mut words: Vec<String> = std::env::args().skip(1).collect();
    if let Some(role) = device::Role::of(&words) {
        return role.play();
    }
    // What cargo itself adds.
    words.retain(|word| word != "--bench");
    let unknown = words
        .iter()
        .find(|word| !TABLES.iter().any(|(name, _)| name == word));
    if let Some(unknown) = unknown {
        eprintln!("there is no table `{unknown}`");
        return ExitCode::from(2);
    }
    let runs = std::env::var("LINKMEND_BENCH_RUNS")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(30);
    for (name, table) in TABLES {
        if words.is_empty() || words.iter().any(|word| word == name) {
            table(runs);
        }
    }
    ExitCode::SUCCESS
}
