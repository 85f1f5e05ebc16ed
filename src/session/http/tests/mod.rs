//! What small servers do to HTTP, over real loopback sockets with raw bytes.
//!
//! The table of servers is common practice of embedded devices, without a source.

mod manners;

use std::time::Duration;

use super::*;
use crate::session::testing::{Log, Seen, Then, Tiny, answer, gzip};

fn quick() -> Limits {
    Limits {
        pause: Duration::from_millis(1),
        ..Limits::default()
    }
}

/// Time enough for a loaded machine, unless the time is to run out.
fn limits_for(then: Then) -> Limits {
    match then {
        Then::Stall => Limits {
            answer: Duration::from_secs(1),
            attempts: 1,
            ..quick()
        },
        Then::Close | Then::Reset => quick(),
    }
}

fn http(tiny: &Tiny, limits: Limits) -> Http {
    Http::new(tiny.origin.clone(), limits).expect("a client")
}

fn get(tiny: &Tiny, path: &str) -> Ask {
    Ask::get(tiny.origin.join(path).expect("within the origin"))
}

fn post(tiny: &Tiny, path: &str, body: &str) -> Ask {
    Ask {
        method: Method::Post,
        content_type: Some("application/x-www-form-urlencoded".into()),
        body: Some(body.into()),
        ..get(tiny, path)
    }
}

/// What a GET comes to when every connection gets these bytes.
async fn got(bytes: impl Into<Vec<u8>>, then: Then, ends: Option<&str>) -> Result<Got, HttpError> {
    let bytes = bytes.into();
    let tiny = Tiny::start(move |_, _| (bytes.clone(), then)).await;
    let mut ask = get(&tiny, "/state");
    ask.ends = ends.map(Into::into);
    http(&tiny, limits_for(then)).fetch(&ask).await
}

async fn body_of(bytes: &str, then: Then, ends: Option<&str>) -> String {
    let got = got(bytes, then, ends).await.expect("a whole answer");
    String::from_utf8(got.body).expect("UTF-8")
}

async fn code_of(bytes: &str, then: Then, ends: Option<&str>) -> &'static str {
    got(bytes, then, ends)
        .await
        .expect_err("no whole answer")
        .code()
}

#[tokio::test]
async fn reads_what_small_servers_send() {
    for (server, bytes) in [
        ("HTTP/1.0 without a length", "HTTP/1.0 200 OK\r\n\r\nSmew"),
        (
            "bare line feeds",
            "HTTP/1.1 200 OK\nContent-Length: 4\n\nSmew",
        ),
        (
            "odd header case",
            "HTTP/1.1 200 OK\r\ncOnTeNt-LeNgTh: 4\r\n\r\nSmew",
        ),
        ("no reason", "HTTP/1.1 200\r\nContent-Length: 4\r\n\r\nSmew"),
        (
            "a space before the colon",
            "HTTP/1.1 200 OK\r\nContent-Length : 4\r\n\r\nSmew",
        ),
        (
            "a header that is none",
            "HTTP/1.1 200 OK\r\nwhat is (this)\r\nContent-Length: 4\r\n\r\nSmew",
        ),
        (
            "a folded line",
            "HTTP/1.1 200 OK\r\nX-Mast: a\r\n b\r\nContent-Length: 4\r\n\r\nSmew",
        ),
        (
            "one length twice",
            "HTTP/1.1 200 OK\r\nContent-Length: 4\r\nContent-Length: 4\r\n\r\nSmew",
        ),
        (
            "chunks",
            "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2\r\nSm\r\n2\r\new\r\n0\r\n\r\n",
        ),
    ] {
        assert_eq!(body_of(bytes, Then::Close, None).await, "Smew", "{server}");
    }
}

#[tokio::test]
async fn a_wrong_length_is_an_incomplete_answer_unless_the_end_is_known() {
    let long = "HTTP/1.1 200 OK\r\nContent-Length: 99\r\n\r\nSmew</html>\r\n";
    assert_eq!(code_of(long, Then::Close, None).await, "answer-cut");
    assert_eq!(
        code_of(long, Then::Close, Some("</body>")).await,
        "answer-cut"
    );
    for then in [Then::Close, Then::Reset, Then::Stall] {
        let body = body_of(long, then, Some("</html>")).await;
        assert_eq!(body, "Smew</html>\r\n", "{then:?}");
    }
    let short = "HTTP/1.1 200 OK\r\nContent-Length: 4\r\n\r\nSmew</html>";
    assert_eq!(
        body_of(short, Then::Close, None).await,
        "Smew",
        "nothing tells that it is cut"
    );
    assert_eq!(
        code_of(short, Then::Close, Some("</html>")).await,
        "answer-cut"
    );
}

#[tokio::test]
async fn a_cut_answer_is_told_from_none_and_from_nonsense() {
    let chunked = "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n4\r\nSmew\r\n";
    let lengths = "HTTP/1.1 200 OK\r\nContent-Length: 4\r\nContent-Length: 5\r\n\r\nSmew";
    for (bytes, then, code) in [
        (chunked, Then::Close, "answer-cut"),
        (chunked, Then::Stall, "answer-cut"),
        (lengths, Then::Close, "no-answer"),
        ("", Then::Close, "no-answer"),
        ("", Then::Reset, "no-answer"),
        ("", Then::Stall, "no-answer"),
        ("HTTP/1.1 200 OK\r\nContent-", Then::Close, "no-answer"),
        ("220 mast ready\r\n", Then::Close, "no-answer"),
    ] {
        assert_eq!(code_of(bytes, then, None).await, code, "{bytes:?} {then:?}");
    }
}

#[tokio::test]
async fn says_why_there_was_no_answer() {
    let how = |error: HttpError| match error {
        HttpError::NoAnswer { how, .. } => how,
        other => panic!("{other}"),
    };
    for (bytes, then, expected) in [
        ("", Then::Reset, Unanswered::Reset),
        ("", Then::Close, Unanswered::Closed),
        ("", Then::Stall, Unanswered::Silent),
        ("220 mast ready\r\n", Then::Close, Unanswered::NotHttp),
    ] {
        let error = got(bytes, then, None).await.expect_err("no answer");
        assert_eq!(how(error), expected, "{bytes:?} {then:?}");
    }
}

#[tokio::test]
async fn more_headers_than_the_bound_are_no_answer() {
    let head = |headers: usize| {
        let many = "X-Mast: 1\r\n".repeat(headers);
        format!("HTTP/1.1 200 OK\r\n{many}Content-Length: 0\r\n\r\n")
    };
    assert!(got(head(63), Then::Close, None).await.is_ok());
    assert_eq!(code_of(&head(64), Then::Close, None).await, "no-answer");
}

#[tokio::test]
async fn inflates_gzip_that_nobody_asked_for() {
    let (bytes, then) = answer(
        "200 OK",
        "Content-Encoding: gzip\r\n",
        gzip(b"{\"held\":7}"),
    );
    let body = got(bytes, then, Some("}"))
        .await
        .expect("a whole answer")
        .body;
    assert_eq!(body, b"{\"held\":7}");
}

#[tokio::test]
async fn a_gzip_body_that_is_cut_is_incomplete_and_another_encoding_is_named() {
    let zipped = gzip(b"{\"held\":7}");
    let (cut, then) = answer(
        "200 OK",
        "Content-Encoding: gzip\r\n",
        &zipped[..zipped.len() - 4],
    );
    assert_eq!(
        got(cut, then, Some("}")).await.expect_err("cut").code(),
        "answer-cut"
    );
    let (other, then) = answer("200 OK", "Content-Encoding: br\r\n", "x");
    let error = got(other, then, None).await.expect_err("not understood");
    assert_eq!(
        error.to_string(),
        "the answer to `GET /state` cannot be unpacked: `br` is not gzip, the one compression \
         that is understood"
    );
}

#[tokio::test]
async fn stops_at_the_bound_before_and_after_inflating() {
    let limits = Limits {
        answer_bytes: 1024,
        ..quick()
    };
    let bomb = gzip(&vec![b' '; 1024 * 1024]);
    assert!(bomb.len() <= 1100, "{}", bomb.len());
    for (headers, body) in [
        ("", vec![b' '; 1025]),
        ("Content-Encoding: gzip\r\n", gzip(&vec![b' '; 200 * 1024])),
    ] {
        let tiny = Tiny::start(move |_, _| answer("200 OK", headers, &body)).await;
        let error = http(&tiny, limits.clone()).fetch(&get(&tiny, "/")).await;
        let error = error.expect_err("too large");
        assert_eq!(
            error.to_string(),
            "the answer to `GET /` is larger than 1024 bytes"
        );
        assert_eq!(tiny.lines().len(), 1, "asking again would not help");
    }
}

#[tokio::test]
async fn an_endless_answer_stops_at_the_bound() {
    let endless = format!("HTTP/1.0 200 OK\r\n\r\n{}", "a".repeat(3 * 1024 * 1024));
    assert_eq!(
        code_of(&endless, Then::Stall, None).await,
        "answer-too-large"
    );
}

#[tokio::test]
async fn a_request_that_does_not_act_is_sent_three_times_and_then_given_up() {
    let tiny = Tiny::start(|_, _| (Vec::new(), Then::Reset)).await;
    let error = http(&tiny, quick()).fetch(&get(&tiny, "/state")).await;
    assert_eq!(error.expect_err("never answered").code(), "no-answer");
    assert_eq!(tiny.lines(), ["GET /state", "GET /state", "GET /state"]);
}

#[tokio::test]
async fn a_request_that_does_not_act_is_sent_until_it_is_answered() {
    let tiny = Tiny::start(|_, number| match number {
        0 => (Vec::new(), Then::Reset),
        1 => (
            b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nSm".to_vec(),
            Then::Close,
        ),
        _ => answer("200 OK", "", "Smew"),
    })
    .await;
    let got = http(&tiny, quick()).fetch(&get(&tiny, "/state")).await;
    assert_eq!(got.expect("answered at last").body, b"Smew");
    assert_eq!(tiny.lines().len(), 3);
}

#[tokio::test]
async fn a_status_is_an_answer_and_is_not_asked_for_again() {
    let tiny = Tiny::start(|_, _| answer("503 Busy", "", "later")).await;
    let error = http(&tiny, quick()).fetch(&get(&tiny, "/state")).await;
    assert_eq!(
        error.expect_err("no 2xx").to_string(),
        "`GET /state` was answered with status 503"
    );
    assert_eq!(tiny.lines().len(), 1);
}

#[tokio::test]
async fn an_acting_request_is_sent_once_whatever_comes_back() {
    for (bytes, then) in [
        ("", Then::Reset),
        ("", Then::Close),
        ("", Then::Stall),
        ("HTTP/1.1 2", Then::Reset),
        (
            "HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nSm",
            Then::Reset,
        ),
    ] {
        let tiny = Tiny::start(move |_, _| (bytes.into(), then)).await;
        let acted = http(&tiny, limits_for(then))
            .act(&post(&tiny, "/keep", "a=b"))
            .await;
        match acted {
            Err(error) => assert_eq!(error.code(), "no-answer", "{bytes:?} {then:?}"),
            Ok(acted) => {
                assert_eq!(acted.status, 200);
                assert_eq!(acted.answer.expect_err("cut").code(), "answer-cut");
            }
        }
        assert_eq!(tiny.lines(), ["POST /keep"], "{bytes:?} {then:?}");
        assert_eq!(tiny.seen()[0].body(), "a=b");
    }
}

#[tokio::test]
async fn an_acting_get_is_sent_once_too() {
    let tiny = Tiny::start(|_, _| (Vec::new(), Then::Reset)).await;
    let acted = http(&tiny, quick()).act(&get(&tiny, "/again")).await;
    assert!(acted.is_err());
    assert_eq!(tiny.lines().len(), 1);
}

#[tokio::test]
async fn redirects_within_the_origin_are_followed_as_far_as_the_bound() {
    let chain = |request: &Seen, _| {
        let step: usize = request
            .line()
            .rsplit('/')
            .next()
            .and_then(|n| n.parse().ok())
            .unwrap_or(0);
        match step {
            0 => answer("200 OK", "", "there"),
            n => {
                let status = ["301 A", "302 B", "303 C", "307 D", "308 E"][n % 5];
                answer(status, &format!("Location: {}\r\n", n - 1), "")
            }
        }
    };
    let tiny = Tiny::start(chain).await;
    let http = http(&tiny, quick());
    let got = http
        .fetch(&get(&tiny, "/way/5"))
        .await
        .expect("five redirects");
    assert_eq!(got.url.path(), "/way/0");
    let error = http
        .fetch(&get(&tiny, "/way/6"))
        .await
        .expect_err("six redirects");
    assert_eq!(
        error.to_string(),
        "`GET /way/6` was not followed: it was redirected too often"
    );
}

#[tokio::test]
async fn a_redirect_to_another_origin_or_to_nowhere_is_not_followed() {
    for (location, code) in [
        ("Location: http://127.0.0.1:9/\r\n", "other-origin"),
        ("Location: //127.0.0.2/\r\n", "other-origin"),
        ("Location: https://127.0.0.1/\r\n", "other-origin"),
        (
            "Location: http://tern.invalid/?word=reeds\r\n",
            "other-origin",
        ),
        ("Location: file:///\r\n", "other-origin"),
        ("Location: http://[\r\n", "redirect"),
        ("", "redirect"),
    ] {
        let tiny = Tiny::start(move |_, _| answer("302 Found", location, "")).await;
        let error = http(&tiny, quick()).fetch(&get(&tiny, "/")).await;
        let error = error.expect_err("not followed");
        assert_eq!(error.code(), code, "{location}");
        assert!(!error.to_string().contains("reeds"), "{error}");
        assert_eq!(tiny.lines(), ["GET /"], "{location}");
    }
}

#[tokio::test]
async fn after_a_write_the_page_is_fetched_and_nothing_is_sent_again() {
    for status in ["301 A", "302 B", "303 C"] {
        let tiny = Tiny::start(move |request, _| match request.line().as_str() {
            "GET /said" => answer("200 OK", "", "kept"),
            _ => answer(status, "Location: /said\r\n", ""),
        })
        .await;
        let acted = http(&tiny, quick()).act(&post(&tiny, "/keep", "a=b")).await;
        let acted = acted.expect("answered");
        assert_eq!(acted.answer.expect("followed").body, b"kept");
        assert_eq!(tiny.lines(), ["POST /keep", "GET /said"]);
        assert_eq!(tiny.seen()[1].body(), "");
    }
    for status in ["307 D", "308 E"] {
        let tiny = Tiny::start(move |_, _| answer(status, "Location: /keep2\r\n", "")).await;
        let acted = http(&tiny, quick()).act(&post(&tiny, "/keep", "a=b")).await;
        let acted = acted.expect("answered");
        assert_eq!(acted.answer.expect_err("not followed").code(), "redirect");
        assert_eq!(tiny.lines(), ["POST /keep"], "{status}");
    }
}

#[tokio::test]
async fn an_address_that_the_device_chose_is_in_no_error() {
    let tiny = Tiny::start(|seen, _| match seen.line().as_str() {
        "GET /" | "POST /keep" => answer("303 C", "Location: /reeds-and-rushes\r\n", ""),
        _ => answer("404 Not Found", "", ""),
    })
    .await;
    let http = http(&tiny, quick());
    let read = http.fetch(&get(&tiny, "/")).await.expect_err("404");
    let save = post(&tiny, "/keep", "word=reeds-and-rushes");
    let acted = http.act(&save).await.expect("it was answered");
    for error in [read, acted.answer.expect_err("404")] {
        assert_eq!(error.code(), "status", "{error}");
        assert!(!format!("{error} {error:?}").contains("reeds"), "{error:?}");
    }
    let led = "GET /reeds-and-rushes";
    assert_eq!(tiny.lines(), ["GET /", led, "POST /keep", led]);
}

#[tokio::test]
async fn after_a_write_a_redirect_away_is_known_and_not_followed() {
    let tiny = Tiny::start(|_, _| answer("303 C", "Location: http://127.0.0.1:9/\r\n", "")).await;
    let acted = http(&tiny, quick()).act(&post(&tiny, "/keep", "a=b")).await;
    let acted = acted.expect("it was answered, so it may have been carried out");
    assert_eq!(acted.status, 303);
    assert_eq!(acted.answer.expect_err("away").code(), "other-origin");
}

#[tokio::test]
async fn a_form_that_leads_away_is_never_sent() {
    let (here, there) = (
        Tiny::start(|_, _| answer("200 OK", "", "")).await,
        Tiny::start(|_, _| answer("200 OK", "", "")).await,
    );
    let error = http(&here, quick())
        .act(&post(&there, "/keep", "word=reeds"))
        .await;
    let error = error.expect_err("another origin");
    assert_eq!(error.code(), "other-origin");
    assert!(!format!("{error} {error:?}").contains("reeds"));
    assert!(here.seen().is_empty() && there.seen().is_empty());
}

#[tokio::test]
async fn a_refused_connection_is_surely_not_sent() {
    let tiny = Tiny::start(|_, _| answer("200 OK", "", "")).await;
    let ask = post(&tiny, "/keep", "a=b");
    let http = http(&tiny, quick());
    let origin = tiny.stop().await;
    let error = http.act(&ask).await.expect_err("refused");
    assert!(
        matches!(
            &error,
            HttpError::NotSent {
                how: Unreached::Refused,
                ..
            }
        ),
        "{error} at {origin}"
    );
}

#[tokio::test]
async fn a_connection_that_does_not_come_up_in_time_is_surely_not_sent() {
    // A listener that accepts nobody: once its queue is full the kernel drops what knocks.
    let socket = tokio::net::TcpSocket::new_v4().expect("a socket");
    socket
        .bind("127.0.0.1:0".parse().expect("an address"))
        .expect("a port");
    let listener = socket.listen(0).expect("it listens");
    let address = listener.local_addr().expect("an address");
    let mut waiting = Vec::new();
    while let Ok(Ok(stream)) = tokio::time::timeout(
        Duration::from_millis(500),
        tokio::net::TcpStream::connect(address),
    )
    .await
    {
        waiting.push(stream);
    }
    let origin = Origin::parse(&format!("http://{address}")).expect("an origin");
    let limits = Limits {
        connect: Duration::from_millis(100),
        ..quick()
    };
    let ask = Ask::get(origin.join("/").expect("within"));
    let error = Http::new(origin, limits).expect("a client").act(&ask).await;
    let error = error.expect_err("no connection");
    assert!(
        matches!(
            &error,
            HttpError::NotSent {
                how: Unreached::Silent,
                ..
            }
        ),
        "{error:?}"
    );
}

#[cfg(target_os = "linux")]
#[tokio::test]
async fn an_adapter_that_is_gone_is_surely_not_sent_and_the_right_one_is_used() {
    let tiny = Tiny::start(|_, _| answer("200 OK", "", "Smew")).await;
    let through =
        |adapter| Http::new(tiny.origin.clone().through(adapter), quick()).expect("a client");
    let error = through("no-such-if")
        .act(&get(&tiny, "/"))
        .await
        .expect_err("no adapter");
    assert_eq!(error.code(), "no-connection", "{error:?}");
    assert!(through("lo").act(&get(&tiny, "/")).await.is_ok());
}
