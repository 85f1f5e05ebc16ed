//! From a plan to one acting request, and what came of it.
//!
//! A form is filled from the very page that was read, and refused when it would carry a control
//! that the profile does not know. Nothing here repeats anything.

use std::collections::BTreeSet;

use serde_json::Value as Json;

use super::{
    Limits, Origin, SessionError,
    answers::{Answers, as_page, not_read, text_of},
    body,
    http::{Acted, Ask, BadRedirect, Got, HttpError},
    json,
    page::{Entry, Form, Submission, SubmitMethod, encode::Encoded},
};
use crate::{
    profile::{At, Method, Profile, Request, Save, SaveHow, Template},
    terms::{Overlay, PlaceName, Pointer, Raw, RequestName, Untrusted},
};

/// What came of an acting request. Only [`Reply::NotSent`] and [`Reply::Astray`] say that the device
/// has not carried it out; whether it has is known from reading it again, never from here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// It was answered with a status below 400.
    Answered {
        /// The status.
        status: u16,
        /// What the answer says, cut to a line or two, known secrets taken out.
        says: Untrusted,
        /// Whether that is what the profile expects; none: the profile expects nothing, or the
        /// page that was to say it could not be fetched.
        as_expected: Option<bool>,
    },
    /// It was answered with a status from 400 on.
    Refused {
        /// The status.
        status: u16,
        /// What the answer says, cut to a line or two, known secrets taken out.
        says: Untrusted,
    },
    /// It was sent, at least in part, and was not answered in full.
    NoAnswer {
        /// Why, in words.
        why: String,
    },
    /// There was no connection: nothing reached the device.
    NotSent {
        /// Why, in words.
        why: String,
    },
    /// The way does not lead to the device that was read any more: nothing was sent.
    Astray {
        /// Why, in words.
        why: String,
    },
}

/// Builds the one request of a save: what was read, with the overlay's differences.
pub(super) fn save(
    origin: &Origin,
    profile: &Profile,
    answers: &Answers,
    save: &Save,
    overlay: &Overlay,
) -> Result<Ask, SessionError> {
    if let Some(place) = overlay.keys().find(|place| !profile.writes(save, place)) {
        return Err(SessionError::ForeignPlace {
            save: save.name.clone(),
            place: place.clone(),
        });
    }
    let what = save.name.as_str();
    let (method, path, made) = match &save.how {
        SaveHow::Form {
            request,
            select,
            press,
            pass,
            agrees,
        } => {
            let form = FormSave {
                profile,
                answers,
                save,
                overlay,
                request,
                select,
            };
            form.confirm(agrees.iter())?;
            let press = press
                .as_ref()
                .map(|(name, value)| (name.as_str(), value.as_deref()));
            return form.ask(press, pass);
        }
        SaveHow::Made { method, path, body } => {
            let stands = |place: &PlaceName| overlay.get(place).unwrap_or(answers.raw(place));
            (*method, path, body::make(what, body, stands)?)
        }
        SaveHow::Document { method, path, of } => {
            let document = changed(profile, answers, save, of, overlay)?;
            (*method, path, body::json(&document))
        }
        SaveHow::One {
            method,
            path,
            place,
        } => {
            let raw = overlay.get(place).unwrap_or(answers.raw(place));
            let value = body::json_of(raw).ok_or_else(|| match profile.places.get(place) {
                Some(place) => not_read(what, &place.request),
                None => SessionError::BadPath {
                    what: what.to_owned(),
                },
            })?;
            (*method, path, body::json(&value))
        }
        SaveHow::Merge { method, path, of } => {
            let document = changed(profile, answers, save, of, overlay)?;
            let patch = json::patch_between(answers.json(what, of)?, &document);
            let patch = patch.ok_or_else(|| SessionError::NullInPatch {
                save: save.name.clone(),
            })?;
            (*method, path, body::merge_patch(&patch))
        }
    };
    ask(origin, what, method, path, Some(made))
}

/// Builds a request of the profile as it stands, with its body from what was read.
pub(super) fn request(
    origin: &Origin,
    request: &Request,
    answers: Option<&Answers>,
) -> Result<Ask, SessionError> {
    let what = request.name.as_str();
    let stands = |place: &PlaceName| answers.map_or(&Raw::Missing, |answers| answers.raw(place));
    let made = request.body.as_ref();
    let made = made
        .map(|body| body::make(what, body, stands))
        .transpose()?;
    Ok(Ask {
        ends: request.ends.clone(),
        login: request.login,
        ..ask(origin, what, request.method, &request.path, made)?
    })
}

fn ask(
    origin: &Origin,
    what: &str,
    method: Method,
    path: &str,
    made: Option<Encoded>,
) -> Result<Ask, SessionError> {
    let url = origin.join(path).ok_or_else(|| SessionError::BadPath {
        what: what.to_owned(),
    })?;
    let (content_type, bytes) = made.map(|made| (made.content_type, made.bytes)).unzip();
    Ok(Ask {
        method,
        content_type,
        body: bytes,
        ..Ask::get(url)
    })
}

/// What a form sends, as a request.
pub(super) fn of_form(submission: Submission) -> Ask {
    let (method, body) = match submission.method {
        SubmitMethod::Get => (Method::Get, None),
        SubmitMethod::Post => (Method::Post, Some(submission.body)),
    };
    Ask {
        method,
        content_type: submission.content_type,
        body,
        ..Ask::get(submission.url)
    }
}

/// The document that answered a request, with the overlay's differences.
fn changed(
    profile: &Profile,
    answers: &Answers,
    save: &Save,
    of: &RequestName,
    overlay: &Overlay,
) -> Result<Json, SessionError> {
    let what = save.name.as_str();
    let mut document = answers.json(what, of)?.clone();
    for (place, raw) in overlay {
        let Some(At::Pointer(key)) = profile.places.get(place).map(|place| &place.at) else {
            continue;
        };
        match body::json_of(raw) {
            Some(value) => body::put(what, key, &mut document, value)?,
            None => {
                if let Ok(pointer) = key.parse::<Pointer>() {
                    pointer.remove(&mut document);
                }
            }
        }
    }
    Ok(document)
}

/// A save by the page's own form.
struct FormSave<'a> {
    profile: &'a Profile,
    answers: &'a Answers,
    save: &'a Save,
    overlay: &'a Overlay,
    request: &'a RequestName,
    select: &'a str,
}

impl FormSave<'_> {
    /// Holds the form as it was served against what a document says of it.
    fn confirm<'b>(
        &self,
        agrees: impl Iterator<Item = (&'b String, &'b PlaceName)>,
    ) -> Result<(), SessionError> {
        let form = self.form()?;
        for (control, place) in agrees {
            if !same(&form.raw(control), self.answers.raw(place)) {
                return Err(SessionError::FilledByScripts {
                    save: self.save.name.clone(),
                    control: control.clone(),
                    place: place.clone(),
                });
            }
        }
        Ok(())
    }

    fn ask(
        &self,
        press: Option<(&str, Option<&str>)>,
        pass: &[String],
    ) -> Result<Ask, SessionError> {
        let unfit = |source| SessionError::Form {
            save: self.save.name.clone(),
            source,
        };
        let mut form = self.form()?.clone();
        for (place, raw) in self.overlay {
            if let Some(At::Control { name, .. }) = self.profile.places.get(place).map(|p| &p.at) {
                form.fill(name, raw).map_err(unfit)?;
            }
        }
        let mut seen = BTreeSet::new();
        for Entry { name, .. } in form.sent(press).map_err(unfit)? {
            let control = || Untrusted::new(name.as_str()).to_string();
            let pressed = press.is_some_and(|(button, _)| button == name);
            if !(pressed || self.maps(&name) || pass.contains(&name)) {
                return Err(SessionError::UnknownControl {
                    save: self.save.name.clone(),
                    control: control(),
                });
            }
            // A second one of a known name is none that the profile knows: which of the two the
            // device takes is anybody's guess.
            if !pass.contains(&name) && !seen.insert(name.clone()) {
                return Err(SessionError::RepeatedControl {
                    save: self.save.name.clone(),
                    control: control(),
                });
            }
        }
        Ok(of_form(form.submit(press).map_err(unfit)?))
    }

    fn form(&self) -> Result<&Form, SessionError> {
        self.answers
            .page(self.save.name.as_str(), self.request)?
            .form(self.select)
            .map_err(|source| SessionError::Page {
                request: self.request.clone(),
                source,
            })
    }

    /// Whether a place of the profile stands at a control of this form.
    fn maps(&self, control: &str) -> bool {
        self.profile.places.values().any(|place| {
            matches!(&place.at, At::Control { name, .. } if name == control)
                && self.profile.writes(self.save, &place.name)
        })
    }
}

/// Whether a control and a document say the same, each in its own way. What is missing says
/// nothing, and so confirms nothing.
fn same(control: &Raw, document: &Raw) -> bool {
    if [control, document].contains(&&Raw::Missing) {
        return false;
    }
    let (one, other) = (flat(control), flat(document));
    let numbers = |a: &str, b: &str| matches!((a.parse::<f64>(), b.parse::<f64>()), (Ok(a), Ok(b)) if a.total_cmp(&b).is_eq());
    one.len() == other.len()
        && one
            .iter()
            .zip(&other)
            .all(|(one, other)| one == other || numbers(one, other))
}

/// One text for each item; nothing chosen and null are the empty text.
fn flat(raw: &Raw) -> Vec<String> {
    match raw {
        Raw::Many(texts) => texts.clone(),
        Raw::Json(Json::Array(items)) => items
            .iter()
            .map(|item| text_of(&Raw::Json(item.clone())).unwrap_or_default())
            .collect(),
        other => vec![text_of(other).unwrap_or_default()],
    }
}

/// What a request that acts came to. An error says that surely nothing was sent.
pub(super) async fn outcome(
    acted: Result<Acted, HttpError>,
    expected: Option<&Template>,
    secrets: &[String],
    limits: &Limits,
) -> Result<Reply, SessionError> {
    let acted = match acted {
        Ok(acted) => acted,
        Err(error @ HttpError::NotSent { .. }) => {
            return Ok(Reply::NotSent {
                why: error.to_string(),
            });
        }
        Err(error @ (HttpError::OtherOrigin { .. } | HttpError::NoClient { .. })) => {
            return Err(error.into());
        }
        Err(error) => {
            return Ok(Reply::NoAnswer {
                why: error.to_string(),
            });
        }
    };
    let status = acted.status;
    let (text, as_expected) = match acted.answer {
        Ok(got) => {
            let (text, is_page) = text_in(got, limits.nesting).await;
            let fits = expected.map(|template| fits(template, &text, is_page));
            (text, fits)
        }
        Err(error) if status >= 400 => (format!("({error})"), None),
        Err(
            error @ HttpError::Redirect {
                why: BadRedirect::Again,
                ..
            },
        ) => (format!("({error})"), Some(false)),
        // The request was answered; only the page that it leads to is not known.
        Err(error) if status >= 300 => (format!("({error})"), None),
        Err(error) => {
            return Ok(Reply::NoAnswer {
                why: format!("status {status}, and then: {error}"),
            });
        }
    };
    let says = short(&text, secrets);
    Ok(if status >= 400 {
        Reply::Refused { status, says }
    } else {
        Reply::Answered {
            status,
            says,
            as_expected,
        }
    })
}

/// What an answer says, cut to a line or two, with these secrets taken out.
pub(super) async fn words(got: Got, secrets: &[String], nesting: usize) -> Untrusted {
    short(&text_in(got, nesting).await.0, secrets)
}

/// The text of an answer with its white space collapsed line by line, and whether it is a page.
async fn text_in(got: Got, nesting: usize) -> (String, bool) {
    let kind = got
        .content_type
        .as_deref()
        .unwrap_or_default()
        .to_ascii_lowercase();
    let is_page =
        kind.contains("html") || (kind.is_empty() && got.body.trim_ascii_start().starts_with(b"<"));
    if !is_page {
        return (String::from_utf8_lossy(&got.body).trim().to_owned(), false);
    }
    let text = tokio::task::spawn_blocking(move || {
        let page = as_page(&got, &["body"], &[], nesting).ok()?;
        page.text("body").ok().map(collapsed)
    });
    (text.await.ok().flatten().unwrap_or_default(), true)
}

fn collapsed(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Whether an answer says what is expected: a page somewhere in its text, anything else as a whole
/// or as one of its lines.
fn fits(expected: &Template, text: &str, is_page: bool) -> bool {
    if !is_page {
        return expected.find(text).is_some()
            || text
                .lines()
                .any(|line| expected.find(line.trim()).is_some());
    }
    // The hole is wherever the mark comes to stand; no page holds this character.
    let around = expected.fill("\u{0}");
    let mut rest = text;
    around.split('\u{0}').map(collapsed).all(|part| {
        rest.find(&part).is_some_and(|at| {
            rest = &rest[at + part.len()..];
            true
        })
    })
}

/// Longest text of an answer that is kept, in characters.
const KEPT_CHARS: usize = 200;

/// The beginning of a text, with every known secret in it taken out first. One or two characters are
/// no secret, and taking them out would spoil the text.
fn short(text: &str, secrets: &[String]) -> Untrusted {
    let known = secrets.iter().filter(|secret| secret.chars().count() > 2);
    let mut known: Vec<&str> = known.map(String::as_str).collect();
    // The longest first, so that no part of it is left when a shorter one is taken out of it.
    known.sort_by_key(|secret| std::cmp::Reverse(secret.len()));
    let mut text = text.to_owned();
    for secret in &known {
        text = text.replace(secret, "(secret)");
    }
    let bare_text = bare(&text);
    let mut bare_secrets = known.iter().map(|secret| bare(secret));
    if bare_secrets.any(|secret| secret.len() >= 4 && bare_text.contains(&secret)) {
        return "(its answer repeats a secret)".into();
    }
    Untrusted::new(text.chars().take(KEPT_CHARS).collect::<String>())
}

/// A text as it is compared with secrets: percent-decoded (RFC 3986 section 2.1), its letters and
/// digits alone, in lower case. A device may spell in its own way what it was told.
fn bare(text: &str) -> String {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let [first, after @ ..] = rest {
        let decoded = (*first == b'%')
            .then(|| std::str::from_utf8(after.get(..2)?).ok())
            .flatten()
            .and_then(|digits| u8::from_str_radix(digits, 16).ok());
        bytes.push(decoded.unwrap_or(*first));
        rest = if decoded.is_some() {
            &after[2..]
        } else {
            after
        };
    }
    let text = String::from_utf8_lossy(&bytes).to_lowercase();
    text.chars().filter(|c| c.is_alphanumeric()).collect()
}

/// An array of bytes as hexadecimal.
fn as_hex(items: &[Json]) -> Option<String> {
    let bytes: Option<Vec<u8>> = items
        .iter()
        .map(|item| u8::try_from(item.as_u64()?).ok())
        .collect();
    bytes.map(hex::encode)
}

/// What stands, or is to stand, at the places where secret settings show a value; a place that
/// only tells whether there is one holds none.
pub(super) fn secrets(profile: &Profile, answers: &Answers, overlay: &Overlay) -> Vec<String> {
    let secret: Vec<&PlaceName> = profile
        .settings
        .iter()
        .filter(|setting| setting.secret)
        .flat_map(|setting| &setting.rows)
        .flat_map(|row| row.parts.iter().chain(&row.puts))
        .filter(|(_, pattern)| pattern.has_hole())
        .map(|(place, _)| place)
        .collect();
    answers
        .raws()
        .chain(overlay)
        .filter(|(place, _)| secret.contains(place))
        .flat_map(|(_, raw)| match raw {
            Raw::Json(json @ Json::Array(items)) => vec![Some(json.to_string()), as_hex(items)],
            raw => vec![text_of(raw)],
        })
        .flatten()
        .collect()
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_secret_is_not_shown_in_another_spelling_either() {
        let secrets = [
            "4A:1F:00:9C:77:E2".to_owned(),
            "heron  double-space".to_owned(),
        ];
        for said in [
            "Kept. key 4a1f009c77e2",
            "Kept. key=4A%3A1F%3A00%3A9C%3A77%3AE2",
            "heron double space",
            "word: heron%20%20double%2Dspace!",
        ] {
            assert_eq!(
                short(said, &secrets),
                "(its answer repeats a secret)".into(),
                "{said}"
            );
        }
        assert_eq!(short("Kept. 4a1f", &secrets), "Kept. 4a1f".into());
        assert_eq!(
            as_hex(
                json!([74, 31, 0, 156, 119, 226])
                    .as_array()
                    .expect("an array")
            )
            .as_deref(),
            Some("4a1f009c77e2")
        );
        assert_eq!(as_hex(json!([300]).as_array().expect("an array")), None);
    }

    #[test]
    fn a_control_and_a_document_agree_each_in_its_own_way() {
        let text = |text: &str| Raw::Text(text.into());
        let choice = |text: &str| Raw::Choice(Some(text.into()));
        for (control, document, agree) in [
            (text("7"), json!(7), true),
            (text("007.50"), json!(7.5), true),
            (text("7"), json!("7"), true),
            (text("8"), json!(7), false),
            (text(""), json!(null), true),
            (Raw::Choice(None), json!(""), true),
            (choice("2"), json!(2), true),
            (choice("any"), json!("only"), false),
            (Raw::Box(true), json!(true), true),
            (Raw::Box(false), json!(true), false),
            (Raw::Many(vec!["1".into(), "2".into()]), json!([1, 2]), true),
            (Raw::Many(vec!["1".into()]), json!([1, 2]), false),
        ] {
            let document = Raw::Json(document);
            assert_eq!(same(&control, &document), agree, "{control:?}");
        }
        assert!(
            !same(&text(""), &Raw::Missing),
            "what is missing confirms nothing"
        );
        assert!(!same(&Raw::Missing, &Raw::Json(json!(""))));
    }

    #[test]
    fn a_page_says_it_somewhere_and_a_text_as_a_whole() {
        let kept = Template::parse("Kept. Slot {} of 40.").expect("a template");
        assert!(fits(&kept, "Tarn deck Kept. Slot 7 of 40. Back", true));
        assert!(!fits(&kept, "of 40. Kept. Slot 7", true), "in this order");
        assert!(!fits(&kept, "Not kept. Slot 7 of 40.", true));
        assert!(fits(&kept, "Kept. Slot 7 of 40.", false));
        assert!(fits(&kept, "mast\n Kept. Slot 7 of 40. \n", false));
        assert!(!fits(&kept, "It is Kept. Slot 7 of 40.", false));
    }

    #[test]
    fn of_secrets_within_one_another_no_part_is_left_and_too_short_ones_spoil_nothing() {
        let secrets = ["", "e", "heron", "heron-on-one-leg"].map(ToOwned::to_owned);
        let said = short("refused: heron-on-one-leg, heron", &secrets);
        assert_eq!(said.raw(), "refused: (secret), (secret)");
    }

    #[test]
    fn a_secret_is_taken_out_before_the_text_is_cut() {
        let padding = "a".repeat(KEPT_CHARS - 3);
        let said = short(
            &format!("{padding}reeds-and-rushes"),
            &["reeds-and-rushes".into()],
        );
        assert_eq!(said.raw(), format!("{padding}(se"));
    }
}
