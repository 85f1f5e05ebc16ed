//! A text file that a person wrote.
//!
//! It guards against a path that is something else: bounded in size, UTF-8, and each failure names
//! the file and what it was to be.

use std::{
    fs::File,
    io::{self, Read},
    path::{Path, PathBuf},
};

/// Why a text could not be read.
#[derive(Debug, thiserror::Error)]
pub enum TextError {
    /// The file cannot be read.
    #[error("cannot read the {what} `{}`", path.display())]
    Unreadable {
        /// What it was to be, such as `profile`.
        what: &'static str,
        /// Which.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// No such file is so large.
    #[error("`{}` is no {what}: it is larger than {most} bytes", path.display())]
    TooLarge {
        /// What it was to be.
        what: &'static str,
        /// Which.
        path: PathBuf,
        /// The bound, in bytes.
        most: u64,
    },
    /// The file is not UTF-8.
    #[error("`{}` is no {what}: it is not UTF-8 text from byte {at} on", path.display())]
    NotText {
        /// What it was to be.
        what: &'static str,
        /// Which.
        path: PathBuf,
        /// The first byte that is not.
        at: usize,
    },
}

/// The whole text of a file of at most so many bytes; `what` is what messages call it.
///
/// # Errors
/// When it cannot be read, is larger, or is not UTF-8.
pub fn read(what: &'static str, path: &Path, most: u64) -> Result<String, TextError> {
    let unreadable = |source| TextError::Unreadable {
        what,
        path: path.to_owned(),
        source,
    };
    let file = File::open(path).map_err(unreadable)?;
    let mut bytes = Vec::new();
    file.take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    if bytes.len() as u64 > most {
        return Err(TextError::TooLarge {
            what,
            path: path.to_owned(),
            most,
        });
    }
    String::from_utf8(bytes).map_err(|error| TextError::NotText {
        what,
        path: path.to_owned(),
        at: error.utf8_error().valid_up_to(),
    })
}
