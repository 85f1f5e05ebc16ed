//! What is shown at the door with each request, and what is learned from each answer.

use std::{
    fmt,
    sync::{Mutex, MutexGuard, PoisonError},
};

use reqwest::header::{
    AUTHORIZATION, COOKIE, HeaderMap, HeaderName, HeaderValue, SET_COOKIE, WWW_AUTHENTICATE,
};

use super::{
    Credentials,
    challenge::{challenges, info},
    cookies::Jar,
    digest::{Challenge, Signed, strongest},
};
use crate::{profile::Login, session::http::Ask, terms::Untrusted};

/// The way into one device, shared by all requests of a session.
pub(in crate::session) struct Pass {
    kind: Kind,
    credentials: Option<Credentials>,
    state: Mutex<State>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    None,
    Basic,
    Digest,
    Form,
}

#[derive(Default)]
struct State {
    jar: Jar,
    /// Whether a login form was sent and not refused since.
    inside: bool,
    /// What the device said when it refused; then nothing is tried any more.
    refused: Option<Untrusted>,
    /// The BSSID of the device that was told the password first.
    told: Option<[u8; 6]>,
    signing: Signing,
}

/// How requests are signed for HTTP Digest.
#[derive(Default)]
struct Signing {
    key: Option<Key>,
    /// Whether the last request that needs a login was signed.
    signed: bool,
    challenged: Challenged,
    /// Whether a password was taken before: then a 401 need not mean that it is wrong.
    proven: bool,
    /// Whether the device takes each nonce once.
    one_time: bool,
}

/// A challenge, and how often it was answered.
struct Key {
    challenge: Challenge,
    cnonce: String,
    count: u32,
}

/// What the last 401 means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(in crate::session) enum Challenged {
    /// Sent again as it is now known, it may be let in.
    Again,
    /// The name or the password is wrong.
    #[default]
    Refused,
    /// It asks for what this program cannot do.
    Unknown,
}

impl Pass {
    pub(in crate::session) fn new(login: &Login, credentials: Option<Credentials>) -> Self {
        Self {
            kind: match login {
                Login::None => Kind::None,
                Login::Basic => Kind::Basic,
                Login::Digest => Kind::Digest,
                Login::Form { .. } => Kind::Form,
            },
            credentials,
            state: Mutex::default(),
        }
    }

    /// Puts on a request what lets it in.
    pub(in crate::session) fn dress(&self, ask: &Ask, headers: &mut HeaderMap) {
        let mut state = self.state();
        match (self.kind, &self.credentials) {
            (Kind::None, _) => {}
            (Kind::Form, _) => insert(headers, COOKIE, state.jar.header(&ask.url)),
            _ if !ask.login => {}
            (Kind::Basic, credentials) => {
                let value = credentials.as_ref().map(Credentials::basic);
                insert(headers, AUTHORIZATION, value);
            }
            (Kind::Digest, credentials) => {
                let signing = &mut state.signing;
                let value = match (credentials, &mut signing.key) {
                    (Some(credentials), Some(key)) => Some(key.answer(credentials, ask)),
                    _ => None,
                };
                signing.signed = value.is_some();
                insert(headers, AUTHORIZATION, value);
            }
        }
    }

    /// Takes from an answer what lets the next request in.
    pub(in crate::session) fn learn(&self, ask: &Ask, status: u16, headers: &HeaderMap) {
        let mut state = self.state();
        match self.kind {
            Kind::Form => {
                for line in lines(headers, &SET_COOKIE) {
                    state.jar.take(&line, &ask.url);
                }
            }
            Kind::Digest if status == 401 && ask.login => {
                let offered: Vec<_> = lines(headers, &WWW_AUTHENTICATE)
                    .iter()
                    .flat_map(|line| challenges(line))
                    .collect();
                state.signing.challenged_by(strongest(&offered));
            }
            Kind::Digest if ask.login && state.signing.signed => {
                state.signing.proven = true;
                let info = lines(headers, &AUTHENTICATION_INFO);
                let next = info.iter().map(|line| info_nonce(line)).next().flatten();
                if let (Some(key), Some(next)) = (&mut state.signing.key, next)
                    && key.challenge.with_next(&next)
                {
                    key.renew();
                }
            }
            Kind::None | Kind::Basic | Kind::Digest => {}
        }
    }

    /// What the last 401 means.
    pub(in crate::session) fn challenged(&self) -> Challenged {
        match self.kind {
            Kind::Digest => self.state().signing.challenged,
            _ => Challenged::Refused,
        }
    }

    /// What is typed into a login form.
    pub(in crate::session) fn credentials(&self) -> Option<&Credentials> {
        self.credentials.as_ref()
    }

    /// Whether a login form has still to be sent.
    pub(in crate::session) fn is_outside(&self) -> bool {
        self.kind == Kind::Form && !self.state().inside
    }

    /// A login form was sent and not refused.
    pub(in crate::session) fn came_in(&self) {
        self.state().inside = true;
    }

    /// The device has ended what began with the last login.
    pub(in crate::session) fn put_out(&self) {
        let mut state = self.state();
        state.inside = false;
        state.jar.clear();
    }

    /// The device refused the name or the password, with these words.
    pub(in crate::session) fn refuse(&self, says: Untrusted) {
        self.put_out();
        self.state().refused = Some(says);
    }

    /// What the device said when it refused, if it did.
    pub(in crate::session) fn refused(&self) -> Option<Untrusted> {
        self.state().refused.clone()
    }

    /// Whether the device of this BSSID may be told the password: the first one, and no other.
    pub(in crate::session) fn is_for(&self, bssid: Option<[u8; 6]>) -> bool {
        let mut state = self.state();
        match (state.told, bssid) {
            (Some(told), Some(bssid)) => told == bssid,
            (None, bssid) => {
                state.told = bssid;
                true
            }
            // Whoever answers while the network is not joined is somebody else.
            (Some(_), None) => false,
        }
    }

    /// Whether a request that acts can be signed; otherwise it would be sent in vain.
    pub(in crate::session) fn is_ready(&self) -> bool {
        let state = self.state();
        match self.kind {
            Kind::None => true,
            Kind::Basic => self.credentials.is_some(),
            Kind::Digest => self.credentials.is_some() && state.signing.key.is_some(),
            Kind::Form => state.inside,
        }
    }

    /// Drops a challenge that was answered before, on a device that takes each only once. Whether
    /// there was one: then a new one is to be fetched before a request that acts.
    pub(in crate::session) fn drops_used_nonce(&self) -> bool {
        let mut state = self.state();
        let signing = &mut state.signing;
        let used = signing.one_time && signing.key.as_ref().is_some_and(|key| key.count > 0);
        if used {
            signing.key = None;
        }
        used
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Nothing of it.
impl fmt::Debug for Pass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Pass(..)")
    }
}

impl Signing {
    fn challenged_by(&mut self, challenge: Option<Challenge>) {
        let signed = std::mem::take(&mut self.signed);
        let again = self.key.as_ref().is_some_and(|key| key.count > 1);
        self.challenged = match &challenge {
            None => Challenged::Unknown,
            Some(_) if !signed => Challenged::Again,
            Some(challenge) if challenge.stale => {
                self.one_time |= again;
                Challenged::Again
            }
            // A device that was started anew may not say that the nonce is an old one.
            Some(_) if std::mem::take(&mut self.proven) => Challenged::Again,
            Some(_) => Challenged::Refused,
        };
        let before = self.key.take();
        self.key = challenge.map(|challenge| {
            // RFC 7616 section 3.4: the count goes on as long as the nonce is the same.
            let same = before.filter(|before| before.challenge.nonce == challenge.nonce);
            Key {
                count: same.map_or(0, |before| before.count),
                ..Key::new(challenge)
            }
        });
    }
}

impl Key {
    fn new(challenge: Challenge) -> Self {
        Self {
            challenge,
            cnonce: random(),
            count: 0,
        }
    }

    fn renew(&mut self) {
        self.cnonce = random();
        self.count = 0;
    }

    fn answer(&mut self, credentials: &Credentials, ask: &Ask) -> String {
        self.count += 1;
        let query = ask
            .url
            .query()
            .map_or_else(String::new, |q| format!("?{q}"));
        let signed = Signed {
            method: ask.method_word(),
            target: &format!("{}{query}", ask.url.path()),
            body: ask.body.as_deref().unwrap_or_default(),
            count: self.count,
            cnonce: &self.cnonce,
        };
        self.challenge.answer(credentials, &signed)
    }
}

/// 128 bits that nobody can guess, as hexadecimal.
fn random() -> String {
    let mut bytes = [0; 16];
    // Without a source of random numbers the digest still holds; only its freshness on our side
    // does not.
    let _ = getrandom::fill(&mut bytes);
    hex::encode(bytes)
}

fn insert(headers: &mut HeaderMap, name: HeaderName, value: Option<String>) {
    let value = value.and_then(|value| HeaderValue::from_bytes(value.as_bytes()).ok());
    if let Some(mut value) = value {
        value.set_sensitive(true);
        headers.insert(name, value);
    }
}

/// The lines of a header that are UTF-8.
fn lines(headers: &HeaderMap, name: &HeaderName) -> Vec<String> {
    let values = headers.get_all(name).iter();
    values
        .filter_map(|value| String::from_utf8(value.as_bytes().to_vec()).ok())
        .collect()
}

fn info_nonce(line: &str) -> Option<String> {
    info(line).get("nextnonce").map(ToOwned::to_owned)
}

/// RFC 7616 section 3.5.
const AUTHENTICATION_INFO: HeaderName = HeaderName::from_static("authentication-info");
