//! The steps of a session that have to do with its login.
//!
//! Only requests that ask are sent again for a newer challenge. One that acts is signed with what is
//! known and sent once, whatever the device makes of it: a 401 says that it was refused, and even a
//! careless device is then read before anything else is sent.

use std::collections::BTreeMap;

use super::{Challenged, LoginForm};
use crate::{
    profile::{Format, Login, Request},
    session::{
        Fetched, HttpError, Reply, Session, SessionError,
        answers::{Answer, not_read},
        http::{Acted, Ask, Got},
        send,
    },
    terms::{RequestName, Untrusted},
};

impl Session {
    /// The whole answer to a request that does not act, with what lets it in.
    pub(in crate::session) async fn fetch(&self, request: &Request) -> Result<Got, SessionError> {
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
    pub(in crate::session) fn is_open(&self) -> bool {
        self.profile.login == Login::None
    }

    /// Whether the device that was just recognised may be told a password, and there is one.
    pub(in crate::session) fn expect_login(
        &self,
        bssid: Option<[u8; 6]>,
    ) -> Result<(), SessionError> {
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
    pub(in crate::session) async fn come_in(
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
            return Err(not_read("login", form.request));
        };
        let ask = form.filled(page, &credentials)?;
        // A password, too, is told to the device that was recognised and to no other.
        if let Err(why) = self.holds().await {
            return Err(SessionError::LostFooting { why });
        }
        let acted = self.http.act(&ask).await?;
        let nesting = self.limits.nesting;
        if let Some(says) = form.refusal(&acted, page, &credentials, nesting).await? {
            return Err(self.refused_login(says));
        }
        self.pass.came_in();
        Ok(())
    }

    pub(in crate::session) fn refused_login(&self, says: Untrusted) -> SessionError {
        self.pass.refuse(says.clone());
        SessionError::LoginRefused { says }
    }

    /// Sends a request that acts, once. The outer error says that nothing was sent.
    pub(in crate::session) async fn act(
        &self,
        what: &str,
        ask: &Ask,
    ) -> Result<Result<Acted, HttpError>, SessionError> {
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

    /// Whether a request that needs a login led to the login form: by where the answer came from, or
    /// as a page in the place of something else.
    pub(in crate::session) async fn shows_login_instead(
        &self,
        got: &Got,
        request: &Request,
    ) -> bool {
        let Some(form) = LoginForm::of(&self.profile.login).filter(|_| request.login) else {
            return false;
        };
        let login = self.profile.requests.get(form.request);
        let path = |request: &Request| self.origin().join(&request.path);
        let leads_there = login.is_some_and(|login| match (path(login), path(request)) {
            (Some(login), Some(asked)) => {
                login.path() == got.url.path() && asked.path() != login.path()
            }
            _ => false,
        });
        leads_there
            || (request.format != Some(Format::Html) && form.is_in(got, self.limits.nesting).await)
    }

    /// Whether the answer to a request that needs a login is the login form.
    pub(in crate::session) fn is_login(&self, answer: &Answer, request: &Request) -> bool {
        let form = LoginForm::of(&self.profile.login).filter(|_| request.login);
        match (form, answer) {
            (Some(form), Answer::Page(page)) => form.is_on(page),
            _ => false,
        }
    }

    /// Whether a request that acted was answered with the login form.
    pub(in crate::session) async fn shows_login(&self, acted: &Acted) -> bool {
        match (LoginForm::of(&self.profile.login), &acted.answer) {
            (Some(form), Ok(got)) if acted.status < 400 => {
                form.is_in(got, self.limits.nesting).await
            }
            _ => false,
        }
    }
}

/// What is told of a request that acts and was answered with the login form. Whether it was carried
/// out all the same is known from reading, as ever.
pub(in crate::session) fn asks_again(status: u16) -> Reply {
    Reply::Answered {
        status,
        says: "(it asks for the login again)".into(),
        as_expected: Some(false),
    }
}

/// How often one request is sent to a device with Digest: bare, signed, and with a newer nonce.
const MOST_CHALLENGES: usize = 3;
