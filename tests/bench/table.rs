//! How a figure and its target are printed: as Markdown, so that a run can be kept as it is.

use std::{fmt::Display, time::Duration};

/// Prints a title and the words that say how it was measured.
pub(crate) fn title(title: &str, how: &str) {
    println!("\n### {title}\n\n{how}\n");
}

/// Prints the head of a table.
pub(crate) fn head(columns: &[&str]) {
    row(columns);
    row(&vec!["---"; columns.len()]);
}

/// Prints one row.
pub(crate) fn row(cells: &[impl Display]) {
    let cells: Vec<String> = cells.iter().map(ToString::to_string).collect();
    println!("| {} |", cells.join(" | "));
}

/// Prints what was to be reached, what was, and whether that is enough.
pub(crate) fn targets(targets: &[(&str, String, bool)]) {
    println!();
    head(&["to reach", "reached", ""]);
    for (what, reached, met) in targets {
        row(&[
            *what,
            reached.as_str(),
            if *met { "met" } else { "NOT MET" },
        ]);
    }
}

/// Milliseconds with one digit.
pub(crate) fn ms(time: Duration) -> String {
    format!("{:.1} ms", time.as_secs_f64() * 1e3)
}

/// MiB with one digit.
pub(crate) fn mib(kib: u64) -> String {
    let whole = kib / 1024;
    let tenth = (kib % 1024) * 10 / 1024;
    format!("{whole}.{tenth} MiB")
}

/// How many times longer one is than another.
pub(crate) fn times(long: Duration, short: Duration) -> f64 {
    long.as_secs_f64() / short.as_secs_f64().max(1e-9)
}
