//! One device over HTTP: bounded, pinned to its origin, repeated only where that is harmless.
//!
//! A request that acts leaves this module exactly once, whatever comes back. Nothing is taken from
//! the environment (no proxies), no body, query or header value reaches a log or an error, and no
//! answer grows beyond its bounds, inflated or not. Cookies and passwords are put on by the session's
//! pass (`login`), and on a knock by nobody.

mod error;
mod inflate;
#[cfg(test)]
mod tests;

use std::{fmt, sync::Arc, time::Duration};

use reqwest::{
    Client, Response,
    header::{CONNECTION, CONTENT_ENCODING, CONTENT_LENGTH, CONTENT_TYPE, HeaderValue, LOCATION},
    redirect::Policy,
};
use tokio::time::Instant;
use url::Url;

pub use error::{BadRedirect, HttpError, Line, Unanswered, Unreached};

use super::{Limits, Origin, login::Pass};
use crate::{profile::Method, terms::Untrusted};

/// How long a glance waits for the rest of an answer that has begun. No source: a page that is
/// there is there within a moment, and whoever glances looks again.
const AT_ONCE: Duration = Duration::from_secs(1);

/// Requests to one origin.
#[derive(Debug, Clone)]
pub struct Http {
    client: Client,
    origin: Origin,
    limits: Limits,
    pass: Option<Arc<Pass>>,
}

/// One request.
#[derive(Clone)]
pub struct Ask {
    /// Method.
    pub method: Method,
    /// Where to; refused unless it is of the origin.
    pub url: Url,
    /// The type of its body.
    pub content_type: Option<String>,
    /// What it carries.
    pub body: Option<Vec<u8>>,
    /// What the answer must end with, white space aside, to be whole.
    pub ends: Option<String>,
    /// Whether one must be let in for it: then it carries what HTTP Basic or Digest want.
    pub login: bool,
    /// Whether the device chose the address, by a redirect. Then nothing of it is told: a device
    /// could put there what it was told.
    pub led: bool,
}

impl Ask {
    /// A plain GET.
    pub fn get(url: Url) -> Self {
        Self {
            method: Method::Get,
            url,
            content_type: None,
            body: None,
            ends: None,
            login: false,
            led: false,
        }
    }

    /// The same, led to another address by the device.
    fn led_to(self, url: Url) -> Self {
        Self {
            url,
            led: true,
            ..self
        }
    }

    /// The method's word in the request line.
    pub(super) fn method_word(&self) -> &'static str {
        match self.method {
            Method::Get => "GET",
            Method::Post => "POST",
            Method::Put => "PUT",
            Method::Patch => "PATCH",
        }
    }

    fn line(&self) -> Line {
        let path = if self.led {
            "(where it led)"
        } else {
            self.url.path()
        };
        Line::new(self.method_word(), path)
    }
}

/// The method and the path alone, and not even that of one that the device chose.
impl fmt::Debug for Ask {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Ask({})", self.line())
    }
}

/// A whole answer.
#[derive(Clone, PartialEq, Eq)]
pub struct Got {
    /// Where it came from in the end, redirects followed.
    pub url: Url,
    /// Its status.
    pub status: u16,
    /// Its type, as the device says.
    pub content_type: Option<String>,
    /// Its body, inflated.
    pub body: Vec<u8>,
}

/// The status and the size alone.
impl fmt::Debug for Got {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Got({}, {} bytes)", self.status, self.body.len())
    }
}

/// What came of a request that acts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Acted {
    /// The status with which it was answered.
    pub status: u16,
    /// What the answer says, a redirect to a page of the device followed; or why that is not
    /// known.
    pub answer: Result<Got, HttpError>,
}

/// A status, and a body that may still be on its way.
struct Head {
    line: Line,
    url: Url,
    response: Response,
    deadline: Instant,
    since: Instant,
}

impl Http {
    /// A client for one origin, through its network adapter where it names one (Linux only).
    ///
    /// The lenient options are for small servers that write a space before a colon, fold lines or
    /// send headers that are none; each was met with a device's server, or is allowed by an older
    /// HTTP standard.
    pub fn new(origin: Origin, limits: Limits) -> Result<Self, HttpError> {
        let builder = Client::builder()
            // A proxy of the environment would get the passphrases, and would never find the
            // device.
            .no_proxy()
            .redirect(Policy::none())
            .retry(reqwest::retry::never())
            .referer(false)
            .http1_only()
            .http1_title_case_headers()
            .http1_max_headers(limits.headers)
            .http1_ignore_invalid_headers_in_responses(true)
            .http1_allow_spaces_after_header_name_in_responses(true)
            .http1_allow_obsolete_multiline_headers_in_responses(true)
            .pool_max_idle_per_host(0)
            .connect_timeout(limits.connect);
        let no_client = |why: String| HttpError::NoClient { why };
        let builder = match origin.adapter() {
            None => builder,
            #[cfg(target_os = "linux")]
            Some(adapter) => builder.interface(adapter),
            #[cfg(not(target_os = "linux"))]
            Some(_) => return Err(no_client("an adapter can be chosen on Linux only".into())),
        };
        let client = builder
            .build()
            .map_err(|error| no_client(error.to_string()))?;
        Ok(Self {
            client,
            origin,
            limits,
            pass: None,
        })
    }

    /// The same, showing this pass with each request but a knock.
    #[must_use]
    pub(super) fn showing(self, pass: Arc<Pass>) -> Self {
        Self {
            pass: Some(pass),
            ..self
        }
    }

    /// The origin that every request stays within.
    pub fn origin(&self) -> &Origin {
        &self.origin
    }

    /// Sends a request that does not act and hands out its whole answer, status 2xx. It is sent
    /// again on transport failures, and redirects within the origin are followed.
    pub async fn fetch(&self, ask: &Ask) -> Result<Got, HttpError> {
        let mut at = ask.clone();
        for _ in 0..=self.limits.redirects {
            match self.patiently(&at).await? {
                Hop::Answer(got) => return Ok(got),
                Hop::To(url) => at = at.led_to(url),
            }
        }
        Err(HttpError::Redirect {
            line: ask.line(),
            why: BadRedirect::TooMany,
        })
    }

    /// Sends a request that acts, once. An error says that it was not sent or not answered;
    /// unless it is [`HttpError::NotSent`] or [`HttpError::OtherOrigin`], the device may have
    /// carried it out.
    pub async fn act(&self, ask: &Ask) -> Result<Acted, HttpError> {
        let head = self.send(ask).await?;
        let status = head.status();
        let answer = match status {
            301..=303 => match head.leads_to(&self.origin) {
                Ok(url) => {
                    let next = Ask {
                        login: ask.login,
                        ..Ask::get(url.clone())
                    };
                    self.follow(next.led_to(url)).await
                }
                Err(error) => Err(error),
            },
            307 | 308 => Err(HttpError::Redirect {
                line: ask.line(),
                why: BadRedirect::Again,
            }),
            _ => self.body(head, ask.ends.as_deref()).await,
        };
        Ok(Acted { status, answer })
    }

    /// Sends a request that does not act, once, and hands out its status as soon as it is there.
    /// Whoever answers is shown no cookie and gives none: it may be another device by now.
    pub async fn knock(&self, ask: &Ask) -> Result<u16, HttpError> {
        Ok(self.send_with(ask, None).await?.status())
    }

    /// Sends a request that does not act, once, and hands out its answer where that is whole, of
    /// status 2xx, and there at once. An error says that no status came. As on a knock, whoever
    /// answers is shown no cookie.
    pub async fn glance(&self, ask: &Ask) -> Result<Option<Got>, HttpError> {
        let mut head = self.send_with(ask, None).await?;
        if !(200..300).contains(&head.status()) {
            return Ok(None);
        }
        head.deadline = head.deadline.min(Instant::now() + AT_ONCE);
        Ok(self.body(head, ask.ends.as_deref()).await.ok())
    }

    /// After a request that acted: the page that the device shows then. Asked for once, since the
    /// device may be restarting.
    async fn follow(&self, mut ask: Ask) -> Result<Got, HttpError> {
        for _ in 0..self.limits.redirects.max(1) {
            match self.step(&ask).await? {
                Hop::Answer(got) => return Ok(got),
                Hop::To(url) => ask = ask.led_to(url),
            }
        }
        Err(HttpError::Redirect {
            line: ask.line(),
            why: BadRedirect::TooMany,
        })
    }

    async fn patiently(&self, ask: &Ask) -> Result<Hop, HttpError> {
        let mut pause = self.limits.pause;
        for _ in 1..self.limits.attempts {
            match self.step(ask).await {
                Err(error) if error.is_transport() => {}
                done => return done,
            }
            tokio::time::sleep(pause).await;
            pause = pause.saturating_mul(2);
        }
        self.step(ask).await
    }

    /// One request that does not act: its answer, or where it is redirected to.
    async fn step(&self, ask: &Ask) -> Result<Hop, HttpError> {
        let head = self.send(ask).await?;
        let status = head.status();
        match status {
            200..=299 => self.body(head, ask.ends.as_deref()).await.map(Hop::Answer),
            301..=303 | 307 | 308 if ask.method == Method::Get => {
                head.leads_to(&self.origin).map(Hop::To)
            }
            301..=303 | 307 | 308 => Err(HttpError::Redirect {
                line: ask.line(),
                why: BadRedirect::Again,
            }),
            _ => Err(HttpError::Status {
                line: ask.line(),
                status,
            }),
        }
    }

    /// Sends one request, once, as far as the status of its answer.
    async fn send(&self, ask: &Ask) -> Result<Head, HttpError> {
        self.send_with(ask, self.pass.as_deref()).await
    }

    async fn send_with(&self, ask: &Ask, pass: Option<&Pass>) -> Result<Head, HttpError> {
        let line = ask.line();
        if !self.origin.holds(&ask.url) {
            return Err(other_origin(line, &ask.url));
        }
        let since = Instant::now();
        let deadline = since + self.limits.answer;
        let mut request = reqwest::Request::new(word(ask.method), ask.url.clone());
        request
            .headers_mut()
            .insert(CONNECTION, HeaderValue::from_static("close"));
        if let Some(kind) = &ask.content_type
            && let Ok(kind) = HeaderValue::from_str(kind)
        {
            request.headers_mut().insert(CONTENT_TYPE, kind);
        }
        if let Some(pass) = pass {
            pass.dress(ask, request.headers_mut());
        }
        if ask.body.is_none() && ask.method != Method::Get {
            // RFC 9110 section 8.6; some servers refuse such a request without a length (411).
            let length = HeaderValue::from_static("0");
            request.headers_mut().insert(CONTENT_LENGTH, length);
        }
        *request.body_mut() = ask.body.clone().map(Into::into);
        let sent = tokio::time::timeout_at(deadline, self.client.execute(request)).await;
        let result = match sent {
            Ok(Ok(response)) => {
                if let Some(pass) = pass {
                    pass.learn(ask, response.status().as_u16(), response.headers());
                }
                return Ok(Head {
                    line,
                    url: ask.url.clone(),
                    response,
                    deadline,
                    since,
                });
            }
            Ok(Err(error)) => HttpError::before_status(line, &error),
            // It is not known whether the connection stood already, so this is no `NotSent`.
            Err(_) => HttpError::NoAnswer {
                line,
                how: Unanswered::Silent,
            },
        };
        tracing::debug!(
            request = %ask.line(),
            code = result.code(),
            ms = milliseconds(since),
            "no answer"
        );
        Err(result)
    }

    /// The whole body of an answer, inflated. A wrong length is forgiven where the profile says
    /// how a whole answer ends and this one does.
    async fn body(&self, mut head: Head, ends: Option<&str>) -> Result<Got, HttpError> {
        let line = head.line.clone();
        let limit = self.limits.answer_bytes;
        let mut wire = Vec::new();
        let mut cut = loop {
            match tokio::time::timeout_at(head.deadline, head.response.chunk()).await {
                Ok(Ok(None)) => break None,
                Ok(Ok(Some(chunk))) if wire.len() + chunk.len() > limit => {
                    return Err(HttpError::TooLarge { line, limit });
                }
                Ok(Ok(Some(chunk))) => wire.extend_from_slice(&chunk),
                Ok(Err(error)) => break Some(error::why_cut(&error)),
                Err(_) => break Some("the rest did not come in time".to_owned()),
            }
        };
        let came = wire.len();
        let encoding = head.header(&CONTENT_ENCODING);
        let body = inflate::decode(wire, encoding.as_deref(), limit);
        tracing::debug!(
            request = %line,
            status = head.status(),
            bytes = came,
            inflated = body.as_ref().map_or(0, Vec::len),
            whole = cut.is_none(),
            ms = milliseconds(head.since),
            "answered"
        );
        let body = match body {
            Ok(body) => body,
            Err(inflate::Fault::TooLarge) => return Err(HttpError::TooLarge { line, limit }),
            Err(inflate::Fault::Truncated) => {
                let why = cut.unwrap_or_else(|| "its compressed body ends early".into());
                return Err(HttpError::Cut { line, why });
            }
            Err(inflate::Fault::Other(why)) => return Err(HttpError::Encoding { line, why }),
        };
        if let Some(ends) = ends {
            cut = if body.trim_ascii_end().ends_with(ends.as_bytes()) {
                None
            } else {
                cut.or_else(|| Some(format!("it does not end with `{}`", Untrusted::new(ends))))
            };
        }
        match cut {
            Some(why) => Err(HttpError::Cut { line, why }),
            None => Ok(Got {
                status: head.status(),
                content_type: head.header(&CONTENT_TYPE),
                url: head.url,
                body,
            }),
        }
    }
}

/// What one request led to.
enum Hop {
    Answer(Got),
    To(Url),
}

impl Head {
    fn status(&self) -> u16 {
        self.response.status().as_u16()
    }

    fn header(&self, name: &reqwest::header::HeaderName) -> Option<String> {
        let value = self.response.headers().get(name)?;
        Some(String::from_utf8_lossy(value.as_bytes()).into_owned())
    }

    /// Where it redirects to, if that is of the same origin.
    fn leads_to(&self, origin: &Origin) -> Result<Url, HttpError> {
        tracing::debug!(
            request = %self.line,
            status = self.status(),
            ms = milliseconds(self.since),
            "redirected"
        );
        let to = self
            .header(&LOCATION)
            .and_then(|to| self.url.join(&to).ok())
            .ok_or_else(|| HttpError::Redirect {
                line: self.line.clone(),
                why: BadRedirect::Nowhere,
            })?;
        if origin.holds(&to) {
            Ok(to)
        } else {
            Err(other_origin(self.line.clone(), &to))
        }
    }
}

fn other_origin(line: Line, to: &Url) -> HttpError {
    let port = to
        .port()
        .map_or_else(String::new, |port| format!(":{port}"));
    let host = to.host_str().unwrap_or_default();
    HttpError::OtherOrigin {
        line,
        to: Untrusted::new(format!("{}://{host}{port}", to.scheme())).to_string(),
    }
}

fn word(method: Method) -> reqwest::Method {
    match method {
        Method::Get => reqwest::Method::GET,
        Method::Post => reqwest::Method::POST,
        Method::Put => reqwest::Method::PUT,
        Method::Patch => reqwest::Method::PATCH,
    }
}

fn milliseconds(since: Instant) -> u128 {
    Duration::as_millis(&since.elapsed())
}
