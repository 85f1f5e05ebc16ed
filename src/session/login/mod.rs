//! How one gets in: what a device wants to be told before it shows or takes anything.
//!
//! The password is typed only where the family was recognised just before, once, and is told to
//! nothing but the device's own origin. A login that was refused is not tried again in the same
//! session, since some devices lock themselves after a few wrong ones. What opens the door
//! (password, cookie, digest) is in no log, no error and no `Debug` form.
//!
//! | the family's login | what is sent |
//! | --- | --- |
//! | a form | the page's own form, filled as a browser would; then its cookie with every request |
//! | Basic (RFC 7617) | the name and the password with every request that needs a login |
//! | Digest (RFC 7616) | a hash with every request that needs a login, by the device's last challenge |

mod challenge;
mod cookies;
mod digest;
mod enter;
mod form;
mod pass;

use std::fmt;

use secrecy::{ExposeSecret, SecretString};

pub(super) use enter::asks_again;
pub(super) use form::LoginForm;
pub(super) use pass::{Challenged, Pass};

use crate::profile::Login;

/// A user's name and a password. A family whose login has no name takes an empty one.
#[derive(Clone)]
pub struct Credentials {
    user: SecretString,
    word: SecretString,
}

/// Why a name and a password cannot be given to a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CredentialsError {
    /// Neither a form nor a header carries such a character.
    #[error("the user's name or the password holds a control character")]
    Control,
    /// More than any device takes.
    #[error("the user's name or the password is longer than {MOST_CHARS} characters")]
    TooLong,
    /// RFC 7617 section 2: the colon ends the name.
    #[error("the user's name holds a colon, which HTTP Basic cannot carry")]
    Colon,
}

impl Credentials {
    /// A name and a password for a login of this kind.
    pub fn new(login: &Login, user: &str, word: &str) -> Result<Self, CredentialsError> {
        for text in [user, word] {
            if text.chars().any(char::is_control) {
                return Err(CredentialsError::Control);
            }
            if text.chars().count() > MOST_CHARS {
                return Err(CredentialsError::TooLong);
            }
        }
        if *login == Login::Basic && user.contains(':') {
            return Err(CredentialsError::Colon);
        }
        Ok(Self {
            user: user.into(),
            word: word.into(),
        })
    }

    /// The value of the `Authorization` header of HTTP Basic, in UTF-8 (RFC 7617 section 2.1).
    fn basic(&self) -> String {
        use base64::{Engine as _, engine::general_purpose::STANDARD};
        let pair = format!(
            "{}:{}",
            self.user.expose_secret(),
            self.word.expose_secret()
        );
        format!("Basic {}", STANDARD.encode(pair))
    }

    /// For the controls of a login form.
    pub(super) fn user(&self) -> &str {
        self.user.expose_secret()
    }

    /// For the controls of a login form, and to be taken out of what a device says.
    pub(super) fn word(&self) -> &str {
        self.word.expose_secret()
    }
}

/// Nothing of it.
impl fmt::Debug for Credentials {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Credentials(..)")
    }
}

/// Whether a login of this kind has a user's name.
pub fn takes_user(login: &Login) -> bool {
    match login {
        Login::None => false,
        Login::Basic | Login::Digest => true,
        Login::Form { user, .. } => user.is_some(),
    }
}

/// Longest name or password, in characters; a choice of ours, no source.
const MOST_CHARS: usize = 256;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn basic_is_the_name_and_the_password_in_base64() {
        // RFC 7617 section 2: Aladdin and "open sesame"; section 2.1: `test` and `123£` in UTF-8.
        for (user, word, sent) in [
            (
                "Aladdin",
                "open sesame",
                "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==",
            ),
            ("test", "123\u{a3}", "Basic dGVzdDoxMjPCow=="),
        ] {
            let credentials =
                Credentials::new(&Login::Basic, user, word).expect("they can be sent");
            assert_eq!(credentials.basic(), sent);
        }
    }

    #[test]
    fn what_a_header_or_a_form_cannot_carry_is_refused() {
        let refused = |login: &Login, user: &str, word: &str| {
            Credentials::new(login, user, word).expect_err("it cannot be sent")
        };
        assert_eq!(
            refused(&Login::Digest, "a\r\nb", "c"),
            CredentialsError::Control
        );
        assert_eq!(
            refused(&Login::Basic, "a", "c\u{7f}"),
            CredentialsError::Control
        );
        assert_eq!(refused(&Login::Basic, "a:b", "c"), CredentialsError::Colon);
        let long = "ä".repeat(MOST_CHARS + 1);
        assert_eq!(
            refused(&Login::Basic, "a", &long),
            CredentialsError::TooLong
        );
        assert!(Credentials::new(&Login::Digest, "a:b", "c:d").is_ok());
    }

    #[test]
    fn the_debug_form_holds_neither() {
        let credentials = Credentials::new(&Login::Basic, "skipper", "heron");
        assert_eq!(format!("{credentials:?}"), "Ok(Credentials(..))");
    }
}
