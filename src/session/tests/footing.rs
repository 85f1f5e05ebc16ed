//! A way that can be lost: nothing that acts is sent where it does not hold.

use std::sync::atomic::{AtomicBool, AtomicUsize};

use async_trait::async_trait;

use super::*;

/// A way that is told whether it holds.
#[derive(Default)]
struct Told {
    why_not: Option<&'static str>,
    asks: bool,
    regains: bool,
    asked: AtomicUsize,
    regained: AtomicBool,
}

#[async_trait]
impl Footing for Told {
    async fn holds(&self) -> Result<(), String> {
        self.asked.fetch_add(1, Ordering::SeqCst);
        self.why_not.map_or(Ok(()), |why| Err(why.into()))
    }

    fn asks_the_device(&self) -> bool {
        self.asks
    }

    async fn regain(&self) -> bool {
        self.regained.store(true, Ordering::SeqCst);
        self.regains
    }
}

fn by_hand() -> Arc<Told> {
    Arc::new(Told {
        asks: true,
        ..Told::default()
    })
}

/// The page of one device, and from the second reading on that of another one.
async fn swapped(second: String) -> Tiny {
    Tiny::start(move |_, number| match number {
        0 => html(&page_with("2.0.0", "", 0)),
        _ => html(&second),
    })
    .await
}

async fn unlocked(session: &Session) -> Reply {
    let answers = session.read().await.expect("a reading").answers;
    let overlay = lock_off(session);
    let sent = session.save(&answers, &save("air"), &overlay).await;
    sent.expect("the save is built")
}

fn why_not_sent(reply: Reply) -> String {
    match reply {
        Reply::Astray { why } => why,
        other => panic!("{other:?}"),
    }
}

#[tokio::test]
async fn nothing_that_acts_is_sent_where_the_way_does_not_hold() {
    let restart = r#"
[request.again]
post = "/again"
acts = true
"#;
    let toml = FORM
        .replace("by = { saving = true }", r#"by = { request = "again" }"#)
        .replace("restarts = true\n", "")
        .replace("[place]", &format!("{restart}\n[place]"));
    let tiny = Tiny::start(form_page("")).await;
    let lost = Arc::new(Told {
        why_not: Some("the network went away"),
        ..Told::default()
    });
    let session = session(&tiny, &toml).standing(Arc::clone(&lost) as Arc<dyn Footing>);
    assert_eq!(
        why_not_sent(unlocked(&session).await),
        "the network went away"
    );
    let answers = session.read().await.expect("a reading").answers;
    let restarted = session.restart(&answers).await.expect("it is built");
    assert_eq!(why_not_sent(restarted), "the network went away");
    let asked = session
        .ask_once(&answers, &"again".parse().expect("a name"))
        .await;
    assert_eq!(why_not_sent(asked.expect("built")), "the network went away");
    assert_eq!(lost.asked.load(Ordering::SeqCst), 3);
    assert_eq!(tiny.lines(), ["GET /", "GET /"], "reading acts on nothing");
}

#[tokio::test]
async fn another_device_between_the_reading_and_the_write_is_not_written_to() {
    let other = page_with("2.0.0", "", 1).replace("T-1", "T-2");
    let tiny = swapped(other).await;
    let session = session(&tiny, FORM).standing(by_hand());
    let why = why_not_sent(unlocked(&session).await);
    assert!(why.starts_with("another device answers there"), "{why}");
    assert_eq!(tiny.lines(), ["GET /", "GET /"]);
}

#[tokio::test]
async fn lookalike_without_a_serial_is_told_by_what_is_set_on_it() {
    let toml = FORM.replace(r#"serial = "plate", "#, "").replace(
        r##"plate = { request = "page", css = "#plate", text = "No. {}" }"##,
        "",
    );
    let other = page_with("2.0.0", "", 1).replace("Smew", "Goosander");
    let tiny = swapped(other).await;
    let session = session(&tiny, &toml).standing(by_hand());
    let why = why_not_sent(unlocked(&session).await);
    assert!(why.starts_with("`called` is not as it was read"), "{why}");
    assert_eq!(tiny.lines(), ["GET /", "GET /"]);
}

#[tokio::test]
async fn captive_portal_between_the_reading_and_the_write_is_told_nothing() {
    let portal = "<html><head><title>Welcome to the harbour</title></head></html>";
    let tiny = swapped(portal.into()).await;
    let session = session(&tiny, FORM).standing(by_hand());
    let why = why_not_sent(unlocked(&session).await);
    assert!(why.starts_with("this is no `test-form`"), "{why}");
    assert_eq!(tiny.lines(), ["GET /", "GET /"]);
}

#[tokio::test]
async fn same_device_is_written_to_from_what_it_showed_last() {
    let tiny = Tiny::start(|request, number| match request.line().as_str() {
        "POST /keep?way=1" => html("<html><p>Kept as number 3. Starting.</p></html>"),
        _ => html(&page_with("2.0.0", "", number)),
    })
    .await;
    let session = session(&tiny, FORM).standing(by_hand());
    let reply = unlocked(&session).await;
    assert!(matches!(reply, Reply::Answered { .. }), "{reply:?}");
    assert_eq!(tiny.lines(), ["GET /", "GET /", "POST /keep?way=1"]);
    let body = tiny.seen()[2].body();
    assert!(body.contains("once=token-1"), "{body}");
}

#[tokio::test]
async fn way_that_was_got_back_is_read_once_more_and_one_that_was_not_is_told() {
    for regains in [true, false] {
        let attempts = Limits::default().attempts;
        let tiny = Tiny::start(move |_, number| {
            let (page, then) = html(&page_with("2.0.0", "", number));
            if number < attempts {
                (Vec::new(), Then::Reset)
            } else {
                (page, then)
            }
        })
        .await;
        let told = Arc::new(Told {
            regains,
            ..Told::default()
        });
        let session = session(&tiny, FORM).standing(Arc::clone(&told) as Arc<dyn Footing>);
        let read = session.read().await;
        assert_eq!(read.is_ok(), regains);
        assert!(told.regained.load(Ordering::SeqCst));
    }
}

#[tokio::test]
async fn who_is_there_is_told_by_its_family_and_its_serial() {
    let tiny = swapped("<html><title>Test keel</title></html>".into()).await;
    let session = session(&tiny, FORM);
    let who = session.who().await.expect("one of the family");
    assert_eq!(who.serial, Some("T-1".into()));
    assert_eq!(code(session.who().await), "another-family");
    assert_eq!(tiny.lines(), ["GET /", "GET /"]);
}
