//! The report of a run on disk: who reads it sees who the loaners are, so it is its owner's alone.

use std::{
    fs,
    path::{Path, PathBuf},
};

use jiff::tz::TimeZone;

use crate::{
    change::Trouble,
    cli::failure::Failure,
    files::whole::{self, WholeError},
    report,
    terms::{Exit, output::loaners::ShelfOut},
};

/// The folder below the data folder.
const FOLDER: &str = "reports";

/// Keeps the page of a run in the data folder, and gives its path.
pub(super) fn keep(data: &Path, out: &ShelfOut) -> Result<PathBuf, Failure> {
    let folder = data.join(FOLDER);
    let path = folder.join(format!("run-{}.html", out.run));
    fs::create_dir_all(&folder).map_err(|error| unwritten(&path, &error))?;
    write(&path, &page(out))?;
    Ok(path)
}

/// The page, with times of this computer's zone.
pub(super) fn page(out: &ShelfOut) -> String {
    report::html(out, &TimeZone::system())
}

/// Writes a report that its owner alone can read. An older one is replaced and keeps its rights; nothing
/// else is written over.
pub(super) fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let written = match fs::read(path) {
        Ok(old) => match String::from_utf8(old) {
            Ok(old) if report::is_one(&old) => whole::replace(path, &old, text),
            _ => return Err(there(path)),
        },
        // What can be read in no way is there all the same, and is told as that.
        Err(_) => whole::create_private(path, text),
    };
    written.map_err(|error| match error {
        WholeError::There { .. } => there(path),
        WholeError::Unwritable { source, .. } => unwritten(path, &source),
        WholeError::Changed { .. } => {
            let message = error.to_string();
            Failure::Trouble(Trouble::new(
                "file-unwritten",
                message,
                Some("run it again"),
            ))
        }
    })
}

fn there(path: &Path) -> Failure {
    let message = format!("`{}` is there already, and is no report", path.display());
    let help = "nothing but an older report is written over: take another name, or move it away";
    Failure::Trouble(Trouble::new("file-there", message, Some(help)).ending(Exit::Refused))
}

fn unwritten(path: &Path, error: &std::io::Error) -> Failure {
    Failure::Trouble(Trouble::new(
        "file-unwritten",
        format!(
            "the report `{}` could not be written: {error}",
            path.display()
        ),
        Some("is there such a folder, may you write into it, and has it room?"),
    ))
}
