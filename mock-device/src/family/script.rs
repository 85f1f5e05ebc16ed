//! `sample-script`: an empty page and one JSON document, written out from FAMILIES.md.
//!
//! It reads in one shape and saves in another, sends gzip to everybody, and a field that a save
//! leaves out is lost: what a client must know before it writes.

use serde_json::{Map, Value as Json, json};

use super::{Context, Kind, Outcome};
use crate::{
    http::{Reply, Request},
    seed::Seed,
    settings::{Field, POWERS, REGIONS, Settings},
    wire::gzip,
};

/// The empty page. Its script shows the document to a person with a browser.
const PAGE: &str = r##"<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>Tarn keel receiver</title>
</head>
<body>
<main id="deck"></main>
<script>
fetch("/as-it-is").then(function (answer) { return answer.json(); }).then(function (all) {
  var shown = document.createElement("pre");
  shown.textContent = JSON.stringify(all, null, 1);
  document.querySelector("#deck").append(shown);
});
</script>
</body>
</html>
"##;

/// What a save sets, in its order.
const FIELDS: &[Field] = &[
    Field::Name,
    Field::BindKey,
    Field::Locked,
    Field::Slot,
    Field::Waveform,
    Field::Region,
    Field::Power,
    Field::Output,
    Field::Inverted,
    Field::Rate,
    Field::Failsafe,
    Field::Rests,
    Field::LocalNetwork,
    Field::LocalPassphrase,
    Field::FallbackWait,
    Field::Light,
];

const OUTPUTS: [&str; 3] = ["frames", "widths", "sum"];
const LOST: [&str; 3] = ["keep", "rest", "stop"];

/// The firmware of one keel receiver.
#[derive(Debug, Clone)]
pub(crate) struct Script {
    seed: Seed,
    /// Whether it is in bind mode.
    meets: bool,
}

impl Script {
    /// A receiver whose supply voltage wavers by this stream.
    pub(crate) fn new(seed: Seed) -> Self {
        Self { seed, meets: false }
    }

    /// Whether it is in bind mode.
    pub(crate) fn meets(&self) -> bool {
        self.meets
    }

    /// Bind mode does not outlive a restart.
    pub(crate) fn restarted(&mut self) {
        self.meets = false;
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
                let page = Reply::new(200, "text/html; charset=utf-8", PAGE);
                Outcome::new(Kind::Other, page, "")
            }
            ("GET", "/as-it-is") => {
                let document = self.document(settings, context).to_string();
                let reply = Reply::new(200, "application/json", gzip(document.as_bytes()))
                    .with("Content-Encoding", "gzip");
                Outcome::new(Kind::Reading, reply, "")
            }
            ("POST", "/take-over") => take_over(settings, request),
            ("POST", "/once-again") if is_sure(request) => {
                let reply = Reply::text(202, "going");
                Outcome::new(Kind::Other, reply, "restart").restarting()
            }
            ("POST", "/meet") if is_sure(request) => {
                self.meets = true;
                Outcome::new(Kind::Met, Reply::text(202, "meeting"), "bind mode")
            }
            ("POST", "/once-again" | "/meet") => refused(400, "not sure"),
            _ => Outcome::new(
                Kind::Other,
                Reply::text(404, "nothing here"),
                "no such page",
            ),
        }
    }

    fn document(&mut self, settings: &Settings, context: &Context<'_>) -> Json {
        // 4.95 V to 5.05 V, and another one at each reading.
        let volts = 495 + u16::try_from(self.seed.below(11)).unwrap_or(0);
        let heart = if context.hooks.radio_answers {
            "beats"
        } else {
            "still"
        };
        json!({
            "craft": {"called": settings.name, "works": context.works, "hull": settings.hull},
            "tie": {
                "kin": settings.bind_key,
                "held": settings.locked.then_some(settings.slot),
            },
            "air": {
                "pace": settings.waveform,
                "area": REGIONS[settings.region],
                "strength": settings.power,
            },
            "out": {
                "how": OUTPUTS[settings.output],
                "turned": settings.inverted,
                "rate": settings.rate,
                "lost": LOST[settings.failsafe],
                "rests": settings.rests,
            },
            "shore": {
                "net": settings.local_network,
                "word": settings.local_passphrase,
                "after": settings.fallback_wait,
                "lamp": settings.light,
            },
            "now": {
                "awake": (context.awake.as_secs_f64() * 10.0).floor() / 10.0,
                "begun": context.begun,
                "volts": f64::from(volts) / 100.0,
                "heart": heart,
                "meets": self.meets,
            },
        })
    }
}

fn take_over(settings: &mut Settings, request: &Request) -> Outcome {
    let Some(document) = object(request) else {
        return refused(400, "not understood");
    };
    match taken(settings, &document) {
        Ok((new, count)) => {
            *settings = new;
            let unknown = document.len() - count;
            let note = if unknown == 0 {
                format!("saved, {count} fields")
            } else {
                format!("saved, {count} fields, without knowing {unknown} more")
            };
            Outcome::new(
                Kind::Saved,
                Reply::text(200, format!("taken {count}")),
                note,
            )
            .of(FIELDS)
        }
        Err(name) => refused(422, &format!("not taken: {name}")),
    }
}

fn refused(status: u16, text: &str) -> Outcome {
    Outcome::new(Kind::Refused, Reply::text(status, text), text)
}

/// Whether the body is the one that a restart and bind mode need.
fn is_sure(request: &Request) -> bool {
    object(request).is_some_and(|body| body.get("sure") == Some(&Json::Bool(true)))
}

/// The body as a JSON object.
fn object(request: &Request) -> Option<Map<String, Json>> {
    if !request.is_of_type("application/json") {
        return None;
    }
    match serde_json::from_slice(&request.body) {
        Ok(Json::Object(object)) => Some(object),
        _ => None,
    }
}

/// The settings after a save and how many fields it took, or the field that is out of range.
fn taken(
    settings: &Settings,
    document: &Map<String, Json>,
) -> Result<(Settings, usize), &'static str> {
    let mut new = Settings::factory();
    // What a save does not name at all is no field of it.
    new.order = settings.order;
    new.trim = settings.trim;
    new.map.clone_from(&settings.map);
    new.hull.clone_from(&settings.hull);
    let mut save = Save { document, count: 0 };
    save.set("title", &mut new.name, |v| text(v, 24))?;
    save.set("key", &mut new.bind_key, |v| or_null(v, list_of::<6, u8>))?;
    let mut slot = None;
    save.set("slot", &mut slot, |v| {
        or_null(v, |v| whole::<u8>(v).filter(|slot| (1..=40).contains(slot)))
    })?;
    new.locked = slot.is_some();
    new.slot = slot.unwrap_or(new.slot);
    save.set("pace", &mut new.waveform, |v| {
        whole::<usize>(v).filter(|pace| *pace <= 2)
    })?;
    save.set("area", &mut new.region, |v| word(v, &REGIONS))?;
    save.set("strength", &mut new.power, |v| {
        whole::<u16>(v).filter(|power| POWERS.contains(power))
    })?;
    save.set("how", &mut new.output, |v| word(v, &OUTPUTS))?;
    save.set("turned", &mut new.inverted, Json::as_bool)?;
    save.set("rate", &mut new.rate, |v| {
        between(v, 50, 400).filter(|rate| rate % 10 == 0)
    })?;
    save.set("lost", &mut new.failsafe, |v| word(v, &LOST))?;
    save.set("rests", &mut new.rests, |v| {
        list_of::<4, u16>(v).filter(|rests| rests.iter().all(|rest| (800..=2200).contains(rest)))
    })?;
    save.set("net", &mut new.local_network, |v| text(v, 32))?;
    save.set("word", &mut new.local_passphrase, |v| text(v, usize::MAX))?;
    save.set("after", &mut new.fallback_wait, |v| between(v, 30, 120))?;
    save.set("lamp", &mut new.light, |v| between(v, 0, 100))?;
    Ok((new, save.count))
}

/// One save, as it is worked through.
struct Save<'a> {
    document: &'a Map<String, Json>,
    count: usize,
}

impl Save<'_> {
    fn set<T>(
        &mut self,
        name: &'static str,
        target: &mut T,
        parse: impl FnOnce(&Json) -> Option<T>,
    ) -> Result<(), &'static str> {
        if let Some(value) = self.document.get(name) {
            *target = parse(value).ok_or(name)?;
            self.count += 1;
        }
        Ok(())
    }
}

fn text(value: &Json, most: usize) -> Option<String> {
    value
        .as_str()
        .filter(|text| text.chars().count() <= most)
        .map(str::to_owned)
}

fn word(value: &Json, words: &[&str]) -> Option<usize> {
    let text = value.as_str()?;
    words.iter().position(|word| *word == text)
}

fn whole<T: TryFrom<u64>>(value: &Json) -> Option<T> {
    T::try_from(value.as_u64()?).ok()
}

fn between(value: &Json, from: u16, to: u16) -> Option<u16> {
    whole(value).filter(|number| (from..=to).contains(number))
}

fn list_of<const N: usize, T: TryFrom<u64>>(value: &Json) -> Option<[T; N]> {
    let items: Vec<T> = value.as_array()?.iter().map(whole).collect::<Option<_>>()?;
    items.try_into().ok()
}

#[expect(
    clippy::option_option,
    reason = "outside: whether it is in range; inside: whether there is any"
)]
fn or_null<T>(value: &Json, parse: impl FnOnce(&Json) -> Option<T>) -> Option<Option<T>> {
    if value.is_null() {
        Some(None)
    } else {
        parse(value).map(Some)
    }
}

#[cfg(test)]
mod tests;
