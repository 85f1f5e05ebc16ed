//! Getting in: by a form, by Basic, by Digest; once, and to nobody but the device.

use super::*;

const FRONT: &str = r##"
format = 1
family = "test-mast"
title = "Test mast"
role = "receiver"
system = "tarn"
identity = { serial = "plate", bssid = "stable" }
recognise = [{ request = "front", css = "title", text = "Test mast" }]
login = LOGIN
volatile = ["awake", "once"]
restart = { by = { request = "anew" }, returns = "at-once", within-s = { from = 0, to = 1 }, witness = { falls = "awake" } }

[request]
front = { get = "/", as = "html" }
radio = { get = "/radio", as = "html", login = true }
state = { get = "/state", as = "lines", login = true }

[request.anew]
post = "/anew"
acts = true
login = true
body = { encoding = "urlencoded", fields = [{ key = "once", place = "once" }] }

[place]
plate = { request = "state", line = "plate" }
awake = { request = "state", line = "awake" }
once = { request = "radio", control = "once" }
called = { request = "radio", control = "called" }

[setting.name]
label = "Name"
text = { to = 24 }
at = { called = { text = "{}" } }
save = "radio"

[save.radio]
form = { request = "radio", select = "#radio" }
"##;

const FORM_LOGIN: &str = r##"{ form = { request = "front", select = "#enter", user = "who", password = "word", press = { name = "go", value = "in" } } }"##;

const LOGIN_PAGE: &str = r#"<title>Test mast</title><form id="enter" method="post" action="/come-in">
<input name="way" type="hidden" value="front door"><input name="who"><input name="word" type="password">
<button name="go" value="in">Go in</button><button name="go" value="out">Leave</button></form>"#;

fn mast(login: &str) -> Arc<Profile> {
    profile(&FRONT.replace("LOGIN", login))
}

/// What a device behind a login form does; the tests change it on the way.
#[derive(Default)]
struct Door {
    /// The cookie that is good now.
    good: Mutex<Option<String>>,
    logins: AtomicU8,
    /// After so many answers to `/state` the cookie is good no more, once.
    ends_at_state: Mutex<Option<usize>>,
    refuses: bool,
    /// It says that it lets in, and does not.
    forgetful: bool,
}

impl Door {
    fn answer(&self, seen: &Seen, number: usize) -> (Vec<u8>, Then) {
        let mut good = self.good.lock().expect("no panic while it was held");
        let has = good
            .as_ref()
            .is_some_and(|good| seen.head.contains(&format!("Cookie: pass={good}\r\n")));
        match seen.line().as_str() {
            "GET /" => html(LOGIN_PAGE),
            "POST /come-in" if !self.refuses && seen.body().contains("word=heron-on-one-leg") => {
                let count = self.logins.fetch_add(1, Ordering::SeqCst);
                *good = (!self.forgetful).then(|| format!("token-{count}"));
                let cookie = format!(
                    "Location: /radio\r\nSet-Cookie: pass=token-{count}; Path=/; HttpOnly\r\n"
                );
                answer("303 See Other", &cookie, "")
            }
            "POST /come-in" => html(&format!("{LOGIN_PAGE}<p>Not let in: heron-on-one-leg.</p>")),
            _ if !has => answer("303 See Other", "Location: /\r\n", ""),
            "GET /radio" => html(&format!(
                r#"<form id="radio" method="post" action="/keep"><input type="hidden" name="once" value="n{number}"><input name="called" value="Smew"></form>"#
            )),
            "GET /state" => {
                let mut ends = self
                    .ends_at_state
                    .lock()
                    .expect("no panic while it was held");
                if let Some(left) = ends.as_mut() {
                    if *left == 0 {
                        *ends = None;
                        *good = None;
                        return answer("303 See Other", "Location: /\r\n", "");
                    }
                    *left -= 1;
                }
                answer(
                    "200 OK",
                    "Content-Type: text/plain\r\n",
                    "plate: T-1\nawake: 83\n",
                )
            }
            _ => answer("200 OK", "Content-Type: text/plain\r\n", "Kept."),
        }
    }
}

async fn behind(door: Door) -> (Tiny, Arc<Door>) {
    let door = Arc::new(door);
    let served = Arc::clone(&door);
    (
        Tiny::start(move |seen, number| served.answer(seen, number)).await,
        door,
    )
}

fn visitor(tiny: &Tiny, login: &str, bssid: BssidNow) -> Session {
    let profile = mast(login);
    let word = "heron-on-one-leg";
    let credentials = Credentials::new(&profile.login, "skipper", word).expect("they can be sent");
    let limits = Limits {
        pause: Duration::from_millis(1),
        ..Limits::default()
    };
    let session = Session::new(tiny.origin.clone(), profile, limits, bssid);
    session.expect("a session").letting_in(credentials)
}

fn logins(tiny: &Tiny) -> usize {
    let lines = tiny.lines();
    lines.iter().filter(|line| *line == "POST /come-in").count()
}

#[tokio::test]
async fn the_login_form_is_sent_once_as_a_browser_would_and_its_cookie_kept() {
    let (tiny, _) = behind(Door::default()).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    for _ in 0..2 {
        let harvest = session.read().await.expect("a reading");
        assert_eq!(
            harvest.snapshot.value("name"),
            Some(&Value::Text("Smew".into()))
        );
    }
    let first = [
        "GET /",
        "POST /come-in",
        "GET /radio",
        "GET /radio",
        "GET /state",
    ];
    let second = ["GET /", "GET /radio", "GET /state"];
    assert_eq!(tiny.lines(), [&first[..], &second[..]].concat());
    let sent = tiny.seen()[1].body();
    // The order of the page, its hidden control, and the one button.
    assert_eq!(
        sent,
        "way=front+door&who=skipper&word=heron-on-one-leg&go=in"
    );
    let nowhere_else = tiny
        .seen()
        .iter()
        .filter(|seen| seen.body().contains("heron"))
        .count();
    assert_eq!(nowhere_else, 1);
}

#[tokio::test]
async fn a_login_that_is_refused_is_told_and_never_tried_again() {
    let door = Door {
        refuses: true,
        ..Door::default()
    };
    let (tiny, _) = behind(door).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    for _ in 0..2 {
        let error = session.read().await.expect_err("it is not let in");
        assert_eq!(error.code(), "login-refused");
        assert_eq!(error.exit(), Exit::Refused);
        assert!(!error.is_transport());
        assert!(!error.to_string().contains("heron"), "{error}");
    }
    assert_eq!(tiny.lines(), ["GET /", "POST /come-in"]);
}

#[tokio::test]
async fn a_device_that_forgets_a_login_at_once_is_not_told_again() {
    let (tiny, _) = behind(Door {
        forgetful: true,
        ..Door::default()
    })
    .await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    let error = session.read().await.expect_err("it asks again");
    assert_eq!(error.code(), "login-refused");
    assert_eq!(logins(&tiny), 1);
}

#[tokio::test]
async fn a_reading_in_which_the_login_ended_is_made_anew_with_one_more_login() {
    let (tiny, door) = behind(Door::default()).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    session.read().await.expect("a reading");
    *door
        .ends_at_state
        .lock()
        .expect("no panic while it was held") = Some(0);
    let before = tiny.lines().len();
    let harvest = session.read().await.expect("a reading");
    let wanted = [
        "GET /",
        "GET /radio",
        "GET /state",
        "GET /", // the login page in the place of the lines
        "GET /",
        "POST /come-in",
        "GET /radio",
        "GET /radio",
        "GET /state",
    ];
    assert_eq!(tiny.lines()[before..], wanted);
    // The token of the first page belongs to what has ended: it is that of the last one.
    let once = harvest.answers.raw(&place("once")).clone();
    assert_eq!(once, Raw::Text(format!("n{}", before + wanted.len() - 2)));
}

#[tokio::test]
async fn a_save_that_is_answered_with_the_login_page_is_not_sent_again() {
    let (tiny, door) = behind(Door::default()).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    let answers = session.read().await.expect("a reading").answers;
    *door.good.lock().expect("no panic while it was held") = None;
    let overlay = Overlay::from([(place("called"), Raw::Text("Teal".into()))]);
    let reply = session.save(&answers, &save("radio"), &overlay).await;
    let wanted = Reply::Answered {
        status: 303,
        says: "(it asks for the login again)".into(),
        as_expected: Some(false),
    };
    assert_eq!(reply.expect("it was sent"), wanted);
    assert_eq!(
        session.restart(&answers).await.expect("it was sent"),
        wanted
    );
    let lines = tiny.lines();
    let acts = lines.iter().filter(|line| line.starts_with("POST"));
    let acts: Vec<&str> = acts.map(String::as_str).collect();
    assert_eq!(acts, ["POST /come-in", "POST /keep", "POST /anew"]);
    // The next reading is let in again.
    session.read().await.expect("a reading");
}

#[tokio::test]
async fn nothing_is_told_to_a_stranger() {
    let tiny = Tiny::start(|_, _| html(&LOGIN_PAGE.replace("Test mast", "Another"))).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    let error = session.read().await.expect_err("another family");
    assert_eq!(error.code(), "another-family");
    assert_eq!(tiny.lines(), ["GET /"]);
}

#[tokio::test]
async fn nothing_is_told_to_a_device_behind_another_network() {
    let (tiny, door) = behind(Door::default()).await;
    let at = Arc::new(AtomicU8::new(1));
    let now = Arc::clone(&at);
    let bssid: BssidNow = Arc::new(move || Some([2, 0, 0, 0, 0, now.load(Ordering::SeqCst)]));
    let session = visitor(&tiny, FORM_LOGIN, bssid);
    session.read().await.expect("a reading");
    at.store(2, Ordering::SeqCst);
    *door.good.lock().expect("no panic while it was held") = None;
    let error = session.read().await.expect_err("another device");
    assert_eq!(error.code(), "another-device");
    assert_eq!(logins(&tiny), 1);
}

#[tokio::test]
async fn without_a_password_nothing_behind_the_login_is_asked_for() {
    let (tiny, _) = behind(Door::default()).await;
    let session = Session::new(
        tiny.origin.clone(),
        mast(FORM_LOGIN),
        Limits::default(),
        no_bssid(),
    );
    let session = session.expect("a session");
    let error = session.read().await.expect_err("nothing to say");
    assert_eq!((error.code(), error.exit()), ("login-missing", Exit::Usage));
    assert_eq!(tiny.lines(), ["GET /"]);
}

#[tokio::test]
async fn a_login_form_that_leads_elsewhere_is_not_sent() {
    let elsewhere = LOGIN_PAGE.replace("/come-in", "http://127.0.0.2/come-in");
    let tiny = Tiny::start(move |_, _| html(&elsewhere)).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    let error = session.read().await.expect_err("not of the device");
    assert_eq!(error.code(), "other-origin");
    assert_eq!(tiny.lines(), ["GET /"]);
}

#[tokio::test]
async fn a_knock_shows_no_cookie() {
    let (tiny, _) = behind(Door::default()).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    session.read().await.expect("a reading");
    assert_eq!(session.alive().await, Alive::Answers);
    let seen = tiny.seen();
    assert!(seen[seen.len() - 2].head.contains("Cookie: pass="));
    assert!(!seen[seen.len() - 1].head.contains("Cookie"));
}

/// A device behind HTTP's own login: its pages, where `lets_in` says so of the `Authorization`
/// value, else this challenge.
fn guarded(seen: &Seen, number: usize, verdict: Result<&str, &str>) -> (Vec<u8>, Then) {
    let text = "Content-Type: text/plain\r\n";
    match (seen.line().as_str(), verdict) {
        ("GET /", _) => html("<title>Test mast</title>"),
        (_, Err(challenge)) => answer(
            "401 Unauthorized",
            &format!("WWW-Authenticate: {challenge}\r\n"),
            "",
        ),
        ("GET /radio", Ok(info)) => answer(
            "200 OK",
            &format!("Content-Type: text/html\r\n{info}"),
            format!(
                r#"<form id="radio" method="post" action="/keep?way=1"><input type="hidden" name="once" value="n{number}"><input name="called" value="Smew"></form>"#
            ),
        ),
        ("GET /state", Ok(_)) => answer("200 OK", text, "plate: T-1\nawake: 83\n"),
        _ => answer("200 OK", text, "Kept."),
    }
}

fn authorization(seen: &Seen) -> Option<&str> {
    seen.head
        .lines()
        .find_map(|line| line.strip_prefix("Authorization: "))
}

/// A part of a Digest answer, without its quotes.
fn part<'a>(authorization: &'a str, name: &str) -> &'a str {
    let parts = authorization.trim_start_matches("Digest ").split(", ");
    let mut values = parts.filter_map(|part| part.strip_prefix(name)?.strip_prefix('='));
    values.next().unwrap_or_default().trim_matches('"')
}

#[tokio::test]
async fn basic_goes_with_what_needs_a_login_and_with_nothing_else() {
    let tiny = Tiny::start(|seen, number| {
        // `skipper:heron-on-one-leg` by coreutils' base64.
        let good = authorization(seen) == Some("Basic c2tpcHBlcjpoZXJvbi1vbi1vbmUtbGVn");
        guarded(
            seen,
            number,
            if good {
                Ok("")
            } else {
                Err("Basic realm=\"mast\"")
            },
        )
    })
    .await;
    let session = visitor(&tiny, "{ basic = true }", no_bssid());
    let answers = session.read().await.expect("a reading").answers;
    let reply = session
        .save(&answers, &save("radio"), &Overlay::new())
        .await;
    assert!(
        matches!(reply, Ok(Reply::Answered { status: 200, .. })),
        "{reply:?}"
    );
    let seen = tiny.seen();
    let told: Vec<bool> = seen
        .iter()
        .map(|seen| authorization(seen).is_some())
        .collect();
    assert_eq!(
        tiny.lines(),
        ["GET /", "GET /radio", "GET /state", "POST /keep?way=1"]
    );
    assert_eq!(told, [false, true, true, true]);
}

#[tokio::test]
async fn a_wrong_password_is_sent_once_by_basic_and_by_digest() {
    for (login, challenge, requests) in [
        ("{ basic = true }", "Basic realm=\"mast\"", 2),
        (
            "{ digest = true }",
            "Digest realm=\"mast\", nonce=\"a\", qop=\"auth\"",
            3,
        ),
    ] {
        let tiny = Tiny::start(move |seen, number| guarded(seen, number, Err(challenge))).await;
        let session = visitor(&tiny, login, no_bssid());
        for _ in 0..2 {
            let error = session.read().await.expect_err("it is not let in");
            assert_eq!(error.code(), "login-refused", "{login}");
        }
        assert_eq!(tiny.lines().len(), requests, "{login}");
        let seen = tiny.seen();
        assert_eq!(seen.iter().filter_map(authorization).count(), 1, "{login}");
    }
}

#[tokio::test]
async fn a_device_that_asks_for_another_kind_of_login_is_told_nothing() {
    let other = "Basic realm=\"mast\", Digest realm=\"mast\", nonce=\"a\", algorithm=X-9";
    let tiny = Tiny::start(move |seen, number| guarded(seen, number, Err(other))).await;
    let session = visitor(&tiny, "{ digest = true }", no_bssid());
    let error = session.read().await.expect_err("not understood");
    assert_eq!(error.code(), "login-unknown");
    assert!(tiny.seen().iter().all(|seen| authorization(seen).is_none()));
}

#[tokio::test]
async fn the_strongest_challenge_is_answered_and_its_nonce_counted() {
    let offer = "Digest realm=\"mast\", nonce=\"weak\", qop=\"auth\", Digest realm=\"mast\", \
                 nonce=\"strong\", qop=\"auth\", algorithm=SHA-256";
    let tiny = Tiny::start(move |seen, number| {
        let verdict = authorization(seen).map_or(Err(offer), |_| Ok(""));
        guarded(seen, number, verdict)
    })
    .await;
    let session = visitor(&tiny, "{ digest = true }", no_bssid());
    let answers = session.read().await.expect("a reading").answers;
    let overlay = Overlay::from([(place("called"), Raw::Text("Teal".into()))]);
    let reply = session.save(&answers, &save("radio"), &overlay).await;
    assert!(
        matches!(reply, Ok(Reply::Answered { status: 200, .. })),
        "{reply:?}"
    );
    let lines = [
        "GET /",
        "GET /radio",
        "GET /radio",
        "GET /state",
        "POST /keep?way=1",
    ];
    assert_eq!(tiny.lines(), lines, "only what asks is sent bare");
    let seen = tiny.seen();
    let told: Vec<&str> = seen.iter().filter_map(authorization).collect();
    for (index, told) in told.iter().enumerate() {
        assert_eq!(part(told, "nonce"), "strong");
        assert_eq!(part(told, "nc"), format!("{:08x}", index + 1));
    }
    assert_eq!(part(told[2], "uri"), "/keep?way=1");
}

#[tokio::test]
async fn a_stale_nonce_is_renewed_for_what_asks_and_never_for_what_acts() {
    let stale = Arc::new(AtomicU8::new(0));
    let now = Arc::clone(&stale);
    let tiny = Tiny::start(move |seen, number| {
        let good = now.load(Ordering::SeqCst).to_string();
        let offer = format!("Digest realm=\"mast\", nonce=\"{good}\", qop=\"auth\", stale=true");
        let nonce = authorization(seen).map(|told| part(told, "nonce"));
        let verdict = if nonce == Some(&good) {
            Ok("")
        } else {
            Err(offer.as_str())
        };
        guarded(seen, number, verdict)
    })
    .await;
    let session = visitor(&tiny, "{ digest = true }", no_bssid());
    session.read().await.expect("a reading");
    stale.store(1, Ordering::SeqCst);
    let answers = session.read().await.expect("a reading").answers;
    stale.store(2, Ordering::SeqCst);
    let before = tiny.lines().len();
    // The device has used its nonces up once in the middle of a count, so it is asked for a new one
    // before what acts.
    let reply = session
        .save(&answers, &save("radio"), &Overlay::new())
        .await;
    assert!(
        matches!(reply, Ok(Reply::Answered { status: 200, .. })),
        "{reply:?}"
    );
    assert_eq!(tiny.lines()[before..], ["GET /radio", "POST /keep?way=1"]);
}

#[tokio::test]
async fn a_nonce_that_is_given_again_is_counted_on() {
    // RFC 7616 section 3.4: how many requests were sent with this nonce.
    let offer = "Digest realm=\"mast\", nonce=\"same\", qop=\"auth\", stale=true";
    let tiny = Tiny::start(move |seen, number| guarded(seen, number, Err(offer))).await;
    let session = visitor(&tiny, "{ digest = true }", no_bssid());
    let error = session.read().await.expect_err("it lets nobody in");
    assert_eq!(error.code(), "login-refused");
    let seen = tiny.seen();
    let told = seen.iter().filter_map(authorization);
    let counts: Vec<&str> = told.map(|told| part(told, "nc")).collect();
    assert_eq!(counts, ["00000001", "00000002"]);
}

#[tokio::test]
async fn a_save_that_is_answered_with_a_stale_nonce_is_refused_and_not_repeated() {
    let tiny = Tiny::start(move |seen, number| {
        let acts = seen.line().starts_with("POST");
        let offer = format!("Digest realm=\"mast\", nonce=\"n{number}\", stale=true");
        let verdict = match authorization(seen) {
            Some(_) if !acts => Ok(""),
            _ => Err(offer.as_str()),
        };
        guarded(seen, number, verdict)
    })
    .await;
    let session = visitor(&tiny, "{ digest = true }", no_bssid());
    let answers = session.read().await.expect("a reading").answers;
    let reply = session
        .save(&answers, &save("radio"), &Overlay::new())
        .await;
    assert!(
        matches!(reply, Ok(Reply::Refused { status: 401, .. })),
        "{reply:?}"
    );
    let lines = tiny.lines();
    assert_eq!(
        lines.iter().filter(|line| line.starts_with("POST")).count(),
        1
    );
    session.read().await.expect("with the newer nonce");
}

#[tokio::test]
async fn the_next_nonce_of_a_device_is_taken() {
    let tiny = Tiny::start(|seen, number| {
        let Some(told) = authorization(seen) else {
            return guarded(
                seen,
                number,
                Err("Digest realm=\"mast\", nonce=\"one\", qop=\"auth\""),
            );
        };
        let good = if seen.line() == "GET /radio" {
            "one"
        } else {
            "two"
        };
        let verdict = if part(told, "nonce") == good && part(told, "nc") == "00000001" {
            Ok("Authentication-Info: nextnonce=\"two\"\r\n")
        } else {
            Err("Digest realm=\"mast\", nonce=\"none\", qop=\"auth\"")
        };
        guarded(seen, number, verdict)
    })
    .await;
    let session = visitor(&tiny, "{ digest = true }", no_bssid());
    session.read().await.expect("a reading");
}

#[tokio::test]
async fn nothing_of_the_login_is_shown() {
    let (tiny, _) = behind(Door::default()).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    let harvest = session.read().await.expect("a reading");
    let shown = format!("{harvest:?} {session:?} {:?}", session.http);
    for secret in ["heron", "skipper", "token-0"] {
        assert!(!shown.contains(secret), "{secret} in {shown}");
    }
}

#[tokio::test]
async fn no_log_holds_a_password_a_cookie_or_an_authorization() {
    let log = Log::begin();
    let (tiny, _) = behind(Door::default()).await;
    let session = visitor(&tiny, FORM_LOGIN, no_bssid());
    let answers = session.read().await.expect("a reading").answers;
    let reply = session
        .save(&answers, &save("radio"), &Overlay::new())
        .await;
    assert!(matches!(reply, Ok(Reply::Answered { .. })), "{reply:?}");
    for (login, challenge) in [
        ("{ basic = true }", "Basic realm=\"mast\""),
        (
            "{ digest = true }",
            "Digest realm=\"mast\", nonce=\"reeds\", qop=\"auth\"",
        ),
    ] {
        let tiny = Tiny::start(move |seen, number| {
            let verdict = authorization(seen).map_or(Err(challenge), |_| Ok(""));
            guarded(seen, number, verdict)
        })
        .await;
        let session = visitor(&tiny, login, no_bssid());
        let answers = session.read().await.expect("a reading").answers;
        session.restart(&answers).await.expect("it was sent");
    }
    let logged = log.end();
    assert!(
        logged.contains("POST /come-in") && logged.contains("POST /anew"),
        "{logged}"
    );
    // The word as it is, in base64, and what the device gave for it.
    for secret in [
        "heron", "aGVyb24", "b24tb25l", "skipper", "token-0", "reeds", "cnonce", "Basic ",
    ] {
        assert!(!logged.contains(secret), "{secret} in {logged}");
    }
}
