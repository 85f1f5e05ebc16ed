//! Our requests against those that a real browser made of the same pages: every case of
//! `tests/forms/cases.json`, byte for byte, as `tests/forms/record.mjs` recorded them from
//! Chromium 156.0.8078.79 with scripts off.
//!
//! Where the browser departs from the standard stands in `tests/forms/deviations.json`, with the
//! reason for what is done here. A case names the deviation that it shows.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;

use serde::Deserialize;
use url::Url;

use super::{Boundary, FormError, Page, PageLimits, Submission, SubmitMethod};
use crate::terms::Raw;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    name: String,
    page: String,
    content_type: String,
    form: String,
    press: Option<(String, Option<String>)>,
    /// Put where the page says `%FORMATTR%`.
    attributes: Option<String>,
    /// What is filled in before: control, kind, value.
    #[serde(default)]
    fill: Vec<(String, String, serde_json::Value)>,
    /// Names that the browser sends by a deviation that linkmend does not follow.
    #[serde(default)]
    omit: BTreeMap<String, String>,
    /// The deviation by which the browser sends something else than `standard`.
    deviates: Option<String>,
    standard: Option<String>,
    /// The browser sends nothing: recorded is the request that came instead.
    #[serde(default)]
    nothing: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Deviation {
    name: String,
    standard: String,
    browser: String,
    linkmend: Follows,
    why: String,
    source: String,
}

#[derive(Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
enum Follows {
    Standard,
    Browser,
}

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/forms")
}

fn cases() -> Vec<Case> {
    let text = fs::read(folder().join("cases.json")).expect("cases.json is there");
    serde_json::from_slice(&text).expect("cases.json holds cases")
}

fn deviations() -> Vec<Deviation> {
    let text = fs::read(folder().join("deviations.json")).expect("deviations.json is there");
    serde_json::from_slice(&text).expect("deviations.json holds deviations")
}

impl Case {
    fn page(&self) -> Vec<u8> {
        let bytes = fs::read(folder().join(&self.page)).expect("the page is there");
        let Some(attributes) = &self.attributes else {
            return bytes;
        };
        String::from_utf8(bytes)
            .expect("pages with a place for attributes are ASCII")
            .replace("%FORMATTR%", attributes)
            .into_bytes()
    }

    fn ours(&self) -> Result<Submission, FormError> {
        let url: Url = "http://127.0.0.1:8080/at/shore/page?serve"
            .parse()
            .expect("an address");
        let page = Page::parse(
            &self.page(),
            Some(&self.content_type),
            &url,
            &[],
            &[&self.form],
            &PageLimits::default(),
        )
        .expect("the page is read");
        let mut form = page.form(&self.form).expect("the form is there").clone();
        for (control, kind, value) in &self.fill {
            let text = || value.as_str().expect("a text").to_owned();
            let raw = match (kind.as_str(), value) {
                ("text", _) => Raw::Text(text()),
                ("box", value) => Raw::Box(value.as_bool().expect("on or off")),
                ("select", serde_json::Value::Array(values)) => Raw::Many(
                    values
                        .iter()
                        .map(|v| v.as_str().expect("a text").to_owned())
                        .collect(),
                ),
                _ => Raw::Choice(Some(text())),
            };
            form.fill(control, &raw).expect("the control takes it");
        }
        let press = self
            .press
            .as_ref()
            .map(|(name, value)| (name.as_str(), value.as_deref()));
        // The word that the recordings have in the place of the browser's own.
        form.submit_with(press, &Boundary::Fixed("boundary".to_owned()))
    }

    fn recorded(&self) -> String {
        let bytes = fs::read(folder().join(format!("{}.recorded", self.name)));
        latin1(&bytes.expect("the case was recorded"))
    }

    /// What is to be sent: the recording, less what the standard does not send; or what the
    /// standard says instead of it.
    fn expected(&self) -> String {
        if let Some(standard) = &self.standard {
            return standard.clone();
        }
        let recorded = self.recorded();
        let names = self.omit.keys();
        names.fold(recorded, |text, name| without(&text, name))
    }

    fn sent(&self) -> String {
        match self.ours() {
            Ok(sent) => as_recorded(&sent),
            Err(FormError::SendsNothing { .. } | FormError::Action { .. }) => {
                "GET /nothing\n-\n\n".to_owned()
            }
            Err(error) => error.to_string(),
        }
    }
}

/// A recording without the entry of a name, in whichever encoding it is.
fn without(recorded: &str, name: &str) -> String {
    let cut = [
        (format!("&{name}="), vec!["&", "\n"]),
        (format!("\r\n{name}="), vec!["\r\n"]),
        (
            format!("--boundary\r\nContent-Disposition: form-data; name=\"{name}\"\r\n"),
            vec!["--boundary"],
        ),
    ];
    let (at, length, ends) = cut
        .into_iter()
        .find_map(|(start, ends)| Some((recorded.find(&start)?, start.len(), ends)))
        .expect("what is omitted was sent");
    let rest = &recorded[at + length..];
    let end = ends.iter().filter_map(|end| rest.find(end)).min();
    let after = end.map_or("", |end| &rest[end..]);
    format!("{}{after}", &recorded[..at])
}

/// One character for each byte, so that every body can be shown and compared.
fn latin1(bytes: &[u8]) -> String {
    bytes.iter().map(|&byte| char::from(byte)).collect()
}

fn as_recorded(sent: &Submission) -> String {
    assert_eq!(sent.url.fragment(), None, "a fragment is never sent");
    let (method, kind) = match sent.method {
        SubmitMethod::Get => ("GET", "-"),
        SubmitMethod::Post => (
            "POST",
            sent.content_type.as_deref().expect("a body has a type"),
        ),
    };
    let query = sent
        .url
        .query()
        .map_or(String::new(), |query| format!("?{query}"));
    let body = latin1(&sent.body);
    format!("{method} {}{query}\n{kind}\n\n{body}", sent.url.path())
}

#[test]
fn every_form_is_sent_as_the_browser_sent_it() {
    let differing: Vec<String> = cases()
        .iter()
        .filter_map(|case| {
            let (ours, theirs) = (case.sent(), case.expected());
            (ours != theirs).then(|| format!("{}\nours:   {ours}\nchrome: {theirs}\n", case.name))
        })
        .collect();
    assert!(differing.is_empty(), "{}", differing.join("\n"));
}

#[test]
fn the_browser_sends_nothing_only_where_the_case_says_so() {
    for case in cases() {
        let nothing = case.recorded() == "GET /nothing\n-\n\n";
        assert_eq!(nothing, case.nothing, "{}", case.name);
    }
}

#[test]
fn every_deviation_has_its_reason_and_a_case_that_shows_it() {
    let cases = cases();
    let shown: BTreeSet<&str> = cases
        .iter()
        .flat_map(|case| case.omit.values().chain(&case.deviates))
        .map(String::as_str)
        .collect();
    let deviations = deviations();
    for one in &deviations {
        for text in [&one.standard, &one.browser, &one.why, &one.source] {
            assert!(text.len() > 3, "{} says too little", one.name);
        }
    }
    let kept = deviations
        .iter()
        .filter(|one| one.linkmend == Follows::Standard);
    let kept: BTreeSet<&str> = kept.map(|one| one.name.as_str()).collect();
    assert_eq!(shown, kept);
    for case in cases.iter().filter(|case| case.standard.is_some()) {
        assert!(case.deviates.is_some(), "{} names why", case.name);
        assert_ne!(case.standard, Some(case.recorded()), "{}", case.name);
    }
}

#[test]
fn every_page_and_every_recording_belongs_to_a_case() {
    let cases = cases();
    for entry in fs::read_dir(folder()).expect("the folder is there") {
        let name = entry
            .expect("an entry")
            .file_name()
            .into_string()
            .expect("a plain name");
        let known = match name.rsplit_once('.') {
            Some((stem, "recorded")) => cases.iter().any(|case| case.name == stem),
            Some((_, "html")) => cases.iter().any(|case| case.page == name),
            _ => true,
        };
        assert!(known, "{name} is of no case");
    }
}

/// The bytes of two tricky pages, as they were recorded once more by another way of driving the
/// same browser (a script in the page that clicks, scripts on).
#[test]
fn bytes_of_the_tricky_pages_are_those_of_the_first_recording() {
    let body = "outside_before=ob&_charset_=UTF-8&token=abc%2B%2F%3D&token=second&ssid=Caf%C3%A9+%26+%22x%22+a%2Bb%3Dc%7E*-._+%E6%97%A5%E6%9C%AC+%F0%9F%93%A1&noType=&nl=onetwo&cb_on_noval=on&cb_multi=a&cb_multi=c&pair=0&pair=1&r_two=q&s_default=0&s_firstdis=e&s_two=2&s_text=two+words&s_multi=1&s_multi=3&ta=line1%0D%0A++line2%0D%0Aline3&ta_blank=%0D%0Ax&num_bad=&num_ok=007.50&rng=5&rng_clamp=9&col=%23ff0000&date_bad=&mail=a%40b.c&url=http%3A%2F%2Fx%2F&weird=w&pw=secret+pass&fw=&in_legend=kept&dir=ltr&dir.dir=ltr&in_nested=stays+in+outer&go=A+%3E+B&outside_after=oa";
    let other = body
        .replace("_charset_=UTF-8", "_charset_=windows-1252")
        .replace("Caf%C3%A9", "Caf%E9")
        .replace(
            "%E6%97%A5%E6%9C%AC+%F0%9F%93%A1",
            "%26%2326085%3B%26%2326412%3B+%26%23128225%3B",
        );
    // Scripts are off, so that what is in `<noscript>` counts; and the page breaks no lines.
    let escaping = "a%0D%0Ab%22c=x%0D%0Ay%0D%0Az%0D%0Aw&n%C3%A9%E6%97%A5=%22q%22&_charset_=UTF-8&_charset_=typed&isindex=i&t=abcdefghijk&cr=a%0D%0Ab&pct=100%25+%27x%27+%28y%29+%21+%EF%BF%BD%7F+%C2%A0&ns=1&ind=&s=&go=";
    let post = |path: &str, body: &str| {
        format!("POST {path}\napplication/x-www-form-urlencoded\n\n{body}")
    };
    let get = format!("GET /save?{body}\n-\n\n");
    let expected = [
        ("a-go", post("/save?keep=no", body)),
        (
            "a-no-button",
            post("/save?keep=no", &body.replace("go=A+%3E+B&", "")),
        ),
        (
            "a-image",
            post(
                "/save?keep=no",
                &body.replace("go=A+%3E+B", "img.x=0&img.y=0"),
            ),
        ),
        ("a-get", get.clone()),
        ("a-put-json", get),
        ("a-windows-1252", post("/save?keep=no", &other)),
        ("a-accept-charset", post("/save?keep=no", &other)),
        ("a-table-form", post("/g", "in_table=t")),
        ("b-go", post("/m", escaping)),
    ];
    let cases = cases();
    // Lengths of the bodies, with what the browser alone sends.
    for (name, length) in [("a-plain", 542), ("a-button-plain", 540)] {
        let case = cases.iter().find(|case| case.name == name);
        let recorded = case.expect("the case is there").recorded();
        let (_, body) = recorded.split_once("\n\n").expect("a head and a body");
        // One character stands for one byte here.
        assert_eq!(body.chars().count(), length, "{name}");
    }
    for (name, expected) in expected {
        let case = cases
            .iter()
            .find(|case| case.name == name)
            .expect("the case is there");
        assert_eq!(case.sent(), expected, "{name}");
    }
}
