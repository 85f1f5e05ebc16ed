//! The simulation over real sockets: what a client sees on the wire.

use std::{
    io::{ErrorKind, Write},
    net::SocketAddr,
    sync::{Arc, Mutex},
    time::{Duration, Instant},
};

use mock_device::{Air, Family, Options, Running, Scenario, Why, start};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    time::timeout,
};

/// Divides the waits: 40 to 55 s become 0.4 to 0.55 s.
const SPEED: f64 = 100.0;
/// Longer than anything here may take; only a test that fails waits for it.
const DEADLINE: Duration = Duration::from_secs(10);
/// For how long nothing must come before it counts as stalled.
const STALLED: Duration = Duration::from_millis(150);

const EVERY: [Family; 3] = [
    Family::SampleForm,
    Family::SampleScript,
    Family::SampleLogin,
];
const URLENCODED: &str = "application/x-www-form-urlencoded";

async fn run(family: Family, scenario: Scenario) -> Running {
    let mut options = Options::new(family, scenario);
    options.speed = SPEED;
    start(options).await.expect("a free loopback port")
}

/// What came over a connection and how it ended.
#[derive(Debug)]
struct Seen {
    bytes: Vec<u8>,
    end: Result<(), ErrorKind>,
}

impl Seen {
    fn head_and_body(&self) -> (String, &[u8]) {
        let end = self
            .bytes
            .windows(4)
            .position(|window| window == b"\r\n\r\n")
            .unwrap_or_else(|| panic!("a head: {self:?}"));
        let head = String::from_utf8_lossy(&self.bytes[..end]).into_owned();
        (head, &self.bytes[end + 4..])
    }

    /// Whether half of the body that the head tells of has come.
    fn has_half(&self) -> bool {
        self.text().contains("\r\n\r\n") && {
            self.head_and_body().1.len() >= self.told_length() / 2
        }
    }

    fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }

    fn told_length(&self) -> usize {
        let (head, _) = self.head_and_body();
        let (_, rest) = head.split_once("Content-Length: ").expect("a length");
        let digits = rest.split("\r\n").next().expect("a first part");
        digits.parse().expect("a number")
    }
}

async fn send(address: SocketAddr, request: &str) -> TcpStream {
    let mut stream = TcpStream::connect(address).await.expect("it listens");
    let sent = stream.write_all(request.as_bytes()).await;
    sent.expect("it reads");
    stream
}

async fn until_end(stream: &mut TcpStream) -> Seen {
    let mut bytes = Vec::new();
    let end = timeout(DEADLINE, stream.read_to_end(&mut bytes))
        .await
        .expect("an end before the deadline");
    Seen {
        bytes,
        end: end.map(drop).map_err(|fault| fault.kind()),
    }
}

async fn ask(address: SocketAddr, request: &str) -> Seen {
    // A reset can be quicker than the client's own look at its new connection.
    match TcpStream::connect(address).await {
        Ok(mut stream) => {
            let _ = stream.write_all(request.as_bytes()).await;
            until_end(&mut stream).await
        }
        Err(fault) => Seen {
            bytes: Vec::new(),
            end: Err(fault.kind()),
        },
    }
}

async fn get(address: SocketAddr, path: &str) -> Seen {
    ask(address, &format!("GET {path} HTTP/1.1\r\nHost: x\r\n\r\n")).await
}

fn post(path: &str, kind: &str, body: &str) -> String {
    post_with(path, kind, "", body)
}

/// The same with one more header.
fn post_with(path: &str, kind: &str, header: &str, body: &str) -> String {
    let length = body.len();
    format!(
        "POST {path} HTTP/1.1\r\nHost: x\r\n{header}Content-Type: {kind}\r\n\
         Content-Length: {length}\r\n\r\n{body}"
    )
}

/// The request that saves and, for the form family, restarts.
async fn save(family: Family, address: SocketAddr) -> String {
    match family {
        Family::SampleForm => {
            let page = get(address, "/").await.text();
            let (_, rest) = page.split_once("name=\"once\" value=\"").expect("a token");
            let body = format!("once={}&follows=any&act=keep", &rest[..16]);
            post("/keep-air", URLENCODED, &body)
        }
        Family::SampleScript => post("/take-over", "application/json", r#"{"slot":null}"#),
        Family::SampleLogin => {
            let cookie = enter(address).await;
            let body = format!("once={}&act=keep", token(address, &cookie).await);
            post_with("/radio-keep", URLENCODED, &cookie, &body)
        }
    }
}

/// Logs in to `sample-login`; the header that goes along from then on.
async fn enter(address: SocketAddr) -> String {
    let login = post(
        "/come-in",
        URLENCODED,
        "who=skipper&word=heron-on-one-leg&go=in",
    );
    let answer = ask(address, &login).await.text();
    let (_, rest) = answer.split_once("Set-Cookie: ").expect("a cookie");
    let pass = rest.split(';').next().expect("a first part");
    format!("Cookie: {pass}\r\n")
}

async fn token(address: SocketAddr, cookie: &str) -> String {
    let request = format!("GET /radio HTTP/1.1\r\nHost: x\r\n{cookie}\r\n");
    let page = ask(address, &request).await.text();
    let (_, rest) = page.split_once("name=\"once\" value=\"").expect("a token");
    rest[..16].to_owned()
}

/// The request that restarts a family that does not restart by a save.
async fn restart(family: Family, address: SocketAddr) -> String {
    match family {
        Family::SampleForm => panic!("a save restarts it"),
        Family::SampleScript => once_again(),
        Family::SampleLogin => {
            let cookie = enter(address).await;
            let body = format!("once={}", token(address, &cookie).await);
            post_with("/start-anew", URLENCODED, &cookie, &body)
        }
    }
}

fn once_again() -> String {
    post("/once-again", "application/json", r#"{"sure":true}"#)
}

fn lock(running: &Running) -> serde_json::Value {
    let truth = running.truth();
    truth.devices[truth.present].settings["model-lock"].clone()
}

/// Tries until the device answers again.
async fn until_back(address: SocketAddr) {
    let start = Instant::now();
    loop {
        let seen = get(address, "/").await;
        if seen.end.is_ok() {
            return;
        }
        assert_eq!(seen.end, Err(ErrorKind::ConnectionReset));
        assert!(seen.bytes.is_empty());
        assert!(start.elapsed() < DEADLINE, "it does not come back");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

/// Waits for the restart, which resets an idle connection, and for the return.
async fn until_back_from(address: SocketAddr, mut idle: TcpStream) {
    let seen = until_end(&mut idle).await;
    assert_eq!(seen.end, Err(ErrorKind::ConnectionReset));
    assert!(seen.bytes.is_empty());
    until_back(address).await;
}

#[tokio::test]
async fn restart_resets_what_is_open_and_the_address_answers_again_after_the_wait() {
    let running = run(Family::SampleForm, Scenario::Locked).await;
    let address = running.address();
    let request = save(Family::SampleForm, address).await;
    let mut idle = TcpStream::connect(address).await.expect("it listens");
    let mut half = send(address, "GET / HTTP/1.1\r\n").await;
    let start = Instant::now();
    let answer = ask(address, &request).await;
    assert_eq!(answer.end, Ok(()));
    assert!(
        answer
            .text()
            .contains("<p id=\"said\">Kept. Starting again.</p>")
    );

    for stream in [&mut idle, &mut half] {
        let seen = until_end(stream).await;
        assert_eq!(seen.end, Err(ErrorKind::ConnectionReset));
        assert!(seen.bytes.is_empty());
    }
    until_back(address).await;
    // The pause of 0.3 s, and 40 s or more by the factor; less a hair for rounding.
    assert!(start.elapsed() > Duration::from_millis(690));
    let page = get(address, "/").await.text();
    let (_, rest) = page.split_once("<td id=\"awake\">").expect("the uptime");
    let awake: u64 = rest
        .split(' ')
        .next()
        .expect("a first part")
        .parse()
        .expect("a number");
    // No more than has really passed since the write, though the wait was 40 s or more.
    assert!(awake <= start.elapsed().as_secs(), "{awake}");
    assert_eq!(running.truth().devices[0].boots, 1);
    assert_eq!(lock(&running), "off");
    running.stop().await;
}

#[tokio::test]
async fn script_restarts_by_request_and_comes_back() {
    let running = run(Family::SampleScript, Scenario::Locked).await;
    let address = running.address();
    let saved = ask(address, &save(Family::SampleScript, address).await).await;
    assert!(saved.text().ends_with("\r\n\r\ntaken 1"));
    let idle = TcpStream::connect(address).await.expect("it listens");
    let asked = ask(address, &once_again()).await;
    assert!(asked.text().starts_with("HTTP/1.1 202 "));
    until_back_from(address, idle).await;
    assert_eq!(running.truth().devices[0].boots, 1);
}

#[tokio::test]
async fn document_comes_as_gzip_to_whoever_asks() {
    let running = run(Family::SampleScript, Scenario::Locked).await;
    for more in ["", "Accept-Encoding: identity\r\n"] {
        let request = format!("GET /as-it-is HTTP/1.1\r\nHost: x\r\n{more}\r\n");
        let seen = ask(running.address(), &request).await;
        let (head, body) = seen.head_and_body();
        assert!(head.contains("Content-Encoding: gzip"), "{head}");
        // RFC 1952 section 2.3.1: how each gzip member begins.
        assert_eq!(body[..3], [0x1f, 0x8b, 8]);
        assert_eq!(seen.told_length(), body.len());
    }
}

#[tokio::test]
async fn no_answer_resets_without_a_byte_after_it_has_saved() {
    for family in EVERY {
        let running = run(family, Scenario::NoAnswer).await;
        let address = running.address();
        let mut request = save(family, address).await;
        if family != Family::SampleForm {
            assert_eq!(ask(address, &request).await.end, Ok(()));
            request = restart(family, address).await;
        }
        let seen = ask(address, &request).await;
        assert_eq!(seen.end, Err(ErrorKind::ConnectionReset), "{family}");
        assert!(seen.bytes.is_empty());
        assert_eq!(lock(&running), "off");
        until_back(address).await;
        assert_eq!(running.truth().devices[0].boots, 1);
    }
}

#[tokio::test]
async fn lost_restart_leaves_the_device_answering() {
    for family in EVERY {
        let running = run(family, Scenario::LostRestart).await;
        let address = running.address();
        let mut idle = TcpStream::connect(address).await.expect("it listens");
        let seen = ask(address, &save(family, address).await).await;
        assert_eq!(seen.end, Ok(()));
        if family != Family::SampleForm {
            let seen = ask(address, &restart(family, address).await).await;
            assert!(seen.text().starts_with("HTTP/1.1 202 "));
        }
        let mut byte = [0];
        let quiet = timeout(Duration::from_millis(400), idle.read(&mut byte)).await;
        assert!(quiet.is_err(), "no restart resets the idle connection");
        assert_eq!(get(address, "/").await.end, Ok(()));
        assert_eq!(running.truth().devices[0].boots, 0);
    }
}

#[tokio::test]
async fn stalled_reading_sends_half_and_stays_open_while_others_are_served() {
    for (family, path) in [
        (Family::SampleForm, "/"),
        (Family::SampleScript, "/as-it-is"),
    ] {
        let running = run(family, Scenario::Stalled).await;
        let address = running.address();
        let mut stream = send(address, &format!("GET {path} HTTP/1.1\r\n\r\n")).await;
        let mut seen = Seen {
            bytes: Vec::new(),
            end: Ok(()),
        };
        while !seen.has_half() {
            let read = timeout(DEADLINE, stream.read_buf(&mut seen.bytes)).await;
            assert!(read.expect("in time").expect("no reset") > 0);
        }
        let quiet = timeout(STALLED, stream.read_buf(&mut seen.bytes)).await;
        assert!(quiet.is_err(), "not a byte more, and it stays open");
        assert_eq!(get(address, "/nowhere").await.end, Ok(()));
        drop(stream);
        running.stop().await;
    }
}

#[tokio::test]
async fn endless_body_goes_on_until_the_reader_leaves_and_others_are_served() {
    let running = run(Family::SampleForm, Scenario::EndlessBody).await;
    let address = running.address();
    let mut stream = send(address, "GET / HTTP/1.1\r\n\r\n").await;
    let mut bytes = Vec::new();
    while bytes.len() < 1 << 20 {
        let read = timeout(DEADLINE, stream.read_buf(&mut bytes)).await;
        assert!(read.expect("in time").expect("no reset") > 0);
    }
    assert_eq!(get(address, "/nowhere").await.end, Ok(()));
    drop(stream);
    running.stop().await;
}

#[tokio::test]
async fn answers_close_though_their_headers_do_not_say_so() {
    let running = run(Family::SampleForm, Scenario::ClosesEach).await;
    let seen = get(running.address(), "/").await;
    assert_eq!(seen.end, Ok(()));
    let (head, body) = seen.head_and_body();
    assert!(!head.to_lowercase().contains("connection"));
    assert_eq!(body.len(), seen.told_length());
}

#[tokio::test]
async fn what_a_family_cannot_be_is_refused_at_the_start() {
    let options = Options::new(Family::SampleScript, Scenario::ExpiredToken);
    let fault = start(options).await.expect_err("it has no tokens");
    assert_eq!(fault.kind(), ErrorKind::InvalidInput);
    let mut options = Options::new(Family::SampleLogin, Scenario::Locked);
    options.firmware = Some("2.4.1".to_owned());
    let fault = start(options).await.expect_err("no such firmware");
    assert!(fault.to_string().contains("`1.8.2`, `1.7.3`"), "{fault}");
}

async fn run_with(family: Family, fault: &str) -> Running {
    let mut options = Options::new(family, Scenario::Locked);
    options.speed = SPEED;
    options.faults = [fault.parse().expect("a fault")].into_iter().collect();
    start(options).await.expect("a free loopback port")
}

#[tokio::test]
async fn refused_connection_is_reset_and_the_next_one_is_not() {
    let running = run_with(Family::SampleForm, "refuse@1").await;
    let seen = get(running.address(), "/").await;
    assert_eq!(seen.end, Err(ErrorKind::ConnectionReset));
    assert!(seen.bytes.is_empty());
    assert_eq!(get(running.address(), "/").await.end, Ok(()));
}

#[tokio::test]
async fn answer_breaks_off_at_its_half_when_it_restarts_midway() {
    let running = run_with(Family::SampleForm, "restart-midway@1").await;
    let address = running.address();
    let idle = TcpStream::connect(address).await.expect("it listens");
    let seen = get(address, "/").await;
    assert_eq!(seen.end, Err(ErrorKind::ConnectionReset));
    until_back_from(address, idle).await;
    assert_eq!(running.truth().devices[0].boots, 1);
}

#[tokio::test]
async fn double_restart_resets_what_is_open_twice() {
    let running = run_with(Family::SampleForm, "double-restart@1").await;
    let address = running.address();
    let request = save(Family::SampleForm, address).await;
    for count in [1, 2] {
        let idle = TcpStream::connect(address).await.expect("it listens");
        if count == 1 {
            ask(address, &request).await;
        }
        until_back_from(address, idle).await;
        assert_eq!(running.truth().devices[0].boots, count);
    }
}

#[tokio::test]
async fn hand_on_the_power_restarts_even_what_loses_its_restarts() {
    let running = run(Family::SampleScript, Scenario::LostRestart).await;
    let address = running.address();
    let idle = TcpStream::connect(address).await.expect("it listens");
    running.power_cycle();
    assert!(!running.truth().devices[0].up);
    until_back_from(address, idle).await;
    assert_eq!(running.truth().devices[0].boots, 1);
}

#[tokio::test]
async fn power_and_transmitter_reset_what_is_open_and_tell_the_air() {
    let running = run(Family::SampleScript, Scenario::Locked).await;
    let address = running.address();
    let bssid = running.bssid();
    let mut air = running.air();
    assert_eq!(air.recv().await, Some(Air::Open { bssid }));
    let turns: [(&dyn Fn(bool), Why); 2] = [
        (&|on| running.power(!on), Why::Power),
        (&|on| running.transmitter(on), Why::Transmitter),
    ];
    for (turn, why) in turns {
        let idle = TcpStream::connect(address).await.expect("it listens");
        turn(true);
        assert_eq!(air.recv().await, Some(Air::Closed(why)));
        let seen = get(address, "/").await;
        assert!(seen.bytes.is_empty() && seen.end.is_err(), "{seen:?}");
        turn(false);
        until_back_from(address, idle).await;
        assert_eq!(air.recv().await, Some(Air::Open { bssid }));
    }
    running.stop().await;
    assert_eq!(air.recv().await, None);
}

#[tokio::test]
async fn stalled_save_is_taken_and_only_the_restart_ends_the_silence() {
    let running = run(Family::SampleForm, Scenario::StalledSave).await;
    let address = running.address();
    let request = save(Family::SampleForm, address).await;
    let seen = ask(address, &request).await;
    assert_eq!(seen.end, Err(ErrorKind::ConnectionReset));
    assert!(seen.bytes.is_empty());
    until_back(address).await;
    assert_eq!(lock(&running), "off");

    let running = run(Family::SampleScript, Scenario::StalledSave).await;
    let address = running.address();
    let request = save(Family::SampleScript, address).await;
    let mut stream = send(address, &request).await;
    let mut byte = [0];
    let quiet = timeout(Duration::from_millis(400), stream.read(&mut byte)).await;
    assert!(quiet.is_err(), "not a byte, and it stays open");
    assert_eq!(lock(&running), "off");
}

#[tokio::test]
async fn cut_off_reading_and_save_end_before_their_told_length() {
    for (family, path) in [
        (Family::SampleForm, "/"),
        (Family::SampleScript, "/as-it-is"),
    ] {
        let running = run(family, Scenario::CutOff).await;
        let seen = get(running.address(), path).await;
        assert_eq!(seen.end, Ok(()), "closed in order, and too early");
        assert_eq!(seen.head_and_body().1.len(), seen.told_length() / 2);

        let running = run(family, Scenario::CutOffSave).await;
        let address = running.address();
        let seen = ask(address, &save(family, address).await).await;
        assert_eq!(seen.end, Ok(()));
        assert_eq!(seen.head_and_body().1.len(), seen.told_length() / 2);
        assert_eq!(lock(&running), "off");
    }
}

#[tokio::test]
async fn swapped_devices_show_on_the_wire_and_in_the_bssid() {
    let running = run(Family::SampleForm, Scenario::SwappedBeforeWrite).await;
    let address = running.address();
    let bssid = running.bssid();
    let request = save(Family::SampleForm, address).await;
    assert_ne!(running.bssid(), bssid);
    let seen = ask(address, &request).await;
    assert!(seen.text().contains("stale form"), "it has other tokens");
    assert_eq!(lock(&running), 7);

    let running = run(Family::SampleForm, Scenario::SwappedAfterRestart).await;
    let address = running.address();
    let before = running.bssid();
    let request = save(Family::SampleForm, address).await;
    let idle = TcpStream::connect(address).await.expect("it listens");
    ask(address, &request).await;
    assert_eq!(running.bssid(), before);
    until_back_from(address, idle).await;
    assert_ne!(running.bssid(), before);
    assert_eq!(lock(&running), 7);
    assert_eq!(running.truth().devices[0].settings["model-lock"], "off");
}

#[tokio::test]
async fn what_is_no_request_is_answered_and_many_are_served_at_once() {
    let running = run(Family::SampleForm, Scenario::Locked).await;
    let address = running.address();
    let seen = ask(address, "HELLO\r\n\r\n").await;
    assert!(seen.text().starts_with("HTTP/1.1 400 "));
    let seen = ask(
        address,
        "POST / HTTP/1.1\r\nContent-Length: 99999999\r\n\r\n",
    )
    .await;
    assert!(seen.text().starts_with("HTTP/1.1 413 "));
    // Half-sent requests of others keep nobody waiting.
    let mut halves = Vec::new();
    for _ in 0..50 {
        halves.push(send(address, "GET / HTTP/1.1\r\n").await);
    }
    assert_eq!(get(address, "/").await.end, Ok(()));
    for mut half in halves {
        half.write_all(b"\r\n").await.expect("it is open");
        let seen = until_end(&mut half).await;
        assert!(seen.text().ends_with("</html>"));
    }
    assert_eq!(running.truth().requests.len(), 53);
}

#[tokio::test]
async fn truth_is_told_beside_the_wire_and_changes_nothing() {
    let mut options = Options::new(Family::SampleScript, Scenario::Locked);
    options.truth = Some("127.0.0.1:0".parse().expect("an address"));
    let running = start(options).await.expect("free ports");
    let beside = running.truth_address().expect("it was asked for");
    let (first, second) = (get(beside, "/").await, get(beside, "/any").await);
    let (_, body) = first.head_and_body();
    assert_eq!(body, second.head_and_body().1);
    let told: serde_json::Value = serde_json::from_slice(body).expect("JSON");
    let truth = serde_json::to_value(running.truth()).expect("JSON");
    assert_eq!(told, truth);
    assert_eq!(told["devices"][0]["serial"], serde_json::Value::Null);
    assert_eq!(told["requests"], serde_json::json!([]));
    assert_eq!(get(running.address(), "/").await.end, Ok(()));
    assert_eq!(running.truth().requests.len(), 1);
}

#[derive(Clone, Default)]
struct Lines(Arc<Mutex<Vec<u8>>>);

impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().expect("no panic elsewhere").extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[tokio::test]
async fn log_gets_its_lines_and_stop_frees_the_address() {
    let lines = Lines::default();
    let mut options = Options::new(Family::SampleForm, Scenario::Locked);
    options.log = Some(Box::new(lines.clone()));
    let running = start(options).await.expect("a free port");
    let address = running.address();
    get(address, "/").await;
    let text = String::from_utf8(lines.0.lock().expect("no panic").clone()).expect("text");
    assert!(
        text.ends_with("request 1 to device 0: GET / answer 200\n"),
        "{text}"
    );
    running.stop().await;
    let fault = TcpStream::connect(address).await.expect_err("it is closed");
    assert_eq!(fault.kind(), ErrorKind::ConnectionRefused);
}

#[tokio::test]
async fn speeds_out_of_range_and_foreign_addresses_are_refused() {
    for speed in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e9] {
        let mut options = Options::new(Family::SampleForm, Scenario::Locked);
        options.speed = speed;
        let fault = start(options).await.expect_err("no such speed");
        assert_eq!(fault.kind(), ErrorKind::InvalidInput);
    }
    let mut options = Options::new(Family::SampleForm, Scenario::Locked);
    options.listen = "0.0.0.0:0".parse().expect("an address");
    let fault = start(options).await.expect_err("not loopback");
    assert_eq!(fault.kind(), ErrorKind::InvalidInput);
    let mut options = Options::new(Family::SampleForm, Scenario::Locked);
    options.truth = Some("0.0.0.0:0".parse().expect("an address"));
    let fault = start(options).await.expect_err("not loopback");
    assert_eq!(fault.kind(), ErrorKind::InvalidInput);
}
