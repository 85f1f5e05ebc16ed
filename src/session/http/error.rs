//! What can go wrong with one request, told apart by what it means for the device.
//!
//! For a request that acts only [`HttpError::NotSent`] says that nothing reached the device; all
//! others leave open whether it did what it was asked. No address beyond the path, no body and no
//! header value stands in an error.

use std::{error::Error as StdError, fmt, io};

use crate::terms::{Exit, Untrusted};

/// Method and path of a request, without its query, since a form may send values in it.
#[derive(Clone, PartialEq, Eq)]
pub struct Line(String);

impl Line {
    pub(super) fn new(method: &str, path: &str) -> Self {
        Self(format!("{method} {}", Untrusted::new(path)))
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Why there is no connection.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unreached {
    /// Something is at the address and refuses.
    #[error("the connection was refused")]
    Refused,
    /// No way leads to the address.
    #[error("no network of this computer leads to the address")]
    NoRoute,
    /// Nothing came back in time.
    #[error("nothing at the address answered in time")]
    Silent,
    /// Anything else, as the system says it.
    #[error("{0}")]
    Other(String),
}

/// Why there is no answer though there was a connection.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unanswered {
    /// The connection was reset.
    #[error("the connection was reset")]
    Reset,
    /// The connection was closed in order, without an answer.
    #[error("the connection was closed")]
    Closed,
    /// Nothing came in time.
    #[error("no answer came in time")]
    Silent,
    /// What came is no HTTP/1 answer, or one with contradictory lengths or too many headers.
    #[error("what came back is no sound HTTP answer")]
    NotHttp,
    /// Anything else, as the library says it.
    #[error("{0}")]
    Other(String),
}

/// Why a redirect was not followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BadRedirect {
    /// More than the bound.
    #[error("it was redirected too often")]
    TooMany,
    /// The answer does not say where to, or not as an address.
    #[error("the redirect leads nowhere")]
    Nowhere,
    /// 307 or 308: the request would have to be sent a second time.
    #[error("the device asks for it to be sent again elsewhere, which is not done")]
    Again,
}

/// What went wrong with one request.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum HttpError {
    /// There was no connection: surely nothing reached the device.
    #[error("`{line}` was not sent: {how}")]
    NotSent {
        /// The request.
        line: Line,
        /// Why.
        how: Unreached,
    },
    /// It was sent, at least in part, and no status came back.
    #[error("`{line}` was not answered: {how}")]
    NoAnswer {
        /// The request.
        line: Line,
        /// Why.
        how: Unanswered,
    },
    /// A status came, and then not the whole answer.
    #[error("the answer to `{line}` is incomplete: {why}")]
    Cut {
        /// The request.
        line: Line,
        /// What is missing.
        why: String,
    },
    /// The answer is larger than the bound, as it came or inflated.
    #[error("the answer to `{line}` is larger than {limit} bytes")]
    TooLarge {
        /// The request.
        line: Line,
        /// The bound in bytes.
        limit: usize,
    },
    /// The answer is compressed in a way that is not understood, or wrongly.
    #[error("the answer to `{line}` cannot be unpacked: {why}")]
    Encoding {
        /// The request.
        line: Line,
        /// What is wrong, escaped.
        why: String,
    },
    /// A status other than 2xx, where one was needed.
    #[error("`{line}` was answered with status {status}")]
    Status {
        /// The request.
        line: Line,
        /// The status.
        status: u16,
    },
    /// A redirect that is not followed.
    #[error("`{line}` was not followed: {why}")]
    Redirect {
        /// The request.
        line: Line,
        /// Why.
        why: BadRedirect,
    },
    /// An address outside of the device: by a redirect, a form's action or a page's base.
    #[error("`{line}` leads away from the device, to `{to}`")]
    OtherOrigin {
        /// The request.
        line: Line,
        /// Where to, without path and query, escaped.
        to: String,
    },
    /// The HTTP library does not start.
    #[error("the HTTP client cannot be set up: {why}")]
    NoClient {
        /// What it says.
        why: String,
    },
}

impl HttpError {
    /// A stable kebab-case code.
    pub fn code(&self) -> &'static str {
        match self {
            HttpError::NotSent { .. } => "no-connection",
            HttpError::NoAnswer { .. } => "no-answer",
            HttpError::Cut { .. } => "answer-cut",
            HttpError::TooLarge { .. } => "answer-too-large",
            HttpError::Encoding { .. } => "answer-encoding",
            HttpError::Status { .. } => "status",
            HttpError::Redirect { .. } => "redirect",
            HttpError::OtherOrigin { .. } => "other-origin",
            HttpError::NoClient { .. } => "no-client",
        }
    }

    /// How a run ends that this stops before anything was written: nobody there, or a failure.
    pub fn exit(&self) -> Exit {
        match self {
            HttpError::NotSent { .. } => Exit::NoDevice,
            _ => Exit::Failed,
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<&'static str> {
        Some(match self {
            HttpError::NotSent {
                how: Unreached::Refused,
                ..
            } => {
                "check the address and the port, and that this computer is on the device's own network"
            }
            HttpError::NotSent { .. } => {
                "check that the device has power and that this computer is on its network; a fallback network opens only some time after power-up"
            }
            HttpError::NoAnswer {
                how: Unanswered::NotHttp,
                ..
            } => {
                "check the address; where this is the right device and sends very many headers, raise the bound with `--limit headers=512`"
            }
            HttpError::NoAnswer { .. } | HttpError::Cut { .. } => {
                "go closer to the device, and give it more time with `--limit answer-s=30`"
            }
            HttpError::TooLarge { .. } => {
                "if this is the right device, raise the bound with `--limit page-kib=4096`"
            }
            HttpError::Status { .. } => "check that this is the right device and the right profile",
            HttpError::OtherOrigin { .. } => {
                "this may be a login page of another network: check which network this computer is on"
            }
            HttpError::Redirect { .. }
            | HttpError::Encoding { .. }
            | HttpError::NoClient { .. } => {
                return None;
            }
        })
    }

    /// Whether sending a request that does not act once more may help.
    pub(crate) fn is_transport(&self) -> bool {
        matches!(
            self,
            HttpError::NotSent { .. } | HttpError::NoAnswer { .. } | HttpError::Cut { .. }
        )
    }

    /// Sorts what the library reports before a status came.
    pub(super) fn before_status(line: Line, error: &reqwest::Error) -> Self {
        let kind = io_kind(error);
        if error.is_connect() {
            let how = match kind {
                // A reset here is a listener that went away while the connection was made.
                Some(io::ErrorKind::ConnectionRefused | io::ErrorKind::ConnectionReset) => {
                    Unreached::Refused
                }
                Some(
                    io::ErrorKind::NetworkUnreachable
                    | io::ErrorKind::HostUnreachable
                    | io::ErrorKind::NetworkDown
                    | io::ErrorKind::AddrNotAvailable,
                ) => Unreached::NoRoute,
                _ if error.is_timeout() => Unreached::Silent,
                _ => Unreached::Other(innermost(error)),
            };
            return HttpError::NotSent { line, how };
        }
        let hyper = find::<hyper::Error>(error);
        let how = match kind {
            Some(io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe) => Unanswered::Reset,
            _ if error.is_timeout() => Unanswered::Silent,
            _ if hyper.is_some_and(hyper::Error::is_parse) => Unanswered::NotHttp,
            _ if hyper
                .is_some_and(|e| e.is_incomplete_message() || e.is_closed() || e.is_canceled()) =>
            {
                Unanswered::Closed
            }
            _ => Unanswered::Other(innermost(error)),
        };
        HttpError::NoAnswer { line, how }
    }
}

/// Why a body ended early.
pub(super) fn why_cut(error: &reqwest::Error) -> String {
    match io_kind(error) {
        Some(io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe) => {
            "the connection was reset".into()
        }
        _ => "the connection ended before the answer did".into(),
    }
}

fn chain<'a>(
    error: &'a (dyn StdError + 'static),
) -> impl Iterator<Item = &'a (dyn StdError + 'static)> {
    let mut next = Some(error);
    std::iter::from_fn(move || {
        let at = next?;
        next = at.source();
        Some(at)
    })
}

fn find<'a, T: StdError + 'static>(error: &'a (dyn StdError + 'static)) -> Option<&'a T> {
    chain(error).find_map(|at| at.downcast_ref::<T>())
}

/// The kind of the last input or output error: the library wraps the system's own in others.
fn io_kind(error: &reqwest::Error) -> Option<io::ErrorKind> {
    chain(error)
        .filter_map(|at| at.downcast_ref::<io::Error>())
        .last()
        .map(io::Error::kind)
}

/// What the cause itself says: the outer layers repeat the whole address.
fn innermost(error: &reqwest::Error) -> String {
    let last = chain(error).last().map(ToString::to_string);
    Untrusted::new(last.unwrap_or_default()).to_string()
}
