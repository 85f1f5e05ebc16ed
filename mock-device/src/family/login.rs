//! `sample-login`: behind a login, with its settings over three pages, written out from
//! FAMILIES.md.
//!
//! Its habits: a cookie that a restart forgets, three saves of which each may be the last that
//! happened, one of them multipart, and values that it takes and never shows.

use super::{
    Context, Kind, Outcome,
    fields::{Fields, Save, number, one_of, text_of},
    tokens::Tokens,
};
use crate::{
    http::{Reply, Request},
    seed::Seed,
    settings::{Field, POWERS, REGIONS, Settings},
};

mod multipart;
mod page;

/// Who is let in.
pub(crate) const USER: &str = "skipper";
/// By which word.
pub(crate) const WORD: &str = "heron-on-one-leg";

/// Where a login is sent.
pub(crate) const PATH: &str = "/come-in";

const HTML: &str = "text/html; charset=utf-8";
const URLENCODED: &str = "application/x-www-form-urlencoded";

/// The firmware of one mast receiver.
#[derive(Debug, Clone)]
pub(crate) struct Login {
    /// Whether tokens have expired once, where they do.
    expired: bool,
    tokens: Tokens<()>,
    passes: Tokens<()>,
}

/// Which of the three pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Page {
    Radio,
    Pins,
    Shore,
}

impl Page {
    /// What a save of it sets, in the order of its form.
    fn fields(self) -> &'static [Field] {
        match self {
            Page::Radio => &[
                Field::Name,
                Field::Locked,
                Field::Slot,
                Field::Waveform,
                Field::Region,
                Field::Power,
            ],
            Page::Pins => &[
                Field::Output,
                Field::Inverted,
                Field::Rate,
                Field::Failsafe,
                Field::Map,
            ],
            Page::Shore => &[
                Field::BindKey,
                Field::LocalNetwork,
                Field::LocalPassphrase,
                Field::FallbackWait,
            ],
        }
    }

    /// The path that shows it.
    fn path(self) -> &'static str {
        match self {
            Page::Radio => "/radio",
            Page::Pins => "/pins",
            Page::Shore => "/shore",
        }
    }

    /// What stands on its form.
    fn controls(self) -> &'static [&'static str] {
        match self {
            Page::Radio => page::RADIO,
            Page::Pins => page::PINS,
            Page::Shore => page::SHORE,
        }
    }
}

impl Login {
    /// A receiver that draws its tokens and its cookies from these streams.
    pub(crate) fn new(tokens: Seed, passes: Seed) -> Self {
        Self {
            expired: false,
            tokens: Tokens::new(tokens),
            passes: Tokens::new(passes),
        }
    }

    /// Neither tokens nor cookies outlive a restart.
    pub(crate) fn restarted(&mut self) {
        self.tokens.forget();
        self.passes.forget();
    }

    /// Answers a request, and changes the settings where it is a good save.
    pub(crate) fn handle(
        &mut self,
        settings: &mut Settings,
        context: &Context<'_>,
        request: &Request,
    ) -> Outcome {
        let route = (request.method.as_str(), request.path.as_str());
        match route {
            ("GET", "/") => return html(Kind::Other, 200, page::front(None), ""),
            ("POST", PATH) => return self.come_in(context, request),
            _ => {}
        }
        if !self.lets_in(request) {
            let kind = match route.0 {
                "POST" => Kind::Refused,
                _ => Kind::Other,
            };
            return Outcome::new(kind, see("/"), "without a good cookie");
        }
        match route {
            ("GET", "/state") => {
                let lines = page::state(settings, context);
                Outcome::new(Kind::Reading, Reply::text(200, lines), "")
            }
            ("GET", "/radio") => self.show(Page::Radio, settings, context),
            ("GET", "/pins") => self.show(Page::Pins, settings, context),
            ("GET", "/shore") => self.show(Page::Shore, settings, context),
            ("POST", "/radio-keep") => self.save(Page::Radio, settings, context, request),
            ("POST", "/pins-keep") => self.save(Page::Pins, settings, context, request),
            ("POST", "/shore-keep") => self.save(Page::Shore, settings, context, request),
            ("POST", "/start-anew") => self.start_anew(context, request),
            _ => html(
                Kind::Other,
                404,
                page::said("Nothing here."),
                "no such page",
            ),
        }
    }

    fn come_in(&mut self, context: &Context<'_>, request: &Request) -> Outcome {
        let fields = Fields::of(request);
        let good = context.hooks.lets_in
            && request.is_of_type(URLENCODED)
            && fields.get("who") == Some(USER)
            && fields.get("word") == Some(WORD)
            && fields.get("go") == Some("in");
        if !good {
            let page = page::front(Some("Not let in."));
            return html(Kind::Other, 200, page, "not let in");
        }
        let pass = self.passes.give(());
        let reply = see("/radio").with("Set-Cookie", &format!("pass={pass}; Path=/; HttpOnly"));
        Outcome::new(Kind::Other, reply, "let in")
    }

    fn lets_in(&self, request: &Request) -> bool {
        request
            .cookies()
            .any(|(name, value)| name == "pass" && self.passes.knows(&(), value))
    }

    fn show(&mut self, which: Page, settings: &Settings, context: &Context<'_>) -> Outcome {
        let once = self.tokens.give(());
        let page = match which {
            Page::Radio => page::radio(settings, &once),
            Page::Pins => page::pins(settings, &once),
            Page::Shore => page::shore(settings, context, &once),
        };
        html(Kind::Reading, 200, page, "")
    }

    fn save(
        &mut self,
        page: Page,
        settings: &mut Settings,
        context: &Context<'_>,
        request: &Request,
    ) -> Outcome {
        let taken = match page {
            Page::Pins => match multipart::parse(request) {
                Ok(parts) => Some((parts.fields, parts.files)),
                Err(multipart::Fault::OtherType) => return refused(415, "Not that way."),
                Err(multipart::Fault::Broken) => None,
            },
            Page::Radio | Page::Shore => request
                .is_of_type(URLENCODED)
                .then(|| (Fields::of(request), Vec::new())),
        };
        let Some((fields, files)) = taken else {
            return refused(400, "Not understood.");
        };
        if !self.takes_token(&fields, context) {
            return refused(403, "Stale.");
        }
        let changed = fields
            .each_once()
            .and_then(|()| changed(page, settings, &fields, &files, context));
        match changed {
            Ok(changed) => {
                *settings = changed;
                let note = fields.saved(page.controls());
                Outcome::new(Kind::Saved, see(page.path()), note).of(page.fields())
            }
            Err(name) => refused(422, &format!("Not kept: {name}")),
        }
    }

    fn start_anew(&mut self, context: &Context<'_>, request: &Request) -> Outcome {
        if !request.is_of_type(URLENCODED) {
            return refused(400, "Not understood.");
        }
        if !self.takes_token(&Fields::of(request), context) {
            return refused(403, "Stale.");
        }
        html(Kind::Other, 202, page::said("Starting anew."), "restart").restarting()
    }

    fn takes_token(&mut self, fields: &Fields, context: &Context<'_>) -> bool {
        if context.hooks.tokens_expire && !std::mem::replace(&mut self.expired, true) {
            self.tokens.forget();
        }
        let once = fields.get("once");
        once.is_some_and(|once| self.tokens.take(&(), once))
    }
}

/// The settings after a save, or the control that is out of range.
fn changed(
    page: Page,
    settings: &Settings,
    fields: &Fields,
    files: &[(String, Vec<u8>)],
    context: &Context<'_>,
) -> Result<Settings, String> {
    if fields.get("act") != Some("keep") {
        return Err("act".to_owned());
    }
    let mut new = settings.clone();
    let factory = Settings::factory();
    let save = Save {
        fields,
        omitted_reset: context.hooks.omitted_reset,
    };
    match page {
        Page::Radio => {
            save.set("called", &mut new.name, factory.name, |text| {
                text_of(text, 24)
            })?;
            // A box that is not ticked is not sent at all.
            new.locked = false;
            save.set("tied", &mut new.locked, false, |text| {
                one_of(text, &[("1", true)])
            })?;
            save.set("slot", &mut new.slot, factory.slot, |text| {
                number(text, 1..=40)
            })?;
            save.set("pace", &mut new.waveform, factory.waveform, |text| {
                number(text, 0..=2)
            })?;
            save.set("area", &mut new.region, factory.region, |text| {
                REGIONS.iter().position(|region| *region == text)
            })?;
            save.set("strength", &mut new.power, factory.power, |text| {
                POWERS.into_iter().find(|power| power.to_string() == text)
            })?;
        }
        Page::Pins => {
            save.set("how", &mut new.output, factory.output, |text| {
                one_of(text, &[("frames", 0), ("widths", 1), ("sum", 2)])
            })?;
            new.inverted = false;
            save.set("turned", &mut new.inverted, false, |text| {
                one_of(text, &[("1", true)])
            })?;
            save.set("rate", &mut new.rate, factory.rate, |text| {
                number::<u16>(text, 50..=400).filter(|rate| rate % 10 == 0)
            })?;
            save.set("lost", &mut new.failsafe, factory.failsafe, |text| {
                one_of(text, &[("keep", 0), ("rest", 1), ("stop", 2)])
            })?;
            match files.iter().find(|(name, _)| name == "map") {
                Some((_, bytes)) if bytes.is_empty() => {}
                Some((_, bytes)) => new.map.clone_from(bytes),
                None if context.hooks.omitted_reset => new.map = factory.map,
                None => {}
            }
        }
        Page::Shore => {
            // A blank keeps what is there.
            let keeps = |name| fields.get(name) == Some("");
            if !keeps("kin") {
                save.set("kin", &mut new.bind_key, factory.bind_key, |text| {
                    key_of(text).map(Some)
                })?;
            }
            save.set(
                "net",
                &mut new.local_network,
                factory.local_network,
                |text| text_of(text, 32),
            )?;
            if !keeps("net_word") {
                save.set(
                    "net_word",
                    &mut new.local_passphrase,
                    factory.local_passphrase,
                    |text| Some(text.to_owned()),
                )?;
            }
            if new.local_network.is_empty() {
                new.local_passphrase.clear();
            }
            // Older firmware overlooks it.
            if page::has_after(context) {
                save.set(
                    "after",
                    &mut new.fallback_wait,
                    factory.fallback_wait,
                    |text| number(text, 30..=120),
                )?;
            }
        }
    }
    Ok(new)
}

/// 12 hexadecimal digits.
fn key_of(text: &str) -> Option<[u8; 6]> {
    if text.len() != 12 || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    let mut key = [0; 6];
    for (index, byte) in key.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&text[2 * index..2 * index + 2], 16).ok()?;
    }
    Some(key)
}

fn html(kind: Kind, status: u16, page: String, note: &str) -> Outcome {
    Outcome::new(kind, Reply::new(status, HTML, page), note)
}

/// 303 See Other (RFC 9110 section 15.4.4).
fn see(path: &str) -> Reply {
    Reply::new(303, HTML, "").with("Location", path)
}

fn refused(status: u16, text: &str) -> Outcome {
    html(Kind::Refused, status, page::said(text), text)
}

#[cfg(test)]
mod tests;
