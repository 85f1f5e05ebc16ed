//! Saves as multipart/form-data: by the page's own form, and by a made body.

use super::*;

/// A part without a file (RFC 7578 section 4.2).
fn part(boundary: &str, name: &str, value: &str) -> String {
    format!("--{boundary}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n")
}

/// The boundary that the header of a request names.
fn boundary(seen: &Seen) -> &str {
    let header = "content-type: multipart/form-data; boundary=";
    let mut lines = seen.head.lines();
    let named = lines.find_map(|line| {
        let start = line.get(..header.len())?;
        start
            .eq_ignore_ascii_case(header)
            .then(|| &line[header.len()..])
    });
    named.expect("a multipart request names its boundary")
}

fn multipart_page() -> (Vec<u8>, Then) {
    let page = page_with("2.0.0", "<input type=file name=map>", 0);
    html(&page.replace(
        "method=\"post\"",
        "method=\"post\" enctype=\"multipart/form-data\"",
    ))
}

#[tokio::test]
async fn a_multipart_form_is_sent_with_its_file_control_left_empty() {
    let tiny = Tiny::start(|_, _| multipart_page()).await;
    let toml = FORM.replace(r#"pass = ["trim"]"#, r#"pass = ["trim", "map"]"#);
    let session = session(&tiny, &toml);
    let answers = session.read().await.expect("a reading").answers;
    let saved = session
        .save(&answers, &save("air"), &lock_off(&session))
        .await;
    assert!(matches!(saved, Ok(Reply::Answered { .. })), "{saved:?}");
    assert_eq!(tiny.lines(), ["GET /", "POST /keep?way=1"]);
    let seen = &tiny.seen()[1];
    let line = boundary(seen);
    let texts = [
        ("once", "token-0"),
        ("called", "Smew"),
        ("follows", "any"),
        ("held_to", "6"),
        ("word", "reeds-and-rushes"),
        ("trim", "5"),
    ];
    let mut expected: String = texts
        .into_iter()
        .map(|(name, value)| part(line, name, value))
        .collect();
    // HTML standard, 4.10.22.4: no file chosen is a file without a name and without contents.
    expected += &format!(
        "--{line}\r\nContent-Disposition: form-data; name=\"map\"; filename=\"\"\r\n\
         Content-Type: application/octet-stream\r\n\r\n\r\n"
    );
    expected += &part(line, "act", "keep");
    assert_eq!(seen.body(), format!("{expected}--{line}--\r\n"));
}

#[tokio::test]
async fn a_file_control_that_the_profile_does_not_pass_stops_the_save() {
    let tiny = Tiny::start(|_, _| multipart_page()).await;
    let session = session(&tiny, FORM);
    let answers = session.read().await.expect("a reading").answers;
    let saved = session
        .save(&answers, &save("air"), &lock_off(&session))
        .await;
    assert_eq!(code(saved), "unknown-control");
    assert_eq!(tiny.lines(), ["GET /"]);
}

#[tokio::test]
async fn a_made_body_is_sent_as_multipart_too() {
    let tiny = Tiny::start(form_page("")).await;
    let made = r#"body = { post = "/take", encoding = "multipart", fields = [
  { key = "once", place = "once" }, { key = "called", place = "called" },
  { key = "follows", place = "follows" }, { key = "held", place = "held-to" },
  { key = "word", place = "word" }, { key = "sure", fixed = "yes" },
] }"#;
    let toml = FORM
        .replace(
            r##"form = { request = "page", select = "#air", press = { name = "act", value = "keep" } }"##,
            made,
        )
        .replace(r#"pass = ["trim"]"#, "");
    let session = session(&tiny, &toml);
    let answers = session.read().await.expect("a reading").answers;
    let saved = session
        .save(&answers, &save("air"), &lock_off(&session))
        .await;
    assert!(matches!(saved, Ok(Reply::Answered { .. })), "{saved:?}");
    assert_eq!(tiny.lines(), ["GET /", "POST /take"]);
    let seen = &tiny.seen()[1];
    let line = boundary(seen);
    let texts = [
        ("once", "token-0"),
        ("called", "Smew"),
        ("follows", "any"),
        ("held", "6"),
        ("word", "reeds-and-rushes"),
        ("sure", "yes"),
    ];
    let parts = texts.map(|(name, value)| part(line, name, value)).concat();
    assert_eq!(seen.body(), format!("{parts}--{line}--\r\n"));
}
