//! What linkmend would send for the forms of a page, as JSON: a way to hold it against a browser, or
//! to try a page that a profile is written for. It uses the library's public parts alone.

use std::{
    fs,
    io::{self, BufRead, Read, Write},
    path::{Path, PathBuf},
    process::ExitCode,
};

use base64::{Engine, engine::general_purpose::STANDARD as BASE64};
use clap::Parser;
use encoding_rs::Encoding;
use linkmend::{
    session::page::{Boundary, Form, FormError, Page, PageError, PageLimits, SubmitMethod},
    terms::Raw,
};
use serde::Deserialize;
use serde_json::{Value as Json, json};
use url::Url;

#[derive(Parser)]
#[command(
    name = "form-bytes",
    about = "Print what the forms of a page send, byte for byte",
    long_about = "Print what the forms of a page send, byte for byte, as a browser with scripts off sends it.\n\n\
        Without --form: a JSON array with one object for each form that has everything asked for by \
        --press and NAME=VALUE. With it: the one object. `body` is in base64, `content_type` is null \
        where there is no body. A form of the array that cannot be sent has an `error` instead.",
    after_help = "Examples:\n  \
        form-bytes page.html\n  \
        form-bytes page.html --url http://192.168.77.1/deck --form '#air' --press act=keep called=Smew\n  \
        curl -s http://192.168.77.1/ | form-bytes - --charset utf-8 --form 2"
)]
struct Args {
    /// The page, `-` for standard input
    page: PathBuf,
    /// What is filled in before: text, a choice, or on and off for a check box; several of one name in their order
    #[arg(value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// Where the page was
    #[arg(long, default_value = "http://192.168.77.1/")]
    url: Url,
    /// The form: a CSS selector, or its number on the page from 1 on
    #[arg(long, value_name = "SELECTOR")]
    form: Option<String>,
    /// The button that is pressed; NAME=VALUE where several have one name
    #[arg(long, value_name = "NAME")]
    press: Option<String>,
    /// The charset that the device's header would name
    #[arg(long)]
    charset: Option<String>,
    /// The boundary of multipart bodies (default: another one each time)
    #[arg(long, value_name = "TEXT")]
    boundary: Option<String>,
    /// Print the controls of each form too
    #[arg(long)]
    controls: bool,
    /// PAGE holds one case a line, each a JSON object with `page` (in base64) and any of `url`, `content_type`, `form`, `press` ([NAME, VALUE or null]), `set`, `controls`; one line is printed for each
    #[arg(long, conflicts_with_all = ["set", "form", "press", "charset", "controls"])]
    batch: bool,
}

/// One page and what is asked of it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    /// In base64.
    page: String,
    url: Option<String>,
    content_type: Option<String>,
    form: Option<String>,
    press: Option<(String, Option<String>)>,
    #[serde(default)]
    set: Vec<(String, String)>,
    #[serde(default)]
    controls: bool,
}

/// Why nothing is printed.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error("`{}` cannot be read: {source}", path.display())]
    Unreadable { path: PathBuf, source: io::Error },
    #[error("nothing more can be printed: {source}")]
    Unprintable { source: io::Error },
    #[error("`{text}` is not NAME=VALUE")]
    NotAPair { text: String },
    #[error("`{label}` is no charset that browsers know")]
    UnknownCharset { label: String },
    #[error("line {number} is no case: {why}")]
    NotACase { number: usize, why: String },
    #[error("`{text}` is no address: {why}")]
    NotAnAddress { text: String, why: String },
    #[error(transparent)]
    Page(#[from] PageError),
    #[error(transparent)]
    Form(#[from] FormError),
    #[error("the page has {forms} forms, and none with the number {number}")]
    NoSuchForm { number: usize, forms: usize },
    #[error("none of the page's {forms} forms has all that is asked for: {why}")]
    NoneFits { forms: usize, why: String },
}

fn main() -> ExitCode {
    let args = Args::parse();
    match run(&args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("form-bytes: {failure}");
            ExitCode::from(2)
        }
    }
}

fn run(args: &Args) -> Result<(), Failure> {
    if args.batch {
        return batch(args);
    }
    let mut page = Vec::new();
    opened(&args.page)?
        .read_to_end(&mut page)
        .map_err(|source| unreadable(&args.page, source))?;
    let answer = answer(&args.case(&page)?, &args.url, &boundary(args))?;
    print(&format!("{answer:#}"))
}

fn boundary(args: &Args) -> Boundary {
    let wished = args.boundary.clone();
    wished.map_or(Boundary::Random, Boundary::Fixed)
}

impl Args {
    /// What the command line asks of a page.
    fn case(&self, page: &[u8]) -> Result<Case, Failure> {
        let pair = |text: &String| match text.split_once('=') {
            Some((name, value)) => Ok((name.to_owned(), value.to_owned())),
            None => Err(Failure::NotAPair { text: text.clone() }),
        };
        let press = self.press.as_ref().map(|text| match text.split_once('=') {
            Some((name, value)) => (name.to_owned(), Some(value.to_owned())),
            None => (text.clone(), None),
        });
        let charset = self.charset.as_ref();
        if let Some(label) = charset
            && Encoding::for_label(label.as_bytes()).is_none()
        {
            return Err(Failure::UnknownCharset {
                label: label.clone(),
            });
        }
        Ok(Case {
            page: BASE64.encode(page),
            url: None,
            content_type: charset.map(|charset| format!("text/html; charset={charset}")),
            form: self.form.clone(),
            press,
            set: self.set.iter().map(pair).collect::<Result<_, _>>()?,
            controls: self.controls,
        })
    }
}

fn batch(args: &Args) -> Result<(), Failure> {
    let boundary = boundary(args);
    for (line, number) in io::BufReader::new(opened(&args.page)?).lines().zip(1..) {
        let line = line.map_err(|source| unreadable(&args.page, source))?;
        let case = serde_json::from_str(&line).map_err(|error| Failure::NotACase {
            number,
            why: error.to_string(),
        })?;
        let answer = answer(&case, &args.url, &boundary)
            .unwrap_or_else(|failure| json!({ "error": failure.to_string() }));
        print(&answer.to_string())?;
    }
    Ok(())
}

/// What one case comes to.
fn answer(case: &Case, url: &Url, boundary: &Boundary) -> Result<Json, Failure> {
    let page = BASE64.decode(&case.page).map_err(|why| Failure::NotACase {
        number: 1,
        why: why.to_string(),
    })?;
    let stated = case.url.as_ref().map(|text| {
        let not_one = |why: url::ParseError| Failure::NotAnAddress {
            text: text.clone(),
            why: why.to_string(),
        };
        text.parse::<Url>().map_err(not_one)
    });
    let stated = stated.transpose()?;
    let url = stated.as_ref().unwrap_or(url);
    let number = case.form.as_ref().and_then(|form| form.parse().ok());
    let selector = case.form.as_deref().filter(|_| number.is_none());
    let selectors: Vec<&str> = selector.into_iter().collect();
    let kind = case.content_type.as_deref();
    let page = Page::parse(&page, kind, url, &[], &selectors, &PageLimits::default())?;
    let forms = page.forms.len();
    let send = |form: &Form| case.send(form, boundary);
    match (number, selector) {
        (Some(number), _) => {
            let index = usize::checked_sub(number, 1);
            let form = index.and_then(|index| page.forms.get(index));
            send(form.ok_or(Failure::NoSuchForm { number, forms })?).map_err(Failure::from)
        }
        (None, Some(selector)) => send(page.form(selector)?).map_err(Failure::from),
        (None, None) => {
            let asks = case.press.is_some() || !case.set.is_empty();
            let mut answers = Vec::new();
            let mut unfit = String::new();
            for form in &page.forms {
                match send(form) {
                    Ok(answer) => answers.push(answer),
                    Err(error) if asks => unfit = error.to_string(),
                    Err(error) => answers.push(json!({
                        "form": form.label(),
                        "error": error.to_string(),
                    })),
                }
            }
            if asks && answers.is_empty() {
                return Err(Failure::NoneFits { forms, why: unfit });
            }
            Ok(Json::Array(answers))
        }
    }
}

impl Case {
    fn send(&self, form: &Form, boundary: &Boundary) -> Result<Json, FormError> {
        let mut filled = form.clone();
        let mut names: Vec<&str> = Vec::new();
        for (name, _) in &self.set {
            if !names.contains(&name.as_str()) {
                names.push(name);
            }
        }
        for name in names {
            let values = self.set.iter().filter(|(other, _)| other == name);
            let values: Vec<&str> = values.map(|(_, value)| value.as_str()).collect();
            filled.fill(name, &raw_of(&form.raw(name), &values))?;
        }
        let press = self.press.as_ref();
        let press = press.map(|(name, value)| (name.as_str(), value.as_deref()));
        let sent = filled.submit_with(press, boundary)?;
        let mut answer = json!({
            "form": form.label(),
            "method": match sent.method {
                SubmitMethod::Get => "GET",
                SubmitMethod::Post => "POST",
            },
            "address": sent.url.as_str(),
            "content_type": sent.content_type,
            "body": BASE64.encode(&sent.body),
        });
        if self.controls
            && let Some(object) = answer.as_object_mut()
        {
            let controls = filled.controls().into_iter();
            let controls = controls
                .map(|one| json!({ "name": one.name, "kind": one.kind, "disabled": one.disabled }));
            object.insert("controls".to_owned(), controls.collect());
        }
        Ok(answer)
    }
}

/// Values as the control of that shape takes them.
fn raw_of(shape: &Raw, values: &[&str]) -> Raw {
    match (shape, values) {
        (Raw::Box(_), ["on" | "true" | "yes"]) => Raw::Box(true),
        (Raw::Box(_), ["off" | "false" | "no"]) => Raw::Box(false),
        (Raw::Choice(_), [one]) => Raw::Choice(Some((*one).to_owned())),
        (Raw::Many(_), values) => Raw::Many(values.iter().map(|&value| value.to_owned()).collect()),
        (_, [one]) => Raw::Text((*one).to_owned()),
        (_, several) => Raw::Many(several.iter().map(|&value| value.to_owned()).collect()),
    }
}

fn opened(path: &Path) -> Result<Box<dyn Read>, Failure> {
    if path == Path::new("-") {
        return Ok(Box::new(io::stdin()));
    }
    let file = fs::File::open(path).map_err(|source| unreadable(path, source))?;
    Ok(Box::new(file))
}

fn unreadable(path: &Path, source: io::Error) -> Failure {
    Failure::Unreadable {
        path: path.to_owned(),
        source,
    }
}

fn print(line: &str) -> Result<(), Failure> {
    let mut out = io::stdout();
    writeln!(out, "{line}")
        .and_then(|()| out.flush())
        .map_err(|source| Failure::Unprintable { source })
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGE: &str = "<form id=air action=/keep method=post enctype=multipart/form-data>\
        <input name=called value=Smew><input type=checkbox name=turned><select name=wave><option>calm\
        <option>gale</select><input name=rest value=1><input name=rest value=2>\
        <button name=act value=keep>k</button><button name=act value=drop>d</button></form>\
        <form id=find><input name=q></form><form method=dialog></form>";

    fn asked(words: &[&str]) -> Result<Json, Failure> {
        let words = ["form-bytes", "-"].iter().chain(words);
        let args = Args::try_parse_from(words).expect("the words are taken");
        answer(&args.case(PAGE.as_bytes())?, &args.url, &boundary(&args))
    }

    fn body(answer: &Json) -> String {
        let body = answer["body"].as_str().expect("a body");
        String::from_utf8(BASE64.decode(body).expect("base64")).expect("UTF-8")
    }

    #[test]
    fn without_a_form_named_all_are_listed_also_one_that_sends_nothing() {
        let all = asked(&["--url", "http://192.168.77.1/deck"]).expect("an answer");
        let forms = all.as_array().expect("a list");
        assert_eq!(forms.len(), 3);
        assert_eq!(forms[0]["form"], "#air");
        assert_eq!(forms[1]["address"], "http://192.168.77.1/deck?q=");
        assert_eq!(forms[1]["content_type"], Json::Null);
        assert!(
            forms[2]["error"]
                .as_str()
                .expect("a text")
                .contains("dialog")
        );
    }

    #[test]
    fn one_form_is_filled_and_its_button_pressed() {
        let one = [
            "--form",
            "#air",
            "--press",
            "act=drop",
            "--boundary",
            "reeds",
        ];
        let filled = [
            "called=Wigeon & Teal",
            "turned=on",
            "wave=gale",
            "rest=3",
            "rest=4",
        ];
        let answer = asked(&[&one[..], &filled[..]].concat()).expect("an answer");
        assert_eq!(answer["method"], "POST");
        assert_eq!(answer["address"], "http://192.168.77.1/keep");
        assert_eq!(
            answer["content_type"],
            "multipart/form-data; boundary=reeds"
        );
        let pairs = [
            ("called", "Wigeon & Teal"),
            ("turned", "on"),
            ("wave", "gale"),
            ("rest", "3"),
            ("rest", "4"),
            ("act", "drop"),
        ];
        let part = |(name, value): (&str, &str)| {
            format!("--reeds\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
        };
        assert_eq!(body(&answer), pairs.map(part).concat() + "--reeds--\r\n");
    }

    #[test]
    fn a_button_alone_chooses_the_forms_that_have_it() {
        let answer = asked(&["--press", "act=keep", "--controls"]).expect("an answer");
        assert_eq!(answer.as_array().map(Vec::len), Some(1));
        let controls = &answer[0]["controls"];
        assert_eq!(
            controls[1],
            json!({ "name": "turned", "kind": "checkbox", "disabled": false })
        );
        let second = asked(&["--form", "2", "q=x y"]).expect("an answer");
        assert_eq!(second["address"], "http://192.168.77.1/?q=x+y");
    }

    #[test]
    fn what_cannot_be_done_is_named() {
        for (words, message) in [
            (&["--form", "#none"][..], "nothing on the page fits `#none`"),
            (&["--form", "p["], "`p[` is no CSS selector"),
            (
                &["--form", "7"],
                "the page has 3 forms, and none with the number 7",
            ),
            (
                &["--form", "3"],
                "form `form 3` has the method `dialog`, which sends nothing",
            ),
            (
                &["--form", "1", "--press", "act"],
                "form `#air` has 2 different buttons `act`",
            ),
            (
                &["--press", "go"],
                "none of the page's 3 forms has all that is asked for",
            ),
            (&["called"], "`called` is not NAME=VALUE"),
            (&["--charset", "odd"], "`odd` is no charset"),
        ] {
            let said = asked(words).expect_err("it cannot be done").to_string();
            assert!(said.starts_with(message), "{said}");
        }
    }
}
