//! Pages: within bounds of time and size, and the bytes of every form are read back as what was to
//! be sent.

use linkmend::session::page::{Entry, Form, Page, PageLimits, Submission, SubmitMethod};
use url::Url;

use crate::{
    corpus,
    drive::{Dice, fuzz},
    mutate,
};

/// What pages are made of.
const WORDS: [&[u8]; 34] = [
    b"<form>",
    b"</form>",
    b"<form id=a method=post action=/x>",
    b"<table>",
    b"<tr><td>",
    b"</table>",
    b"<input name=x value=y>",
    b"<input type=radio name=r checked>",
    b"<input type=checkbox name=c>",
    b"<input type=image name=i>",
    b"<input type=file name=f>",
    b"<input type=color name=k value=red>",
    b"<input type=range name=g min=9 max=1>",
    b"<input type=number name=n value=1e400>",
    b"<input type=hidden name=_charset_>",
    b"<input form=a name=out dirname=d>",
    b"<select name=s>",
    b"<select name=s multiple>",
    b"<option selected>",
    b"<optgroup disabled>",
    b"</select>",
    b"<textarea name=t>\n",
    b"</textarea>",
    b"<fieldset disabled>",
    b"<legend>",
    b"<datalist>",
    b"<noscript>",
    b"<template>",
    b"<base href=//elsewhere/>",
    b"<meta charset=windows-1252>",
    b"<button name=b value=v formmethod=post formenctype=multipart/form-data>",
    b"<svg><a>",
    b"<!--",
    b"<b><i><u><a href=x>",
];

const TYPES: [Option<&str>; 5] = [
    None,
    Some("text/html"),
    Some("text/html; charset=utf-8"),
    Some("text/html; charset=utf-16le"),
    Some("text/html; charset=shift_jis"),
];

fn made(dice: &mut Dice) -> Vec<u8> {
    let mut page = b"<!DOCTYPE html><title>Tarn</title><form id=a method=post>".to_vec();
    for _ in 0..dice.below(60) {
        page.extend_from_slice(dice.pick::<&[u8]>(&WORDS));
        if dice.once_in(4) {
            page.extend(mutate::text(dice, 4).into_bytes());
        }
    }
    page
}

#[test]
fn page_is_read_within_bounds_and_its_forms_read_back() {
    let corpus = corpus::files(&["tests/forms"], &["html"]);
    let make = |dice: &mut Dice| {
        let mut bytes = if dice.once_in(2) {
            dice.pick(&corpus).clone()
        } else {
            made(dice)
        };
        if !dice.once_in(5) {
            mutate::damage(dice, &mut bytes, &WORDS);
        }
        // How it is served is the first byte.
        bytes.insert(0, u8::try_from(dice.below(TYPES.len())).expect("few"));
        bytes
    };
    let url: Url = "http://127.0.0.1:8080/at/page?with=query"
        .parse()
        .expect("an address");
    let limits = PageLimits::default();
    let mut forms = 0;
    fuzz("page", make, |input| {
        let (kind, body) = (TYPES[usize::from(input[0])], &input[1..]);
        let page = match Page::parse(
            body,
            kind,
            &url,
            &["title", "td", "#plate"],
            &["form", "#a"],
            &limits,
        ) {
            Ok(page) => page,
            Err(error) => return assert!(!error.to_string().is_empty()),
        };
        for css in ["title", "td", "#plate"] {
            if let Ok(text) = page.text(css) {
                // A byte of some charsets is three of UTF-8.
                assert!(text.len() <= 3 * body.len() + 3, "{css}");
                assert_eq!(text.trim(), text, "{css}");
            }
        }
        for form in &page.forms {
            forms += 1;
            check(form, body.len());
        }
    });
    assert!(forms > 0, "some have forms");
}

fn check(form: &Form, size: usize) {
    let controls = form.controls();
    let names: Vec<&str> = controls
        .iter()
        .map(|control| control.name.as_str())
        .collect();
    for name in &names {
        // What it holds can be asked for; whether it is told is another matter.
        let _ = form.raw(name);
    }
    let presses = std::iter::once(None).chain(names.iter().take(8).map(|name| Some((*name, None))));
    for press in presses {
        let (Ok(entries), Ok(sent)) = (form.sent(press), form.submit(press)) else {
            continue;
        };
        let bytes = sent.body.len() + sent.url.as_str().len();
        // The longest way to write a byte: a character that the charset does not have, as a number
        // and that percent-encoded; and for each control its name and what stands around it.
        assert!(
            bytes <= 24 * size + 400 * (entries.len() + 2),
            "{bytes} of {size}"
        );
        reads_back(form, &entries, &sent);
    }
}

fn reads_back(form: &Form, entries: &[Entry], sent: &Submission) {
    let kind = sent.content_type.as_deref();
    let pairs: Option<Vec<(String, String)>> = match (sent.method, kind) {
        (SubmitMethod::Get, None) => {
            Some(urlencoded(sent.url.query().unwrap_or_default().as_bytes()))
        }
        (SubmitMethod::Post, Some("application/x-www-form-urlencoded")) => {
            Some(urlencoded(&sent.body))
        }
        (SubmitMethod::Post, Some("text/plain")) => None,
        (SubmitMethod::Post, Some(kind)) => Some(multipart(kind, &sent.body)),
        (method, kind) => panic!("{method:?} {kind:?}"),
    };
    let Some(pairs) = pairs else {
        return;
    };
    assert_eq!(pairs.len(), entries.len(), "of {}", form.label());
    for ((name, value), entry) in pairs.iter().zip(entries) {
        // Where the charset is not UTF-8, or lacks a character, what is read is written otherwise.
        if name.contains('\u{fffd}') || name.contains("&#") || !entry.name.is_ascii() {
            continue;
        }
        assert_eq!(lines(name), lines(&entry.name));
        let text = entry.value.as_text();
        if text.is_ascii() {
            assert_eq!(lines(value), lines(text));
        }
    }
}

fn urlencoded(bytes: &[u8]) -> Vec<(String, String)> {
    form_urlencoded::parse(bytes)
        .map(|(name, value)| (name.into_owned(), value.into_owned()))
        .collect()
}

/// The names and values of a multipart body (RFC 7578), by its boundary.
fn multipart(kind: &str, body: &[u8]) -> Vec<(String, String)> {
    let (_, boundary) = kind.split_once("boundary=").expect("a boundary");
    let text = String::from_utf8_lossy(body);
    let fence = format!("--{boundary}");
    let mut parts: Vec<&str> = text.split(&fence).collect();
    assert_eq!(parts.pop(), Some("--\r\n"), "it is closed");
    assert_eq!(parts.remove(0), "", "nothing stands before it");
    parts
        .into_iter()
        .map(|part| {
            let part = part.strip_prefix("\r\n").expect("a line of its own");
            let part = part.strip_suffix("\r\n").expect("a line of its own");
            let (head, value) = part.split_once("\r\n\r\n").expect("head and value");
            let (_, name) = head.split_once("name=\"").expect("a name");
            let name = name.split('"').next().unwrap_or_default();
            let name = name.replace("%0D%0A", "\n").replace("%22", "\"");
            (name, value.to_owned())
        })
        .collect()
}

/// Line ends aside: each is sent as CR LF.
fn lines(text: &str) -> String {
    text.replace("\r\n", "\n").replace('\r', "\n")
}
