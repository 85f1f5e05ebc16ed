//! Talk to one device by one profile: read all of it, send one save.
//!
//! What goes out is decided by the profile and by intent: a request that only asks is repeated
//! when it fails, one that acts is sent exactly once. What comes back is a stranger's: bounded in
//! size, nesting and time ([`limits`]), pinned to its origin ([`origin`]), and never shown
//! unescaped. Whether a save took is not for this module to say; that is read again and compared.

mod answers;
mod body;
mod error;
pub mod http;
pub mod json;
pub mod limits;
pub mod lines;
pub mod login;
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
pub use http::HttpError;
pub use limits::{Limit, LimitError, Limits};
pub use login::Credentials;
pub use origin::{Origin, OriginError};
pub use read::Harvest;
pub use send::Reply;

pub(crate) use answers::{as_page, parse, recognise};

use crate::{
    profile::{Format, Login, Profile, Request, RestartBy},
    terms::{Overlay, RequestName, SaveName, Untrusted},
};
use answers::Answer;
use http::{Acted, Ask, Got, Http, Unanswered, Unreached};
use login::{Challenged, LoginForm, Pass};

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
            http: Http::new(origin, limits.clone(), None)?.showing(Arc::clone(&pass)),
            pass,
            profile,
            limits,
            bssid,
            fetched: Arc::default(),
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
        let mut by_request = BTreeMap::new();
        for rule in &self.profile.recognise {
            if let Some(request) = self.profile.requests.get(&rule.request) {
                let asked = self.ask(request, &mut fetched, &mut by_request).await;
                asked.map_err(|error| self.stranger(error))?;
            }
        }
        recognise(&self.profile, &by_request).map_err(|why| SessionError::AnotherFamily {
            family: self.profile.family.clone(),
            why,
        })?;
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
                    // It asks again although it has just been told.
                    return Err(self.refused_login(Untrusted::default()));
                }
                Err(error @ SessionError::LoggedOut { .. }) => {
                    self.pass.put_out();
                    return Err(error);
                }
                asked => asked?,
            }
        }
        if (self.bssid)() != bssid {
            return Err(SessionError::AnotherDevice);
        }
        read::harvest(&self.profile, self.origin(), bssid, by_request)
    }

    /// Sends one save, once: what the answers hold, with the overlay's differences.
    ///
    /// Not to be repeated unless it ends with [`Reply::NotSent`] or an error, which say that nothing
    /// reached the device. Dropped halfway, it may or may not have been sent.
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
        let mut ask = send::save(self.origin(), &self.profile, answers, save, overlay)?;
        ask.login = !self.is_open();
        let secrets = send::secrets(&self.profile, answers, overlay);
        let acted = self.act(save.name.as_str(), &ask).await?;
        if save.restarts {
            self.pass.put_out();
        }
        match acted {
            Ok(acted) if self.shows_login(&acted).await => Ok(asks_again(acted.status)),
            acted => send::outcome(acted, save.answer.as_ref(), &secrets, &self.limits).await,
        }
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
        let ask = send::request(self.origin(), request, Some(answers))?;
        let secrets = send::secrets(&self.profile, answers, &Overlay::new());
        let acted = self.act(request.name.as_str(), &ask).await?;
        self.pass.put_out();
        match acted {
            Ok(acted) if self.shows_login(&acted).await => Ok(asks_again(acted.status)),
            acted => send::outcome(acted, None, &secrets, &self.limits).await,
        }
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
            Err(HttpError::NotSent { how, .. }) => match how {
                Unreached::Refused => Alive::Gone,
                Unreached::NoRoute | Unreached::Silent | Unreached::Other(_) => Alive::Silent,
            },
            Err(HttpError::NoAnswer { how, .. }) => match how {
                Unanswered::Reset | Unanswered::Closed => Alive::Gone,
                Unanswered::NotHttp => Alive::Answers,
                Unanswered::Silent | Unanswered::Other(_) => Alive::Silent,
            },
            Err(_) => Alive::Silent,
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
        let form = LoginForm::of(&self.profile.login).filter(|_| request.login);
        let logged_out = || SessionError::LoggedOut {
            request: request.name.clone(),
        };
        if let Some(form) = &form
            && (self.is_at_login(&got, request)
                || (request.format != Some(Format::Html)
                    && form.is_in(&got, self.limits.nesting).await))
        {
            return Err(logged_out());
        }
        let answer = parse(got, &self.profile, request, &self.limits).await?;
        if let (Some(form), Some(Answer::Page(page))) = (&form, &answer)
            && form.is_on(page)
        {
            return Err(logged_out());
        }
        if let Some(answer) = answer {
            by_request.insert(request.name.clone(), answer);
        }
        Ok(())
    }

    /// The whole answer to a request that does not act, with what lets it in.
    async fn fetch(&self, request: &Request) -> Result<Got, SessionError> {
        let ask = send::request(self.origin(), request, None)?;
        let mut tries = 0;
        loop {
            tries += 1;
            let error = match self.http.fetch(&ask).await {
                Err(error @ HttpError::Status { .. }) if request.login => error,
                done => return Ok(done?),
            };
            let HttpError::Status { status, .. } = error else {
                return Err(error.into());
            };
            match (&self.profile.login, status) {
                (Login::Form { .. }, 401 | 403) => {
                    return Err(SessionError::LoggedOut {
                        request: request.name.clone(),
                    });
                }
                (Login::Digest, 401) => match self.pass.challenged() {
                    // Without a challenge, with it, and once more with a newer nonce.
                    Challenged::Again if tries < MOST_CHALLENGES => {}
                    Challenged::Again | Challenged::Refused => {
                        return Err(self.refused_login(Untrusted::default()));
                    }
                    Challenged::Unknown => {
                        return Err(SessionError::LoginUnknown {
                            request: request.name.clone(),
                        });
                    }
                },
                (Login::Basic, 401) | (Login::Basic | Login::Digest, 403) => {
                    return Err(self.refused_login(Untrusted::default()));
                }
                _ => return Err(error.into()),
            }
        }
    }

    /// Whether the family asks for no login.
    fn is_open(&self) -> bool {
        self.profile.login == Login::None
    }

    /// Whether the device that was just recognised may be told a password, and there is one.
    fn expect_login(&self, bssid: Option<[u8; 6]>) -> Result<(), SessionError> {
        if self.pass.credentials().is_none() {
            return Err(SessionError::LoginMissing {
                family: self.profile.family.clone(),
            });
        }
        let stable = bssid.filter(|_| self.profile.identity.bssid_stable);
        if (self.bssid)() != bssid || !self.pass.is_for(stable) {
            return Err(SessionError::AnotherDevice);
        }
        Ok(())
    }

    /// Sends the login form, once.
    async fn come_in(
        &self,
        by_request: &mut BTreeMap<RequestName, Answer>,
    ) -> Result<(), SessionError> {
        let (Some(form), Some(credentials)) = (
            LoginForm::of(&self.profile.login),
            self.pass.credentials().cloned(),
        ) else {
            return Ok(());
        };
        if let Some(request) = self.profile.requests.get(form.request) {
            self.ask(request, &mut Fetched::new(), by_request).await?;
        }
        let Some(Answer::Page(page)) = by_request.get(form.request) else {
            return Err(answers::not_read("login", form.request));
        };
        let ask = form.filled(page, &credentials)?;
        let acted = self.http.act(&ask).await?;
        let nesting = self.limits.nesting;
        match form.refusal(&acted, &credentials, nesting).await? {
            Some(says) => Err(self.refused_login(says)),
            None => {
                self.pass.came_in();
                Ok(())
            }
        }
    }

    fn refused_login(&self, says: Untrusted) -> SessionError {
        self.pass.refuse(says.clone());
        SessionError::LoginRefused { says }
    }

    /// Sends a request that acts, once. The outer error says that nothing was sent.
    async fn act(&self, what: &str, ask: &Ask) -> Result<Result<Acted, HttpError>, SessionError> {
        if ask.login && self.pass.drops_used_nonce() {
            // A device that takes each nonce once would refuse it; it gives another for a request
            // that only asks.
            let reading = self.profile.reading();
            if let Some(request) = reading.into_iter().find(|request| request.login) {
                let bare = send::request(self.origin(), request, None)?;
                let _ = self.http.fetch(&bare).await;
            }
        }
        if ask.login && !self.pass.is_ready() {
            return Err(SessionError::NotLetIn {
                what: what.to_owned(),
            });
        }
        Ok(self.http.act(ask).await)
    }

    /// Whether an answer came from where the login form is, though something else was asked for.
    fn is_at_login(&self, got: &Got, request: &Request) -> bool {
        let form = LoginForm::of(&self.profile.login);
        let login = form.and_then(|form| self.profile.requests.get(form.request));
        let url = |request: &Request| self.origin().join(&request.path);
        login.is_some_and(|login| {
            let (Some(login), Some(asked)) = (url(login), url(request)) else {
                return false;
            };
            login.path() == got.url.path() && asked.path() != login.path()
        })
    }

    /// Whether a request that acted was answered with the login form.
    async fn shows_login(&self, acted: &Acted) -> bool {
        match (LoginForm::of(&self.profile.login), &acted.answer) {
            (Some(form), Ok(got)) if acted.status < 400 => {
                form.is_in(got, self.limits.nesting).await
            }
            _ => false,
        }
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

/// What is told of a request that acts and was answered with the login form. Whether it was carried
/// out all the same is known from reading, as ever.
fn asks_again(status: u16) -> Reply {
    Reply::Answered {
        status,
        says: "(it asks for the login again)".into(),
        as_expected: Some(false),
    }
}

/// How often one request is sent to a device with Digest: bare, signed, and with a newer nonce.
const MOST_CHALLENGES: usize = 3;
