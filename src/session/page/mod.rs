//! A device's HTML page as owned data, and its forms sent as a browser would send them.
//!
//! A page is parsed once, with scripting off, and then the tree is gone: what stays are the texts
//! that were asked for and the forms, which can cross threads. The parser is stopped when the page
//! nests too deep, grows too many nodes or takes too long, since a device is a stranger.
//!
//! Forms follow the WHATWG HTML standard. Where Chromium is known to depart from it, what is done
//! here and why stands in `tests/forms/deviations.json`. Beyond that:
//! - `wrap=hard` breaks no lines; browsers do it each in its own way.
//! - Colours as `color()` are read as black.
//! - `pattern`, the forms of e-mail and web addresses and the bounds of dates are not checked when
//!   a control is filled, and what the page itself put into its controls is not checked at all: a
//!   browser would refuse to send a form that its own page has filled wrongly.

mod collect;
mod control;
mod decode;
mod direction;
pub(super) mod encode;
mod fill;
mod form;
mod sanitise;
mod submit;
mod text;
mod tree;

#[cfg(test)]
mod recorded;
#[cfg(test)]
mod tests;

use std::collections::HashMap;
use std::fmt;
use std::time::Duration;

use encoding_rs::Encoding;
use scraper::Selector;
use url::Url;

pub use encode::{Boundary, Enctype, Entry, EntryValue};
pub use form::{ControlView, Form, FormError};
pub use submit::{Submission, SubmitMethod};

use form::escaped;
use tree::Tree;

/// How much of a page is parsed. Its bytes are bounded by whoever fetches it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageLimits {
    /// Levels of elements, `<html>` being the first.
    pub nesting: usize,
    /// Elements and comments: a parser makes many of few bytes when formatting is left open.
    pub nodes: usize,
    /// Controls, whatever form they are of: much of what is done with them is done for each by
    /// looking at all.
    pub controls: usize,
    /// Time for the whole parse: what no count has caught.
    pub time: Duration,
}

impl Default for PageLimits {
    fn default() -> Self {
        Self {
            nesting: 512,
            nodes: 200_000,
            controls: 4_000,
            time: Duration::from_secs(5),
        }
    }
}

/// A page of a device. Its debug form shows no contents.
pub struct Page {
    /// Where it was.
    pub url: Url,
    /// What it was decoded from. Where nothing was declared this is windows-1252, the default that
    /// the standard suggests for most locales.
    pub encoding: &'static Encoding,
    /// Its forms, in tree order.
    pub forms: Vec<Form>,
    texts: HashMap<String, Found<String>>,
    selected: HashMap<String, Found<Option<usize>>>,
}

/// What a selector found.
enum Found<T> {
    Nothing,
    One(T),
    Several(usize),
}

/// Why a page cannot be read, or not at this place.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PageError {
    /// The page nests deeper than the limit.
    #[error("the page nests deeper than {limit} levels")]
    TooDeep {
        /// The limit.
        limit: usize,
    },
    /// The page holds more elements than the limit.
    #[error("the page holds more than {limit} elements")]
    TooManyNodes {
        /// The limit.
        limit: usize,
    },
    /// The page holds more controls than the limit.
    #[error("the page holds more than {limit} controls")]
    TooManyControls {
        /// The limit.
        limit: usize,
    },
    /// The page took too long to parse.
    #[error("the page could not be parsed within {seconds} s")]
    TooSlow {
        /// The limit, in seconds.
        seconds: u64,
    },
    /// Not a CSS selector.
    #[error("`{css}` is no CSS selector: {why}")]
    BadSelector {
        /// The selector.
        css: String,
        /// What the parser says.
        why: String,
    },
    /// The selector was not given when the page was parsed: a fault of the caller.
    #[error("`{css}` was not asked for when the page was read")]
    NotAsked {
        /// The selector.
        css: String,
    },
    /// No element, or no form, is there.
    #[error("nothing on the page fits `{wanted}`")]
    NotFound {
        /// The selector, or the name of a control.
        wanted: String,
    },
    /// Several fit, and none is taken for the right one.
    #[error("{found} places on the page fit `{wanted}`, and only one may")]
    Ambiguous {
        /// The selector, or the name of a control.
        wanted: String,
        /// How many.
        found: usize,
    },
    /// The element is no form.
    #[error("what fits `{css}` is no form")]
    NotAForm {
        /// The selector.
        css: String,
    },
}

impl PageError {
    /// Whether the page was given up as more than any device's: no other look at it helps.
    pub fn is_over_limit(&self) -> bool {
        matches!(
            self,
            PageError::TooDeep { .. }
                | PageError::TooManyNodes { .. }
                | PageError::TooManyControls { .. }
                | PageError::TooSlow { .. }
        )
    }
}

impl Page {
    /// Parses a page. `wanted` are the selectors whose element's text is to be kept,
    /// `form_selectors` those that forms will be asked for by.
    ///
    /// This takes a moment: run it where blocking is fine.
    pub fn parse(
        body: &[u8],
        content_type: Option<&str>,
        url: &Url,
        wanted: &[&str],
        form_selectors: &[&str],
        limits: &PageLimits,
    ) -> Result<Page, PageError> {
        let wanted = compiled(wanted)?;
        let form_selectors = compiled(form_selectors)?;
        let (encoding, text) = decode::decode(body, content_type);
        let tree = Tree::parse(&text, limits)?;
        let elements = tree.elements();
        let controls = elements
            .iter()
            .filter(|element| collect::is_control(**element));
        if controls.count() > limits.controls {
            return Err(PageError::TooManyControls {
                limit: limits.controls,
            });
        }
        let forms = collect::forms(&tree, &elements, url, encoding);
        let find = |selector: &Selector| {
            let mut found = elements.iter().filter(|element| selector.matches(element));
            match (found.next(), found.count()) {
                (None, _) => Found::Nothing,
                (Some(one), 0) => Found::One(*one),
                (Some(_), more) => Found::Several(more + 1),
            }
        };
        let texts = wanted
            .into_iter()
            .map(|(css, selector)| (css, find(&selector).map(text::of)))
            .collect();
        let place = |id| forms.iter().position(|(form, _)| *form == id);
        let selected = form_selectors
            .into_iter()
            .map(|(css, selector)| (css, find(&selector).map(|element| place(element.id()))))
            .collect();
        Ok(Page {
            url: url.clone(),
            encoding,
            texts,
            selected,
            forms: forms.into_iter().map(|(_, form)| form).collect(),
        })
    }

    /// The text of the one element that the selector finds, as a person reads it: white space (no
    /// matter of which kind, also no-break spaces) collapsed and trimmed, scripts left out.
    pub fn text(&self, css: &str) -> Result<&str, PageError> {
        one(self.texts.get(css), css).map(String::as_str)
    }

    /// The one form that the selector finds.
    pub fn form(&self, css: &str) -> Result<&Form, PageError> {
        let place = one(self.selected.get(css), css)?;
        place
            .and_then(|place| self.forms.get(place))
            .ok_or_else(|| PageError::NotAForm {
                css: css.to_owned(),
            })
    }

    /// The one form that has a control of this name, buttons not counted.
    pub fn form_with_control(&self, name: &str) -> Result<&Form, PageError> {
        let mut found = self.forms.iter().filter(|form| form.has(name));
        match (found.next(), found.count()) {
            (None, _) => Err(PageError::NotFound {
                wanted: escaped(name),
            }),
            (Some(form), 0) => Ok(form),
            (Some(_), more) => Err(PageError::Ambiguous {
                wanted: escaped(name),
                found: more + 1,
            }),
        }
    }
}

impl<T> Found<T> {
    fn map<U>(self, f: impl FnOnce(T) -> U) -> Found<U> {
        match self {
            Found::Nothing => Found::Nothing,
            Found::One(one) => Found::One(f(one)),
            Found::Several(found) => Found::Several(found),
        }
    }
}

fn compiled(selectors: &[&str]) -> Result<Vec<(String, Selector)>, PageError> {
    let compile = |css: &&str| match Selector::parse(css) {
        Ok(selector) => Ok(((*css).to_owned(), selector)),
        Err(error) => Err(PageError::BadSelector {
            css: (*css).to_owned(),
            why: error.to_string(),
        }),
    };
    selectors.iter().map(compile).collect()
}

fn one<'a, T>(found: Option<&'a Found<T>>, css: &str) -> Result<&'a T, PageError> {
    let css = css.to_owned();
    match found {
        None => Err(PageError::NotAsked { css }),
        Some(Found::Nothing) => Err(PageError::NotFound { wanted: css }),
        Some(Found::One(one)) => Ok(one),
        Some(Found::Several(found)) => Err(PageError::Ambiguous {
            wanted: css,
            found: *found,
        }),
    }
}

impl fmt::Debug for Page {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Page")
            .field("path", &self.url.path())
            .field("encoding", &self.encoding.name())
            .field("forms", &self.forms)
            .finish_non_exhaustive()
    }
}
