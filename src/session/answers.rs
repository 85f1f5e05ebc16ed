//! The answers of one reading: parsed, and asked for what stands where.
//!
//! A save is made from the very answers that the settings were read from, so they are kept, with
//! one-time tokens and all. Nothing of them is shown by `Debug`.

use std::{collections::BTreeMap, fmt};

use serde_json::Value as Json;

use super::{
    Limits, SessionError,
    http::Got,
    json,
    lines::Lines,
    page::{Page, PageError, PageLimits},
};
use crate::{
    profile::{At, Format, Login, Place, Profile, Request, SaveHow, Template},
    terms::{PlaceName, Pointer, Raw, RequestName, Untrusted},
};

/// All answers of one reading, and what stood at each place in them.
pub struct Answers {
    by_request: BTreeMap<RequestName, Answer>,
    places: BTreeMap<PlaceName, Raw>,
}

/// The names of the requests alone.
impl fmt::Debug for Answers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.by_request.keys()).finish()
    }
}

/// One answer, parsed.
pub(crate) enum Answer {
    Page(Box<Page>),
    Json(Json),
    Lines(Lines),
}

impl Answers {
    pub(super) fn new(
        by_request: BTreeMap<RequestName, Answer>,
        places: BTreeMap<PlaceName, Raw>,
    ) -> Self {
        Self { by_request, places }
    }

    /// What stood at a place, volatile ones included.
    pub fn raw(&self, place: &PlaceName) -> &Raw {
        self.places.get(place).unwrap_or(&Raw::Missing)
    }

    /// What stood at all places.
    pub(super) fn raws(&self) -> impl Iterator<Item = (&PlaceName, &Raw)> {
        self.places.iter()
    }

    /// The page that answered a request.
    pub(super) fn page(&self, what: &str, request: &RequestName) -> Result<&Page, SessionError> {
        match self.by_request.get(request) {
            Some(Answer::Page(page)) => Ok(page),
            _ => Err(not_read(what, request)),
        }
    }

    /// The JSON document that answered a request.
    pub(super) fn json(&self, what: &str, request: &RequestName) -> Result<&Json, SessionError> {
        match self.by_request.get(request) {
            Some(Answer::Json(document)) => Ok(document),
            _ => Err(not_read(what, request)),
        }
    }
}

/// What a save is made from was not read.
pub(super) fn not_read(what: &str, request: &RequestName) -> SessionError {
    SessionError::NotRead {
        what: what.to_owned(),
        request: request.clone(),
    }
}

/// What a profile looks for in the page that answers one request.
#[derive(Debug, Clone, Default)]
struct Sought {
    css: Vec<String>,
    forms: Vec<String>,
}

impl Sought {
    fn of(profile: &Profile, request: &RequestName) -> Self {
        let places = profile
            .places
            .values()
            .filter(|place| place.request == *request);
        let rules = profile
            .recognise
            .iter()
            .filter(|rule| rule.request == *request);
        let mut sought = Sought::default();
        for at in places
            .map(|place| &place.at)
            .chain(rules.map(|rule| &rule.at))
        {
            match at {
                At::Css(css) => sought.css.push(css.clone()),
                At::Control { form, .. } => sought.forms.extend(form.clone()),
                At::Pointer(_) | At::Line(_) => {}
            }
        }
        for save in &profile.saves {
            if let SaveHow::Form {
                request: of,
                select,
                ..
            } = &save.how
                && of == request
            {
                sought.forms.push(select.clone());
            }
        }
        // Where a device shows its login again it shows it in the place of any page.
        if let Login::Form {
            request: login,
            select,
            ..
        } = &profile.login
        {
            sought.forms.push(select.clone());
            if login == request {
                // What it says of a login is told from what it said before.
                sought.css.push("body".to_owned());
            }
        }
        for list in [&mut sought.css, &mut sought.forms] {
            list.sort_unstable();
            list.dedup();
        }
        sought
    }
}

/// Parses an answer as its request says, on a thread where that may take its time. None: the
/// answer is not looked at.
pub(crate) async fn parse(
    got: Got,
    profile: &Profile,
    request: &Request,
    limits: &Limits,
) -> Result<Option<Answer>, SessionError> {
    let Some(format) = request.format else {
        return Ok(None);
    };
    let sought = Sought::of(profile, &request.name);
    let (name, nesting) = (request.name.clone(), limits.nesting);
    tokio::task::spawn_blocking(move || parse_now(&got, format, &sought, &name, nesting))
        .await
        // A page on which the parser panics must not take the program along.
        .unwrap_or_else(|_| {
            Err(SessionError::Unparsable {
                request: request.name.clone(),
            })
        })
        .map(Some)
}

fn parse_now(
    got: &Got,
    format: Format,
    sought: &Sought,
    request: &RequestName,
    nesting: usize,
) -> Result<Answer, SessionError> {
    let request = || request.clone();
    match format {
        Format::Html => as_page(got, &texts(&sought.css), &texts(&sought.forms), nesting)
            .map(|page| Answer::Page(Box::new(page)))
            .map_err(|source| SessionError::Page {
                request: request(),
                source,
            }),
        Format::Json => json::parse(&got.body, nesting)
            .map(Answer::Json)
            .map_err(|source| SessionError::Json {
                request: request(),
                source,
            }),
        Format::Lines => Lines::parse(&got.body)
            .map(Answer::Lines)
            .map_err(|source| SessionError::Lines {
                request: request(),
                source,
            }),
    }
}

fn texts(list: &[String]) -> Vec<&str> {
    list.iter().map(String::as_str).collect()
}

/// An answer as a page.
pub(crate) fn as_page(
    got: &Got,
    css: &[&str],
    forms: &[&str],
    nesting: usize,
) -> Result<Page, PageError> {
    let limits = PageLimits {
        nesting,
        ..PageLimits::default()
    };
    Page::parse(
        &got.body,
        got.content_type.as_deref(),
        &got.url,
        css,
        forms,
        &limits,
    )
}

/// What stands somewhere in an answer; or, in words, what is in the way of knowing it.
pub(crate) fn look(answer: &Answer, at: &At) -> Result<Raw, String> {
    match (answer, at) {
        (Answer::Page(page), At::Css(css)) => match page.text(css) {
            Ok(text) => Ok(Raw::Text(text.to_owned())),
            Err(PageError::NotFound { .. }) => Ok(Raw::Missing),
            Err(error) => Err(error.to_string()),
        },
        (Answer::Page(page), At::Control { form, name }) => {
            let form = match form {
                Some(select) => page.form(select),
                None => page.form_with_control(name),
            };
            match form {
                Ok(form) => Ok(form.raw(name)),
                Err(PageError::NotFound { .. }) => Ok(Raw::Missing),
                Err(error) => Err(error.to_string()),
            }
        }
        (Answer::Json(document), At::Pointer(text)) => {
            let pointer: Pointer = text.parse().map_err(|e| format!("`{text}`: {e}"))?;
            Ok(pointer
                .get(document)
                .map_or(Raw::Missing, |json| Raw::Json(json.clone())))
        }
        (Answer::Lines(lines), At::Line(key)) => lines
            .get(key)
            .map(|value| value.map_or(Raw::Missing, |text| Raw::Text(text.to_owned())))
            .map_err(|error| error.to_string()),
        _ => Err(format!(
            "{} cannot stand in an answer of its kind",
            shown(at)
        )),
    }
}

/// What stands at a place, without what the profile says is around it. [`Raw::Missing`] where it
/// is not there and may be missing.
pub(super) fn raw_at(answer: &Answer, place: &Place) -> Result<Raw, SessionError> {
    let missing = |why: String| SessionError::PlaceMissing {
        place: place.name.clone(),
        request: place.request.clone(),
        why,
    };
    let raw = look(answer, &place.at).map_err(missing)?;
    let bare = matches!(place.at, At::Css(_) | At::Line(_));
    match (&place.text, &raw) {
        (Some(template), Raw::Text(text)) if bare => template
            .find(text)
            .map(|hole| Raw::Text(hole.to_owned()))
            .ok_or_else(|| missing(format!("{} does not read `{template}`", shown(&place.at)))),
        _ => Ok(raw),
    }
}

/// Where, as it is written in a profile.
pub(super) fn shown(at: &At) -> String {
    match at {
        At::Css(css) => format!("`{css}`"),
        At::Control { form: None, name } => format!("the control `{name}`"),
        At::Control {
            form: Some(form),
            name,
        } => format!("the control `{name}` of `{form}`"),
        At::Pointer(pointer) => format!("`{pointer}`"),
        At::Line(key) => format!("the line `{key}`"),
    }
}

/// Whether the answers are those of a profile's family; or, in words, which rule does not hold.
pub(crate) fn recognise(
    profile: &Profile,
    by_request: &BTreeMap<RequestName, Answer>,
) -> Result<(), String> {
    for rule in &profile.recognise {
        let Some(answer) = by_request.get(&rule.request) else {
            return Err(format!("`{}` has no answer", rule.request));
        };
        let stands = look(answer, &rule.at)?;
        match text_of(&stands) {
            Some(text) if rule.text.find(&text).is_some() => {}
            Some(text) => {
                return Err(format!(
                    "{} says `{}`, not `{}`",
                    shown(&rule.at),
                    Untrusted::new(text),
                    plain(&rule.text)
                ));
            }
            None => return Err(format!("{} is not there", shown(&rule.at))),
        }
    }
    Ok(())
}

fn plain(template: &Template) -> String {
    template.fill("…")
}

/// One text for what stands at a place: of a text, a choice, or a JSON scalar.
pub(super) fn text_of(raw: &Raw) -> Option<String> {
    match raw {
        Raw::Text(text) | Raw::Choice(Some(text)) | Raw::Json(Json::String(text)) => {
            Some(text.clone())
        }
        Raw::Box(ticked) => Some(ticked.to_string()),
        Raw::Json(json @ (Json::Bool(_) | Json::Number(_))) => Some(json.to_string()),
        Raw::Missing | Raw::Choice(None) | Raw::Many(_) | Raw::Json(_) => None,
    }
}
