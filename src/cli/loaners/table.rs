//! The live table: a line a loaner, the sums below. A function from where things stand and the room
//! there is to lines.
//!
//! Where the terminal has fewer rows than the shelf has loaners, those at work are shown, then those
//! that moved last, in the order of the file, and the rest as sums.

use dialoguer::console::{Alignment, measure_text_width, pad_str, truncate_str};

use super::board::{Board, Row};
use crate::{
    cli::screen::{Tone, wrap},
    report::words::{self, Weight},
    terms::output::loaners::{LoanerResult, ShelfStep},
};

/// Columns of a step, a time and a signal: their longest words.
const STEP: usize = 12;
const TIME: usize = 7;
const SIGNAL: usize = 5;

/// Columns between two of them, and before the first.
const GAP: usize = 2;

/// Fewest columns in which an outcome still says something.
const LEAST: usize = 8;

/// Most columns of a label: what fits on a sticker.
const LABEL: usize = 18;

/// The table at `now_s` (in s since the run began), for so many columns and rows of a terminal. No line
/// is wider, and there are never more lines than `height` leaves beside the cursor's own.
pub(super) fn lines(board: &Board, now_s: f64, width: usize, height: usize) -> Vec<String> {
    let foot = foot(board, now_s, width);
    let room = height.saturating_sub(1 + foot.len());
    let columns = Columns::of(board, width);
    // The head and one line of the rest; below that the foot alone says how it stands.
    let mut out = Vec::new();
    if room >= 3 {
        out.push(columns.head(width));
        let shown = chosen(board, room - 1);
        for at in &shown {
            out.push(columns.row(&board.rows[*at], now_s, width));
        }
        let rest: Vec<&Row> = (0..board.rows.len())
            .filter(|at| !shown.contains(at))
            .map(|at| &board.rows[at])
            .collect();
        if !rest.is_empty() {
            out.push(cut(
                &Tone::Faint.paint(&format!(
                    "  + {} more: {}",
                    rest.len(),
                    sums(&rest).join(", ")
                )),
                width,
            ));
        }
    }
    out.extend(foot);
    out.truncate(height.saturating_sub(1).max(1));
    out
}

/// Which rows are shown, in the order of the file; one line less where a line of sums is needed too.
fn chosen(board: &Board, room: usize) -> Vec<usize> {
    let all = board.rows.len();
    if all <= room {
        return (0..all).collect();
    }
    let mut order: Vec<usize> = (0..all).collect();
    order.sort_by(|a, b| {
        let (a, b) = (&board.rows[*a], &board.rows[*b]);
        let at_work = |row: &Row| words::is_at_work(row.step);
        let moved = |row: &Row| row.step != ShelfStep::Waiting;
        at_work(b)
            .cmp(&at_work(a))
            .then(moved(b).cmp(&moved(a)))
            .then(b.since_s.total_cmp(&a.since_s))
    });
    order.truncate(room.saturating_sub(1));
    order.sort_unstable();
    order
}

/// The columns that a table has.
struct Columns {
    label: usize,
    /// Whether there is one of signals: none is heard of loaners that are reached by address.
    has_signal: bool,
}

impl Columns {
    fn of(board: &Board, width: usize) -> Self {
        let longest = board
            .rows
            .iter()
            .map(|row| measure_text_width(&words::harmless(&row.label)))
            .max()
            .unwrap_or(0);
        Self {
            label: longest.clamp(6, LABEL.min(width / 4).max(6)),
            has_signal: board.rows.iter().any(|row| row.signal.is_some()),
        }
    }

    fn head(&self, width: usize) -> String {
        let line = self.line("loaner", "step", "time", "signal", "");
        Tone::Faint.paint(&cut(&line, width))
    }

    fn row(&self, row: &Row, now_s: f64, width: usize) -> String {
        let (word, tone) = state(row);
        let time = match &row.ended {
            Some(loaner) => words::took_s(loaner).map(words::since).unwrap_or_default(),
            None => words::since(now_s - row.since_s),
        };
        let signal = row.signal.map(|signal| format!("{signal} %"));
        let line = self.line(
            &words::harmless(&row.label),
            &tone.paint(&pad(word, STEP)),
            &time,
            &signal.unwrap_or_default(),
            &outcome(row, now_s),
        );
        let signal = if self.has_signal { GAP + SIGNAL } else { 0 };
        let before = GAP * 4 + self.label + STEP + TIME + signal;
        let line = if width < before + LEAST {
            truncate_str(&line, before - GAP, "").into_owned()
        } else {
            line
        };
        cut(&line, width)
    }

    fn line(&self, loaner: &str, step: &str, time: &str, signal: &str, more: &str) -> String {
        let gap = " ".repeat(GAP);
        let loaner = pad(loaner, self.label);
        let step = pad(step, STEP);
        let time = pad_str(time, TIME, Alignment::Right, None);
        let signal = if self.has_signal {
            format!("{gap}{}", pad_str(signal, SIGNAL, Alignment::Right, None))
        } else {
            String::new()
        };
        format!("{gap}{loaner}{gap}{step}{gap}{time}{signal}{gap}{more}")
    }
}

fn pad(text: &str, width: usize) -> String {
    pad_str(text, width, Alignment::Left, Some("…")).into_owned()
}

/// At most so many columns, and no blanks at the end.
fn cut(line: &str, width: usize) -> String {
    truncate_str(line.trim_end(), width, "…").into_owned()
}

/// The word of a row, and what it weighs.
fn state(row: &Row) -> (&'static str, Tone) {
    match &row.ended {
        Some(loaner) => (words::result(loaner.result), tone(loaner.result)),
        None if words::is_at_work(row.step) => (words::step(row.step), Tone::Strong),
        None if row.step == ShelfStep::LaterAgain => (words::step(row.step), Tone::Careful),
        None => (words::step(row.step), Tone::Faint),
    }
}

/// The colour of a result; its word always stands beside it.
pub(super) fn tone(result: LoanerResult) -> Tone {
    match words::weight(result) {
        Weight::Good => Tone::Good,
        Weight::Careful | Weight::Open => Tone::Careful,
        Weight::Bad => Tone::Bad,
    }
}

/// What it came to, or how long it takes yet.
fn outcome(row: &Row, now_s: f64) -> String {
    if let Some(loaner) = &row.ended {
        return words::outcome(loaner);
    }
    let left = row.until_s.map(|until| {
        if until >= now_s {
            format!("{} left", words::since((until - now_s).ceil()))
        } else {
            format!("{} over", words::since((now_s - until).floor()))
        }
    });
    let adapter = row.adapter.as_deref().map(words::harmless);
    let parts: Vec<String> = left.into_iter().chain(adapter).collect();
    parts.join(", ")
}

/// The sums and the time, then what somebody is to do.
fn foot(board: &Board, now_s: f64, width: usize) -> Vec<String> {
    let all: Vec<&Row> = board.rows.iter().collect();
    let strangers = match board.strangers {
        0 => None,
        1 => Some("1 stranger in range".into()),
        more => Some(format!("{more} strangers in range")),
    };
    let time = words::since(now_s);
    let sums: Vec<String> = sums(&all).into_iter().chain(strangers).collect();
    let room = width.saturating_sub(time.len() + 2 * GAP);
    let mut out = Vec::new();
    for (number, part) in packed(&sums, room).iter().enumerate() {
        let time = if number == 0 { time.as_str() } else { "" };
        let part = pad_str(part, room, Alignment::Left, Some("…"));
        out.push(cut(&format!("{:GAP$}{part}{:GAP$}{time}", "", ""), width));
    }
    // Somebody stands there with the receivers: a list that is cut off would be of no use.
    for (what, labels) in [("power now: ", &board.on), ("switch off: ", &board.off)] {
        if labels.is_empty() {
            continue;
        }
        let labels: Vec<String> = labels.iter().map(|label| words::harmless(label)).collect();
        let column = GAP + what.len();
        let parts = wrap(&labels.join(", "), width.saturating_sub(column));
        for (number, part) in parts.iter().enumerate() {
            let before = if number == 0 { what } else { "" };
            let line = format!("{:GAP$}{before:<room$}{part}", "", room = what.len());
            out.push(Tone::Strong.paint(&cut(&line, width)));
        }
    }
    out
}

/// As many to a line as there is room for, with a comma between two.
fn packed(parts: &[String], room: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for part in parts {
        match lines.last_mut() {
            // The comma behind the next one counts too.
            Some(line) if measure_text_width(line) + measure_text_width(part) + 3 <= room => {
                line.push_str(", ");
                line.push_str(part);
            }
            Some(line) => {
                line.push(',');
                lines.push(part.clone());
            }
            None => lines.push(part.clone()),
        }
    }
    lines
}

/// `18 done`, `1 not proved`, `2 at work`, `3 waiting`, each in its tone.
fn sums(rows: &[&Row]) -> Vec<String> {
    let ended = |result| {
        let has = |row: &&&Row| row.ended.as_ref().is_some_and(|l| l.result == result);
        (
            rows.iter().filter(has).count(),
            words::result(result),
            tone(result),
        )
    };
    let going = |word, has: fn(ShelfStep) -> bool| {
        let has = |row: &&&Row| row.ended.is_none() && has(row.step);
        (rows.iter().filter(has).count(), word, Tone::Plain)
    };
    RESULTS
        .map(ended)
        .into_iter()
        .chain([
            going("at work", words::is_at_work),
            going("in range", |step| step == ShelfStep::InRange),
            going("later again", |step| step == ShelfStep::LaterAgain),
            going("waiting", |step| step == ShelfStep::Waiting),
        ])
        .filter(|(count, _, _)| *count > 0)
        .map(|(count, word, tone)| tone.paint(&format!("{count} {word}")))
        .collect()
}

const RESULTS: [LoanerResult; 10] = [
    LoanerResult::Done,
    LoanerResult::AsWanted,
    LoanerResult::Planned,
    LoanerResult::Differs,
    LoanerResult::Unproved,
    LoanerResult::PutBack,
    LoanerResult::Failed,
    LoanerResult::Refused,
    LoanerResult::Missing,
    LoanerResult::NotTried,
];
