//! What is out there: at an address, which family answers.
//!
//! [`air`] says which access points may be devices, [`wait`] waits until one opens, [`mdns`] hears
//! those that have joined a local network, and [`around`] listens for both. At an address
//! each family says by what it is recognised; each page that this takes is fetched once, whatever
//! number of families look at it. Nothing here acts on a device.

pub mod addressing;
pub mod air;
pub mod around;
pub mod mdns;
pub mod wait;

use std::{
    collections::{BTreeMap, btree_map::Entry},
    sync::Arc,
};

use url::Url;

use crate::{
    profile::{Method, Profile, Request},
    session::{
        Fetched, HttpError, Limits, Origin, SessionError, as_page,
        http::{Ask, Got, Http, Unreached},
        page::PageError,
        parse, recognise,
    },
    terms::{Exit, Untrusted},
};

/// Why no family was found.
#[derive(Debug, thiserror::Error)]
pub enum FindError {
    /// Nothing is there, or it does not take a connection.
    #[error("no device answers at `{origin}`: {how}")]
    NobodyThere {
        /// Where.
        origin: Origin,
        /// How that shows.
        how: Unreached,
    },
    /// Something is there, and none of the families.
    #[error("what answers at `{origin}` fits none of {tried}: {says}")]
    NoReceiver {
        /// Where.
        origin: Origin,
        /// The profiles that were tried.
        tried: Box<str>,
        /// The title of its page, or its status, escaped.
        says: Box<str>,
    },
    /// It answers with a page that is more than any device's.
    #[error("what answers at `{origin}` is not looked at: {source}")]
    OverLimit {
        /// Where.
        origin: Origin,
        /// Which bound it breaks.
        source: Box<PageError>,
    },
    /// A request failed in another way.
    #[error(transparent)]
    Http(#[from] HttpError),
    /// No profile is there to look for.
    #[error("there is no profile to recognise a device by")]
    NoProfiles,
}

/// A family that fits, with the answers by which it was recognised.
#[derive(Debug, Clone)]
pub struct Found {
    /// The family.
    pub profile: Arc<Profile>,
    /// What was fetched for that: the first reading need not ask for it again.
    pub fetched: Fetched,
}

/// The families that the device at an origin may be of, in the order given.
///
/// Several may fit: then a person has to say which. Safe to repeat.
pub async fn at(
    origin: &Origin,
    profiles: &[Arc<Profile>],
    limits: &Limits,
) -> Result<Vec<Found>, FindError> {
    let http = Http::new(origin.clone(), limits.clone())?;
    let mut answers = Answers {
        http: &http,
        fetched: BTreeMap::new(),
    };
    let mut found = Vec::new();
    for profile in profiles {
        if let Some(fetched) = answers.fit(profile, limits).await? {
            found.push(Found {
                profile: Arc::clone(profile),
                fetched,
            });
        }
    }
    if found.is_empty() {
        return Err(answers.nobody(profiles, limits).await);
    }
    Ok(found)
}

/// What makes two requests the same one: the whole address, and what a whole answer ends with.
type Key = (Url, Option<String>);

/// Each answer, fetched once.
struct Answers<'a> {
    http: &'a Http,
    fetched: BTreeMap<Key, Result<Got, HttpError>>,
}

impl Answers<'_> {
    /// What was fetched of a device that fits a profile.
    async fn fit(
        &mut self,
        profile: &Profile,
        limits: &Limits,
    ) -> Result<Option<Fetched>, FindError> {
        let mut by_request = BTreeMap::new();
        let mut fetched = Fetched::new();
        for rule in &profile.recognise {
            let Some(request) = profile.requests.get(&rule.request) else {
                return Ok(None);
            };
            if by_request.contains_key(&request.name) {
                continue;
            }
            let Some(got) = self.fetch(request).await? else {
                return Ok(None);
            };
            fetched.insert(request.name.clone(), got.clone());
            match parse(got, profile, request, limits).await {
                Ok(Some(answer)) => {
                    by_request.insert(request.name.clone(), answer);
                }
                Err(SessionError::Page { source, .. }) if source.is_over_limit() => {
                    return Err(FindError::OverLimit {
                        origin: self.http.origin().clone(),
                        source: Box::new(source),
                    });
                }
                // What is not read as this family's answer is another family's.
                _ => {}
            }
        }
        let fits = recognise(profile, &by_request);
        if let Err(why) = &fits {
            tracing::debug!(family = %profile.family, %why, "another family");
        }
        Ok(fits.is_ok().then_some(fetched))
    }

    /// The answer to a request; none where the device answers that there is no such page.
    async fn fetch(&mut self, request: &Request) -> Result<Option<Got>, FindError> {
        if request.method != Method::Get || request.acts {
            return Ok(None);
        }
        let Some(url) = self.http.origin().join(&request.path) else {
            return Ok(None);
        };
        let origin = self.http.origin().clone();
        // Families that look at one page want other ends of it, or none: it is fetched once for
        // all, and again only for a family that does not find its end there.
        let got = match &request.ends {
            Some(ends) if !is_settled(self.get(&url, None).await, ends) => {
                self.get(&url, Some(ends)).await
            }
            _ => self.get(&url, None).await,
        };
        match got {
            Ok(got) => Ok(Some(got.clone())),
            Err(HttpError::NotSent { how, .. }) => Err(FindError::NobodyThere {
                origin,
                how: how.clone(),
            }),
            // No HTTP at all; whatever else fails there, no other page will be better.
            Err(error @ HttpError::NoAnswer { .. }) => Err(error.clone().into()),
            Err(_) => Ok(None),
        }
    }

    /// The answer that was fetched, or is fetched now.
    async fn get(&mut self, url: &Url, ends: Option<&str>) -> &Result<Got, HttpError> {
        let ask = Ask {
            ends: ends.map(ToOwned::to_owned),
            ..Ask::get(url.clone())
        };
        match self.fetched.entry((url.clone(), ask.ends.clone())) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => place.insert(self.http.fetch(&ask).await),
        }
    }

    /// Why none of the families fits, from what was fetched.
    async fn nobody(&self, profiles: &[Arc<Profile>], limits: &Limits) -> FindError {
        let tried: Vec<&str> = profiles
            .iter()
            .map(|profile| profile.family.as_str())
            .collect();
        let tried = tried.join(", ").into_boxed_str();
        let mut failed = None;
        for result in self.fetched.values() {
            match result {
                Ok(got) => {
                    return FindError::NoReceiver {
                        origin: self.http.origin().clone(),
                        tried,
                        says: says(got.clone(), limits.nesting).await.into(),
                    };
                }
                Err(error) => failed = failed.or(Some(error)),
            }
        }
        match failed {
            None => FindError::NoProfiles,
            Some(error @ HttpError::Status { .. }) => FindError::NoReceiver {
                origin: self.http.origin().clone(),
                tried,
                says: error.to_string().into(),
            },
            Some(error) => error.clone().into(),
        }
    }
}

/// Whether another try with this end could bring nothing new.
fn is_settled(got: &Result<Got, HttpError>, ends: &str) -> bool {
    match got {
        Ok(got) => got.body.trim_ascii_end().ends_with(ends.as_bytes()),
        Err(error) => matches!(
            error,
            HttpError::NotSent { .. } | HttpError::NoAnswer { .. } | HttpError::Status { .. }
        ),
    }
}

/// How a stranger's page calls itself.
async fn says(got: Got, nesting: usize) -> String {
    let title = tokio::task::spawn_blocking(move || {
        let page = as_page(&got, &["title"], &[], nesting).ok()?;
        page.text("title")
            .ok()
            .map(|title| Untrusted::new(title).to_string())
    });
    match title.await {
        Ok(Some(title)) if !title.is_empty() => format!("its page is titled `{title}`"),
        _ => "its page has no title".to_owned(),
    }
}

impl FindError {
    /// A stable kebab-case code.
    pub fn code(&self) -> &'static str {
        match self {
            FindError::NobodyThere { .. } => "nobody-there",
            FindError::NoReceiver { .. } => "no-receiver",
            FindError::OverLimit { .. } => "page-over-limit",
            FindError::Http(error) => error.code(),
            FindError::NoProfiles => "no-profiles",
        }
    }

    /// How a run ends that this stops before anything was written.
    pub fn exit(&self) -> Exit {
        match self {
            FindError::NobodyThere { .. }
            | FindError::NoReceiver { .. }
            | FindError::OverLimit { .. } => Exit::NoDevice,
            FindError::Http(error) => error.exit(),
            FindError::NoProfiles => Exit::Usage,
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<String> {
        match self {
            FindError::NobodyThere { how: Unreached::Refused, .. } => Some(
                "something is at this address and takes no connection: check the port, or wait if the device is starting".into(),
            ),
            FindError::NobodyThere { .. } => Some(
                "check that the device has power and that this computer is on its network; a fallback network opens only some time after power-up".into(),
            ),
            FindError::OverLimit { .. } => {
                Some("a receiver's page is small: check the address".into())
            }
            FindError::NoReceiver { .. } => Some(
                "check the address; `linkmend profile list` shows the known families".into(),
            ),
            FindError::Http(error) => error.help().map(Into::into),
            FindError::NoProfiles => None,
        }
    }
}

#[cfg(test)]
mod tests;
