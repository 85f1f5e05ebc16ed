//! Saves as multipart/form-data: by the page's own form, and by a made body.

use super::*;
use crate::profile::Login;

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
    let parts = texts.map(|(name, value)| part(line, name, value)).concat();
    // HTML standard, 4.10.22.4: no file chosen is a file without a name and without contents.
    let file = format!(
        "--{line}\r\nContent-Disposition: form-data; name=\"map\"; filename=\"\"\r\n\
         Content-Type: application/octet-stream\r\n\r\n\r\n"
    );
    let act = part(line, "act", "keep");
    assert_eq!(seen.body(), format!("{parts}{file}{act}--{line}--\r\n"));
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

/// The pages of the login family as far as its pins go, written from what it does on the wire.
fn mast(seen: &Seen) -> (Vec<u8>, Then) {
    let page = |title: &str, body: &str| {
        html(&format!(
            "<!doctype html><title>{title}</title>{body}</body></html>"
        ))
    };
    match seen.line().as_str() {
        "GET /" => page("Tarn mast receiver", "<p id=said></p>"),
        "GET /state" => answer(
            "200 OK",
            "Content-Type: text/plain\r\n",
            "plate: TM-0815\nworks: 1.8.2\nawake: 83\nheld: slot 7\ntie: kept\nheart: beats\n",
        ),
        "GET /radio" => page(
            "Radio",
            "<form id=radio action=/radio-keep method=post><input type=hidden name=once value=r1>
            <input name=called value=Smew><input type=checkbox name=tied value=1 checked>
            <input type=number name=slot value=7><input type=radio name=pace value=1 checked>
            <select name=area><option>DE</select><select name=strength><option>25</select>
            <button name=act value=keep>Keep</button></form>",
        ),
        "GET /pins" => page(
            "Pins",
            "<form id=pins action=/pins-keep method=post enctype=multipart/form-data>
            <input type=hidden name=once value=p1><select name=how><option selected>frames
            <option>widths<option>sum</select><input type=checkbox name=turned value=1>
            <input type=number name=rate min=50 max=400 step=10 value=100>
            <input type=radio name=lost value=keep><input type=radio name=lost value=rest checked>
            <input type=file name=map><button name=act value=keep>Keep</button></form>",
        ),
        "GET /shore" => page(
            "Shore",
            "<form id=shore action=/shore-keep method=post><input type=hidden name=once value=s1>
            <input type=password name=kin><input name=net><input type=password name=net_word>
            <input type=number name=after value=60><button name=act value=keep>Keep</button></form>",
        ),
        _ => answer("303 See Other", "Location: /pins\r\n", ""),
    }
}

#[tokio::test]
async fn the_multipart_save_of_the_login_family_holds_all_of_its_page() {
    let tiny = Tiny::start(|seen, _| mast(seen)).await;
    let toml = include_str!("../../../profiles/sample-login.toml");
    let mut family = (*profile(toml)).clone();
    // What the save sends is asked here, and not how one gets in.
    family.login = Login::None;
    let session = Session::new(
        tiny.origin.clone(),
        Arc::new(family),
        Limits::default(),
        no_bssid(),
    );
    let session = session.expect("a session");
    let answers = session.read().await.expect("a reading").answers;
    let how = session.profile().setting("output").expect("it has one");
    let overlay = how.write(&Value::Choice("pulse-sum".into()));
    let overlay = overlay.expect("it can be that");
    let saved = session.save(&answers, &save("pins"), &overlay).await;
    assert!(matches!(saved, Ok(Reply::Answered { .. })), "{saved:?}");
    let seen = tiny.seen();
    let seen = seen
        .iter()
        .find(|seen| seen.line() == "POST /pins-keep")
        .expect("it was saved");
    let line = boundary(seen);
    let file = format!(
        "--{line}\r\nContent-Disposition: form-data; name=\"map\"; filename=\"\"\r\n\
         Content-Type: application/octet-stream\r\n\r\n\r\n"
    );
    let expected = [
        part(line, "once", "p1"),
        part(line, "how", "sum"),
        part(line, "rate", "100"),
        part(line, "lost", "rest"),
        file,
        part(line, "act", "keep"),
    ];
    assert_eq!(seen.body(), format!("{}--{line}--\r\n", expected.concat()));
}
