//! How requests look, what they never take from the environment, and what is never told of them.

use super::*;

#[tokio::test]
async fn asks_as_plainly_as_can_be() {
    let tiny = Tiny::start(|_, _| answer("200 OK", "", "")).await;
    let http = http(&tiny, quick());
    http.fetch(&get(&tiny, "/state?full=1"))
        .await
        .expect("an answer");
    http.act(&post(&tiny, "/keep", "a=b"))
        .await
        .expect("an answer");
    let host = tiny.origin.to_string().replace("http://", "");
    let seen = tiny.seen();
    let mut lines: Vec<&str> = seen[0].head.trim_end().lines().collect();
    assert_eq!(lines.remove(0), "GET /state?full=1 HTTP/1.1");
    lines.sort_unstable();
    assert_eq!(
        lines,
        ["Accept: */*", "Connection: close", &format!("Host: {host}")]
    );
    let mut lines: Vec<&str> = seen[1].head.trim_end().lines().collect();
    assert_eq!(lines.remove(0), "POST /keep HTTP/1.1");
    lines.sort_unstable();
    assert_eq!(
        lines,
        [
            "Accept: */*",
            "Connection: close",
            "Content-Length: 3",
            "Content-Type: application/x-www-form-urlencoded",
            &format!("Host: {host}"),
        ]
    );
}

#[tokio::test]
async fn localhost_needs_no_name_server() {
    let tiny = Tiny::start(|_, _| answer("200 OK", "", "Smew")).await;
    let here = tiny.origin.to_string().replace("127.0.0.1", "localhost");
    let origin = Origin::parse(&here).expect("an origin");
    let ask = Ask::get(origin.join("/").expect("within"));
    let http = Http::new(origin, quick()).expect("a client");
    assert_eq!(http.fetch(&ask).await.expect("an answer").body, b"Smew");
    assert!(tiny.seen()[0].head.contains("Host: localhost:"));
}

#[tokio::test]
async fn a_knock_waits_for_no_body() {
    let stalled = "HTTP/1.1 404 Not Found\r\nContent-Length: 99\r\n\r\n";
    let tiny = Tiny::start(move |_, _| (stalled.into(), Then::Stall)).await;
    assert_eq!(http(&tiny, quick()).knock(&get(&tiny, "/")).await, Ok(404));
}

#[test]
fn neither_debug_nor_errors_show_what_is_sent() {
    let url = Url::parse("http://127.0.0.1/keep?word=reeds").expect("a URL");
    let ask = Ask {
        body: Some(b"reeds".to_vec()),
        ..Ask::get(url.clone())
    };
    let got = Got {
        url,
        status: 200,
        content_type: None,
        body: b"reeds".to_vec(),
    };
    assert_eq!(
        format!("{ask:?} {got:?}"),
        "Ask(GET /keep) Got(200, 5 bytes)"
    );
}

/// Says to a child process, which runs this test alone, where the device is.
const CHILD: &str = "LINKMEND_TEST_ORIGIN";

#[tokio::test]
async fn proxies_of_the_environment_are_not_used() {
    if let Ok(origin) = std::env::var(CHILD) {
        let origin = Origin::parse(&origin).expect("an origin");
        let ask = Ask::get(origin.join("/state").expect("within"));
        let http = Http::new(origin, quick()).expect("a client");
        assert_eq!(http.fetch(&ask).await.expect("an answer").body, b"device");
        return;
    }
    let device = Tiny::start(|_, _| answer("200 OK", "", "device")).await;
    let proxy = Tiny::start(|_, _| answer("200 OK", "", "proxy")).await;
    let mut child = tokio::process::Command::new(std::env::current_exe().expect("this binary"));
    child
        .arg("proxies_of_the_environment_are_not_used")
        .env(CHILD, device.origin.to_string())
        .env_remove("NO_PROXY")
        .env_remove("no_proxy");
    for name in ["HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy"] {
        child.env(name, proxy.origin.to_string());
    }
    let output = child.output().await.expect("it ran");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(
        output.status.success() && said.contains("1 passed"),
        "{said}"
    );
    assert_eq!(device.lines(), ["GET /state"]);
    assert!(proxy.seen().is_empty(), "{:?}", proxy.lines());
}

#[tokio::test]
async fn a_log_holds_method_path_status_and_sizes_alone() {
    let log = Log::begin();
    let tiny = Tiny::start(|_, number| match number {
        0 => answer(
            "200 OK",
            "Set-Cookie: pass=reeds-cookie\r\n",
            "reeds-answer",
        ),
        1 => answer("303 C", "Location: /reeds-path?word=reeds-redirect\r\n", ""),
        2 => answer("200 OK", "", "reeds-page"),
        _ => (Vec::new(), Then::Reset),
    })
    .await;
    let http = http(&tiny, quick());
    http.fetch(&get(&tiny, "/state?word=reeds-query"))
        .await
        .expect("an answer");
    http.act(&post(&tiny, "/keep", "word=reeds-body"))
        .await
        .expect("an answer");
    http.act(&post(&tiny, "/keep", "word=reeds-body"))
        .await
        .expect_err("a reset");
    let logged = log.end();
    for said in [
        "GET /state",
        "status=200 bytes=12",
        "POST /keep",
        "GET (where it led)",
        "no-answer",
    ] {
        assert!(logged.contains(said), "{said} in {logged}");
    }
    assert!(!logged.contains("reeds"), "{logged}");
}

#[tokio::test]
async fn a_request_that_acts_tells_its_length_though_it_carries_nothing() {
    // RFC 9110 section 8.6; without it lighttpd 1.4 answers 411.
    let tiny = Tiny::start(|_, _| answer("200 OK", "", "")).await;
    let bare = Ask {
        body: None,
        content_type: None,
        ..post(&tiny, "/anew", "")
    };
    let http = http(&tiny, quick());
    http.act(&bare).await.expect("an answer");
    http.act(&post(&tiny, "/keep", "a=b"))
        .await
        .expect("an answer");
    http.fetch(&get(&tiny, "/")).await.expect("an answer");
    let seen = tiny.seen();
    let lengths: Vec<Vec<&str>> = seen
        .iter()
        .map(|seen| {
            let lines = seen.head.lines();
            lines
                .filter_map(|line| line.strip_prefix("Content-Length: "))
                .collect()
        })
        .collect();
    assert_eq!(lengths, [vec!["0"], vec!["3"], vec![]]);
}
