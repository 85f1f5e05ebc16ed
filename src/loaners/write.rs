//! A new shelf's file, and one more row in a file that is there.
//!
//! A file is somebody's work: what stands in it keeps its comments and its layout to the letter, and
//! nothing is written over that was not read before.

use std::path::Path;

use toml_edit::{
    Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, Value as Toml, value,
};

use super::{
    file::{MOST_BYTES, load_text},
    rows,
    shelf::{Loaner, Mark, Wish},
};
use crate::{
    files::{
        text::{self, TextError},
        whole::{self, WholeError, folder},
    },
    profile::{Faults, Profile},
    terms::{Value, untrusted::acts_on_a_screen},
};

/// Why a row was not added. The file is as it was.
#[derive(Debug, thiserror::Error)]
pub enum AddError {
    /// The file cannot be read.
    #[error(transparent)]
    Unread(#[from] TextError),
    /// It is faulty, with or without the new row: two of one label, say. The places are those of the
    /// file with the row at its end.
    #[error(transparent)]
    Faulty(Box<Faults>),
    /// It was not written.
    #[error(transparent)]
    Unwritten(#[from] WholeError),
}

/// Whether a file may have a label or a transmitter's name such as this; else why not.
///
/// # Errors
/// The rest of a sentence that begins with it.
pub fn fits(text: &str) -> Result<(), String> {
    if text.is_empty() {
        return Err("is empty".to_owned());
    }
    if text.contains(acts_on_a_screen) {
        return Err("holds a character that cannot be seen".to_owned());
    }
    rows::one_line(text)
}

/// The row that is one receiver already, by a mark that tells it from its lookalikes.
pub fn same_receiver<'a>(loaners: &'a [Loaner], mark: &Mark) -> Option<&'a Loaner> {
    let same = |one: &&Loaner| {
        let serial = mark.serial.is_some() && one.mark.serial == mark.serial;
        serial || mark.bssid.is_some() && one.mark.bssid == mark.bssid
    };
    loaners.iter().find(same)
}

/// The row that has a label already; read aloud, two are the same whatever their case.
pub fn same_label<'a>(loaners: &'a [Loaner], label: &str) -> Option<&'a Loaner> {
    let label = label.to_lowercase();
    loaners.iter().find(|one| one.label.to_lowercase() == label)
}

/// The text of a new shelf's file. `family` is written as it is: the name of a built-in one, or a
/// path seen from the file's folder. Values of secrets are left out: none stands in such a file.
pub fn new_text(title: &str, family: &str, profile: &Profile, loaners: &[Loaner]) -> String {
    let mut head = Table::new();
    head.insert("format", value(1));
    head.insert("title", value(title));
    head.insert("family", value(family));
    let mut text = format!("{ABOUT}{head}{BASELINE}");
    for loaner in loaners {
        text.push('\n');
        text.push_str(&row_text(loaner, profile));
    }
    text
}

/// The text of a shelf's file with one more row; everything else stays to the letter. It does not
/// say whether the row fits: load it.
pub fn with_row(text: &str, loaner: &Loaner, profile: &Profile) -> String {
    let crlf = text.contains("\r\n");
    let ends = |new: &str| {
        if crlf {
            new.replace("\r\n", "\n").replace('\n', "\r\n")
        } else {
            new.to_owned()
        }
    };
    // A list in brackets has its end before that of the file.
    let mut document = text.trim_start_matches('\u{feff}').parse::<DocumentMut>();
    if let Ok(document) = &mut document
        && let Some(list) = document.get_mut("loaner").and_then(Item::as_array_mut)
    {
        push(list, loaner, profile);
        let mark = if text.starts_with('\u{feff}') {
            "\u{feff}"
        } else {
            ""
        };
        return format!("{mark}{}", ends(&document.to_string()));
    }
    let gap = if text.ends_with('\n') || text.is_empty() {
        "\n"
    } else {
        "\n\n"
    };
    format!(
        "{text}{}",
        ends(&format!("{gap}{}", row_text(loaner, profile)))
    )
}

/// Adds a row to the file of a shelf, written whole or not at all.
///
/// # Errors
/// When the file is faulty, or is with this row; or when it cannot be read or written.
pub fn add(path: &Path, loaner: &Loaner) -> Result<(), AddError> {
    let text = text::read("shelf", path, MOST_BYTES)?;
    let file = path.display().to_string();
    let check = |text: &str| {
        load_text(&file, text, folder(path)).map_err(|faults| AddError::Faulty(Box::new(faults)))
    };
    let shelf = check(&text)?;
    let new = with_row(&text, loaner, &shelf.profile);
    check(&new)?;
    Ok(whole::replace(path, &text, &new)?)
}

/// `[[loaner]]` and what stands below it.
fn row_text(loaner: &Loaner, profile: &Profile) -> String {
    let mut row = Table::new();
    for (key, said) in said(loaner) {
        row.insert(key, value(said));
    }
    let settings = settings(loaner, profile);
    if !settings.is_empty() {
        row.insert("settings", value(settings));
    }
    let mut rows = ArrayOfTables::new();
    rows.push(row);
    let mut document = DocumentMut::new();
    document.insert("loaner", Item::ArrayOfTables(rows));
    document.to_string()
}

/// Adds a row to a list in brackets, laid out as its last one.
fn push(list: &mut Array, loaner: &Loaner, profile: &Profile) {
    let mut row = InlineTable::new();
    for (key, said) in said(loaner) {
        row.insert(key, said.into());
    }
    let settings = settings(loaner, profile);
    if !settings.is_empty() {
        row.insert("settings", settings.into());
    }
    let mut row = Toml::InlineTable(row);
    let before = list
        .iter()
        .last()
        .and_then(|last| last.decor().prefix())
        .and_then(|prefix| prefix.as_str())
        // Comments above the last row are that one's.
        .map(|prefix| match prefix.rsplit_once('\n') {
            Some((_, indent)) => format!("\n{indent}"),
            None => prefix.to_owned(),
        });
    if let Some(before) = before {
        let before = if before.is_empty() {
            " ".to_owned()
        } else {
            before
        };
        row.decor_mut().set_prefix(before);
    }
    list.push_formatted(row);
}

/// Keys of a row that are no settings, in the order of the format.
fn said(loaner: &Loaner) -> Vec<(&'static str, String)> {
    let at = loaner.at.as_ref().map(ToString::to_string);
    [
        ("label", Some(loaner.label.clone())),
        ("serial", loaner.mark.serial.clone()),
        ("bssid", loaner.mark.bssid.map(|mac| mac.to_string())),
        ("transmitter", loaner.transmitter.clone()),
        ("at", at),
    ]
    .into_iter()
    .filter_map(|(key, said)| Some((key, said?)))
    .collect()
}

fn settings(loaner: &Loaner, profile: &Profile) -> InlineTable {
    let mut settings = InlineTable::new();
    for (name, wish) in &loaner.wanted {
        let setting = profile.setting(name.as_str());
        // What the family does not know is no value to show either.
        let is_secret = setting.is_none_or(|setting| setting.secret);
        if let Some(written) = written(wish, is_secret) {
            settings.insert(name.as_str(), written);
        }
    }
    settings
}

/// A wish as a file writes it; none of a secret's value.
fn written(wish: &Wish, is_secret: bool) -> Option<Toml> {
    match wish {
        Wish::Unique => Some("unique".into()),
        Wish::Value(value) if is_secret && *value != Value::Absent => None,
        Wish::Value(value) => toml(value),
    }
}

fn toml(value: &Value) -> Option<Toml> {
    Some(match value {
        Value::Flag(on) => (*on).into(),
        // As it is counted, without a detour over binary fractions.
        Value::Number(number) => number.normalize().to_string().parse().ok()?,
        Value::Off => "off".into(),
        Value::Absent => "absent".into(),
        Value::Text(text) => text.raw().into(),
        Value::Choice(word) => word.as_str().into(),
        Value::Bytes(bytes) => hex::encode(bytes).into(),
        Value::Version(version) => version.to_string().into(),
        Value::List(items) => items.iter().map(toml).collect::<Option<Array>>()?.into(),
    })
}

const ABOUT: &str = "\
# A loan shelf: which receivers stand on it, and what each should be.
# `linkmend loaners check` compares all of them with it, `reset` writes what it names, `add` takes
# in one more receiver, `report` draws what came of a run.
# `linkmend loaners schema` prints a JSON Schema, by which editors help with this file.

";

const BASELINE: &str = "
# What all of them should be; a loaner's own `settings` go over it. The family's settings and what
# they take: `linkmend profile show` with its name. Beside a value there is \"off\", \"absent\", and
# for model-lock and bind-key \"unique\": one that no other loaner has, drawn once.
# A lock that is named here or in a row is wanted, and no fault.
# A secret stands in a file of its own that nobody else can read: bind-key = { file = \"PATH\" }
# A loaner keeps nobody's passphrase: local-network is absent unless it is named.
# Region and power are compared, and never written to a whole shelf.
[baseline]
# model-lock = \"unique\"
";

#[cfg(test)]
mod tests;
