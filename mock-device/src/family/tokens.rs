//! One-time tokens: given out with a page, good for one save.

use std::collections::VecDeque;

use crate::seed::Seed;

/// Tokens that are remembered; the oldest go first, so that a client that only reads cannot fill
/// the memory.
const TOKENS: usize = 3000;

/// What was given out and not used yet; `For` says what a token is good for.
#[derive(Debug, Clone)]
pub(crate) struct Tokens<For> {
    seed: Seed,
    given: VecDeque<(For, String)>,
}

impl<For: PartialEq> Tokens<For> {
    /// Tokens that are drawn from this stream.
    pub(crate) fn new(seed: Seed) -> Self {
        Self {
            seed,
            given: VecDeque::new(),
        }
    }

    /// Another one: 16 hexadecimal digits.
    pub(crate) fn give(&mut self, what_for: For) -> String {
        let token = format!("{:016x}", self.seed.next());
        if self.given.len() == TOKENS {
            self.given.pop_front();
        }
        self.given.push_back((what_for, token.clone()));
        token
    }

    /// Whether it was given out for this and is not used yet.
    pub(crate) fn knows(&self, what_for: &For, token: &str) -> bool {
        self.place(what_for, token).is_some()
    }

    /// Takes a token back; it is gone even when the save that came with it is not kept.
    pub(crate) fn take(&mut self, what_for: &For, token: &str) -> bool {
        let place = self.place(what_for, token);
        place.and_then(|place| self.given.remove(place)).is_some()
    }

    /// Forgets all of them.
    pub(crate) fn forget(&mut self) {
        self.given.clear();
    }

    fn place(&self, what_for: &For, token: &str) -> Option<usize> {
        self.given
            .iter()
            .position(|(known, given)| known == what_for && given == token)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn token_is_good_once_and_for_what_it_was_given() {
        let mut tokens = Tokens::new(Seed::stream(1, "tokens"));
        let one = tokens.give(1);
        assert!(tokens.knows(&1, &one) && !tokens.knows(&2, &one));
        assert!(!tokens.take(&2, &one));
        assert!(tokens.take(&1, &one) && !tokens.take(&1, &one));
        let other = tokens.give(1);
        assert_ne!(one, other);
        tokens.forget();
        assert!(!tokens.take(&1, &other));
    }

    #[test]
    fn oldest_tokens_go_first() {
        let mut tokens = Tokens::new(Seed::stream(1, "tokens"));
        let first = tokens.give(());
        let second = tokens.give(());
        for _ in 2..=TOKENS {
            tokens.give(());
        }
        assert!(!tokens.knows(&(), &first) && tokens.knows(&(), &second));
    }
}
