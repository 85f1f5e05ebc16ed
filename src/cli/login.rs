//! The user's name and the password for a device that asks for a login.
//!
//! They come from a file that only its owner can read, from the practice receiver itself, or from a
//! prompt; never from the command line or the environment, which other programs can see. A file of
//! `--login-file` holds the user's name on its first line and the password on its second; for a
//! family whose login has no name, the password alone on one line.

use std::{fs::File, io::Read, os::unix::fs::MetadataExt, path::Path};

use secrecy::{ExposeSecret, SecretString};

use super::{
    ask::{self, Asked},
    failure::Failure,
    screen::{Screen, Tone},
};
use crate::{
    change::Trouble,
    profile::{Login, Profile},
    session::{Credentials, login::takes_user},
    terms::{Exit, Untrusted},
};

/// Where the name and the password come from.
pub(crate) enum LoginFrom {
    /// The person, when it comes to that.
    Person,
    /// These lines of a file.
    Lines(Vec<SecretString>),
    /// The simulated receiver, which tells its own.
    #[cfg(feature = "practice")]
    Known(SecretString, SecretString),
}

impl LoginFrom {
    /// What was typed: a file, or nothing.
    ///
    /// # Errors
    /// When the file cannot be read, can be read by others, or does not hold one or two lines.
    pub(crate) fn typed(file: Option<&Path>) -> Result<Self, Failure> {
        file.map_or(Ok(Self::Person), |file| lines(file).map(Self::Lines))
    }

    /// Whether a person types it.
    pub(crate) fn is_typed(&self) -> bool {
        matches!(self, Self::Person)
    }

    /// What a family wants to be told; none where it asks for no login.
    ///
    /// # Errors
    /// When there is nobody to ask, the person leaves, or what was given does not fit the family.
    pub(crate) async fn credentials(
        &self,
        profile: &Profile,
        screen: Screen,
    ) -> Result<Option<Credentials>, Failure> {
        let login = &profile.login;
        if *login == Login::None {
            return Ok(None);
        }
        let (user, word) = match self {
            #[cfg(feature = "practice")]
            Self::Known(user, word) => (user.clone(), word.clone()),
            Self::Lines(lines) => split(lines, takes_user(login))?,
            Self::Person => prompted(profile, screen).await?,
        };
        Credentials::new(login, user.expose_secret(), word.expose_secret())
            .map(Some)
            .map_err(|error| Failure::usage(error.to_string(), "give the login of this device"))
    }
}

/// Asks for both at the terminal.
async fn prompted(
    profile: &Profile,
    screen: Screen,
) -> Result<(SecretString, SecretString), Failure> {
    if !screen.can_ask() {
        let why = if screen.json {
            "with --json nobody is asked"
        } else {
            "there is no terminal to ask at"
        };
        return Err(Failure::Trouble(
            Trouble::new(
                "login-missing",
                format!("`{}` asks for a login, and {why}", profile.family),
                Some(HOW),
            )
            .ending(Exit::Usage),
        ));
    }
    let screen = screen.asking();
    screen.remark(
        Tone::Plain,
        &format!("{} asks for its login. It is kept nowhere.", profile.title),
    );
    let unanswered = |error: std::io::Error| {
        Failure::Trouble(
            Trouble::new(
                "login-missing",
                format!("the terminal did not answer ({error})"),
                Some(HOW),
            )
            .ending(Exit::Usage),
        )
    };
    let mut user = String::new();
    if takes_user(&profile.login) {
        user = loop {
            match ask::text("User:", |typed| Ok(typed.to_owned()))
                .await
                .map_err(unanswered)?
            {
                Asked::Answer(user) => break user,
                Asked::Left => return Err(left()),
                Asked::Help => screen.remark(
                    Tone::Plain,
                    "The name that its login page wants, as its owner has set it.",
                ),
            }
        };
    }
    let word = ask::hidden("Password:").await.map_err(unanswered)?;
    Ok((user.into(), word.ok_or_else(left)?))
}

fn left() -> Failure {
    Failure::Trouble(
        Trouble::new("login-missing", "no login was given", Some(HOW)).ending(Exit::Refused),
    )
}

fn split(lines: &[SecretString], with_user: bool) -> Result<(SecretString, SecretString), Failure> {
    match (lines, with_user) {
        ([user, word], true) => Ok((user.clone(), word.clone())),
        ([word], false) => Ok((SecretString::default(), word.clone())),
        (lines, with_user) => Err(Failure::usage(
            format!(
                "the login of this family takes {}, and the file has {}",
                if with_user {
                    "a user's name and a password"
                } else {
                    "a password and no name"
                },
                match lines.len() {
                    1 => "one line".to_owned(),
                    many => format!("{many} lines"),
                }
            ),
            if with_user {
                "write the user's name on the first line and the password on the second"
            } else {
                "write the password alone, on one line"
            },
        )),
    }
}

/// The lines of a file that nobody else can read.
fn lines(file: &Path) -> Result<Vec<SecretString>, Failure> {
    let shown = || Untrusted::new(file.display().to_string()).to_string();
    let unreadable = |error: std::io::Error| {
        Failure::usage(
            format!("the login file `{}` cannot be read: {error}", shown()),
            "give a file with the user's name on one line and the password on the next",
        )
    };
    let opened = File::open(file).map_err(unreadable)?;
    let found = opened.metadata().map_err(unreadable)?;
    if !found.is_dir() && found.mode() & OTHERS != 0 {
        return Err(Failure::Trouble(
            Trouble::new(
                "login-file-open",
                format!("others can read the login file `{}`", shown()),
                Some("take that from them: chmod 600, and then the file"),
            )
            .ending(Exit::Usage),
        ));
    }
    let mut text = String::new();
    opened
        .take(MOST_OF_A_FILE)
        .read_to_string(&mut text)
        .map_err(unreadable)?;
    let lines: Vec<SecretString> = text.lines().map(SecretString::from).collect();
    Ok(lines)
}

/// What a group and everybody else may do with a file.
const OTHERS: u32 = 0o077;

/// Longest login file in bytes: far more than a name and a password.
const MOST_OF_A_FILE: u64 = 4096;

/// What to do without a terminal.
const HOW: &str = "write the user's name and the password into a file, on a line each, that you \
                   alone can read, and give --login-file FILE";

#[cfg(test)]
mod tests {
    use std::{fs, os::unix::fs::PermissionsExt, path::PathBuf};

    use tempfile::TempDir;

    use super::*;

    fn file(text: &str, mode: u32) -> (TempDir, PathBuf) {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("login");
        fs::write(&path, text).expect("a file");
        fs::set_permissions(&path, fs::Permissions::from_mode(mode)).expect("our own file");
        (folder, path)
    }

    fn plain(lines: &[SecretString]) -> Vec<&str> {
        lines.iter().map(ExposeSecret::expose_secret).collect()
    }

    #[test]
    fn a_file_has_the_name_and_the_password_on_a_line_each() {
        for text in ["skipper\nheron on one leg\n", "skipper\r\nheron on one leg"] {
            let (_folder, path) = file(text, 0o600);
            let found = lines(&path).unwrap_or_else(|failure| panic!("{failure}"));
            assert_eq!(plain(&found), ["skipper", "heron on one leg"]);
            assert!(split(&found, true).is_ok());
            assert!(split(&found, false).is_err(), "no name is wanted");
        }
        let (_folder, path) = file("heron\n", 0o400);
        let found = lines(&path).unwrap_or_else(|failure| panic!("{failure}"));
        let (user, word) = split(&found, false).unwrap_or_else(|failure| panic!("{failure}"));
        assert_eq!((user.expose_secret(), word.expose_secret()), ("", "heron"));
        assert!(split(&found, true).is_err());
    }

    #[test]
    fn a_file_that_others_can_read_is_refused_without_its_text() {
        for mode in [0o644, 0o640, 0o620] {
            let (_folder, path) = file("skipper\nheron\n", mode);
            let failure = lines(&path).map(drop).expect_err("it is refused");
            assert_eq!(failure.fault().code, "login-file-open");
            assert!(!failure.to_string().contains("heron"));
        }
    }

    #[test]
    fn what_is_no_text_file_is_told() {
        let folder = tempfile::tempdir().expect("a folder");
        assert!(lines(folder.path()).is_err(), "a folder");
        assert!(lines(&folder.path().join("none")).is_err(), "nothing");
    }
}
