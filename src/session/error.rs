//! What can go wrong between a profile and a device.
//!
//! Every error says what, where and (in [`SessionError::help`]) what to do. None holds what stood
//! at a place, since that may be a secret.

use super::{
    HttpError,
    json::JsonError,
    lines::LinesError,
    page::{FormError, PageError},
};
use crate::terms::{Exit, PlaceName, PointerError, RequestName, SaveName, Untrusted};

/// Why a device was not read, or a request was not made. Whatever comes as an error from
/// [`super::Session::save`] or [`super::Session::restart`] was surely not sent.
#[derive(Debug, thiserror::Error)]
pub enum SessionError {
    /// The request itself failed.
    #[error(transparent)]
    Http(#[from] HttpError),
    /// What answers is of another family than the profile's.
    #[error("this is no `{family}`: {why}")]
    AnotherFamily {
        /// The profile's family.
        family: String,
        /// Which rule does not hold, and what stands there instead, escaped.
        why: String,
    },
    /// The network has another BSSID than when the reading began, so some of the answers may be of
    /// another device; or another than that of the device that was told the password.
    #[error("another device answers there: the BSSID of its network changed")]
    AnotherDevice,
    /// The way to the device does not hold any more.
    #[error("the login was not sent: {why}")]
    LostFooting {
        /// Why, in words.
        why: String,
    },
    /// The family asks for a login, and none was given.
    #[error("`{family}` asks for a login, and none was given")]
    LoginMissing {
        /// The profile's family.
        family: String,
    },
    /// The device did not let in. It is not tried again.
    #[error("the login was refused{}", said(says))]
    LoginRefused {
        /// What the device says, cut to a line or two, the password taken out.
        says: Untrusted,
    },
    /// The device asks for a login of another kind than the profile says.
    #[error("`{request}` asks for a login of a kind that the profile does not name")]
    LoginUnknown {
        /// The request.
        request: RequestName,
    },
    /// The device has ended what began with the login.
    #[error("`{request}` asks for the login again")]
    LoggedOut {
        /// The request.
        request: RequestName,
    },
    /// The login form cannot be filled in or sent.
    #[error("the login form cannot be sent: {source}")]
    LoginForm {
        /// Why.
        source: FormError,
    },
    /// The login form was answered with a fault of the device.
    #[error("the login was answered with status {status}")]
    LoginUnanswered {
        /// The status.
        status: u16,
    },
    /// A request that acts would be sent without a login, since no reading needed one.
    #[error("`{what}` needs a login, and nothing that was read before it did")]
    NotLetIn {
        /// The save or the request.
        what: String,
    },
    /// The answer is no page.
    #[error("the answer to `{request}` is not read as a page: {source}")]
    Page {
        /// The request.
        request: RequestName,
        /// Why.
        source: PageError,
    },
    /// The answer is no JSON document.
    #[error("the answer to `{request}` is not read as JSON: {source}")]
    Json {
        /// The request.
        request: RequestName,
        /// Why.
        source: JsonError,
    },
    /// The answer is not made of lines.
    #[error("the answer to `{request}` is not read as lines: {source}")]
    Lines {
        /// The request.
        request: RequestName,
        /// Why.
        source: LinesError,
    },
    /// The parser broke down over an answer.
    #[error("the answer to `{request}` cannot be parsed at all")]
    Unparsable {
        /// The request.
        request: RequestName,
    },
    /// What a place names does not stand in the answer, or not as the profile says.
    #[error("the place `{place}` is not found in the answer to `{request}`: {why}")]
    PlaceMissing {
        /// The place.
        place: PlaceName,
        /// The request.
        request: RequestName,
        /// What was looked for, and how it was not there.
        why: String,
    },
    /// The profile has no such save.
    #[error("the profile has no save `{save}`")]
    UnknownSave {
        /// The save.
        save: SaveName,
    },
    /// A place that the save does not write was to be written.
    #[error("the save `{save}` does not write the place `{place}`")]
    ForeignPlace {
        /// The save.
        save: SaveName,
        /// The place.
        place: PlaceName,
    },
    /// The answers do not hold what a save or a request is made from.
    #[error("`{what}` needs the answer to `{request}`, which was not read")]
    NotRead {
        /// The save or the request.
        what: String,
        /// The request whose answer is missing.
        request: RequestName,
    },
    /// A control would be sent that the profile does not know.
    #[error("the form of `{save}` has a control `{control}` that the profile does not know")]
    UnknownControl {
        /// The save.
        save: SaveName,
        /// The control's name, escaped.
        control: String,
    },
    /// A control would be sent twice, one of which the profile does not know.
    #[error("the form of `{save}` would send `{control}` more than once")]
    RepeatedControl {
        /// The save.
        save: SaveName,
        /// The control's name, escaped.
        control: String,
    },
    /// The form says something else than the document that the device's scripts fill it from.
    #[error(
        "the form of `{save}` is filled by scripts: its control `{control}` differs from `{place}`"
    )]
    FilledByScripts {
        /// The save.
        save: SaveName,
        /// The control.
        control: String,
        /// The place that says what it should be.
        place: PlaceName,
    },
    /// The form cannot be filled in or sent.
    #[error("the form of `{save}` cannot be sent: {source}")]
    Form {
        /// The save.
        save: SaveName,
        /// Why.
        source: FormError,
    },
    /// A body cannot be built.
    #[error("`{what}` cannot be built at `{key}`: {source}")]
    Body {
        /// The save or the request.
        what: String,
        /// The JSON Pointer.
        key: String,
        /// Why.
        source: PointerError,
    },
    /// A merge patch cannot say what is to be written.
    #[error("`{save}` sends a merge patch, and a merge patch cannot set a value to null")]
    NullInPatch {
        /// The save.
        save: SaveName,
    },
    /// The family has no restart request.
    #[error("`{family}` has no request that restarts it")]
    NoRestart {
        /// The family.
        family: String,
    },
    /// The profile's path is none.
    #[error("the path of `{what}` is no path of the device")]
    BadPath {
        /// The save or the request.
        what: String,
    },
}

impl SessionError {
    /// A stable kebab-case code.
    pub fn code(&self) -> &'static str {
        match self {
            SessionError::Http(error) => error.code(),
            SessionError::AnotherFamily { .. } => "another-family",
            SessionError::AnotherDevice => "another-device",
            SessionError::LostFooting { .. } => "way-lost",
            SessionError::LoginMissing { .. } => "login-missing",
            SessionError::LoginRefused { .. } => "login-refused",
            SessionError::LoginUnknown { .. } => "login-unknown",
            SessionError::LoggedOut { .. } => "logged-out",
            SessionError::LoginForm { .. } => "login-form-not-filled",
            SessionError::LoginUnanswered { .. } => "login-unanswered",
            SessionError::NotLetIn { .. } => "not-let-in",
            SessionError::Page { .. } => "page-unreadable",
            SessionError::Json { .. } => "json-unreadable",
            SessionError::Lines { .. } => "lines-unreadable",
            SessionError::Unparsable { .. } => "answer-unparsable",
            SessionError::PlaceMissing { .. } => "place-missing",
            SessionError::UnknownSave { .. } => "unknown-save",
            SessionError::ForeignPlace { .. } => "foreign-place",
            SessionError::NotRead { .. } => "not-read",
            SessionError::UnknownControl { .. } => "unknown-control",
            SessionError::RepeatedControl { .. } => "repeated-control",
            SessionError::FilledByScripts { .. } => "page-filled-by-scripts",
            SessionError::Form { .. } => "form-not-filled",
            SessionError::Body { .. } => "body-not-built",
            SessionError::NullInPatch { .. } => "null-in-patch",
            SessionError::NoRestart { .. } => "no-restart",
            SessionError::BadPath { .. } => "bad-path",
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<&'static str> {
        Some(match self {
            SessionError::Http(error) => return error.help(),
            SessionError::AnotherFamily { .. } => {
                "check the address, or leave `--profile` out so that the family is recognised"
            }
            SessionError::AnotherDevice => "power only the receiver that you mean",
            SessionError::LostFooting { .. } => {
                "stay on the receiver's network until all is done, and try again"
            }
            SessionError::Page { .. }
            | SessionError::Json { .. }
            | SessionError::Lines { .. }
            | SessionError::Unparsable { .. }
            | SessionError::PlaceMissing { .. } => {
                "the device's firmware may be newer than the profile: compare the two, and mend the profile"
            }
            SessionError::UnknownControl { .. } | SessionError::RepeatedControl { .. } => {
                "nothing was sent: map the control to a place in the profile, or name it in the save's `pass` if it may go along as it is"
            }
            SessionError::FilledByScripts { .. } => {
                "nothing was sent: the page as it was served shows defaults, and sending it would write them; let the profile save in another way"
            }
            SessionError::Form { .. } | SessionError::Body { .. } => {
                "nothing was sent: the profile and the device do not fit together here; mend the profile"
            }
            SessionError::NullInPatch { .. } => {
                "nothing was sent: let the profile save the whole document instead"
            }
            SessionError::LoginMissing { .. } => {
                "put the user's name and the password into a file, on a line each, that you alone can read, and give --login-file FILE"
            }
            SessionError::LoginRefused { .. } => {
                "check the user's name and the password; it was tried once, since some devices lock themselves after a few wrong ones"
            }
            SessionError::LoginUnknown { .. } | SessionError::LoginForm { .. } => {
                "the profile and the device do not fit together here; mend the profile's `login`"
            }
            SessionError::LoggedOut { .. } => {
                "try again; some devices let in one at a time: close other pages of it"
            }
            SessionError::NotLetIn { .. } => {
                "nothing was sent: give a request that is read `login = true` in the profile"
            }
            SessionError::LoginUnanswered { .. }
            | SessionError::UnknownSave { .. }
            | SessionError::ForeignPlace { .. }
            | SessionError::NotRead { .. }
            | SessionError::NoRestart { .. }
            | SessionError::BadPath { .. } => return None,
        })
    }

    /// How a run ends that this stops before anything was written.
    pub fn exit(&self) -> Exit {
        match self {
            SessionError::Http(error) => error.exit(),
            // It is another device than the one meant, or writing to it is not safe.
            SessionError::AnotherFamily { .. }
            | SessionError::AnotherDevice
            | SessionError::UnknownControl { .. }
            | SessionError::RepeatedControl { .. }
            | SessionError::FilledByScripts { .. }
            // It is no failure that another try could mend, and must not lead to one.
            | SessionError::LoginRefused { .. } => Exit::Refused,
            SessionError::LoginMissing { .. } => Exit::Usage,
            _ => Exit::Failed,
        }
    }

    /// Whether the device was not reached or did not answer in full: waiting may help.
    pub fn is_transport(&self) -> bool {
        matches!(self, SessionError::Http(error) if error.is_transport())
    }
}

/// What a device says, if it says anything.
fn said(says: &Untrusted) -> String {
    if says.raw().is_empty() {
        String::new()
    } else {
        format!("; the device says: {says}")
    }
}
