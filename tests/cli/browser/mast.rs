//! The mast receiver's login and its three pages, in a browser beside the program.

use mock_device::Family;
use serde_json::{Map, Value as Json};

use super::{LOST, OUTPUTS, URLENCODED, answer, attempt, text, word};
use crate::harness::Bench;

/// Saves each page on which something changes, and lets the radio follow with a restart.
pub(super) fn alter(bench: &Bench, changes: &[(&str, Json)], settings: &Map<String, Json>) {
    let changes = |name: &str| changes.iter().any(|(changed, _)| *changed == name);
    let visit = Visit::new(bench).expect("the device is there and lets in");
    for (page, names) in PAGES {
        if names.iter().any(|name| changes(name)) {
            let (kind, body) = visit.filled(page, settings, changes);
            let answered = visit.post(&format!("/{page}-keep"), &kind, &body);
            let (status, said) = answered.expect("the device is there and answers");
            assert!(status < 400, "{page}: {status} {said}");
        }
    }
}

/// Asks it to restart; none: it is away just now.
pub(super) fn restart(bench: &Bench) -> Option<(u16, String)> {
    let visit = Visit::new(bench)?;
    let once = value(&visit.get("/radio")?, "once");
    visit.post("/start-anew", URLENCODED, &format!("once={once}"))
}

/// What stands on which page.
const PAGES: [(&str, &[&str]); 3] = [
    (
        "radio",
        &["name", "model-lock", "waveform", "region", "power"],
    ),
    (
        "pins",
        &["output", "output-inverted", "output-rate", "failsafe"],
    ),
    (
        "shore",
        &[
            "bind-key",
            "local-network",
            "local-passphrase",
            "fallback-wait",
        ],
    ),
];

const PACES: [(&str, &str); 3] = [("calm", "0"), ("breeze", "1"), ("gale", "2")];

/// Somebody who was let in.
struct Visit<'a> {
    bench: &'a Bench,
    cookie: String,
}

impl<'a> Visit<'a> {
    fn new(bench: &'a Bench) -> Option<Self> {
        let (user, word) = Family::SampleLogin.login().expect("it has a login");
        let body = format!("who={user}&word={word}&go=in");
        let length = body.len();
        let request = format!(
            "POST /come-in HTTP/1.0\r\nContent-Type: {URLENCODED}\r\n\
             Content-Length: {length}\r\n\r\n{body}"
        );
        let (head, _) = answer(bench, &request)?;
        let (_, rest) = head.split_once("Set-Cookie: ")?;
        let cookie = rest.split([';', '\r']).next()?.to_owned();
        Some(Self { bench, cookie })
    }

    fn get(&self, path: &str) -> Option<String> {
        let cookie = &self.cookie;
        let request = format!("GET {path} HTTP/1.0\r\nCookie: {cookie}\r\n\r\n");
        let (status, page) = attempt(self.bench, &request)?;
        (status == 200).then_some(page)
    }

    fn post(&self, path: &str, kind: &str, body: &str) -> Option<(u16, String)> {
        let (cookie, length) = (&self.cookie, body.len());
        let request = format!(
            "POST {path} HTTP/1.0\r\nCookie: {cookie}\r\nContent-Type: {kind}\r\n\
             Content-Length: {length}\r\n\r\n{body}"
        );
        attempt(self.bench, &request)
    }

    /// The form of a page as a person fills it in, with its type.
    fn filled(
        &self,
        page: &str,
        settings: &Map<String, Json>,
        changes: impl Fn(&str) -> bool,
    ) -> (String, String) {
        let shown = self.get(&format!("/{page}")).expect("the page");
        let mut pairs = vec![("once", value(&shown, "once"))];
        match page {
            "radio" => {
                let slot = settings["model-lock"].as_u64();
                pairs.push(("called", text(settings, "name")));
                pairs.extend(slot.map(|_| ("tied", "1".to_owned())));
                let kept = || value(&shown, "slot");
                pairs.push(("slot", slot.map_or_else(kept, |slot| slot.to_string())));
                pairs.push(("pace", word(settings, "waveform", &PACES)));
                pairs.push(("area", text(settings, "region")));
                pairs.push(("strength", text(settings, "power")));
            }
            "pins" => {
                pairs.push(("how", word(settings, "output", &OUTPUTS)));
                if settings["output-inverted"] == true {
                    pairs.push(("turned", "1".to_owned()));
                }
                pairs.push(("rate", text(settings, "output-rate")));
                pairs.push(("lost", word(settings, "failsafe", &LOST)));
            }
            _ => {
                // What it never shows is typed only to be changed.
                let typed = |name: &str| {
                    let text = text(settings, name);
                    if changes(name) { text } else { String::new() }
                };
                pairs.push(("kin", typed("bind-key")));
                pairs.push(("net", text(settings, "local-network")));
                pairs.push(("net_word", typed("local-passphrase")));
                pairs.push(("after", text(settings, "fallback-wait")));
            }
        }
        pairs.push(("act", "keep".to_owned()));
        if page == "pins" {
            multipart(&pairs)
        } else {
            let mut body = form_urlencoded::Serializer::new(String::new());
            (URLENCODED.to_owned(), body.extend_pairs(pairs).finish())
        }
    }
}

/// RFC 7578, with the file that nobody chose.
fn multipart(pairs: &[(&str, String)]) -> (String, String) {
    let mark = "between-the-reeds";
    let field = |(name, value): &(&str, String)| {
        format!("--{mark}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
    };
    let fields: Vec<String> = pairs.iter().map(field).collect();
    let body = format!(
        "{}--{mark}\r\nContent-Disposition: form-data; name=\"map\"; filename=\"\"\r\n\
         Content-Type: application/octet-stream\r\n\r\n\r\n--{mark}--\r\n",
        fields.concat()
    );
    (format!("multipart/form-data; boundary={mark}"), body)
}

/// The value of a control of a page.
fn value(page: &str, name: &str) -> String {
    let mark = format!("name=\"{name}\" value=\"");
    let (_, rest) = page.split_once(&mark).expect("the control");
    rest.split('"').next().expect("its end").to_owned()
}
