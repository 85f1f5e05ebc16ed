//! The user's name and the password for a device that asks for a login.
//!
//! They come from a file that only its owner can read, from the practice receiver itself, or from a
//! prompt; never from the command line or the environment, which other programs can see. A file of
//! `--login-file` holds the user's name on its first line and the password on its second; for a
//! family whose login has no name, the password alone on one line.

use std::path::Path;

use secrecy::{ExposeSecret, SecretString};

use super::{
    ask::{self, Asked},
    failure::Failure,
    screen::{Screen, Tone},
    secret_file,
};
use crate::{
    change::Trouble,
    profile::{Login, Profile},
    session::{Credentials, login::takes_user},
    terms::Exit,
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
    pub(crate) async fn typed(file: Option<&Path>) -> Result<Self, Failure> {
        match file {
            Some(file) => Ok(Self::Lines(lines(&secret_file::read(file).await?))),
            None => Ok(Self::Person),
        }
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

fn lines(text: &SecretString) -> Vec<SecretString> {
    // The end of the last one is gone already, so that an empty password is a line too.
    let lines = text.expose_secret().split('\n');
    lines
        .map(|line| line.strip_suffix('\r').unwrap_or(line).into())
        .collect()
}

/// What to do without a terminal.
const HOW: &str = "write the user's name and the password into a file, on a line each, that you \
                   alone can read, and give --login-file FILE";

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(lines: &[SecretString]) -> Vec<&str> {
        lines.iter().map(ExposeSecret::expose_secret).collect()
    }

    #[test]
    fn a_file_has_the_name_and_the_password_on_a_line_each() {
        for text in ["skipper\nheron on one leg", "skipper\r\nheron on one leg"] {
            let found = lines(&text.into());
            assert_eq!(plain(&found), ["skipper", "heron on one leg"]);
            assert!(split(&found, true).is_ok());
            assert!(split(&found, false).is_err(), "no name is wanted");
        }
        assert_eq!(plain(&lines(&"skipper\n".into())), ["skipper", ""]);
        let found = lines(&"heron".into());
        let (user, word) = split(&found, false).unwrap_or_else(|failure| panic!("{failure}"));
        assert_eq!((user.expose_secret(), word.expose_secret()), ("", "heron"));
        assert!(split(&found, true).is_err());
    }
}
