//! A file that holds a secret: a login, bind words, a key, a passphrase.
//!
//! It guards against secrets that others on this computer can read, or put in the place of ours: such
//! a file is refused. Nothing of what stands in it is ever told.

use std::{fs::File, io::Read, os::unix::fs::MetadataExt, path::Path};

use secrecy::{ExposeSecret, SecretString, zeroize::Zeroizing};

use crate::terms::Untrusted;

/// Why a file is not taken for a secret. No letter of it is told.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SecretError {
    /// It cannot be read, or what stands in it is no secret.
    #[error("the file `{file}` {why}")]
    Unfit {
        /// Its path, escaped.
        file: String,
        /// What is wrong with it.
        why: String,
    },
    /// Somebody else can read it, or put another one in its place.
    #[error("others on this computer can read or change the file `{file}`")]
    OpenToOthers {
        /// Its path, escaped.
        file: String,
    },
}

impl SecretError {
    /// What to do about it.
    pub fn help(&self) -> &'static str {
        match self {
            SecretError::Unfit { .. } => "put the secret alone into it, readable by you alone",
            SecretError::OpenToOthers { .. } => "take that from them: chmod 600, and then the file",
        }
    }
}

/// Its text, without a byte order mark and without the end of its last line. A pipe is waited for.
///
/// # Errors
/// When it cannot be read, others may read or write it, or it is no text of a secret's size.
pub fn read(file: &Path) -> Result<SecretString, SecretError> {
    let shown = shown(file);
    let failed = |why: &str| SecretError::Unfit {
        file: shown.clone(),
        why: why.to_owned(),
    };
    let unread = |error: std::io::Error| failed(&format!("cannot be read: {error}"));
    let opened = File::open(file).map_err(unread)?;
    let found = opened.metadata().map_err(unread)?;
    // Of what was opened and not of its name, which may be another file by now. Nobody reads a secret
    // from a folder, and that is told by reading it.
    if !found.is_dir() && found.mode() & OTHERS != 0 {
        return Err(SecretError::OpenToOthers { file: shown });
    }
    // A buffer that grows leaves copies of the secret in memory.
    let mut bytes = Zeroizing::new(Vec::with_capacity(MOST_BYTES + 1));
    let most = MOST_BYTES as u64 + 1;
    opened.take(most).read_to_end(&mut bytes).map_err(unread)?;
    if bytes.len() > MOST_BYTES {
        return Err(failed("is too large for a secret"));
    }
    let text = std::str::from_utf8(&bytes).map_err(|_| failed("is no UTF-8 text"))?;
    // Some editors write one; it is no letter of the secret.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let text = text.strip_suffix('\n').unwrap_or(text);
    let text = text.strip_suffix('\r').unwrap_or(text);
    Ok(text.into())
}

/// The same of a file that holds one line.
///
/// # Errors
/// As for [`read`], and when it has more than one line.
pub fn line(file: &Path) -> Result<SecretString, SecretError> {
    let line = read(file)?;
    if line.expose_secret().contains(['\n', '\r']) {
        return Err(SecretError::Unfit {
            file: shown(file),
            why: "has more than one line".to_owned(),
        });
    }
    Ok(line)
}

fn shown(file: &Path) -> String {
    Untrusted::new(file.display().to_string()).to_string()
}

/// What a group and everybody else may do with a file.
const OTHERS: u32 = 0o077;

/// No secret is longer than the longest text of a setting.
const MOST_BYTES: usize = 16 * 1024;

#[cfg(test)]
mod tests {
    use std::{
        fs::{self, Permissions},
        os::unix::fs::{PermissionsExt, symlink},
    };

    use tempfile::TempDir;

    use super::*;

    /// A folder with the file `secret` in it.
    fn with(bytes: &[u8], mode: u32) -> TempDir {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("secret");
        fs::write(&path, bytes).expect("written");
        fs::set_permissions(&path, Permissions::from_mode(mode)).expect("our own file");
        folder
    }

    fn line_in(bytes: &[u8]) -> Result<String, String> {
        let folder = with(bytes, 0o600);
        let file = folder.path().join("secret");
        line(&file)
            .map(|line| line.expose_secret().to_owned())
            .map_err(|error| error.to_string())
    }

    #[test]
    fn a_line_is_taken_to_the_letter_and_without_its_end() {
        for text in ["mist  over ", "mist  over \n", "mist  over \r\n"] {
            assert_eq!(line_in(text.as_bytes()).as_deref(), Ok("mist  over "));
        }
        // Unicode 15, section 23.8: at the beginning it is a signature and no part of the text.
        let marked = line_in("\u{feff}mist\n".as_bytes());
        assert_eq!(marked.as_deref(), Ok("mist"));
    }

    #[test]
    fn what_is_no_line_of_text_is_refused_without_a_letter_of_it() {
        let why = |bytes: &[u8]| line_in(bytes).expect_err("no line");
        let two = why(b"mist\nover\n");
        assert!(two.ends_with("has more than one line") && !two.contains("mist"));
        assert!(why(b"\xff\xfe").ends_with("is no UTF-8 text"));
        assert!(why(&vec![b'a'; MOST_BYTES + 1]).ends_with("is too large for a secret"));
        let folder = with(b"", 0o600);
        for path in [folder.path().join("no-such"), folder.path().into()] {
            let missing = read(&path).map(drop).expect_err("no file");
            assert!(missing.to_string().contains("cannot be read"), "{missing}");
        }
    }

    #[test]
    fn a_file_that_others_can_read_or_change_is_refused_by_any_name() {
        for mode in [0o644, 0o640, 0o604, 0o620, 0o602] {
            let folder = with(b"heron\n", mode);
            let (file, link) = (folder.path().join("secret"), folder.path().join("link"));
            symlink(&file, &link).expect("a link");
            for path in [file, link] {
                let error = read(&path).map(drop).expect_err("it is refused");
                let open = matches!(error, SecretError::OpenToOthers { .. });
                assert!(open, "{mode:o}: {error}");
                assert!(error.help().contains("chmod 600"), "{}", error.help());
            }
        }
        let own = with(b"heron\n", 0o400);
        assert!(read(&own.path().join("secret")).is_ok());
    }
}
