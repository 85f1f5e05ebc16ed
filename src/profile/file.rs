//! A profile file on disk.

use std::path::Path;

use super::diag::Faults;
use super::load::load_text;
use super::model::Profile;
use crate::files::text::{self, TextError};

/// Why a profile file could not be loaded.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The file cannot be read, or is no text of a profile's size.
    #[error(transparent)]
    Unread(#[from] TextError),
    /// It was read and is faulty: all of its faults.
    #[error(transparent)]
    Faulty(Box<Faults>),
}

/// Loads a profile from a file.
///
/// # Errors
/// When it cannot be read or is not sound.
pub fn load_file(path: &Path) -> Result<Profile, LoadError> {
    let text = text::read("profile", path, MOST_BYTES)?;
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
            Err(LoadError::Unread(TextError::Unreadable { .. }))
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
