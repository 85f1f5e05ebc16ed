//! HTTP Digest (RFC 7616): which of a device's challenges is taken, and what it is answered with.
//!
//! MD5, SHA-256 and SHA-512-256, each also as a session, with `auth`, `auth-int` or (as in the older
//! RFC 2069) no quality of protection. The password goes into a hash and nowhere else.

use std::fmt::Write as _;

use md5::Md5;
use secrecy::ExposeSecret;
use sha2::{Digest as _, Sha256, Sha512_256};

use super::{Credentials, challenge};

/// A digest challenge that can be answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Challenge {
    realm: String,
    pub(super) nonce: String,
    opaque: Option<String>,
    /// As the device spells it, to be given back so; none: it names none, which is MD5.
    named: Option<String>,
    algorithm: Algorithm,
    session: bool,
    qop: Qop,
    name: NameAs,
    /// Whether only the nonce was too old, and not the password wrong.
    pub(super) stale: bool,
}

/// From the weakest to the strongest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Algorithm {
    Md5,
    Sha256,
    Sha512Half,
}

/// How the user's name is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum NameAs {
    /// As a hash (RFC 7616 section 3.4.4).
    Hash,
    /// In UTF-8 (RFC 7616 section 4).
    Utf8,
    /// As its letters are.
    Letters,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Qop {
    /// RFC 2069: the device names none.
    None,
    Auth,
    AuthInt,
}

/// What one request is signed with, besides the challenge.
pub(super) struct Signed<'a> {
    pub(super) method: &'a str,
    /// Path and query, as they stand in the request line.
    pub(super) target: &'a str,
    pub(super) body: &'a [u8],
    /// Which request it is with this nonce, from 1.
    pub(super) count: u32,
    /// Ours, the same for all requests with one nonce.
    pub(super) cnonce: &'a str,
}

/// The strongest challenge that can be answered; the first among equals, since a device names them
/// in the order in which it likes them.
pub(super) fn strongest(offered: &[challenge::Challenge]) -> Option<Challenge> {
    let mut best: Option<Challenge> = None;
    for challenge in offered.iter().filter_map(Challenge::of) {
        if best
            .as_ref()
            .is_none_or(|best| challenge.algorithm > best.algorithm)
        {
            best = Some(challenge);
        }
    }
    best
}

impl Challenge {
    /// None: another scheme, or one that asks for what is not known.
    fn of(offered: &challenge::Challenge) -> Option<Self> {
        if offered.scheme != "digest" {
            return None;
        }
        let named = offered.get("algorithm");
        let word = named.unwrap_or("md5").to_ascii_lowercase();
        let (algorithm, session) = match word.strip_suffix("-sess") {
            Some(algorithm) => (algorithm, true),
            None => (word.as_str(), false),
        };
        let algorithm = match algorithm {
            "md5" => Algorithm::Md5,
            "sha-256" => Algorithm::Sha256,
            "sha-512-256" => Algorithm::Sha512Half,
            _ => return None,
        };
        let says = |name: &str, word: &str| {
            offered
                .get(name)
                .is_some_and(|value| value.eq_ignore_ascii_case(word))
        };
        Some(Self {
            realm: offered.get("realm")?.to_owned(),
            nonce: offered.get("nonce")?.to_owned(),
            opaque: offered.get("opaque").map(ToOwned::to_owned),
            named: named.map(ToOwned::to_owned),
            algorithm,
            session,
            qop: Qop::of(offered.get("qop"))?,
            name: if says("userhash", "true") {
                NameAs::Hash
            } else if says("charset", "utf-8") {
                NameAs::Utf8
            } else {
                NameAs::Letters
            },
            stale: says("stale", "true"),
        })
    }

    /// The same with the nonce that a device wants for the next request. Of a session the key is
    /// made once, so its nonce stays until the device calls it stale.
    pub(super) fn with_next(&mut self, nonce: &str) -> bool {
        let takes = !self.session && nonce != self.nonce;
        if takes {
            nonce.clone_into(&mut self.nonce);
        }
        takes
    }

    /// The value of the `Authorization` header, in UTF-8.
    pub(super) fn answer(&self, credentials: &Credentials, signed: &Signed<'_>) -> String {
        let user = credentials.user.expose_secret();
        let mut parts = vec![self.username(user)];
        parts.push(format!("realm={}", quoted(&self.realm)));
        parts.push(format!("nonce={}", quoted(&self.nonce)));
        parts.push(format!("uri={}", quoted(signed.target)));
        parts.push(format!(
            "response=\"{}\"",
            self.response(credentials, signed)
        ));
        parts.extend(
            self.named
                .as_ref()
                .map(|named| format!("algorithm={named}")),
        );
        if let Some(qop) = self.qop.word() {
            parts.push(format!("qop={qop}"));
            parts.push(format!("nc={:08x}", signed.count));
        }
        if self.qop != Qop::None || self.session {
            parts.push(format!("cnonce={}", quoted(signed.cnonce)));
        }
        parts.extend(
            self.opaque
                .as_ref()
                .map(|opaque| format!("opaque={}", quoted(opaque))),
        );
        if self.name == NameAs::Hash {
            parts.push("userhash=true".to_owned());
        }
        format!("Digest {}", parts.join(", "))
    }

    /// RFC 7616 section 3.4.1.
    fn response(&self, credentials: &Credentials, signed: &Signed<'_>) -> String {
        let hash = |text: &str| self.hash(text.as_bytes());
        let nonce = &self.nonce;
        let mut key = hash(&format!(
            "{}:{}:{}",
            credentials.user.expose_secret(),
            self.realm,
            credentials.word.expose_secret()
        ));
        if self.session {
            key = hash(&format!("{key}:{nonce}:{}", signed.cnonce));
        }
        let mut what = format!("{}:{}", signed.method, signed.target);
        if self.qop == Qop::AuthInt {
            let _ = write!(what, ":{}", self.hash(signed.body));
        }
        let what = hash(&what);
        match self.qop.word() {
            None => hash(&format!("{key}:{nonce}:{what}")),
            Some(qop) => hash(&format!(
                "{key}:{nonce}:{:08x}:{}:{qop}:{what}",
                signed.count, signed.cnonce
            )),
        }
    }

    /// RFC 7616 sections 3.4.4 (hashed) and 4 (in UTF-8, by RFC 8187). Where a device does not say
    /// that it takes UTF-8 the letters go as they are, as browsers send them.
    fn username(&self, user: &str) -> String {
        if self.name == NameAs::Hash {
            let hashed = self.hash(format!("{user}:{}", self.realm).as_bytes());
            return format!("username=\"{hashed}\"");
        }
        if user.is_ascii() || self.name == NameAs::Letters {
            return format!("username={}", quoted(user));
        }
        let mut encoded = String::new();
        for byte in user.bytes() {
            if byte.is_ascii_alphanumeric() || b"!#$&+-.^_`|~".contains(&byte) {
                encoded.push(char::from(byte));
            } else {
                let _ = write!(encoded, "%{byte:02X}");
            }
        }
        format!("username*=UTF-8''{encoded}")
    }

    fn hash(&self, data: &[u8]) -> String {
        match self.algorithm {
            Algorithm::Md5 => hex::encode(Md5::digest(data)),
            Algorithm::Sha256 => hex::encode(Sha256::digest(data)),
            Algorithm::Sha512Half => hex::encode(Sha512_256::digest(data)),
        }
    }
}

impl Qop {
    /// None: the device wants something else than is known.
    fn of(offered: Option<&str>) -> Option<Self> {
        let Some(offered) = offered else {
            return Some(Qop::None);
        };
        let has = |word: &str| {
            offered
                .split(',')
                .any(|one| one.trim().eq_ignore_ascii_case(word))
        };
        if has("auth") {
            Some(Qop::Auth)
        } else if has("auth-int") {
            Some(Qop::AuthInt)
        } else {
            None
        }
    }

    fn word(self) -> Option<&'static str> {
        match self {
            Qop::None => None,
            Qop::Auth => Some("auth"),
            Qop::AuthInt => Some("auth-int"),
        }
    }
}

/// RFC 9110 section 5.6.4.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}

#[cfg(test)]
mod tests;
