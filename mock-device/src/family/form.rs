//! `sample-form`: one HTML page with three forms on it, written out from FAMILIES.md.
//!
//! Its habits are those that break careless clients: form tags between table and row, one-time
//! tokens, a number that stays while the lock is off, a page that knows more than anyone maps.

use super::{
    Context, Kind, Outcome,
    fields::{Fields, Save, number, one_of, text_of},
    tokens::Tokens,
};
use crate::{
    http::{Reply, Request},
    seed::Seed,
    settings::{Field, POWERS, Settings},
};

mod page;

const HTML: &str = "text/html; charset=utf-8";

/// The firmware of one deck receiver.
#[derive(Debug, Clone)]
pub(crate) struct Form {
    /// Whether tokens have expired once, where they do.
    expired: bool,
    tokens: Tokens<Part>,
}

/// Which of the three forms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Air,
    Wires,
    Shore,
}

impl Part {
    /// What a save of it sets, in the order of its form.
    fn fields(self) -> &'static [Field] {
        match self {
            Part::Air => &[
                Field::Name,
                Field::Locked,
                Field::Slot,
                Field::BindKey,
                Field::Waveform,
                Field::Region,
                Field::Power,
            ],
            Part::Wires => &[
                Field::Output,
                Field::Inverted,
                Field::Rate,
                Field::Failsafe,
                Field::Order,
                Field::Trim,
            ],
            Part::Shore => &[
                Field::LocalNetwork,
                Field::LocalPassphrase,
                Field::FallbackWait,
                Field::Light,
            ],
        }
    }

    /// What stands on its form.
    fn controls(self) -> &'static [&'static str] {
        match self {
            Part::Air => page::AIR,
            Part::Wires => page::WIRES,
            Part::Shore => page::SHORE,
        }
    }
}

impl Form {
    /// A receiver that draws its tokens from this stream.
    pub(crate) fn new(seed: Seed) -> Self {
        Self {
            expired: false,
            tokens: Tokens::new(seed),
        }
    }

    /// Tokens do not outlive a restart.
    pub(crate) fn restarted(&mut self) {
        self.tokens.forget();
    }

    /// Answers a request, and changes the settings where it is a good save.
    pub(crate) fn handle(
        &mut self,
        settings: &mut Settings,
        context: &Context<'_>,
        request: &Request,
    ) -> Outcome {
        match (request.method.as_str(), request.path.as_str()) {
            ("GET", "/") => {
                let once = [Part::Air, Part::Wires, Part::Shore].map(|part| self.tokens.give(part));
                let page = page::page(settings, context, &once);
                Outcome::new(Kind::Reading, Reply::new(200, HTML, page), "")
            }
            ("POST", "/keep-air") => self.save(Part::Air, settings, context, request),
            ("POST", "/keep-wires") => self.save(Part::Wires, settings, context, request),
            ("POST", "/keep-shore") => self.save(Part::Shore, settings, context, request),
            _ => Outcome::new(
                Kind::Other,
                Reply::new(404, HTML, page::said("Nothing here")),
                "no such page",
            ),
        }
    }

    fn save(
        &mut self,
        part: Part,
        settings: &mut Settings,
        context: &Context<'_>,
        request: &Request,
    ) -> Outcome {
        if !request.is_of_type("application/x-www-form-urlencoded") {
            return refused(400, "Not understood");
        }
        if context.hooks.tokens_expire && !std::mem::replace(&mut self.expired, true) {
            self.tokens.forget();
        }
        let fields = Fields::of(request);
        let once = fields.get("once");
        if !once.is_some_and(|once| self.tokens.take(&part, once)) {
            return refused(403, "stale form");
        }
        let changed = fields
            .each_once()
            .and_then(|()| changed(part, settings, &fields, context));
        match changed {
            Ok(changed) => {
                *settings = changed;
                let page = page::said("Kept. Starting again.");
                let note = fields.saved(part.controls());
                Outcome::new(Kind::Saved, Reply::new(200, HTML, page), note)
                    .of(part.fields())
                    .restarting()
            }
            Err(name) => refused(422, &format!("Not kept: {name}")),
        }
    }
}

fn refused(status: u16, text: &str) -> Outcome {
    let page = page::said(text);
    Outcome::new(Kind::Refused, Reply::new(status, HTML, page), text)
}

/// The settings after a save, or the control that is out of range.
fn changed(
    part: Part,
    settings: &Settings,
    fields: &Fields,
    context: &Context<'_>,
) -> Result<Settings, String> {
    match (part, fields.get("act")) {
        (_, Some("keep")) => {}
        (Part::Air, Some("forget")) => return Ok(Settings::factory()),
        // Without the button's name there is no telling what is wanted.
        _ => return Err("act".to_owned()),
    }
    let mut new = settings.clone();
    let factory = Settings::factory();
    let save = Save {
        fields,
        omitted_reset: context.hooks.omitted_reset,
    };
    let is_new = page::is_new(context);
    match part {
        Part::Air => {
            save.set("called", &mut new.name, factory.name, |text| {
                text_of(text, 24)
            })?;
            save.set("follows", &mut new.locked, factory.locked, |text| {
                one_of(text, &[("any", false), ("only", true)])
            })?;
            save.set("held_to", &mut new.slot, factory.slot, |text| {
                Some(number::<u8>(text, 0..=39)? + 1)
            })?;
            save.set("kinship", &mut new.bind_key, factory.bind_key, key_of)?;
            save.set("wave", &mut new.waveform, factory.waveform, |text| {
                one_of(text, &[("w0", 0), ("w1", 1), ("w2", 2)]).filter(|wave| *wave < 2 || !is_new)
            })?;
            save.set("zone", &mut new.region, factory.region, |text| {
                one_of(text, &[("1", 0), ("2", 1), ("3", 2), ("4", 3)])
            })?;
            save.set("strength", &mut new.power, factory.power, |text| {
                POWERS.into_iter().find(|power| power.to_string() == text)
            })?;
        }
        Part::Wires => {
            save.set("speaks", &mut new.output, factory.output, |text| {
                one_of(text, &[("frames", 0), ("widths", 1), ("sum", 2)])
            })?;
            // A box that is not ticked is not sent at all.
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
            save.set("order", &mut new.order, factory.order, order_of)?;
            save.set("trim", &mut new.trim, factory.trim, |text| {
                number(text, -50..=50)
            })?;
        }
        Part::Shore => {
            save.set(
                "net",
                &mut new.local_network,
                factory.local_network,
                |text| text_of(text, 32),
            )?;
            save.set(
                "net_word",
                &mut new.local_passphrase,
                factory.local_passphrase,
                |text| Some(text.to_owned()),
            )?;
            save.set(
                "after",
                &mut new.fallback_wait,
                factory.fallback_wait,
                |text| number(text, 30..=120),
            )?;
            save.set("lamp", &mut new.light, factory.light, |text| {
                number(text, 0..=100).filter(|_| !is_new)
            })?;
        }
    }
    Ok(new)
}

/// `4A:1F:00:9C:77:E2`, or nothing for unbound.
#[expect(
    clippy::option_option,
    reason = "outside: whether it is in range; inside: whether there is a key"
)]
fn key_of(text: &str) -> Option<Option<[u8; 6]>> {
    if text.is_empty() {
        return Some(None);
    }
    let mut key = [0; 6];
    let mut parts = text.split(':');
    for byte in &mut key {
        let part = parts.next()?;
        let upper = |b: u8| b.is_ascii_digit() || (b'A'..=b'F').contains(&b);
        if part.len() != 2 || !part.bytes().all(upper) {
            return None;
        }
        *byte = u8::from_str_radix(part, 16).ok()?;
    }
    parts.next().is_none().then_some(Some(key))
}

/// Eight numbers 1 to 8, each once.
fn order_of(text: &str) -> Option<[u8; 8]> {
    let numbers: Vec<u8> = text
        .split(',')
        .map(|part| number(part, 1..=8))
        .collect::<Option<_>>()?;
    let order: [u8; 8] = numbers.try_into().ok()?;
    (1..=8).all(|n| order.contains(&n)).then_some(order)
}

#[cfg(test)]
mod tests;
