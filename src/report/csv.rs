//! The list for a spreadsheet: a row a loaner.
//!
//! A row a loaner and not a row a setting, since whoever keeps the boats sorts, filters and ticks off
//! boats; a setting that any of them had changed has three columns of its own.
//!
//! It guards against a cell that a spreadsheet runs. A cell whose first character, blanks and quotes
//! left aside, is `=`, `+`, `-` or `@` (or their full-width forms) gets a `'` before it, after which a
//! spreadsheet takes it for text (OWASP, "CSV Injection"). The same goes for what follows a comma, a
//! semicolon or a line end within a cell, because a spreadsheet that was told another separator, or no
//! quotes, begins a cell there. Before that, tab, carriage return and whatever else acts on a screen
//! are written out as `\u{9}`. A program that reads the file takes one `'` away wherever one stands
//! before such a text; nothing else was added.

use std::collections::BTreeSet;

use ::csv::{QuoteStyle, Terminator, WriterBuilder};

use super::words;
use crate::terms::{
    SettingName,
    output::loaners::{LoanerOut, ShelfOut},
};

/// Writes the list by RFC 4180: UTF-8, lines end with CR LF, every cell but those of the head in
/// quotes. Before the head stands a byte order mark, without which spreadsheets take UTF-8 for
/// something else.
///
/// The first columns are always `label` to `began`; then come three a setting (`NAME before`,
/// `NAME wanted`, `NAME proof`), by name, for those settings that any loaner had changed or that differ.
pub fn csv(out: &ShelfOut) -> String {
    let changed = out.loaners.iter().flat_map(|loaner| &loaner.changes);
    let settings: BTreeSet<&SettingName> = changed.map(|line| &line.setting).collect();
    let mut head: Vec<String> = FIRST.map(ToOwned::to_owned).to_vec();
    for setting in &settings {
        head.extend(["before", "wanted", "proof"].map(|part| format!("{setting} {part}")));
    }
    // In quotes, the mark before the head would stand before a quote, which RFC 4180 has not.
    let head = lines(QuoteStyle::Necessary, [head]);
    let rows = out.loaners.iter().map(|loaner| row(loaner, &settings, out));
    format!("\u{feff}{head}{}", lines(QuoteStyle::Always, rows))
}

/// How every such list begins.
pub(super) fn beginning() -> String {
    format!("\u{feff}{},", FIRST.join(","))
}

/// The columns that are always there, in this order.
pub(super) const FIRST: [&str; 19] = [
    "label",
    "result",
    "what to do",
    "why",
    "verdict",
    "transmitter",
    "serial",
    "bssid",
    "address",
    "signal in percent",
    "tries",
    "took in s",
    "proved by an earlier run",
    "record",
    "change",
    "left as they are",
    "notes",
    "run",
    "began",
];

fn row(loaner: &LoanerOut, settings: &BTreeSet<&SettingName>, out: &ShelfOut) -> Vec<String> {
    let error = loaner.error.as_ref();
    let number = |number: Option<i64>| number.map(|n| n.to_string());
    let first: [Option<String>; FIRST.len()] = [
        Some(loaner.label.clone()),
        Some(words::result(loaner.result).into()),
        words::next_of(loaner),
        error.map(|error| error.message.clone()),
        loaner.condition.map(|condition| condition.word().into()),
        loaner.transmitter.clone(),
        loaner.identity.serial.clone(),
        loaner.identity.bssid.clone(),
        loaner.identity.address.clone(),
        loaner.signal.map(|signal| signal.to_string()),
        Some(loaner.tries.to_string()),
        words::took_s(loaner).map(|took| format!("{took:.1}")),
        Some(if loaner.earlier { "yes" } else { "no" }.into()),
        number(loaner.record),
        number(loaner.change),
        Some(loaner.left.join(", ")),
        Some(loaner.notes.join("\n")),
        Some(out.run.to_string()),
        Some(out.began.clone()),
    ];
    let mut row: Vec<String> = first.into_iter().map(Option::unwrap_or_default).collect();
    for setting in settings {
        match loaner.changes.iter().find(|line| line.setting == **setting) {
            Some(line) => {
                row.push(words::value(setting, &line.before));
                row.push(words::value(setting, &line.after));
                row.push(words::proved(line, loaner.result));
            }
            None => row.extend([const { String::new() }; 3]),
        }
    }
    row.iter().map(|cell| harmless(cell)).collect()
}

fn lines(quotes: QuoteStyle, rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut writer = WriterBuilder::new()
        .quote_style(quotes)
        .terminator(Terminator::CRLF)
        .from_writer(Vec::new());
    for row in rows {
        writer
            .write_record(&row)
            .expect("memory takes it, and all rows are as long as the head");
    }
    let bytes = writer.into_inner().expect("memory takes it");
    String::from_utf8(bytes).expect("texts and separators are UTF-8")
}

/// A cell that no spreadsheet runs.
fn harmless(cell: &str) -> String {
    let cell = words::harmless_lines(cell);
    let mut out = String::with_capacity(cell.len());
    let mut begins = true;
    for (at, c) in cell.char_indices() {
        if begins && would_run(&cell[at..]) {
            out.push('\'');
        }
        begins = matches!(c, ',' | ';' | '\n');
        out.push(c);
    }
    out
}

/// Whether a spreadsheet might take this for a formula at the beginning of a cell.
fn would_run(text: &str) -> bool {
    let first = text
        .trim_start_matches(|c: char| c.is_whitespace() || matches!(c, '"' | '\''))
        .chars()
        .next();
    first.is_some_and(|c| matches!(c, '=' | '+' | '-' | '@' | '＝' | '＋' | '－' | '＠'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::{hostile, shelf};

    fn read(text: &str) -> Vec<Vec<String>> {
        let text = text.strip_prefix('\u{feff}').expect("a byte order mark");
        let mut reader = ::csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(text.as_bytes());
        let rows = reader
            .records()
            .map(|row| row.expect("a row as long as the head"));
        rows.map(|row| row.iter().map(ToOwned::to_owned).collect())
            .collect()
    }

    #[test]
    fn shelf_has_a_row_a_loaner_and_three_columns_a_changed_setting() {
        let rows = read(&csv(&shelf()));
        assert_eq!(rows.len(), 25);
        assert_eq!(rows[0][..FIRST.len()], FIRST);
        assert_eq!(
            rows[0][FIRST.len()..FIRST.len() + 3],
            ["failsafe before", "failsafe wanted", "failsafe proof"]
        );
        let cell = |row: usize, column: &str| {
            let at = rows[0]
                .iter()
                .position(|name| name == column)
                .expect("a column");
            rows[row][at].as_str()
        };
        assert_eq!(cell(2, "label"), "Smew");
        assert_eq!(cell(2, "model-lock before"), "slot 5");
        assert_eq!(cell(2, "model-lock wanted"), "slot 2");
        assert_eq!(
            cell(2, "model-lock proof"),
            "read after a witnessed restart"
        );
        assert_eq!(cell(4, "result"), "not proved");
        assert_eq!(
            cell(4, "local-network before"),
            "(secret, fingerprint 5b0c9e)"
        );
        assert!(cell(4, "what to do").contains("`linkmend resume`"));
        assert_eq!(cell(5, "name proof"), "");
    }

    /// What each begins with, and what stands in its place.
    #[test]
    fn formula_gets_an_apostrophe_and_nothing_else_does() {
        for (cell, written) in [
            ("=1+1", "'=1+1"),
            ("+1", "'+1"),
            ("-1", "'-1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("\t=1", "\\u{9}=1"),
            ("\r=1", "\\u{d}=1"),
            ("  =1", "'  =1"),
            ("'=1", "''=1"),
            ("\"=1", "'\"=1"),
            ("＝1", "'＝1"),
            ("a;=1", "a;'=1"),
            ("a,\"=1", "a,'\"=1"),
            ("a\n=1", "a\n'=1"),
            ("Teal", "Teal"),
            ("a-b=c", "a-b=c"),
            ("02:7a:10", "02:7a:10"),
            ("'tis", "'tis"),
            ("", ""),
        ] {
            assert_eq!(harmless(cell), written, "{cell:?}");
        }
    }

    /// Who takes the apostrophes away has what was there, whatever it was.
    #[test]
    fn apostrophes_can_be_taken_away_again() {
        for loaner in hostile().loaners {
            let written = harmless(&loaner.label);
            let mut back = String::new();
            let mut begins = true;
            for (at, c) in written.char_indices() {
                let added = begins && c == '\'' && would_run(&written[at..]);
                if !added {
                    back.push(c);
                }
                begins = matches!(c, ',' | ';' | '\n');
            }
            assert_eq!(back, words::harmless_lines(&loaner.label));
        }
    }

    #[test]
    fn lines_end_as_rfc_4180_has_it_and_a_line_end_in_a_cell_stays() {
        let text = csv(&hostile());
        let rows = read(&text);
        assert_eq!(rows.len(), 19);
        assert_eq!(rows[15][0], "two\nlines, \"quoted\"");
        assert!(text.contains("\"two\nlines, \"\"quoted\"\"\","));
        assert!(text.ends_with("\"\r\n"));
        assert!(rows.iter().all(|row| row.len() == FIRST.len() + 3));
    }
}
