//! The fields of a save, and what their texts may be.
//!
//! A field that comes twice, or a number with a sign where a browser sends none, is a fault of the
//! client: it shows as a save that is not kept.

use std::{ops::RangeInclusive, str::FromStr};

use crate::http::Request;

/// The fields of a body, in their order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fields(pub(crate) Vec<(String, String)>);

impl Fields {
    /// The fields of an urlencoded body.
    pub(crate) fn of(request: &Request) -> Self {
        Self(form_urlencoded::parse(&request.body).into_owned().collect())
    }

    /// The first of a name.
    pub(crate) fn get(&self, name: &str) -> Option<&str> {
        self.0
            .iter()
            .find(|(known, _)| known == name)
            .map(|(_, value)| value.as_str())
    }

    /// A name that comes twice is a fault of the client, and counts as out of range.
    pub(crate) fn each_once(&self) -> Result<(), String> {
        let twice = self
            .0
            .iter()
            .enumerate()
            .find(|(index, (name, _))| self.0[..*index].iter().any(|(known, _)| known == name));
        twice.map_or(Ok(()), |(_, (name, _))| Err(name.clone()))
    }

    /// The remark on a good save, with the names that are none of these.
    pub(crate) fn saved(&self, known: &[&str]) -> String {
        let unknown: Vec<&str> = self
            .0
            .iter()
            .map(|(name, _)| name.as_str())
            .filter(|name| !known.contains(name))
            .collect();
        if unknown.is_empty() {
            "saved".to_owned()
        } else {
            format!("saved, without knowing {}", unknown.join(", "))
        }
    }
}

/// One save, as it is worked through.
pub(crate) struct Save<'a> {
    /// What it carries.
    pub(crate) fields: &'a Fields,
    /// Whether what it leaves out goes to its factory state.
    pub(crate) omitted_reset: bool,
}

impl Save<'_> {
    /// Sets one thing, or names the field that is out of range.
    pub(crate) fn set<T>(
        &self,
        name: &str,
        target: &mut T,
        factory: T,
        parse: impl FnOnce(&str) -> Option<T>,
    ) -> Result<(), String> {
        match self.fields.get(name) {
            Some(text) => *target = parse(text).ok_or(name)?,
            None if self.omitted_reset => *target = factory,
            None => {}
        }
        Ok(())
    }
}

/// What a word of a list stands for.
pub(crate) fn one_of<T: Copy>(text: &str, words: &[(&str, T)]) -> Option<T> {
    words
        .iter()
        .find(|(word, _)| *word == text)
        .map(|(_, value)| *value)
}

/// A text of so many characters at most.
pub(crate) fn text_of(text: &str, most: usize) -> Option<String> {
    (text.chars().count() <= most).then(|| text.to_owned())
}

/// A whole number of digits alone, such as a number control sends.
pub(crate) fn number<T>(text: &str, range: RangeInclusive<T>) -> Option<T>
where
    T: FromStr + PartialOrd,
{
    let digits = text.strip_prefix('-').unwrap_or(text);
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    text.parse().ok().filter(|number| range.contains(number))
}
