//! A profile file on disk.
//!
//! It guards against a path that is something else: bounded in size, regular text, and each
//! failure names the file.

use std::{
    fs::File,
    io::{self, Read},
    path::{Path, PathBuf},
};

use super::diag::Faults;
use super::load::load_text;
use super::model::Profile;

/// Why a profile file could not be loaded.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The file cannot be read.
    #[error("cannot read the profile `{}`", path.display())]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: io::Error,
    },
    /// No profile is so large.
    #[error("`{}` is no profile: it is larger than {MOST_BYTES} bytes", path.display())]
    TooLarge {
        /// Which.
        path: PathBuf,
    },
    /// The file is not UTF-8.
    #[error("`{}` is no profile: it is not UTF-8 text from byte {at} on", path.display())]
    NotText {
        /// Which.
        path: PathBuf,
        /// The first byte that is not.
        at: usize,
    },
    /// It was read and is faulty: all of its faults.
    #[error(transparent)]
    Faulty(Box<Faults>),
}

/// Loads a profile from a file.
///
/// # Errors
/// When it cannot be read or is not sound.
pub fn load_file(path: &Path) -> Result<Profile, LoadError> {
    let unreadable = |source| LoadError::Unreadable {
        path: path.to_owned(),
        source,
    };
    let file = File::open(path).map_err(unreadable)?;
    let mut bytes = Vec::new();
    file.take(MOST_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(LoadError::TooLarge {
            path: path.to_owned(),
        });
    }
    let text = String::from_utf8(bytes).map_err(|error| LoadError::NotText {
        path: path.to_owned(),
        at: error.utf8_error().valid_up_to(),
    })?;
    load_text(&path.display().to_string(), &text)
        .map_err(|faults| LoadError::Faulty(Box::new(faults)))
}

/// 1 MiB, the same bound as for an answer of a device; the largest sample has a hundredth of it.
const MOST_BYTES: u64 = 1 << 20;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_failure_names_the_file() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("smew.toml");
        let said = |path: &Path| {
            load_file(path)
                .expect_err("no profile")
                .to_string()
                .replace(&folder.path().display().to_string(), "FOLDER")
        };
        assert_eq!(said(&path), "cannot read the profile `FOLDER/smew.toml`");
        std::fs::write(&path, b"format = 1\n# \xff").expect("written");
        assert_eq!(
            said(&path),
            "`FOLDER/smew.toml` is no profile: it is not UTF-8 text from byte 13 on"
        );
        std::fs::write(&path, " ".repeat(1 << 20)).expect("written");
        assert_eq!(said(&path), "`FOLDER/smew.toml` has 10 faults");
        std::fs::write(&path, " ".repeat((1 << 20) + 1)).expect("written");
        assert_eq!(
            said(&path),
            "`FOLDER/smew.toml` is no profile: it is larger than 1048576 bytes"
        );
        assert!(matches!(
            load_file(folder.path()),
            Err(LoadError::Unreadable { .. })
        ));
    }

    #[test]
    fn a_sound_file_keeps_its_text_and_its_path() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("smew.toml");
        let (_, text) = super::super::builtin::FAMILIES[0];
        std::fs::write(&path, text).expect("written");
        let profile = load_file(&path).expect("sound");
        assert_eq!(profile.source.text, text);
        assert_eq!(profile.source.file, path.display().to_string());
    }
}
