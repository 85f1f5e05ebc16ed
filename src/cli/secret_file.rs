//! A file that holds a secret, read beside the runtime's own threads: a pipe is waited for, and the
//! wait can be left.

use std::path::Path;

use secrecy::SecretString;

use super::failure::Failure;
use crate::{
    change::Trouble,
    files::secret::{self, SecretError},
    terms::Exit,
};

/// Its text, without a byte order mark and without the end of its last line.
///
/// # Errors
/// When it cannot be read, others may read or write it, or it is no text of a secret's size.
pub(super) async fn read(file: &Path) -> Result<SecretString, Failure> {
    aside(file, secret::read).await
}

/// The same of a file that holds one line.
///
/// # Errors
/// As for [`read`], and when it has more than one line.
pub(super) async fn line(file: &Path) -> Result<SecretString, Failure> {
    aside(file, secret::line).await
}

async fn aside(
    file: &Path,
    read: fn(&Path) -> Result<SecretString, SecretError>,
) -> Result<SecretString, Failure> {
    let file = file.to_owned();
    match tokio::task::spawn_blocking(move || read(&file)).await {
        Ok(read) => read.map_err(|error| failure(&error)),
        Err(error) => {
            let message = format!("the file could not be read: {error}");
            Err(Failure::Trouble(Trouble::new("file-unread", message, None)))
        }
    }
}

fn failure(error: &SecretError) -> Failure {
    let (message, help) = (error.to_string(), error.help());
    match error {
        SecretError::Unfit { .. } => Failure::usage(message, help),
        SecretError::OpenToOthers { .. } => {
            let trouble = Trouble::new("file-open-to-others", message, Some(help));
            Failure::Trouble(trouble.ending(Exit::Usage))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_file_that_others_can_read_has_a_code_of_its_own_and_is_wrong_usage() {
        let file = SecretError::OpenToOthers { file: "key".into() };
        let failure = failure(&file);
        assert_eq!(failure.fault().code, "file-open-to-others");
        assert_eq!(failure.exit(), Exit::Usage);
        let none = read(Path::new("/nonexistent/key")).await.map(drop);
        let fault = none.expect_err("there is none").fault();
        assert_eq!(fault.code, "usage");
        assert!(fault.message.contains("cannot be read"), "{fault:?}");
    }
}
