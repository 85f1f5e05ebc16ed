//! What is shown of a secret: equal for equal secrets of one journal, and nothing else.
//!
//! A plain hash of a short bind word could be guessed from a list; one keyed with the journal's own
//! random key cannot, unless the journal itself is at hand.

use std::io;

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

/// Bytes of the key, as many as the hash gives (RFC 2104, section 3).
const KEY_BYTES: usize = 32;
/// Bytes of the result that are shown: short enough to read out, and two of a few thousand secrets
/// agree by chance in less than one journal of a million million.
const SHOWN_BYTES: usize = 8;

/// The journal's own random key.
#[derive(Clone)]
pub(super) struct FingerprintKey(Vec<u8>);

impl FingerprintKey {
    /// A new key from the system's random source.
    pub(super) fn random() -> io::Result<Self> {
        let mut key = vec![0; KEY_BYTES];
        getrandom::fill(&mut key).map_err(|error| io::Error::other(error.to_string()))?;
        Ok(Self(key))
    }

    /// The key that a journal kept.
    pub(super) fn kept(key: Vec<u8>) -> Self {
        Self(key)
    }

    /// The key's bytes, to be kept.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.0
    }

    /// HMAC-SHA-256 (RFC 2104, FIPS 180-4), its first eight bytes as lower-case hexadecimal.
    pub(super) fn of(&self, secret: &[u8]) -> String {
        // HMAC takes a key of any length.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(&self.0) else {
            return String::new();
        };
        mac.update(secret);
        hex::encode(&mac.finalize().into_bytes()[..SHOWN_BYTES])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_case_1_of_rfc_4231() {
        let key = FingerprintKey::kept(vec![0x0b; 20]);
        assert_eq!(key.of(b"Hi There"), "b0344c61d8db3853");
    }

    #[test]
    fn two_journals_show_one_secret_differently() {
        let key = || FingerprintKey::random().expect("random bytes");
        assert_ne!(key().of(b"wagtail"), key().of(b"wagtail"));
    }
}
