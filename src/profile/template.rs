//! A text with at most one hole: `No. {}` finds `4711` in `No. 4711` and puts it there.

use std::fmt;

/// Text around at most one hole, written `{}`; `{{` and `}}` are the braces themselves.
#[derive(Clone, PartialEq, Eq)]
pub struct Template {
    before: String,
    /// What follows the hole; none: there is no hole.
    after: Option<String>,
}

/// Why a text is no template.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TemplateError {
    /// `{}` stands in it twice.
    #[error("it has more than one hole `{{}}`")]
    TwoHoles,
    /// A single `{` or `}`.
    #[error("it has a single brace; write `{{{{` or `}}}}` for the character itself")]
    SingleBrace,
}

impl Template {
    /// A template that is a mere hole.
    pub fn hole() -> Self {
        Self {
            before: String::new(),
            after: Some(String::new()),
        }
    }

    /// Reads the written form.
    ///
    /// # Errors
    /// Two holes, or a brace that is neither doubled nor part of a hole.
    pub fn parse(text: &str) -> Result<Self, TemplateError> {
        let mut parts = vec![String::new()];
        let mut chars = text.chars().peekable();
        while let Some(c) = chars.next() {
            match (c, chars.peek()) {
                ('{', Some('}')) => {
                    chars.next();
                    parts.push(String::new());
                    continue;
                }
                ('{', Some('{')) | ('}', Some('}')) => {
                    chars.next();
                }
                ('{' | '}', _) => return Err(TemplateError::SingleBrace),
                _ => {}
            }
            if let Some(part) = parts.last_mut() {
                part.push(c);
            }
        }
        let mut parts = parts.into_iter();
        let before = parts.next().unwrap_or_default();
        let after = parts.next();
        if parts.next().is_some() {
            return Err(TemplateError::TwoHoles);
        }
        Ok(Self { before, after })
    }

    /// Whether it has a hole.
    pub fn has_hole(&self) -> bool {
        self.after.is_some()
    }

    /// What stands in the hole of a text; the empty text where it fits without a hole.
    pub fn find<'a>(&self, text: &'a str) -> Option<&'a str> {
        match &self.after {
            None => (text == self.before).then_some(""),
            Some(after) => text
                .strip_prefix(self.before.as_str())?
                .strip_suffix(after.as_str()),
        }
    }

    /// The text with something put into the hole.
    pub fn fill(&self, hole: &str) -> String {
        match &self.after {
            None => self.before.clone(),
            Some(after) => format!("{}{hole}{after}", self.before),
        }
    }
}

/// The written form.
impl fmt::Display for Template {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let double = |text: &str| text.replace('{', "{{").replace('}', "}}");
        f.write_str(&double(&self.before))?;
        if let Some(after) = &self.after {
            write!(f, "{{}}{}", double(after))?;
        }
        Ok(())
    }
}

impl fmt::Debug for Template {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_what_it_fills_in() {
        let slot = Template::parse("slot {} (held)").expect("a template");
        assert_eq!(slot.fill("7"), "slot 7 (held)");
        assert_eq!(slot.find("slot 7 (held)"), Some("7"));
        assert_eq!(slot.find("slot 7"), None);
        assert_eq!(Template::hole().find("x"), Some("x"));
    }

    #[test]
    fn braces_double_and_come_back() {
        let braces = Template::parse("{{a}} {}").expect("a template");
        assert_eq!(braces.fill("b"), "{a} b");
        assert_eq!(braces.to_string(), "{{a}} {}");
        assert_eq!(Template::parse("{} {}"), Err(TemplateError::TwoHoles));
        assert_eq!(Template::parse("a } b"), Err(TemplateError::SingleBrace));
    }

    #[test]
    fn a_hole_is_no_overlap() {
        let tight = Template::parse("aa{}aa").expect("a template");
        assert_eq!(tight.find("aaa"), None);
        assert_eq!(tight.find("aaaa"), Some(""));
    }
}
