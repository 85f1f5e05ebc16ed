//! Texts that are made to harm whoever shows them as they are.

/// A name of at most 24 characters, as a text control can hold it: a terminal escape, a mark of
/// direction, a character that does not show, and the end of a title.
pub(crate) const NAME: &str = "Smew\u{1b}[2J\u{202e}\u{200b}</title>";

/// The same with what a document can hold besides: a line break and a bell.
pub(crate) const NAME_OF_LINES: &str = "Smew\u{1b}[2J\u{202e}\u{200b}\n\u{7}</title>";

/// A long text with all of that, and with an escape that would set a clipboard.
pub(crate) fn long_text() -> String {
    format!("{NAME_OF_LINES}\u{1b}]52;c;cmVlZA==\u{7}\u{9b}31m\r\n\u{2066}") + &"reed ".repeat(2000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_no_longer_than_a_name_may_be() {
        assert!(NAME.chars().count() <= 24 && NAME_OF_LINES.chars().count() <= 24);
        assert!(!NAME.contains(['\n', '\r']), "a text control drops them");
    }
}
