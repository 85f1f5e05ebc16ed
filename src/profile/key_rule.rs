//! The rule by which bind words make a setting, as a profile file says it.
//!
//! It is a part of `kinds.rs`: what makes no key of the setting's own length is a fault, and so is
//! what would not end.

use super::diag::Code;
use super::kinds::Loading;
use super::load::word;
use super::tree::Node;
use super::words::{KeyHash, KeyHow, KeyRule};
use crate::terms::Kind;

impl Loading<'_> {
    /// How bind words make its bytes.
    pub(super) fn words(&mut self, node: &Node, kind: &Kind) -> Option<KeyRule> {
        let length = match kind {
            Kind::Bytes { from, to } if from == to && *to > 0 => *to,
            Kind::Bytes { .. } => {
                let message = format!(
                    "bind words make one length, and `{}` has several",
                    self.name
                );
                let help = "write `length` in its `bytes`";
                self.fault(Code::BadWords, &["words"], message, help);
                return None;
            }
            _ => {
                let message = format!("bind words make bytes, and `{}` is none", self.name);
                self.fault(Code::OutOfPlace, &["words"], message, "leave `words` out");
                return None;
            }
        };
        let whole = |key| node.get(key).and_then(Node::whole);
        let (from, to) = (whole("from").unwrap_or(1), whole("to")?);
        if from == 0 {
            let message = "no words at all make no secret".to_owned();
            self.fault(Code::BadRange, &["words", "from"], message, "at least 1");
        } else if from > to {
            self.nothing_between(&from, &to, &["words", "from"]);
        }
        self.not_too_long(to.max(from), &["words", "to"])?;
        let said = |key| word(node, key).unwrap_or_default().to_owned();
        Some(KeyRule {
            how: self.key_how(node, length)?,
            prefix: said("prefix"),
            suffix: said("suffix"),
            from,
            to,
            length,
        })
    }

    fn key_how(&mut self, node: &Node, length: usize) -> Option<KeyHow> {
        if let Some(word) = word(node, "hash") {
            let hash = KeyHash::named(word)?;
            if length > hash.length() {
                let message = format!(
                    "{word} gives {} bytes, and the key has {length}",
                    hash.length()
                );
                let help = "another hash, or `pbkdf2`";
                self.fault(Code::BadWords, &["words", "hash"], message, help);
            }
            return Some(KeyHow::Hash(hash));
        }
        let node = node.get("pbkdf2")?;
        let hash = KeyHash::named(word(node, "hash")?)?;
        let rounds = node.get("rounds")?.whole()?;
        // Each part of the key of a hash's length takes all rounds.
        let all = rounds.saturating_mul(length.div_ceil(hash.length()));
        if rounds == 0 || all > MOST_ROUNDS {
            let message = format!("{rounds} rounds are none that are waited for");
            let help = format!("1 to {MOST_ROUNDS}, over all parts of the key");
            self.fault(
                Code::BadWords,
                &["words", "pbkdf2", "rounds"],
                message,
                &help,
            );
        }
        Some(KeyHow::Pbkdf2 {
            hash,
            salt: word(node, "salt")?.to_owned(),
            rounds: u32::try_from(rounds).ok()?,
        })
    }
}

/// Most rounds of PBKDF2, so that trying a stranger's profile ends.
const MOST_ROUNDS: usize = 10_000_000;

#[cfg(test)]
mod tests {
    use super::super::testing::faults;

    #[test]
    fn bind_words_make_a_key_of_the_setting_s_own_length() {
        let key = |bytes: &str, words: &str| {
            let kind = format!("bytes = {{ {bytes} }}\nsecret = true\nwords = {{ {words} }}");
            faults(&[("text = { to = 24 }", &kind)])
        };
        let six = |words: &str| key("length = 6", words);
        assert_eq!(six("hash = \"md5\", to = 64"), [""; 0]);
        let pbkdf2 = |rounds: &str| {
            format!("pbkdf2 = {{ hash = \"sha-256\", salt = \"s\", rounds = {rounds} }}, to = 64")
        };
        assert_eq!(six(&pbkdf2("10000000")), [""; 0]);
        for rounds in ["0", "10000001"] {
            assert_eq!(
                six(&pbkdf2(rounds)),
                [format!(
                    "bad-words: {rounds} rounds are none that are waited for"
                )]
            );
        }
        assert_eq!(key("length = 32", &pbkdf2("10000000")), [""; 0]);
        assert_eq!(
            key("length = 33", &pbkdf2("10000000")),
            ["bad-words: 10000000 rounds are none that are waited for"]
        );
        assert_eq!(key("length = 16", "hash = \"md5\", to = 64"), [""; 0]);
        assert_eq!(
            key("length = 17", "hash = \"md5\", to = 64"),
            ["bad-words: md5 gives 16 bytes, and the key has 17"]
        );
        assert_eq!(
            key("from = 4, to = 6", "hash = \"md5\", to = 64"),
            ["bad-words: bind words make one length, and `name` has several"]
        );
        assert_eq!(
            six("hash = \"md5\", from = 0, to = 64"),
            ["bad-range: no words at all make no secret"]
        );
        assert_eq!(
            six("hash = \"md5\", from = 9, to = 8"),
            ["bad-range: nothing lies between 9 and 8"]
        );
        assert_eq!(
            six("to = 64"),
            ["pick-one: `setting.name.words` has none of hash, pbkdf2"]
        );
        assert_eq!(
            six(&format!("hash = \"md5\", {}", pbkdf2("1"))),
            ["pick-one: `setting.name.words` has both `hash` and `pbkdf2`"]
        );
        assert_eq!(
            faults(&[(
                "text = { to = 24 }",
                "text = { to = 24 }\nwords = { hash = \"md5\", to = 64 }"
            )]),
            ["out-of-place: bind words make bytes, and `name` is none"]
        );
    }
}
