//! The report of a run on disk: who reads it sees who the loaners are, so it is its owner's alone.

use std::{
    fs::{self, OpenOptions},
    io::Write,
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use jiff::tz::TimeZone;

use crate::{change::Trouble, cli::failure::Failure, report, terms::output::loaners::ShelfOut};

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

/// Writes a text that its owner alone can read; what was there is replaced.
pub(super) fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true).mode(0o600);
    options
        .open(path)
        .and_then(|mut file| file.write_all(text.as_bytes()))
        .map_err(|error| unwritten(path, &error))
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
