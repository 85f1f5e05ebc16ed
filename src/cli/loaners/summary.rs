//! The end of a run as a person reads it: how each ended, what is wrong across the shelf, what to do
//! next, and the run in a sentence.

use std::collections::HashMap;

use dialoguer::console::{Alignment, measure_text_width, pad_str};

use crate::{
    cli::screen::{Tone, wrap},
    report::words,
    terms::output::loaners::{LoanerOut, LoanerResult, ShelfOut},
};

/// Columns of a result: the longest word.
const RESULT: usize = 10;

/// Most columns of a label: what fits on a sticker. A longer one moves the rest of its line.
const LABEL: usize = 18;

/// Fewer columns than this are no place for a sentence.
const NARROW: usize = 20;

/// Columns before what stands below its mark.
const INDENT: usize = 4;

/// The lines for so many columns; none: each stays one line, for programs that read lines.
pub(super) fn lines(out: &ShelfOut, width: Option<usize>) -> Vec<String> {
    let mut page = Page {
        lines: Vec::new(),
        width: width.unwrap_or(usize::MAX),
    };
    results(&mut page, out);
    if let Some(error) = &out.error {
        page.head("It ended before all had their turn");
        page.item("", &words::harmless_lines(&error.message));
        if let Some(help) = &error.help {
            page.item("next: ", &words::harmless_lines(help));
        }
    }
    if !out.findings.is_empty() {
        page.head("Across the shelf");
        for finding in &out.findings {
            page.item("- ", &words::harmless_lines(&finding.text));
        }
    }
    let left = words::left_to_do(out);
    if !left.is_empty() {
        page.head("What is left to do");
        for (next, labels) in by_next(&left) {
            page.item("- ", &format!("{}: {next}", labels.join(", ")));
        }
    }
    page.lines.push(String::new());
    let sums: Vec<String> = words::sums(&out.counts)
        .iter()
        .map(|sum| super::table::tone(sum.like).paint(&format!("{} {}", sum.count, sum.word)))
        .collect();
    page.hanging(
        "",
        0,
        &format!("{} ({})", words::verdict(out), sums.join(", ")),
    );
    page.lines
}

/// Whatever their reasons are, those with one thing to be done about them share a place.
fn by_next(left: &[(LoanerResult, Vec<(usize, &LoanerOut)>)]) -> Vec<(String, Vec<String>)> {
    let mut all: Vec<(String, Vec<String>)> = Vec::new();
    let mut places = HashMap::new();
    for (_, loaners) in left {
        let next = loaners.first().and_then(|(_, one)| words::next_of(one));
        let next = next.unwrap_or_default();
        let place = *places.entry(next.clone()).or_insert(all.len());
        if place == all.len() {
            all.push((next, Vec::new()));
        }
        let labels = loaners.iter().map(|(_, one)| words::harmless(&one.label));
        all[place].1.extend(labels);
    }
    all
}

fn results(page: &mut Page, out: &ShelfOut) {
    let title = words::harmless(&out.title);
    let took = words::lasted(out.took_s);
    let command = words::command(out);
    page.hanging(
        "",
        0,
        &Tone::Strong.paint(&format!("{title}: {} in {took}", command.to_lowercase())),
    );
    let width = |loaner: &LoanerOut| measure_text_width(&words::harmless(&loaner.label));
    let label = out.loaners.iter().map(width).max().unwrap_or(0).min(LABEL);
    for loaner in &out.loaners {
        let word = words::result(loaner.result);
        let mark = format!(
            "  {}  {}  ",
            pad_str(
                &words::harmless(&loaner.label),
                label,
                Alignment::Left,
                None
            ),
            super::table::tone(loaner.result).paint(&format!("{word:<RESULT$}")),
        );
        page.hanging(&mark, label + RESULT + 6, &said(loaner));
    }
}

/// What its word does not say yet.
fn said(loaner: &LoanerOut) -> String {
    match (loaner.result, words::outcome(loaner)) {
        (LoanerResult::AsWanted, outcome) if outcome.is_empty() => "nothing was written".into(),
        (_, outcome) => outcome,
    }
}

struct Page {
    lines: Vec<String>,
    width: usize,
}

impl Page {
    fn head(&mut self, text: &str) {
        self.lines.push(String::new());
        self.lines.push(Tone::Strong.paint(text));
    }

    fn item(&mut self, mark: &str, text: &str) {
        self.hanging(&format!("  {mark}"), 2 + mark.len(), text);
    }

    /// Text behind a mark of so many columns; a long one goes on below its own beginning. Where there
    /// is hardly room behind the mark it begins on the next line.
    fn hanging(&mut self, mark: &str, column: usize, text: &str) {
        let room = self.width.saturating_sub(column);
        if room < NARROW && column > INDENT && measure_text_width(text) > room {
            self.lines.push(mark.trim_end().to_owned());
            let below = format!("{:INDENT$}", "");
            return self.hanging(&below, INDENT, text);
        }
        for (number, part) in wrap(text, room).iter().enumerate() {
            let line = if number == 0 {
                format!("{mark}{part}")
            } else {
                format!("{:column$}{part}", "")
            };
            self.lines.push(line.trim_end().to_owned());
        }
    }
}
