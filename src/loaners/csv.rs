//! Rows of a shelf from a table of comma-separated values (RFC 4180), as spreadsheets write them.
//!
//! Columns stand in any order and are told by their heads: `label`, then `serial`, `bssid` or
//! `identity` (either of the two), `transmitter`, `at`, and any setting of the family. An empty cell
//! names nothing. Commas, semicolons or tabs; a byte order mark, any ends of lines and quotes are
//! taken. Every fault has its line.

use std::{borrow::Cow, collections::BTreeMap, ops::Range, path::Path};

use csv::{ByteRecord, ReaderBuilder};

use super::{
    file::ShelfError,
    rows::{self, Row, Said, Wished, Wishes},
    shelf::Loaner,
    wish,
};
use crate::{
    files::text,
    profile::{
        Code, Faults, Profile, Setting, characters,
        diag::{known_names, quoted},
    },
};

/// Reads the rows of a file for receivers of a family.
///
/// # Errors
/// When it cannot be read, or with all of its faults.
pub fn load_file(path: &Path, profile: &Profile) -> Result<Vec<Loaner>, ShelfError> {
    let text = text::read("table of UTF-8 text", path, MOST_BYTES)?;
    load_text(&path.display().to_string(), &text, profile)
        .map_err(|faults| ShelfError::Faulty(Box::new(faults)))
}

/// Reads rows from their text; `file` is what messages call it. What a loaner wants is what its own
/// row says, without a baseline.
///
/// # Errors
/// All faults, in the order of their lines.
pub fn load_text(file: &str, text: &str, profile: &Profile) -> Result<Vec<Loaner>, Faults> {
    // Ends of lines as of old, which some spreadsheets still write; as long, so places stay.
    let text = &if text.contains('\n') {
        Cow::Borrowed(text)
    } else {
        Cow::Owned(text.replace('\r', "\n"))
    };
    let mut faults = Faults::new(file, text);
    characters::refuse_raw(text, &mut faults);
    let records = records(text);
    let Some((head, body)) = records.split_first() else {
        let help = "its first line names the columns, such as `label,serial,model-lock`".to_owned();
        faults.add(Code::Empty, 0..0, "the table is empty", help);
        return faults.verdict(None);
    };
    let columns = columns(head, profile, &mut faults);
    let mut reading = Reading {
        columns: &columns,
        faults: &mut faults,
    };
    let rows: Vec<Row> = body.iter().filter_map(|row| reading.row(row)).collect();
    if body.is_empty() {
        let help = "write a line for each loaner below the names of the columns".to_owned();
        faults.add(
            Code::Empty,
            head.span.clone(),
            "the table has no rows",
            help,
        );
    }
    // Without the column every row would lack it.
    if faults
        .list
        .iter()
        .any(|fault| fault.code == Code::MissingColumn)
    {
        return faults.verdict(None);
    }
    let loaners = rows::loaners(rows, &Wishes::new(), Some(profile), &mut faults);
    faults.verdict(Some(loaners))
}

/// A line of the table, or several where quotes hold their ends.
struct Record<'a> {
    /// Where it stands, without the end of its line.
    span: Range<usize>,
    raw: &'a str,
    cells: Vec<Said>,
}

/// All lines that hold anything.
fn records(text: &str) -> Vec<Record<'_>> {
    // A byte order mark is no part of the text (Unicode 15, section 23.8).
    let start = text.len() - text.trim_start_matches('\u{feff}').len();
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter(&text[start..]))
        .from_reader(&text.as_bytes()[start..]);
    let offset = |at: u64| start + usize::try_from(at).unwrap_or(text.len());
    let mut records = Vec::new();
    let mut record = ByteRecord::new();
    // Reading from memory never fails, and neither does a record of another length.
    while reader.read_byte_record(&mut record).unwrap_or(false) {
        let from = record
            .position()
            .map_or(start, |place| offset(place.byte()));
        let to = offset(reader.position().byte());
        let raw = &text[from..to];
        let from = to - raw.trim_start_matches(['\r', '\n']).len();
        let raw = text[from..to].trim_end_matches(['\r', '\n']);
        let record = Record {
            cells: cells(&record, raw, from),
            span: from..from + raw.len(),
            raw,
        };
        // Spreadsheets end a table with rows of nothing.
        if record.cells.iter().any(|cell| !cell.text.is_empty()) {
            records.push(record);
        }
    }
    records
}

/// The cells of a record, each with where it stands in the text as far as that shows: quotes within
/// quotes are written twice.
fn cells(record: &ByteRecord, raw: &str, from: usize) -> Vec<Said> {
    let mut rest = 0;
    let cell = |bytes: &[u8]| {
        let text = String::from_utf8_lossy(bytes);
        let written = [text.to_string(), text.replace('"', "\"\"")];
        let found = written.iter().find_map(|words| {
            let at = rest + raw.get(rest..)?.find(words.as_str())?;
            Some(at..at + words.len())
        });
        if let Some(found) = &found {
            let more = raw[found.end..].trim_start_matches('"');
            let more = more.strip_prefix([',', ';', '\t']).unwrap_or(more);
            rest = raw.len() - more.len();
        }
        let span = found.unwrap_or(0..raw.len());
        Said {
            text: text.trim().to_owned(),
            span: from + span.start..from + span.end,
        }
    };
    record.iter().map(cell).collect()
}

/// What stands between two cells: what makes a column `label` of the first line.
fn delimiter(text: &str) -> u8 {
    let head = text
        .trim_start()
        .split(['\r', '\n'])
        .next()
        .unwrap_or_default();
    let has_label = |delimiter: &&u8| {
        let mut names = head.split(char::from(**delimiter));
        names.any(|name| plain(name.trim_matches(['"', ' '])) == "label")
    };
    // Of a table with one column alone each of them fits.
    let mut fitting = b",;\t".iter().filter(|d| head.contains(char::from(**d)));
    fitting.find(has_label).copied().unwrap_or(b',')
}

/// `Model Lock` as `model-lock`.
fn plain(head: &str) -> String {
    head.trim().to_lowercase().replace([' ', '_'], "-")
}

/// What a column holds.
enum Column<'a> {
    Label,
    Serial,
    Bssid,
    Identity,
    Transmitter,
    At,
    Setting(&'a Setting),
    /// It is faulty itself.
    Unknown,
}

fn columns<'a>(head: &Record<'_>, profile: &'a Profile, faults: &mut Faults) -> Vec<Column<'a>> {
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let mut columns = Vec::new();
    for (cell, number) in head.cells.iter().zip(1..) {
        let name = plain(&cell.text);
        if let Some(first) = seen.insert(name.clone(), number) {
            let message = format!(
                "columns {first} and {number} are both {}",
                quoted(&cell.text)
            );
            let help = "leave one out".to_owned();
            faults.add(Code::ColumnTwice, cell.span.clone(), message, help);
        }
        columns.push(match name.as_str() {
            "label" => Column::Label,
            "serial" => Column::Serial,
            "bssid" => Column::Bssid,
            "identity" => Column::Identity,
            "transmitter" => Column::Transmitter,
            "at" => Column::At,
            name => {
                if let Some(setting) = profile.setting(name) {
                    Column::Setting(setting)
                } else {
                    unknown(cell, name, profile, faults);
                    Column::Unknown
                }
            }
        });
    }
    let has = |name: &str| seen.contains_key(name);
    let mut missing = |name: &str, help: &str| {
        let message = format!("there is no column {name}");
        faults.add(
            Code::MissingColumn,
            head.span.clone(),
            message,
            help.to_owned(),
        );
    };
    if !has("label") {
        missing("`label`", "it holds what stands on each sticker");
    }
    if !(has("serial") || has("bssid") || has("identity")) {
        let help = "one of them tells a loaner from its lookalikes; `identity` takes either";
        missing("`serial`, `bssid` or `identity`", help);
    }
    if has("identity") && (has("serial") || has("bssid")) {
        let message = "`identity` stands beside a column of its own for the same";
        let help = "write `serial`, `bssid` or both, or `identity` alone".to_owned();
        faults.add(Code::ColumnTwice, head.span.clone(), message, help);
    }
    columns
}

fn unknown(cell: &Said, name: &str, profile: &Profile, faults: &mut Faults) {
    let settings = profile.settings.iter().map(|one| one.name.as_str());
    let known = KEYS.into_iter().chain(settings);
    let (message, help) = if name.is_empty() {
        let help = "name it in the first line, or leave it out".to_owned();
        ("a column has no name".to_owned(), help)
    } else {
        let message = format!(
            "{} is neither a key of a loaner nor a setting of {}",
            quoted(&cell.text),
            profile.family
        );
        (message, known_names(name, known))
    };
    faults.add(Code::UnknownColumn, cell.span.clone(), message, help);
}

struct Reading<'a, 'b> {
    columns: &'b [Column<'a>],
    faults: &'b mut Faults,
}

impl Reading<'_, '_> {
    fn row(&mut self, record: &Record<'_>) -> Option<Row> {
        let span = record.span.clone();
        if record.raw.matches('"').count() % 2 == 1 && record.raw.contains('\n') {
            let message = "a quote is opened in this row and never closed";
            let help = "close it; a quote within quotes is written twice".to_owned();
            self.faults
                .add(Code::OpenQuote, first_line(record), message, help);
            return None;
        }
        let (cells, columns) = (record.cells.len(), self.columns.len());
        if cells != columns {
            let message = format!("this row has {cells} cells below {columns} columns");
            let help = if cells > columns {
                "put a value with a comma into quotes"
            } else {
                "write an empty cell for what it does not name"
            };
            self.faults.add(
                Code::RaggedRow,
                first_line(record),
                message,
                help.to_owned(),
            );
            return None;
        }
        let mut row = Row {
            span,
            ..Row::default()
        };
        for (column, cell) in self.columns.iter().zip(&record.cells) {
            if cell.text.is_empty() {
                if matches!(column, Column::Label) {
                    let help = "write what stands on its sticker".to_owned();
                    let message = "this row has no label";
                    self.faults
                        .add(Code::Empty, first_line(record), message, help);
                }
                continue;
            }
            let said = Some(cell.clone());
            match column {
                Column::Label => row.label = said,
                Column::Serial => row.serial = said,
                Column::Bssid => row.bssid = said,
                Column::Identity => row.identity = said,
                Column::Transmitter => row.transmitter = said,
                Column::At => row.at = said,
                Column::Setting(setting) => self.wish(&mut row, setting, cell),
                Column::Unknown => {}
            }
        }
        Some(row)
    }

    fn wish(&mut self, row: &mut Row, setting: &Setting, cell: &Said) {
        let span = cell.span.clone();
        match wish::from_cell(setting, &cell.text) {
            Ok(wish) => {
                row.wishes
                    .insert(setting.name.clone(), Wished { wish, span });
            }
            Err((code, message, help)) => {
                if code == Code::SecretInClear {
                    self.faults.hide(span.clone());
                }
                self.faults.add(code, span, message, help);
            }
        }
    }
}

/// Of a row that goes over several lines the first one: the rest may be half of the file.
fn first_line(record: &Record<'_>) -> Range<usize> {
    let length = record.raw.lines().next().map_or(0, str::len);
    record.span.start..record.span.start + length
}

/// Columns that are no settings.
const KEYS: [&str; 6] = ["label", "serial", "bssid", "identity", "transmitter", "at"];

/// 16 MiB, the bound of a shelf's own file.
const MOST_BYTES: u64 = 1 << 24;

#[cfg(test)]
mod tests;
