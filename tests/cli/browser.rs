//! A person with a browser beside the program: reads pages and posts what the family's own page
//! would post, written out from FAMILIES.md and not from the profiles.

use std::{
    io::{Read, Write},
    net::TcpStream,
};

use mock_device::Family;
use serde_json::{Map, Value as Json, json};

use crate::harness::{Bench, until};

mod mast;

/// One exchange with the device; the status and the body as text.
pub(crate) fn exchange(bench: &Bench, request: &str) -> (u16, String) {
    attempt(bench, request).expect("the device is there and answers")
}

/// The same with a device that may be away.
fn attempt(bench: &Bench, request: &str) -> Option<(u16, String)> {
    let (head, body) = answer(bench, request)?;
    let status = head.split(' ').nth(1)?.parse().ok()?;
    Some((status, body))
}

/// Status line with headers, and body.
fn answer(bench: &Bench, request: &str) -> Option<(String, String)> {
    let mut stream = TcpStream::connect(bench.address()).ok()?;
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).ok()?;
    let answer = String::from_utf8_lossy(&answer).into_owned();
    let (head, body) = answer.split_once("\r\n\r\n")?;
    Some((head.to_owned(), body.to_owned()))
}

/// A page.
pub(crate) fn get(bench: &Bench, path: &str) -> String {
    let (status, body) = exchange(bench, &format!("GET {path} HTTP/1.0\r\n\r\n"));
    assert_eq!(status, 200, "{body}");
    body
}

/// A save or a restart request that the device must take.
pub(crate) fn post(bench: &Bench, path: &str, kind: &str, body: &str) {
    let (status, said) = exchange(bench, &posting(path, kind, body));
    assert!(status < 300, "{status} {said}");
}

fn posting(path: &str, kind: &str, body: &str) -> String {
    let length = body.len();
    format!(
        "POST {path} HTTP/1.0\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\n\r\n{body}"
    )
}

/// Changes settings, given as the truth writes them, and waits until the device is there again.
pub(crate) fn alter(bench: &Bench, changes: &[(&str, Json)]) {
    let mut settings = bench.present().settings;
    for (name, value) in changes {
        let old = settings.insert((*name).to_owned(), value.clone());
        assert!(old.is_some(), "no setting `{name}`");
    }
    match bench.truth().family {
        Family::SampleForm => {
            for (form, names) in FORMS {
                if changes.iter().any(|(name, _)| names.contains(name)) {
                    post_form(bench, form, &settings);
                }
            }
        }
        Family::SampleScript => {
            let document = flat_document(&settings).to_string();
            post(bench, "/take-over", "application/json", &document);
        }
        Family::SampleLogin => mast::alter(bench, changes, &settings),
    }
    for (name, value) in changes {
        assert_eq!(bench.setting(name), *value, "`{name}`");
    }
}

/// Restarts a device by its own means, a request or a save of what is there, and waits until it is
/// there again. It may be away just now, or restart instead of answering.
pub(crate) fn restart(bench: &Bench) {
    let boots = bench.present().boots;
    let asked = || match bench.truth().family {
        Family::SampleForm => {
            let (_, page) = attempt(bench, "GET / HTTP/1.0\r\n\r\n")?;
            let body = form_body(bench, &page, "shore", &bench.present().settings);
            attempt(bench, &posting("/keep-shore", URLENCODED, &body))
        }
        Family::SampleScript => {
            let sure = posting("/once-again", "application/json", r#"{"sure":true}"#);
            attempt(bench, &sure)
        }
        Family::SampleLogin => mast::restart(bench),
    };
    until("it takes the restart", || {
        asked().is_some_and(|(status, _)| status < 300) || bench.present().boots > boots
    });
    back_after(bench, boots);
}

/// Waits until the device has been started more often than that, and is there.
pub(crate) fn back_after(bench: &Bench, boots: u64) {
    until("it is there again", || {
        let device = bench.present();
        device.boots > boots && device.up
    });
}

/// The forms of the deck receiver with what stands in each.
const FORMS: [(&str, &[&str]); 3] = [
    (
        "air",
        &[
            "name",
            "model-lock",
            "bind-key",
            "waveform",
            "region",
            "power",
        ],
    ),
    (
        "wires",
        &[
            "output",
            "output-inverted",
            "output-rate",
            "failsafe",
            "channel-order",
        ],
    ),
    (
        "shore",
        &[
            "local-network",
            "local-passphrase",
            "fallback-wait",
            "light",
        ],
    ),
];

fn post_form(bench: &Bench, form: &str, settings: &Map<String, Json>) {
    let body = form_body(bench, &get(bench, "/"), form, settings);
    let boots = bench.present().boots;
    post(bench, &format!("/keep-{form}"), URLENCODED, &body);
    back_after(bench, boots);
}

fn form_body(bench: &Bench, page: &str, form: &str, settings: &Map<String, Json>) -> String {
    let (_, rest) = page
        .split_once(&format!("id=\"{form}\""))
        .expect("the form");
    let (_, rest) = rest.split_once("name=\"once\" value=\"").expect("a token");
    let once = rest.split('"').next().expect("its end");
    let word = |name: &str, words: &[(&str, &str)]| word(settings, name, words);
    let text = |name: &str| text(settings, name);
    let mut body = form_urlencoded::Serializer::new(String::new());
    body.append_pair("once", once);
    match form {
        "air" => {
            let slot = settings["model-lock"].as_u64();
            let held_to = slot.map_or(6, |slot| slot - 1).to_string();
            let key = text("bind-key").to_uppercase();
            let bytes: Vec<&str> = (0..key.len()).step_by(2).map(|i| &key[i..i + 2]).collect();
            body.append_pair("called", &text("name"))
                .append_pair("follows", if slot.is_some() { "only" } else { "any" })
                .append_pair("held_to", &held_to)
                .append_pair("kinship", &bytes.join(":"))
                .append_pair("wave", &word("waveform", &WAVES))
                .append_pair("zone", &word("region", &ZONES))
                .append_pair("strength", &text("power"));
        }
        "wires" => {
            body.append_pair("speaks", &word("output", &OUTPUTS));
            if settings["output-inverted"] == true {
                body.append_pair("turned", "1");
            }
            let order = settings["channel-order"].as_array().expect("a list");
            let order: Vec<String> = order.iter().map(ToString::to_string).collect();
            body.append_pair("rate", &text("output-rate"))
                .append_pair("lost", &word("failsafe", &LOST))
                .append_pair("order", &order.join(","))
                .append_pair("trim", &bench.present().unmapped["trim"].to_string());
        }
        _ => {
            body.append_pair("net", &text("local-network"))
                .append_pair("net_word", &text("local-passphrase"))
                .append_pair("after", &text("fallback-wait"))
                .append_pair("lamp", &text("light"));
        }
    }
    body.append_pair("act", "keep").finish()
}

/// What a family calls the value of a setting.
fn word(settings: &Map<String, Json>, name: &str, words: &[(&str, &str)]) -> String {
    let value = settings[name].as_str().expect("a word");
    let pair = words.iter().find(|(ours, _)| *ours == value);
    pair.expect("a known word").1.to_owned()
}

/// The value of a setting as text; none is the empty one.
fn text(settings: &Map<String, Json>, name: &str) -> String {
    match &settings[name] {
        Json::Null => String::new(),
        Json::String(text) => text.clone(),
        other => other.to_string(),
    }
}

const URLENCODED: &str = "application/x-www-form-urlencoded";

/// What the keel receiver saves.
fn flat_document(settings: &Map<String, Json>) -> Json {
    let key = settings["bind-key"].as_str().map(|key| {
        let bytes = hex::decode(key).expect("hexadecimal");
        json!(bytes)
    });
    let place = |name: &str, words: &[(&str, &str)]| {
        let value = settings[name].as_str().expect("a word");
        words.iter().position(|(ours, _)| *ours == value)
    };
    let word = |name: &str, words: &[(&str, &'static str)]| {
        words[place(name, words).expect("a known word")].1
    };
    let text = |name: &str| settings[name].as_str().unwrap_or_default();
    json!({
        "title": settings["name"], "key": key, "slot": settings["model-lock"].as_u64(),
        "pace": place("waveform", &WAVES), "area": settings["region"],
        "strength": settings["power"], "how": word("output", &OUTPUTS),
        "turned": settings["output-inverted"], "rate": settings["output-rate"],
        "lost": word("failsafe", &LOST), "rests": settings["failsafe-positions"],
        "net": text("local-network"), "word": text("local-passphrase"),
        "after": settings["fallback-wait"], "lamp": settings["light"],
    })
}

const WAVES: [(&str, &str); 3] = [("calm", "w0"), ("breeze", "w1"), ("gale", "w2")];
const ZONES: [(&str, &str); 4] = [("DE", "1"), ("GB", "2"), ("US", "3"), ("JP", "4")];
const OUTPUTS: [(&str, &str); 3] = [
    ("serial-frames", "frames"),
    ("pulse-widths", "widths"),
    ("pulse-sum", "sum"),
];
const LOST: [(&str, &str); 3] = [("hold", "keep"), ("neutral", "rest"), ("cut", "stop")];
