//! A login form: filled in and sent as a browser would, once, and what came of it.
//!
//! What is hidden in the form (a token, a tick that is there) goes along, since no setting stands in
//! it. Whether the device has let in is told by what it shows next: its login form again is a no.

use std::sync::Arc;

use super::Credentials;
use crate::{
    profile::Login,
    session::{
        SessionError,
        answers::as_page,
        http::{Acted, Ask, Got, HttpError},
        page::{FormError, Page},
        send,
    },
    terms::{Raw, RequestName, Untrusted},
};

/// The parts of a profile that say how its login form is filled.
#[derive(Debug, Clone, Copy)]
pub(in crate::session) struct LoginForm<'a> {
    pub(in crate::session) request: &'a RequestName,
    select: &'a str,
    user: Option<&'a str>,
    password: &'a str,
    press: Option<(&'a str, Option<&'a str>)>,
}

impl<'a> LoginForm<'a> {
    /// None: the family has none.
    pub(in crate::session) fn of(login: &'a Login) -> Option<Self> {
        let Login::Form {
            request,
            select,
            user,
            password,
            press,
        } = login
        else {
            return None;
        };
        Some(Self {
            request,
            select,
            user: user.as_deref(),
            password,
            press: press
                .as_ref()
                .map(|(name, value)| (name.as_str(), value.as_deref())),
        })
    }

    /// Whether it stands on a page.
    pub(in crate::session) fn is_on(&self, page: &Page) -> bool {
        let form = page.form(self.select);
        form.is_ok_and(|form| form.raw(self.password) != Raw::Missing)
    }

    /// Whether it stands in an answer that says it is a page.
    pub(in crate::session) async fn is_in(&self, got: &Got, nesting: usize) -> bool {
        let kind = got.content_type.as_deref().unwrap_or_default();
        if !kind.to_ascii_lowercase().contains("html") {
            return false;
        }
        let (got, select): (Got, Arc<str>) = (got.clone(), self.select.into());
        let parsed = tokio::task::spawn_blocking(move || as_page(&got, &[], &[&select], nesting));
        matches!(parsed.await, Ok(Ok(page)) if self.is_on(&page))
    }

    /// The request that sends it, filled in.
    pub(in crate::session) fn filled(
        &self,
        page: &Page,
        credentials: &Credentials,
    ) -> Result<Ask, SessionError> {
        let unfit = |source: FormError| SessionError::LoginForm { source };
        let form = page.form(self.select);
        let mut form = form
            .map_err(|source| SessionError::Page {
                request: self.request.clone(),
                source,
            })?
            .clone();
        if let Some(user) = self.user {
            form.fill(user, &Raw::Text(credentials.user().to_owned()))
                .map_err(unfit)?;
        }
        form.fill(self.password, &Raw::Text(credentials.word().to_owned()))
            .map_err(unfit)?;
        let submission = form.submit(self.press).map_err(unfit)?;
        Ok(Ask {
            login: true,
            ..send::of_form(submission)
        })
    }

    /// What the device says where it refused; none: it may have let in, which the next page tells.
    /// What its page says with and without a refusal is left out.
    pub(in crate::session) async fn refusal(
        &self,
        acted: &Acted,
        before: &Page,
        credentials: &Credentials,
        nesting: usize,
    ) -> Result<Option<Untrusted>, SessionError> {
        let refused = match (&acted.answer, acted.status) {
            (Ok(got), 400..=499) if acted.status != 404 => Some(got),
            (Ok(got), 200..=399) if self.is_in(got, nesting).await => Some(got),
            (Err(error), 200..=399) if is_elsewhere(error) => return Err(error.clone().into()),
            // Where what it shows then did not come whole, the next page tells.
            (_, 200..=399) => None,
            (Err(error), _) => return Err(error.clone().into()),
            (Ok(_), _) => {
                return Err(SessionError::LoginUnanswered {
                    status: acted.status,
                });
            }
        };
        let Some(got) = refused else {
            return Ok(None);
        };
        let secrets = [credentials.word().to_owned()];
        let says = send::words(got.clone(), &secrets, nesting).await;
        let before = before.text("body").unwrap_or_default();
        Ok(Some(Untrusted::new(added(before, says.raw()))))
    }
}

/// The words of a text that stand between those with which another begins and ends alike.
fn added(before: &str, after: &str) -> String {
    let (before, mut words): (Vec<&str>, Vec<&str>) = (
        before.split_whitespace().collect(),
        after.split_whitespace().collect(),
    );
    let alike = before
        .iter()
        .zip(&words)
        .take_while(|(a, b)| a == b)
        .count();
    words.drain(..alike);
    let last = before[alike..].iter().rev().zip(words.iter().rev());
    let alike = last.take_while(|(a, b)| a == b).count();
    words.truncate(words.len() - alike);
    words.join(" ")
}

fn is_elsewhere(error: &HttpError) -> bool {
    matches!(
        error,
        HttpError::OtherOrigin { .. } | HttpError::Redirect { .. }
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_login_page_says_besides_is_told_apart() {
        for (before, after, says) in [
            ("Who Word Go", "Not let in. Who Word Go", "Not let in."),
            ("Mast Who Word Go", "Mast Who Word Go Wrong.", "Wrong."),
            ("Mast Who Go", "Mast Wrong! Who Go", "Wrong!"),
            ("Who Word Go", "Who Word Go", ""),
            ("a a", "a a a", "a"),
            ("", "Wrong.", "Wrong."),
        ] {
            assert_eq!(added(before, after), says, "{before} / {after}");
        }
    }
}
