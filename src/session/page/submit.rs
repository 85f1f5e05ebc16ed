//! What a form sends: its entry list, and the request made of it.
//!
//! By the HTML standard, 4.10.22.3 "Form submission algorithm" and 4.10.22.4 "Constructing the
//! entry list". How entries become bytes stands in [`encode`].

use std::fmt;

use encoding_rs::{Encoding, UTF_8};
use url::Url;

use super::control::{Button, Control, Kind, Role};
use super::encode::{self, Boundary, Enctype, Entry, EntryValue};
use super::form::{Form, FormError, escaped};
use super::sanitise::LineType;

/// A request that a form makes. Its debug form shows neither body nor query, which hold secrets.
#[derive(Clone, PartialEq, Eq)]
pub struct Submission {
    /// How it is sent.
    pub method: SubmitMethod,
    /// Where to, without a fragment. Whether that is still the device is for the caller to check.
    pub url: Url,
    /// Of the body; none without one.
    pub content_type: Option<String>,
    /// Empty for a GET.
    pub body: Vec<u8>,
}

/// How a form is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SubmitMethod {
    /// In the query of the address.
    Get,
    /// In the body.
    Post,
}

impl Form {
    /// The request that the form makes. `press` is the button that is pressed, by its name and,
    /// where several have that name, its value; without one the form is sent as a script does it,
    /// with no button's value.
    pub fn submit(&self, press: Option<(&str, Option<&str>)>) -> Result<Submission, FormError> {
        self.submit_with(press, &Boundary::Random)
    }

    /// The same, with a boundary of the caller's choice where the form is sent as multipart.
    pub fn submit_with(
        &self,
        press: Option<(&str, Option<&str>)>,
        boundary: &Boundary,
    ) -> Result<Submission, FormError> {
        let index = self.press(press)?;
        let button = index.and_then(|index| match &self.controls.get(index)?.kind {
            Kind::Button(button) => Some(button),
            _ => None,
        });
        let method = self.method_of(button)?;
        let mut url = self.action_of(button)?;
        let charset = self.sending_encoding();
        let entries = self.entries(index, charset);
        Ok(match method {
            SubmitMethod::Get => {
                url.set_query(Some(&encode::urlencoded(&entries, charset)));
                Submission {
                    method,
                    url,
                    content_type: None,
                    body: Vec::new(),
                }
            }
            SubmitMethod::Post => {
                let sent = encode::body(&entries, self.enctype_of(button), charset, boundary);
                Submission {
                    method,
                    url,
                    content_type: Some(sent.content_type),
                    body: sent.bytes,
                }
            }
        })
    }

    /// The names and values that would be sent, in their order, before they are encoded: so that
    /// the caller can see that it knows each of them.
    pub fn sent(&self, press: Option<(&str, Option<&str>)>) -> Result<Vec<Entry>, FormError> {
        Ok(self.entries(self.press(press)?, self.sending_encoding()))
    }

    fn press(&self, press: Option<(&str, Option<&str>)>) -> Result<Option<usize>, FormError> {
        press
            .map(|(name, value)| self.pressed(name, value))
            .transpose()
    }

    fn entries(&self, pressed: Option<usize>, encoding: &'static Encoding) -> Vec<Entry> {
        let mut entries = Vec::new();
        for (index, control) in self.controls.iter().enumerate() {
            let is_pressed = pressed == Some(index);
            if !control.disabled && !control.in_datalist && (is_pressed || !control.is_button()) {
                control.push_entries(encoding, &mut entries);
            }
        }
        entries
    }

    fn method_of(&self, button: Option<&Button>) -> Result<SubmitMethod, FormError> {
        let word = button
            .and_then(|button| button.method.as_ref())
            .or(self.method.as_ref())
            .map(|word| word.to_ascii_lowercase());
        match word.as_deref() {
            Some("post") => Ok(SubmitMethod::Post),
            Some("dialog") => Err(FormError::SendsNothing { form: self.label() }),
            // What is missing or unknown, such as `put`, is a GET.
            _ => Ok(SubmitMethod::Get),
        }
    }

    fn enctype_of(&self, button: Option<&Button>) -> Enctype {
        let word = button
            .and_then(|button| button.enctype.as_ref())
            .or(self.enctype.as_ref())
            .map(|word| word.to_ascii_lowercase());
        match word.as_deref() {
            Some("multipart/form-data") => Enctype::Multipart,
            Some("text/plain") => Enctype::Plain,
            _ => Enctype::Urlencoded,
        }
    }

    fn action_of(&self, button: Option<&Button>) -> Result<Url, FormError> {
        let action = button
            .and_then(|button| button.action.as_deref())
            .or(self.action.as_deref())
            .unwrap_or_default();
        let refused = |why: String| FormError::Action {
            form: self.label(),
            action: escaped(action),
            why,
        };
        let mut url = if action.is_empty() {
            // Not the base: an empty action is the address of the page itself.
            self.document.clone()
        } else {
            resolved(action, &self.base, self.encoding)
                .map_err(|error| refused(error.to_string()))?
        };
        if !matches!(url.scheme(), "http" | "https") {
            return Err(refused(format!("`{}` is not http", url.scheme())));
        }
        url.set_fragment(None);
        Ok(url)
    }

    /// By `accept-charset`, its first known encoding; else as the page was. Never UTF-16.
    fn sending_encoding(&self) -> &'static Encoding {
        let encoding = match &self.accept_charset {
            None => self.encoding,
            Some(labels) => labels
                .split_ascii_whitespace()
                .find_map(|label| Encoding::for_label(label.as_bytes()))
                .unwrap_or(UTF_8),
        };
        encoding.output_encoding()
    }
}

/// An address of a page as it is sent.
pub(super) fn resolved(
    address: &str,
    base: &Url,
    encoding: &'static Encoding,
) -> Result<Url, url::ParseError> {
    let charset = encoding.output_encoding();
    let mut url = Url::options()
        .base_url(Some(base))
        .encoding_override(Some(&|text| encode::encoded_in_query(charset, text).into()))
        .parse(address)?;
    // The URL standard's path percent-encode set has `^` (from memory), and Chromium encodes `|`
    // too; the library leaves both.
    if url.path().contains(['^', '|']) {
        let path = url.path().replace('^', "%5E").replace('|', "%7C");
        url.set_path(&path);
    }
    Ok(url)
}

impl Control {
    fn push_entries(&self, encoding: &'static Encoding, entries: &mut Vec<Entry>) {
        if let Kind::Button(button) = &self.kind
            && button.role == Role::Image
        {
            // It was pressed by no pointer, so at its upper left corner.
            let prefix = if self.name.is_empty() {
                String::new()
            } else {
                format!("{}.", self.name)
            };
            entries.extend(["x", "y"].map(|axis| Entry::text(format!("{prefix}{axis}"), "0")));
            return;
        }
        if self.name.is_empty() {
            return;
        }
        let mut push = |value: String| entries.push(Entry::text(&self.name, value));
        match &self.kind {
            Kind::Line {
                line: LineType::Hidden,
                ..
            } if self.name.eq_ignore_ascii_case("_charset_") => push(encoding.name().to_owned()),
            Kind::Select { options, .. } => options
                .iter()
                .filter(|option| option.selected && !option.disabled)
                .for_each(|option| push(option.value.clone())),
            Kind::Button(button) => push(button.sent()),
            Kind::File => entries.push(Entry {
                name: self.name.clone(),
                value: EntryValue::NoFile,
            }),
            _ => self.values().into_iter().for_each(push),
        }
        if let Some((name, direction)) = &self.dirname {
            let word = direction.word(&self.text_to_judge());
            entries.push(Entry::text(name, word));
        }
    }

    fn text_to_judge(&self) -> String {
        match &self.kind {
            Kind::Button(button) => button.sent(),
            _ => self.values().concat(),
        }
    }
}

impl fmt::Debug for Submission {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Submission")
            .field("method", &self.method)
            .field("path", &self.url.path())
            .field("content_type", &self.content_type)
            .finish_non_exhaustive()
    }
}
