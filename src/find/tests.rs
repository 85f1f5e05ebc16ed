//! What is found at an address, with small servers.

use std::time::Duration;

use super::*;
use crate::{
    profile::load_text,
    session::testing::{Then, Tiny, answer},
};

fn family(name: &str, css: &str, text: &str) -> Arc<Profile> {
    let toml = format!(
        r#"
format = 1
family = "{name}"
title = "Test"
role = "receiver"
system = "tarn"
identity = {{ bssid = "stable" }}
recognise = [{{ request = "front", css = "{css}", text = "{text}" }}]

[request]
front = {{ get = "/", as = "html" }}

[place]
works = {{ request = "front", css = "h1" }}

[setting.firmware]
label = "Firmware"
version = true
at = {{ works = {{ text = "{{}}" }} }}
"#
    );
    Arc::new(load_text("test.toml", &toml).unwrap_or_else(|faults| panic!("{faults}")))
}

fn families() -> Vec<Arc<Profile>> {
    vec![
        family("deck", "title", "Tarn deck"),
        family("any", "title", "Tarn {}"),
        family("mast", "h1", "mast"),
    ]
}

/// The families with a page of their own each, of one path and different queries.
#[tokio::test]
async fn pages_of_one_path_are_told_apart_by_their_queries() {
    let with_query = |name: &str, query: &str| {
        let toml = family(name, "title", name)
            .source
            .text
            .replace("get = \"/\"", &format!("get = \"/?{query}\""));
        Arc::new(load_text("test.toml", &toml).unwrap_or_else(|faults| panic!("{faults}")))
    };
    let tiny = Tiny::start(|seen, _| {
        let page = if seen.line().contains("?mast") {
            "<title>mast</title>"
        } else {
            "<title>other</title>"
        };
        answer("200 OK", "Content-Type: text/html\r\n", page)
    })
    .await;
    let families = [with_query("deck", "deck"), with_query("mast", "mast")];
    let found = at(&tiny.origin, &families, &Limits::default()).await;
    let names: Vec<String> = found
        .expect("one fits")
        .iter()
        .map(|found| found.profile.family.clone())
        .collect();
    assert_eq!(names, ["mast"]);
    assert_eq!(tiny.lines().len(), 2);
}

async fn found(page: &'static str) -> (Result<Vec<String>, FindError>, usize) {
    let tiny = Tiny::start(move |_, _| answer("200 OK", "Content-Type: text/html\r\n", page)).await;
    let found = at(&tiny.origin, &families(), &Limits::default()).await;
    let names = found.map(|found| {
        found
            .iter()
            .map(|found| found.profile.family.clone())
            .collect()
    });
    (names, tiny.lines().len())
}

#[tokio::test]
async fn every_family_that_fits_is_found_and_the_page_is_fetched_once() {
    for (page, expected) in [
        ("<title>Tarn deck</title>", vec!["deck", "any"]),
        ("<title>Tarn keel</title>", vec!["any"]),
        ("<title>Pond</title><h1>mast</h1>", vec!["mast"]),
    ] {
        let (names, requests) = found(page).await;
        assert_eq!(names.expect("one fits"), expected, "{page}");
        assert_eq!(requests, 1);
    }
}

#[tokio::test]
async fn a_page_that_is_no_receiver_is_named_by_its_title() {
    let (names, _) = found("<title>Pond \u{1b}[2J</title>").await;
    let error = names.expect_err("no receiver");
    assert_eq!(error.code(), "no-receiver");
    let said = error.to_string();
    assert!(
        said.ends_with("its page is titled `Pond \\u{1b}[2J`"),
        "{said}"
    );
    let (names, _) = found("plain").await;
    let said = names.expect_err("no receiver").to_string();
    assert!(said.ends_with("its page has no title"), "{said}");
}

#[tokio::test]
async fn a_status_is_no_receiver_either() {
    let tiny = Tiny::start(|_, _| answer("404 Not Found", "", "")).await;
    let error = at(&tiny.origin, &families(), &Limits::default()).await;
    let error = error.expect_err("no receiver");
    assert_eq!(error.code(), "no-receiver");
    assert!(
        error
            .to_string()
            .ends_with("`GET /` was answered with status 404"),
        "{error}"
    );
    assert_eq!(tiny.lines().len(), 1);
}

#[tokio::test]
async fn nobody_there_and_no_answer_are_told_apart() {
    let limits = Limits {
        answer: Duration::from_millis(200),
        attempts: 1,
        ..Limits::default()
    };
    let tiny = Tiny::start(|_, _| (Vec::new(), Then::Stall)).await;
    let silent = at(&tiny.origin, &families(), &limits)
        .await
        .expect_err("silent");
    assert_eq!(silent.code(), "no-answer");
    let origin = tiny.stop().await;
    let refused = at(&origin, &families(), &limits)
        .await
        .expect_err("refused");
    assert_eq!(refused.code(), "nobody-there");
    assert_eq!(
        refused.to_string(),
        format!("no device answers at `{origin}`: the connection was refused")
    );
    assert!(
        refused
            .help()
            .is_some_and(|help| help.contains("takes no connection"))
    );
}

#[tokio::test]
async fn without_profiles_nothing_is_asked() {
    let tiny = Tiny::start(|_, _| answer("200 OK", "", "")).await;
    let error = at(&tiny.origin, &[], &Limits::default())
        .await
        .expect_err("no profiles");
    assert_eq!(error.code(), "no-profiles");
    assert!(tiny.seen().is_empty());
}

#[tokio::test]
async fn a_page_that_is_more_than_any_device_s_is_looked_at_once() {
    let many: &'static str = Box::leak("<input name=a>".repeat(4_001).into_boxed_str());
    let (names, requests) = found(many).await;
    let error = names.expect_err("no receiver");
    assert_eq!(error.code(), "page-over-limit");
    assert!(
        error.to_string().contains("more than 4000 controls"),
        "{error}"
    );
    assert_eq!(requests, 1);
}
