//! Whole sessions with small servers: what is read, what exactly is sent, and how often.

mod footing;
mod json;
mod login;
mod multipart;

use std::{
    sync::atomic::{AtomicU8, Ordering},
    time::Duration,
};

use super::testing::{Log, Seen, Then, Tiny, answer, gzip};
use super::*;
use crate::profile::load_text;
use crate::terms::{Exit, PlaceName, Raw, Reading, Sameness, Value, Witness};

const FORM: &str = r##"
format = 1
family = "test-form"
title = "Test deck"
role = "receiver"
system = "tarn"
identity = { serial = "plate", bssid = "stable" }
recognise = [{ request = "page", css = "title", text = "Test deck {}" }]
volatile = ["awake", "once"]
faulty = { heart = { text = "silent" } }
restart = { by = { saving = true }, returns = "at-once", within-s = { from = 0, to = 1 }, witness = { falls = "awake" } }

[request.page]
get = "/"
as = "html"
ends = "</html>"

[place]
plate = { request = "page", css = "#plate", text = "No. {}" }
works = { request = "page", css = "#works", text = "deck {}" }
awake = { request = "page", css = "#awake", text = "{} s" }
heart = { request = "page", css = "#heart" }
once = { request = "page", control = "once" }
called = { request = "page", control = "called", form = "#air" }
follows = { request = "page", control = "follows", form = "#air" }
held-to = { request = "page", control = "held_to", form = "#air" }
word = { request = "page", control = "word", form = "#air" }
lamp = { request = "page", css = "#lamp" }

[setting.name]
label = "Name"
text = { to = 24 }
at = { called = { text = "{}" } }
save = "air"

[setting.firmware]
label = "Firmware"
version = true
at = { works = { text = "{}" } }

[setting.model-lock]
label = "Model lock"
number = { from = 1, to = 40, add = -1 }
or-off = true
save = "air"
row = [
  { means = "off", in = { follows = { choice = "any" } } },
  { means = "value", in = { follows = { choice = "only" }, held-to = { text = "{}" } } },
]

[setting.local-passphrase]
label = "Local passphrase"
text = { to = 63 }
secret = true
at = { word = { text = "{}" } }
save = "air"

[setting.light]
label = "Light"
number = { from = 0, to = 100 }
needs = ">=2.1.0"
at = { lamp = { text = "{}" } }

[save.air]
form = { request = "page", select = "#air", press = { name = "act", value = "keep" } }
pass = ["trim"]
restarts = true
answer = "Kept as number {}. Starting."
"##;

/// The page of the form family, with what is to stand in the form besides its own controls.
fn page_with(works: &str, extra: &str, number: usize) -> String {
    format!(
        r#"<!doctype html><html><head><title>Test deck 7</title></head><body>
<p id="plate">No. T-1</p><p id="works">deck {works}</p><p id="awake">83 s</p>
<p id="heart">answers</p>
<table><form id="air" action="/keep?way=1" method="post"><tr><td>
<input type="hidden" name="once" value="token-{number}"><input name="called" value="Smew">
<input type="radio" name="follows" value="any">
<input type="radio" name="follows" value="only" checked>
<input type="number" name="held_to" value="6">
<input type="password" name="word" value="reeds-and-rushes"><input name="trim" value="5">{extra}
<button name="act" value="keep">Keep</button><button name="act" value="forget">Forget</button>
</td></tr></form></table>
<form id="spare" action="/spare"><input name="depth" value="3"></form></body></html>"#
    )
}

fn html(page: &str) -> (Vec<u8>, Then) {
    answer("200 OK", "Content-Type: text/html; charset=utf-8\r\n", page)
}

fn form_page(extra: &'static str) -> impl Fn(&Seen, usize) -> (Vec<u8>, Then) {
    move |_, number| html(&page_with("2.0.0", extra, number))
}

fn profile(toml: &str) -> Arc<Profile> {
    Arc::new(load_text("test.toml", toml).unwrap_or_else(|faults| panic!("{faults}")))
}

fn session(tiny: &Tiny, toml: &str) -> Session {
    let limits = Limits {
        pause: Duration::from_millis(1),
        ..Limits::default()
    };
    Session::new(tiny.origin.clone(), profile(toml), limits, no_bssid()).expect("a session")
}

fn place(name: &str) -> PlaceName {
    name.parse().expect("a name")
}

fn save(name: &str) -> SaveName {
    name.parse().expect("a name")
}

fn lock_off(session: &Session) -> Overlay {
    let lock = session.profile().setting("model-lock").expect("it has one");
    lock.write(&Value::Off).expect("it can be off")
}

fn code<T: fmt::Debug>(result: Result<T, SessionError>) -> &'static str {
    result.expect_err("it fails").code()
}

#[tokio::test]
async fn reads_a_page_into_settings_places_and_rest() {
    let tiny = Tiny::start(form_page("<input name=keel value=deep>")).await;
    let session = session(&tiny, FORM);
    let snapshot = session.read().await.expect("a reading").snapshot;
    assert_eq!(tiny.lines(), ["GET /"], "one page, fetched once");
    assert_eq!(snapshot.value("model-lock"), Some(&Value::Number(7.into())));
    assert_eq!(snapshot.value("name"), Some(&Value::Text("Smew".into())));
    assert!(snapshot.settings["local-passphrase"].secret);
    assert!(
        !snapshot.settings.contains_key("light"),
        "this firmware has none"
    );
    assert_eq!(snapshot.faulty, Some(false));
    assert_eq!(snapshot.witness, Some(Witness::Uptime(83.0)));
    let identity = &snapshot.device.identity;
    assert_eq!(identity.serial, Some("T-1".into()));
    assert_eq!(identity.address, Some(tiny.origin.to_string()));
    assert_eq!(snapshot.places[&place("plate")], Raw::Text("T-1".into()));
    for volatile in ["awake", "once"] {
        assert!(!snapshot.places.contains_key(volatile), "{volatile}");
    }
    let rest: Vec<&str> = snapshot.rest.keys().map(String::as_str).collect();
    assert_eq!(
        rest,
        ["page/#air/keel", "page/#air/trim", "page/#spare/depth"]
    );
    let again = session.read().await.expect("a second reading").snapshot;
    assert_eq!(
        (&again.places, &again.rest),
        (&snapshot.places, &snapshot.rest),
        "tokens and uptime are left out"
    );
    assert_eq!(again.device.identity.compare(identity), Sameness::Same);
}

#[tokio::test]
async fn a_serial_or_a_name_beyond_all_bounds_is_none() {
    let long = "a".repeat(5_000);
    let page = page_with("2.0.0", "", 1)
        .replace("T-1", &long)
        .replace("Smew", &long);
    let tiny = Tiny::start(move |_, _| html(&page)).await;
    let profile = FORM.replace("text = { to = 24 }", "text = { to = 4096 }");
    let snapshot = session(&tiny, &profile).read().await.expect("a reading");
    let snapshot = snapshot.snapshot;
    assert_eq!(
        snapshot.device.identity.serial, None,
        "half of it is no mark"
    );
    assert_eq!(snapshot.value("name"), None, "half of it is another name");
    let kept = (&snapshot.device, &snapshot.settings);
    let json = serde_json::to_string(&kept).expect("JSON");
    assert!(!json.contains(&long[..4_097]), "{json}");
}

#[tokio::test]
async fn sends_the_very_form_that_was_read_with_the_difference_alone() {
    let tiny = Tiny::start(|request, number| match request.line().as_str() {
        "POST /keep?way=1" => html("<html><p>Kept as number  3. Starting.</p></html>"),
        _ => html(&page_with("2.0.0", "", number)),
    })
    .await;
    let session = session(&tiny, FORM);
    let answers = session.read().await.expect("a reading").answers;
    let sent = session
        .save(&answers, &save("air"), &lock_off(&session))
        .await;
    assert_eq!(
        sent.expect("sent"),
        Reply::Answered {
            status: 200,
            says: "Kept as number 3. Starting.".into(),
            as_expected: Some(true),
        }
    );
    assert_eq!(tiny.lines(), ["GET /", "POST /keep?way=1"]);
    assert_eq!(
        tiny.seen()[1].body(),
        "once=token-0&called=Smew&follows=any&held_to=6&word=reeds-and-rushes&trim=5&act=keep"
    );
}

#[tokio::test]
async fn a_form_with_a_control_that_nobody_knows_is_not_sent() {
    let tiny = Tiny::start(form_page("<input type=checkbox name=keel checked>")).await;
    let session = session(&tiny, FORM);
    let answers = session.read().await.expect("a reading").answers;
    let error = session
        .save(&answers, &save("air"), &lock_off(&session))
        .await;
    let error = error.expect_err("an unknown control");
    assert_eq!(error.code(), "unknown-control");
    assert_eq!(
        error.to_string(),
        "the form of `air` has a control `keel` that the profile does not know"
    );
    assert_eq!(tiny.lines(), ["GET /"]);
}

#[tokio::test]
async fn a_second_control_of_a_known_name_is_not_sent_along() {
    for second in [
        "<input type=hidden name=act value=forget>",
        "<input type=hidden name=called value=Other>",
        "<input type=hidden name=once value=mine>",
        "<input name=trim2 disabled><input type=hidden name=held_to value=9>",
    ] {
        let tiny = Tiny::start(form_page(second)).await;
        let session = session(&tiny, FORM);
        let answers = session.read().await.expect("a reading").answers;
        let error = session
            .save(&answers, &save("air"), &lock_off(&session))
            .await;
        let error = error.expect_err(second);
        assert_eq!(error.code(), "repeated-control", "{second}");
        assert_eq!(tiny.lines(), ["GET /"]);
    }
}

#[tokio::test]
async fn what_is_not_sent_anyway_need_not_be_known() {
    let tiny = Tiny::start(form_page(
        "<input type=checkbox name=keel><input name=mast disabled><input type=button name=b>",
    ))
    .await;
    let session = session(&tiny, FORM);
    let answers = session.read().await.expect("a reading").answers;
    let sent = session
        .save(&answers, &save("air"), &lock_off(&session))
        .await;
    assert!(
        matches!(
            sent,
            Ok(Reply::Answered {
                as_expected: Some(false),
                ..
            })
        ),
        "{sent:?}"
    );
}

#[tokio::test]
async fn a_form_that_leads_to_another_origin_is_not_sent() {
    for extra in [
        "<base href=http://127.0.0.9/>",
        "<base href=//tern.invalid>",
    ] {
        let tiny = Tiny::start(move |_, number| {
            html(&page_with("2.0.0", "", number).replace("<title>", &format!("{extra}<title>")))
        })
        .await;
        let session = session(&tiny, FORM);
        let answers = session.read().await.expect("a reading").answers;
        let sent = session
            .save(&answers, &save("air"), &lock_off(&session))
            .await;
        let error = sent.expect_err("it leads away");
        assert_eq!(error.code(), "other-origin");
        assert!(!error.to_string().contains("reeds"), "{error}");
        assert_eq!(tiny.lines(), ["GET /"]);
    }
}

#[tokio::test]
async fn a_place_that_the_save_does_not_write_is_refused() {
    let tiny = Tiny::start(form_page("")).await;
    let session = session(&tiny, FORM);
    let answers = session.read().await.expect("a reading").answers;
    for (name, raw) in [("plate", "T-2"), ("nowhere", "x")] {
        let overlay = Overlay::from([(place(name), Raw::Text(raw.into()))]);
        let sent = session.save(&answers, &save("air"), &overlay).await;
        assert_eq!(code(sent), "foreign-place", "{name}");
    }
    let sent = session
        .save(&answers, &save("no-such"), &Overlay::new())
        .await;
    assert_eq!(code(sent), "unknown-save");
    let too_much = Overlay::from([(place("follows"), Raw::Choice(Some("all".into())))]);
    assert_eq!(
        code(session.save(&answers, &save("air"), &too_much).await),
        "form-not-filled"
    );
    assert_eq!(tiny.lines(), ["GET /"]);
}

#[tokio::test]
async fn a_save_is_sent_once_and_what_came_of_it_is_told_apart() {
    type Served = fn() -> (Vec<u8>, Then);
    let cases: [(Served, Reply); 4] = [
        (
            || (Vec::new(), Then::Reset),
            Reply::NoAnswer {
                why: "`POST /keep` was not answered: the connection was reset".into(),
            },
        ),
        (
            || {
                (
                    b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nKe".to_vec(),
                    Then::Close,
                )
            },
            Reply::NoAnswer {
                why: "status 200, and then: the answer to `POST /keep` is incomplete: the \
                      connection ended before the answer did"
                    .into(),
            },
        ),
        (
            || answer("403 Forbidden", "", "word reeds-and-rushes \u{1b}[2J, kept"),
            Reply::Refused {
                status: 403,
                says: "word (secret) \u{1b}[2J, kept".into(),
            },
        ),
        (
            || answer("307 There", "Location: /keep2\r\n", ""),
            Reply::Answered {
                status: 307,
                says: "(`POST /keep` was not followed: the device asks for it to be sent again \
                       elsewhere, which is not done)"
                    .into(),
                as_expected: Some(false),
            },
        ),
    ];
    for (reply, expected) in cases {
        let tiny = Tiny::start(move |request, number| {
            if request.head.starts_with("POST") {
                reply()
            } else {
                html(&page_with("2.0.0", "", number))
            }
        })
        .await;
        let session = session(&tiny, FORM);
        let answers = session.read().await.expect("a reading").answers;
        let sent = session
            .save(&answers, &save("air"), &lock_off(&session))
            .await;
        assert_eq!(sent.expect("no refusal of our own"), expected);
        assert_eq!(tiny.lines(), ["GET /", "POST /keep?way=1"]);
    }
}

#[tokio::test]
async fn a_save_that_finds_nobody_was_not_sent() {
    let tiny = Tiny::start(form_page("")).await;
    let session = session(&tiny, FORM);
    let answers = session.read().await.expect("a reading").answers;
    tiny.stop().await;
    let sent = session
        .save(&answers, &save("air"), &lock_off(&session))
        .await;
    assert!(matches!(sent, Ok(Reply::NotSent { .. })), "{sent:?}");
    assert_eq!(session.alive().await, Alive::Gone);
    let error = session.read().await.expect_err("nobody there");
    assert!(error.is_transport(), "{error}");
    assert_eq!(error.code(), "no-connection");
}

#[tokio::test]
async fn a_knock_tells_there_from_gone_and_from_silent() {
    for (bytes, then, expected) in [
        ("HTTP/1.1 500 Oh\r\n\r\n", Then::Stall, Alive::Answers),
        ("", Then::Reset, Alive::Gone),
        ("", Then::Close, Alive::Gone),
        ("", Then::Stall, Alive::Silent),
    ] {
        let tiny = Tiny::start(move |_, _| (bytes.into(), then)).await;
        let mut limits = Limits::default();
        if expected == Alive::Silent {
            limits.answer = Duration::from_millis(500);
        }
        let session = Session::new(tiny.origin.clone(), profile(FORM), limits, no_bssid());
        let session = session.expect("a session");
        assert_eq!(session.alive().await, expected, "{bytes:?} {then:?}");
        assert_eq!(tiny.lines(), ["GET /"], "once");
    }
}

#[tokio::test]
async fn another_family_is_told_before_anything_is_missed() {
    for (page, why) in [
        (
            "<title>Pond \u{1b}[2J web</title></html>",
            "`title` says `Pond \\u{1b}[2J web`",
        ),
        ("<p>no title</p></html>", "`title` is not there"),
    ] {
        let tiny = Tiny::start(move |_, _| html(page)).await;
        let error = session(&tiny, FORM)
            .read()
            .await
            .expect_err("another family");
        assert_eq!(error.code(), "another-family");
        assert!(error.to_string().contains(why), "{error}");
    }
    let tiny = Tiny::start(|_, _| answer("404 Not Found", "", "")).await;
    assert_eq!(code(session(&tiny, FORM).read().await), "another-family");
}

#[tokio::test]
async fn what_is_missing_is_named_with_its_request() {
    for (from, to, said) in [
        (
            "id=\"plate\"",
            "",
            "`plate` is not found in the answer to `page`: `#plate` is not there",
        ),
        (
            "No. T-1",
            "T-1",
            "`plate` is not found in the answer to `page`: `#plate` does not read `No. {}`",
        ),
        (
            "name=\"called\"",
            "",
            "`called` is not found in the answer to `page`: the control `called` of `#air` is not there",
        ),
        (
            "id=\"spare\"",
            "id=\"air\"",
            "2 places on the page fit `#air`, and only one may",
        ),
        (
            "name=\"depth\"",
            "name=\"once\"",
            "2 places on the page fit `once`, and only one may",
        ),
    ] {
        let tiny =
            Tiny::start(move |_, number| html(&page_with("2.0.0", "", number).replace(from, to)))
                .await;
        let error = session(&tiny, FORM)
            .read()
            .await
            .expect_err("something is missing");
        assert_eq!(error.code(), "place-missing");
        assert!(error.to_string().ends_with(said), "{error}");
    }
}

#[tokio::test]
async fn a_place_of_a_newer_firmware_is_missed_only_there() {
    for (works, expected) in [("2.0.9", Ok(())), ("2.1.0", Err("place-missing"))] {
        let tiny = Tiny::start(move |_, number| html(&page_with(works, "", number))).await;
        let read = session(&tiny, FORM).read().await;
        assert_eq!(
            read.map(drop).map_err(|error| error.code()),
            expected,
            "{works}"
        );
    }
    let tiny = Tiny::start(|_, number| {
        html(&page_with("2.1.0", "", number).replace("<table>", "<p id=lamp>40</p><table>"))
    })
    .await;
    let snapshot = session(&tiny, FORM)
        .read()
        .await
        .expect("a reading")
        .snapshot;
    assert_eq!(snapshot.value("light"), Some(&Value::Number(40.into())));
}

#[tokio::test]
async fn half_a_page_is_no_page() {
    let tiny = Tiny::start(|_, number| {
        let page = page_with("2.0.0", "", number);
        html(&page[..page.len() - 40])
    })
    .await;
    let error = session(&tiny, FORM).read().await.expect_err("it is cut");
    assert_eq!(
        error.to_string(),
        "the answer to `GET /` is incomplete: it does not end with `</html>`"
    );
    assert_eq!(tiny.lines().len(), 3, "it was asked for again");
}

#[tokio::test]
async fn a_page_that_nests_without_end_is_refused() {
    let tiny = Tiny::start(|_, _| {
        html(&format!(
            "<title>Test deck 7</title>{}</html>",
            "<div>".repeat(100_000)
        ))
    })
    .await;
    assert_eq!(code(session(&tiny, FORM).read().await), "page-unreadable");
}

#[tokio::test]
async fn a_reading_during_which_the_network_changes_is_none() {
    let tiny = Tiny::start(form_page("")).await;
    let asked = AtomicU8::new(0);
    let changing: BssidNow =
        Arc::new(move || Some([2, 0, 0, 0, 0, asked.fetch_add(1, Ordering::SeqCst)]));
    let session = Session::new(
        tiny.origin.clone(),
        profile(FORM),
        Limits::default(),
        changing,
    );
    let error = session.expect("a session").read().await;
    let error = error.expect_err("some of it may be of another device");
    assert_eq!(error.code(), "another-device");
    assert_eq!(error.exit(), Exit::Refused);
    assert!(!error.is_transport());
}

#[tokio::test]
async fn nothing_that_is_kept_of_answers_is_shown() {
    let tiny = Tiny::start(form_page("")).await;
    let session = session(&tiny, FORM);
    let harvest = session.read().await.expect("a reading");
    let shown = format!("{harvest:?} {session:?}");
    for secret in ["reeds", "token-0"] {
        assert!(
            !shown.replace(FORM, "").contains(secret),
            "{secret} in {shown}"
        );
    }
}

#[test]
fn a_session_can_be_carried_across_threads() {
    fn sendable<T: Send + Sync>() {}
    sendable::<Session>();
    sendable::<Harvest>();
    sendable::<SessionError>();
}
