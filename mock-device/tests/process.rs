//! The server as a process: its first line, its ends, its refusals.

use std::{
    fs,
    io::{BufRead, BufReader, Read, Write},
    net::TcpStream,
    os::unix::{fs::PermissionsExt, net::UnixListener, net::UnixStream},
    path::{Path, PathBuf},
    process::{Child, ChildStdout, Command, Output, Stdio},
};

use serde_json::{Value as Json, json};

/// A process that a failing test does not leave behind.
struct Server(Child, BufReader<ChildStdout>);

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself; then there is nothing to end.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Server {
    fn start(arguments: &[&str]) -> (Self, Json) {
        let mut child = command(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the binary was built");
        let lines = BufReader::new(child.stdout.take().expect("a pipe"));
        let mut server = Self(child, lines);
        let introduction = server.says();
        (server, introduction)
    }

    /// Its next line on stdout.
    fn says(&mut self) -> Json {
        let mut line = String::new();
        self.1.read_line(&mut line).expect("a line");
        serde_json::from_str(&line).expect("one JSON object")
    }

    fn stderr(&mut self) -> String {
        let mut text = String::new();
        let pipe = self.0.stderr.as_mut().expect("a pipe");
        pipe.read_to_string(&mut text).expect("text");
        text
    }
}

fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_mock-device"));
    command.args(arguments);
    command
}

fn run(arguments: &[&str]) -> Output {
    command(arguments)
        .stdin(Stdio::null())
        .output()
        .expect("the binary was built")
}

/// The body of the answer to a GET.
fn get(url: &Json) -> String {
    let url = url.as_str().expect("an address");
    let place = url.trim_start_matches("http://");
    let (address, path) = place.split_once('/').unwrap_or((place, ""));
    let mut stream = TcpStream::connect(address).expect("it listens");
    write!(stream, "GET /{path} HTTP/1.1\r\nHost: x\r\n\r\n").expect("it reads");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("text");
    let (_, body) = answer.split_once("\r\n\r\n").expect("a head");
    body.to_owned()
}

/// A socket for commands in a folder of its own.
struct Socket(PathBuf);

impl Socket {
    fn new(name: &str) -> Self {
        let folder = format!("mock-device-{name}-{}", std::process::id());
        let folder = std::env::temp_dir().join(folder);
        fs::create_dir(&folder).expect("a new folder");
        Self(folder)
    }

    fn path(&self) -> PathBuf {
        self.0.join("control")
    }

    fn option(&self) -> String {
        format!("--control={}", self.path().display())
    }
}

impl Drop for Socket {
    fn drop(&mut self) {
        // What is left behind lies among temporary files.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// The answers to a few commands over one connection.
fn command_all(socket: &Path, commands: &[&str]) -> Vec<Json> {
    let mut stream = UnixStream::connect(socket).expect("it listens");
    let mut lines = BufReader::new(stream.try_clone().expect("one more handle")).lines();
    let answers = commands.iter().map(|command| {
        writeln!(stream, "{command}").expect("it reads");
        let line = lines.next().expect("an answer").expect("text");
        serde_json::from_str(&line).expect("JSON")
    });
    answers.collect()
}

#[test]
fn air_is_told_after_the_first_line_and_at_each_turn_that_the_control_brings() {
    let socket = Socket::new("air");
    let (mut server, said) = Server::start(&[
        "--family=sample-form",
        "--speed=100",
        "--from-cold",
        "--bssid-changes",
        "--tell-air",
        &socket.option(),
    ]);
    let open = |bssid: &Json| json!({"air": "open", "bssid": bssid});
    let closed = |why: &str| json!({"air": "closed", "why": why});
    assert_eq!(server.says(), closed("power"));
    assert_eq!(server.says(), open(&said["bssid"]));
    assert!(get(&said["at"]).contains("Tarn deck receiver"));

    let now = |command: &str| {
        let answers = command_all(&socket.path(), &[command, "truth"]);
        assert_eq!(answers[0], json!({"ok": true}), "{command}");
        answers[1].clone()
    };
    assert_eq!(now("transmitter on")["transmitter"], true);
    assert_eq!(server.says(), closed("transmitter"));
    now("transmitter off");
    assert_eq!(server.says(), open(&said["bssid"]));
    assert_eq!(now("joined on")["joined"], true);
    assert_eq!(server.says(), closed("joined"));
    assert!(get(&said["at"]).contains("Tarn deck receiver"));
    now("joined off");
    assert_eq!(server.says(), open(&said["bssid"]));
    let truth = now("power off");
    assert_eq!(
        (&truth["powered"], &truth["air"]),
        (&json!(false), &closed("power"))
    );
    assert_eq!(server.says(), closed("power"));
    let truth = now("power on");
    assert_ne!(truth["devices"][0]["bssid"], said["bssid"]);
    assert_eq!(server.says(), open(&truth["devices"][0]["bssid"]));
}

#[test]
fn commands_that_are_none_are_answered_with_what_would_have_done() {
    let socket = Socket::new("nonsense");
    let (_server, _) = Server::start(&["--family=sample-form", &socket.option()]);
    let wrong = ["", "power", "power up", "joined on on", "trans\u{1b} on"];
    for (command, answer) in wrong.iter().zip(command_all(&socket.path(), &wrong)) {
        let text = answer["error"].as_str().expect("an error");
        assert!(
            text.contains("`joined` with `on` or `off`"),
            "{command}: {text}"
        );
        assert!(!text.contains('\u{1b}'), "{text:?}");
    }
    // One that never ends is not waited for.
    let mut stream = UnixStream::connect(socket.path()).expect("it listens");
    stream.write_all(&[b'x'; 64]).expect("it reads");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("it closes");
    assert!(answer.contains("less than 64 bytes"), "{answer}");
}

#[test]
fn control_is_the_owners_alone_goes_with_its_simulation_and_takes_nobodys_place() {
    let socket = Socket::new("place");
    let path = socket.path();
    // What one that was killed has left.
    drop(UnixListener::bind(&path).expect("a free name"));
    let (mut server, _) = Server::start(&[
        "--family=sample-form",
        "--until-stdin-closes",
        &socket.option(),
    ]);
    let mode = fs::metadata(&path)
        .expect("it is there")
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o600);
    let second = run(&["--family=sample-form", &socket.option()]);
    assert_eq!(second.status.code(), Some(1));
    let text = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(
        text.contains(path.to_str().expect("a plain path")),
        "{text}"
    );

    drop(server.0.stdin.take());
    assert!(server.0.wait().expect("it ends with its stdin").success());
    assert!(!path.exists());
    assert_eq!(fs::read_dir(&socket.0).expect("it is there").count(), 0);
    fs::write(&path, "a file").expect("a free name");
    let third = run(&["--family=sample-form", &socket.option()]);
    assert_eq!(third.status.code(), Some(1));
    assert_eq!(
        fs::read_to_string(&path).expect("it is left alone"),
        "a file"
    );
}

#[test]
fn first_line_says_where_it_is_and_the_truth_is_there_too() {
    let log = std::env::temp_dir().join(format!("mock-device-log-{}", std::process::id()));
    let path = log.to_str().expect("a plain path");
    let (mut server, said) = Server::start(&[
        "--family=sample-form",
        "--scenario=unbound",
        "--firmware=3.0.2",
        "--speed=10",
        "--seed=3",
        "--fault=cut@5",
        "--fault=not-kept@1",
        "--until-stdin-closes",
        "--log",
        path,
    ]);
    assert_eq!(said["format"], 1);
    assert_eq!(said["speed"], 10.0);
    assert!(get(&said["at"]).contains("Tarn deck receiver"));
    let truth: Json = serde_json::from_str(&get(&said["truth"])).expect("JSON");
    assert_eq!(truth["scenario"], "unbound");
    assert_eq!(truth["devices"][0]["settings"]["firmware"], "3.0.2");
    assert_eq!(truth["devices"][0]["bssid"], said["bssid"]);
    assert_eq!(truth["requests"][0]["path"], "/");
    assert_eq!(truth["faults"][1]["fault"], "not-kept@1");

    drop(server.0.stdin.take());
    let status = server.0.wait().expect("it ends with its stdin");
    assert!(status.success());
    assert!(server.stderr().contains("simulation"));
    let text = fs::read_to_string(&log).expect("the log was written");
    fs::remove_file(&log).expect("it is ours");
    assert!(text.contains("request 1 to device 0: GET / answer 200"));
}

#[test]
fn shelf_says_where_each_receiver_is_and_its_files_and_its_truth_agree() {
    let socket = Socket::new("shelf");
    let files = ["shelf.toml", "shelf.csv"].map(|name| socket.0.join(name));
    let (mut server, said) = Server::start(&[
        "--family=sample-login",
        "--shelf=300",
        "--conditions=locked:2,healthy:1",
        "--no-waits",
        "--until-stdin-closes",
        &socket.option(),
        &format!("--toml={}", files[0].display()),
        &format!("--csv={}", files[1].display()),
    ]);
    assert_eq!((&said["format"], &said["shelf"]), (&json!(1), &json!(300)));
    let rows: Vec<Json> = (0..300).map(|_| server.says()).collect();
    let [toml, csv] = files.map(|file| fs::read_to_string(file).expect("it is written"));
    assert_eq!(csv.lines().count(), 301);
    let truth: Json = serde_json::from_str(&get(&said["truth"])).expect("JSON");
    for (index, row) in rows.iter().enumerate() {
        let text = |name: &str| row[name].as_str().expect("a text").to_owned();
        assert!(toml.contains(&format!("at = \"{}\"", text("at"))));
        assert!(csv.contains(&format!("{},{},", text("label"), text("serial"))));
        let receiver = &truth["receivers"][index];
        assert_eq!(receiver["row"], *row);
        assert_eq!(receiver["truth"]["devices"][0]["serial"], row["serial"]);
        let is_locked = receiver["truth"]["devices"][0]["settings"]["model-lock"] != "off";
        assert_eq!(is_locked, row["condition"] == "locked");
    }
    let locked = rows.iter().filter(|row| row["condition"] == "locked");
    assert_eq!(locked.count(), 200);

    assert!(get(&rows[299]["at"]).contains("Tarn mast receiver"));
    let third = said["truth"].as_str().expect("an address").to_owned() + "300";
    let third: Json = serde_json::from_str(&get(&json!(third))).expect("JSON");
    assert_eq!(third["truth"]["requests"][0]["path"], "/");

    let answers = command_all(
        &socket.path(),
        &[
            "power 2 off",
            "truth 2",
            "power 301 off",
            "power 2 up",
            "truth 0",
        ],
    );
    assert_eq!(answers[0], json!({"ok": true}));
    assert_eq!(answers[1]["powered"], false);
    for answer in &answers[2..] {
        let text = answer["error"].as_str().expect("an error");
        assert!(text.contains("`power N`") && text.contains("300"), "{text}");
    }
    drop(server.0.stdin.take());
    assert!(server.0.wait().expect("it ends with its stdin").success());
}

#[test]
fn signals_end_it_in_order() {
    for signal in ["-INT", "-TERM"] {
        let (mut server, _) = Server::start(&["--family", "sample-script"]);
        let id = server.0.id().to_string();
        let sent = Command::new("kill").args([signal, &id]).status();
        assert!(sent.expect("kill is there").success());
        assert!(server.0.wait().expect("it ends").success(), "{signal}");
    }
}

#[test]
fn wrong_usage_is_said_and_ends_with_2() {
    for (arguments, words) in [
        (&["--scenario", "locked"][..], "--family"),
        (&["--family", "sample-lgoin"], "sample-form, sample-script"),
        (
            &["--family", "sample-form", "--scenario", "x"],
            "lock-returns",
        ),
        (
            &["--family", "sample-form", "--firmware", "1.8.2"],
            "2.4.1, 3.0.2",
        ),
        (
            &["--family", "sample-form", "--fault", "drip@3"],
            "`refuse`",
        ),
        (&["--family", "sample-form", "--fault", "drop"], "drop@3"),
        (
            &["--family", "sample-form", "--speed", "0"],
            "0.01 to 100000",
        ),
        (
            &["--family", "sample-form", "--listen", "0.0.0.0:0"],
            "loopback",
        ),
        (
            &["--family", "sample-form", "--advertise-on", "lo"],
            "--advertise",
        ),
        (
            &["--family", "sample-form", "--truth", "0.0.0.0:0"],
            "loopback",
        ),
        (
            &["--family", "sample-form", "--shelf", "10001"],
            "1..=10000",
        ),
        (
            &[
                "--family",
                "sample-form",
                "--shelf",
                "2",
                "--fault",
                "drop@1",
            ],
            "--fault",
        ),
        (&["--family", "sample-form", "--no-waits"], "--shelf"),
        (
            &["--family=sample-form", "--shelf=2", "--conditions=locked:x"],
            "locked:20,healthy:4",
        ),
        (
            &["--family=sample-form", "--shelf=41", "--keys=of-the-school"],
            "40 slots",
        ),
        (
            &["--family=sample-form", "--shelf=2", "--chaos-only=drop"],
            "--chaos",
        ),
    ] {
        let output = run(arguments);
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {text}");
        assert!(text.contains(words), "{arguments:?}: {text}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn listening_anywhere_has_to_be_asked_for() {
    let (_server, said) = Server::start(&[
        "--family=sample-form",
        "--listen=0.0.0.0:0",
        "--listen-anywhere",
    ]);
    let at = said["at"].as_str().expect("an address");
    assert!(at.starts_with("http://0.0.0.0:"), "{at}");
}

#[test]
fn log_that_cannot_be_written_and_taken_port_are_said_and_end_with_1() {
    let output = run(&["--family=sample-form", "--log=/nowhere/at/all"]);
    assert_eq!(output.status.code(), Some(1));
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(text.contains("`/nowhere/at/all`"), "{text}");

    let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = taken.local_addr().expect("it is bound").to_string();
    let output = run(&["--family=sample-form", "--listen", &address]);
    assert_eq!(output.status.code(), Some(1));
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(text.contains(&address), "{text}");
}

#[test]
fn adapter_that_is_not_there_is_said_and_ends_with_1() {
    let words = ["--family=sample-form", "--advertise"];
    let output = run(&[&words[..], &["--advertise-on=wlan77"]].concat());
    assert_eq!(output.status.code(), Some(1));
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(text.contains("no adapter `wlan77`"), "{text}");
    let anywhere = ["--listen=0.0.0.0:0", "--listen-anywhere"];
    let output = run(&[&words[..], &anywhere[..]].concat());
    assert_eq!(output.status.code(), Some(1));
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(text.contains("`--advertise-on` names one"), "{text}");
}

#[test]
fn help_shows_every_scenario_and_an_example() {
    let output = run(&["--help"]);
    assert!(output.status.success());
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    for scenario in mock_device::Scenario::ALL {
        assert!(text.contains(scenario.word()) && text.contains(scenario.about()));
    }
    for fault in mock_device::Fault::ALL {
        assert!(text.contains(fault.word()) && text.contains(fault.about()));
    }
    for condition in mock_device::shelf::Condition::all() {
        assert!(text.contains(condition.word()) && text.contains(condition.about()));
    }
    assert!(text.contains("Example"));
}
