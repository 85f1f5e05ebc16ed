//! Talk to one device by one profile: read all of it, send one save.
//!
//! What goes out is decided by the profile and by intent: a request that only asks is repeated
//! when it fails, one that acts is sent exactly once. What comes back is a stranger's: bounded in
//! size, nesting and time ([`limits`]), pinned to its origin ([`origin`]), and never shown
//! unescaped. Where the way to the device can be lost, each request that acts asks first whether it
//! still holds ([`Footing`]). Whether a save took is not for this module to say; that is read again and compared.

mod answers;
mod body;
mod error;
mod footing;
pub mod http;
pub mod json;
pub mod limits;
pub mod lines;
pub mod login;
mod look;
pub mod origin;
pub mod page;
#[cfg(all(test, feature = "practice"))]
mod practice;
mod read;
mod send;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;

use std::{
    collections::BTreeMap,
    fmt,
    sync::{Arc, Mutex, PoisonError},
};

pub use answers::Answers;
pub use error::SessionError;
pub use footing::Footing;
pub use http::HttpError;
pub use limits::{Limit, LimitError, Limits};
pub use login::Credentials;
pub use look::Look;
pub use origin::{Origin, OriginError};
pub use read::Harvest;
pub use send::Reply;

pub(crate) use answers::{as_page, parse, recognise};

use crate::{
    profile::{Profile, Request, RestartBy},
    terms::{Overlay, RequestName, SaveName, Untrusted},
};
use answers::Answer;
use http::{Acted, Got, Http, Unanswered, Unreached};
use login::{LoginForm, Pass};
use look::Looked;

/// One device, by one profile, through one origin.
#[derive(Clone)]
pub struct Session {
    http: Http,
    profile: Arc<Profile>,
    limits: Limits,
    bssid: BssidNow,
    pass: Arc<Pass>,
    /// Used up by the first reading.
    fetched: Arc<Mutex<Fetched>>,
    /// Used up by the reading right after it.
    looked: Arc<Mutex<Option<Looked>>>,
    footing: Option<Arc<dyn Footing>>,
}

/// Asked for each reading: the BSSID of the network through which the device is reached at this
/// moment, or none where that is not known, such as at a plain address. It must not wait.
pub type BssidNow = Arc<dyn Fn() -> Option<[u8; 6]> + Send + Sync>;

/// That of a plain address: nothing is known of the network behind it.
pub fn no_bssid() -> BssidNow {
    Arc::new(|| None)
}

/// The origin and the family.
impl fmt::Debug for Session {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Session")
            .field("origin", self.origin())
            .field("family", &self.profile.family)
            .finish_non_exhaustive()
    }
}

/// Answers that were fetched before the session began, by request.
pub type Fetched = BTreeMap<RequestName, Got>;

/// Whether a device is there at this moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Alive {
    /// It answers, whatever it says.
    Answers,
    /// It refuses, resets or closes the connection: its server does not run at this moment.
    Gone,
    /// Nothing came in time, or no network leads there. Nobody can say whose fault that is, so
    /// this alone is no witness of a restart.
    Silent,
}

impl Alive {
    /// What it means that no status came.
    fn without_status(error: &HttpError) -> Self {
        match error {
            HttpError::NotSent { how, .. } => match how {
                Unreached::Refused => Alive::Gone,
                Unreached::NoRoute | Unreached::Silent | Unreached::Other(_) => Alive::Silent,
            },
            HttpError::NoAnswer { how, .. } => match how {
                Unanswered::Reset | Unanswered::Closed => Alive::Gone,
                Unanswered::NotHttp => Alive::Answers,
                Unanswered::Silent | Unanswered::Other(_) => Alive::Silent,
            },
            _ => Alive::Silent,
        }
    }
}

impl Session {
    /// A session with the device at an origin; `bssid` is asked anew for each reading, so that a
    /// lookalike that comes back in the device's place is noticed. Nothing is sent.
    pub fn new(
        origin: Origin,
        profile: Arc<Profile>,
        limits: Limits,
        bssid: BssidNow,
    ) -> Result<Self, SessionError> {
        let pass = Arc::new(Pass::new(&profile.login, None));
        Ok(Self {
            http: Http::new(origin, limits.clone())?.showing(Arc::clone(&pass)),
            pass,
            profile,
            limits,
            bssid,
            fetched: Arc::default(),
            looked: Arc::default(),
            footing: None,
        })
    }

    /// The same with a user's name and a password, for a family that asks for a login.
    #[must_use]
    pub fn letting_in(self, credentials: Credentials) -> Self {
        let pass = Arc::new(Pass::new(&self.profile.login, Some(credentials)));
        Self {
            http: self.http.showing(Arc::clone(&pass)),
            pass,
            ..self
        }
    }

    /// The same, whose first reading takes these answers instead of asking for them again: they
    /// are of the same device and a moment old.
    #[must_use]
    pub fn knowing(self, fetched: Fetched) -> Self {
        Self {
            fetched: Arc::new(Mutex::new(fetched)),
            ..self
        }
    }

    /// Where the device is.
    pub fn origin(&self) -> &Origin {
        self.http.origin()
    }

    /// How its family behaves.
    pub fn profile(&self) -> &Arc<Profile> {
        &self.profile
    }

    /// Reads all of the device: first whether it is of the family at all, then every answer that a
    /// place stands in, one after the other. Where the family asks for a login it is given in
    /// between, once; a device that has ended an earlier one is read anew from the beginning, since
    /// what was read before belongs to what has ended.
    ///
    /// Safe to repeat and to drop at any point: it acts on nothing. An error where
    /// [`SessionError::is_transport`] holds may pass by itself; any other will not.
    pub async fn read(&self) -> Result<Harvest, SessionError> {
        let mut fetched =
            std::mem::take(&mut *self.fetched.lock().unwrap_or_else(PoisonError::into_inner));
        if let Some(form) = LoginForm::of(&self.profile.login) {
            // The form that is sent is of a page that this session was shown, with its cookies.
            fetched.remove(form.request);
        }
        match self.read_once(fetched).await {
            Err(SessionError::LoggedOut { request }) => {
                tracing::debug!(%request, "logged out; reading anew");
                self.read_once(Fetched::new()).await
            }
            Err(error) if self.regains(&error).await => self.read_once(Fetched::new()).await,
            done => done,
        }
    }

    async fn read_once(&self, mut fetched: Fetched) -> Result<Harvest, SessionError> {
        if let Some(says) = self.pass.refused() {
            return Err(SessionError::LoginRefused { says });
        }
        // Before anything is asked and after everything is answered: where the two differ, some of
        // the answers may be of another device.
        let bssid = (self.bssid)();
        fetched.extend(self.just_seen(bssid));
        let mut by_request = self.recognised(&mut fetched).await?;
        let mut fresh = false;
        for request in self.profile.reading() {
            if request.login && !self.is_open() {
                self.expect_login(bssid)?;
                if self.pass.is_outside() {
                    self.come_in(&mut by_request).await?;
                    fresh = true;
                }
            }
            match self.ask(request, &mut fetched, &mut by_request).await {
                Err(SessionError::LoggedOut { .. }) if fresh => {
                    // It asks again for what it has just been told.
                    return Err(self.refused_login(Untrusted::default()));
                }
                Err(error @ SessionError::LoggedOut { .. }) => {
                    self.pass.put_out();
                    return Err(error);
                }
                asked => asked?,
            }
            fresh = false;
        }
        if (self.bssid)() != bssid {
            return Err(SessionError::AnotherDevice);
        }
        read::harvest(&self.profile, self.origin(), bssid, by_request)
    }

    /// The answers by which it is recognised, if it is of the family.
    async fn recognised(
        &self,
        fetched: &mut Fetched,
    ) -> Result<BTreeMap<RequestName, Answer>, SessionError> {
        let mut by_request = BTreeMap::new();
        for rule in &self.profile.recognise {
            if let Some(request) = self.profile.requests.get(&rule.request) {
                let asked = self.ask(request, fetched, &mut by_request).await;
                asked.map_err(|error| self.stranger(error))?;
            }
        }
        recognise(&self.profile, &by_request).map_err(|why| SessionError::AnotherFamily {
            family: self.profile.family.clone(),
            why,
        })?;
        Ok(by_request)
    }

    /// Sends one save, once: what the answers hold, with the overlay's differences.
    ///
    /// Not to be repeated unless it ends with [`Reply::NotSent`], [`Reply::Astray`] or an error, which
    /// say that nothing reached the device. Dropped halfway, it may or may not have been sent.
    pub async fn save(
        &self,
        answers: &Answers,
        save: &SaveName,
        overlay: &Overlay,
    ) -> Result<Reply, SessionError> {
        let save = self
            .profile
            .save(save.as_str())
            .ok_or_else(|| SessionError::UnknownSave { save: save.clone() })?;
        let newer = match self.stands(answers).await {
            Ok(newer) => newer,
            Err(why) => return Ok(Reply::Astray { why }),
        };
        let answers = newer.as_ref().unwrap_or(answers);
        let mut ask = send::save(self.origin(), &self.profile, answers, save, overlay)?;
        ask.login = !self.is_open();
        let secrets = self.secrets(answers, overlay);
        let acted = self.act(save.name.as_str(), &ask).await?;
        if save.restarts {
            self.pass.put_out();
        }
        match acted {
            Ok(acted) if self.shows_login(&acted).await => Ok(login::asks_again(acted.status)),
            Ok(acted) if save.answer.is_none() && self.shows_settings(&acted) => {
                Ok(Reply::Answered {
                    status: acted.status,
                    says: "(it shows its settings again)".into(),
                    as_expected: None,
                })
            }
            acted => send::outcome(acted, save.answer.as_ref(), &secrets, &self.limits).await,
        }
    }

    /// Whether a save could be made of these answers, as [`Session::save`] would make it. Nothing is
    /// sent.
    pub fn builds(
        &self,
        answers: &Answers,
        save: &SaveName,
        overlay: &Overlay,
    ) -> Result<(), SessionError> {
        let save = self
            .profile
            .save(save.as_str())
            .ok_or_else(|| SessionError::UnknownSave { save: save.clone() })?;
        send::save(self.origin(), &self.profile, answers, save, overlay).map(drop)
    }

    /// Sends the request that makes the device restart, once. The same holds as for
    /// [`Session::save`].
    pub async fn restart(&self, answers: &Answers) -> Result<Reply, SessionError> {
        let request = match self.profile.restart.as_ref().map(|restart| &restart.by) {
            Some(RestartBy::Request(name)) => self.profile.requests.get(name),
            Some(RestartBy::Saving) | None => None,
        };
        let request = request.ok_or_else(|| SessionError::NoRestart {
            family: self.profile.family.clone(),
        })?;
        self.send(answers, request, true).await
    }

    /// Sends a request of the profile that acts and writes no setting, once. The same holds as for
    /// [`Session::save`].
    pub async fn ask_once(
        &self,
        answers: &Answers,
        request: &RequestName,
    ) -> Result<Reply, SessionError> {
        let found = self.profile.requests.get(request);
        let found = found.ok_or_else(|| SessionError::BadPath {
            what: request.to_string(),
        })?;
        self.send(answers, found, false).await
    }

    /// `restarts`: whether whoever was let in has to log in again after it.
    async fn send(
        &self,
        answers: &Answers,
        request: &Request,
        restarts: bool,
    ) -> Result<Reply, SessionError> {
        let newer = match self.stands(answers).await {
            Ok(newer) => newer,
            Err(why) => return Ok(Reply::Astray { why }),
        };
        let answers = newer.as_ref().unwrap_or(answers);
        let ask = send::request(self.origin(), request, Some(answers))?;
        let secrets = self.secrets(answers, &Overlay::new());
        let acted = self.act(request.name.as_str(), &ask).await?;
        if restarts {
            self.pass.put_out();
        }
        match acted {
            Ok(acted) if self.shows_login(&acted).await => Ok(login::asks_again(acted.status)),
            acted => send::outcome(acted, None, &secrets, &self.limits).await,
        }
    }

    /// What must not stand in what is told of an answer.
    fn secrets(&self, answers: &Answers, overlay: &Overlay) -> Vec<String> {
        let mut secrets = send::secrets(&self.profile, answers, overlay);
        secrets.extend(self.pass.credentials().map(|known| known.word().to_owned()));
        secrets
    }

    /// Whether a request that acts led to a page that is read by itself: its words are those of
    /// its controls.
    fn shows_settings(&self, acted: &Acted) -> bool {
        let Ok(got) = &acted.answer else {
            return false;
        };
        let leads = (300..400).contains(&acted.status);
        leads
            && self.profile.reading().into_iter().any(|request| {
                let url = self.origin().join(&request.path);
                url.is_some_and(|url| url.path() == got.url.path())
            })
    }

    /// Knocks once, with the first request by which the family is recognised, and waits for no
    /// more than a status.
    pub async fn alive(&self) -> Alive {
        let first = self.profile.recognise.first();
        let request = first.and_then(|rule| self.profile.requests.get(&rule.request));
        let ask = request.map(|request| send::request(self.origin(), request, None));
        let Some(Ok(ask)) = ask else {
            return Alive::Silent;
        };
        match self.http.knock(&ask).await {
            Ok(_) => Alive::Answers,
            Err(error) => Alive::without_status(&error),
        }
    }

    async fn ask(
        &self,
        request: &Request,
        fetched: &mut Fetched,
        by_request: &mut BTreeMap<RequestName, Answer>,
    ) -> Result<(), SessionError> {
        if by_request.contains_key(&request.name) || request.acts {
            return Ok(());
        }
        let got = match fetched.remove(&request.name) {
            Some(got) => got,
            None => self.fetch(request).await?,
        };
        let shown = self.shows_login_instead(&got, request).await;
        let answer = parse(got, &self.profile, request, &self.limits).await;
        if shown || matches!(&answer, Ok(Some(answer)) if self.is_login(answer, request)) {
            return Err(SessionError::LoggedOut {
                request: request.name.clone(),
            });
        }
        let answer = answer?;
        if let Some(answer) = answer {
            by_request.insert(request.name.clone(), answer);
        }
        Ok(())
    }

    /// A device that has no such page is of another family.
    fn stranger(&self, error: SessionError) -> SessionError {
        match error {
            SessionError::Http(HttpError::Status { .. }) => SessionError::AnotherFamily {
                family: self.profile.family.clone(),
                why: error.to_string(),
            },
            other => other,
        }
    }
}
