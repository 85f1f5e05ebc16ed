//! What the commands that look for a receiver by themselves say on a computer that cannot: one clear
//! message, an exit code, and nothing changed. No test of the program ever meets a real service of
//! this machine; those that need a radio stand elsewhere.

use std::{
    io::{BufRead, BufReader, Read},
    process::Stdio,
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use serde_json::Value as Json;

use crate::harness::{Call, Said};

/// The lines of `find --json`, each valid by the schema.
#[track_caller]
fn lines(said: &Said) -> Vec<Json> {
    let schema = std::fs::read_to_string(crate::harness::schema_file("find")).expect("committed");
    let schema = serde_json::from_str(&schema).expect("a schema is JSON");
    let validator = jsonschema::validator_for(&schema).expect("a schema");
    let lines = said.stdout.lines();
    lines
        .map(|line| {
            let object = serde_json::from_str(line).expect("a line is an object");
            assert!(validator.is_valid(&object), "{object:#}");
            object
        })
        .collect()
}

#[test]
fn host_says_what_is_missing_and_what_to_do_and_ends_with_one() {
    let said = Call::new(&["host"]).run().ends(1);
    assert!(
        said.stdout
            .starts_with("missing  no `NetworkManager` answers"),
        "{}",
        said.stdout
    );
    assert!(
        said.stdout
            .lines()
            .any(|line| line.starts_with("         help: "))
    );
    // Never what was just done.
    assert!(!said.stdout.contains("linkmend host"), "{}", said.stdout);
    said.says("linkmend cannot join a receiver's network by itself yet");
}

#[test]
fn host_tells_a_script_the_same_by_codes() {
    let told = Call::new(&["host", "--json"]).run().ends(1).json("host");
    assert_eq!(told["free"], false);
    let findings = told["findings"].as_array().expect("a list");
    let of = |code: &str| findings.iter().find(|one| one["code"] == code);
    let service = of("no-wifi-service").expect("it is looked at");
    assert_eq!(service["level"], "missing");
    assert!(service["help"].is_string());
}

#[test]
fn without_a_service_local_networks_are_listened_to_all_the_same_after_one_warning() {
    let said = Call::new(&["find", "--adapter", "lo"]).run().ends(3);
    let warnings = said.stderr.lines().filter(|l| l.starts_with("warning: "));
    assert_eq!(warnings.count(), 1, "{}", said.stderr);
    assert_eq!(said.stdout, "");
    said.says("warning: no `NetworkManager` answers on this computer")
        .says("error: no device announces itself on a local network");
}

#[test]
fn script_gets_the_warning_and_the_end_in_one_last_object() {
    let said = Call::new(&["find", "--adapter", "lo", "--all", "--json"])
        .run()
        .ends(3);
    assert_eq!(said.stderr, "");
    let [last] = &lines(&said)[..] else {
        panic!("one line: {}", said.stdout);
    };
    assert_eq!(last["devices"], Json::Array(Vec::new()));
    assert_eq!(last["others"], Json::Array(Vec::new()));
    assert_eq!(last["warnings"][0]["code"], "no-wifi-service");
    assert_eq!(last["error"]["code"], "no-device");
}

#[test]
fn where_nothing_can_be_listened_to_the_reason_is_the_end() {
    let said = Call::new(&["find", "--adapter", "boat0"])
        .run()
        .ends(1)
        .complains_once();
    said.says("error: no `NetworkManager` answers on this computer");
    let told = Call::new(&["find", "--adapter", "boat0", "--json"])
        .run()
        .ends(1);
    assert_eq!(told.json("find")["error"]["code"], "no-wifi-service");
}

#[test]
fn listening_ends_when_its_time_is_over_and_not_before() {
    let start = std::time::Instant::now();
    Call::new(&["find", "--adapter", "lo", "--wait", "3"])
        .run()
        .ends(3);
    let passed = start.elapsed().as_secs_f64();
    assert!((3.0..8.0).contains(&passed), "{passed}");
}

/// Every command that needs a receiver, and would look for it.
const LOOKS: [&[&str]; 6] = [
    &["read"],
    &["unlock", "--yes"],
    &["bind", "--remove", "--yes"],
    &["write", "light=60", "--yes"],
    &["restore", "1", "--yes"],
    &["read", "--adapter", "boat0"],
];

#[test]
fn without_a_service_and_a_terminal_every_command_says_so_and_what_goes_without() {
    for words in LOOKS {
        let data = tempfile::tempdir().expect("a folder");
        let data = data.path().display().to_string();
        let call = || Call::new(words).words(&["--data-dir", &data]);
        call()
            .run()
            .ends(1)
            .complains_once()
            .says("error: no `NetworkManager` answers on this computer: there is no system bus")
            .says("join the network yourself with `--by-hand`");
        let said = call().word("--json").run().ends(1);
        assert_eq!(said.stderr, "", "{words:?}");
        assert_eq!(said.json("read")["error"]["code"], "no-wifi-service");
    }
}

#[test]
fn what_is_typed_wrong_is_said_before_anything_is_looked_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str, text: &str, mode: u32| {
        use std::os::unix::fs::PermissionsExt;
        let path = folder.path().join(name);
        std::fs::write(&path, text).expect("a file");
        let mode = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(&path, mode).expect("it is ours");
        path.display().to_string()
    };
    let short = file("short", "short\n", 0o600);
    let seen = file("seen", "reeds and rushes\n", 0o644);
    let at = "http://127.0.0.1:9";
    for (words, says) in [
        (
            &["read", "--passphrase-file", "/nonexistent/p"][..],
            "cannot be read",
        ),
        (
            &["read", "--passphrase-file", &short],
            "the file holds no passphrase of a Wi-Fi network",
        ),
        (
            &["read", "--passphrase-file", &seen],
            "others on this computer can read",
        ),
        (
            &["read", "--wait", "soon"],
            "a number of seconds from 0 to 86400",
        ),
        (
            &["read", "--wait", "86401"],
            "a number of seconds from 0 to 86400",
        ),
        (
            &["read", "--wait", "NaN"],
            "a number of seconds from 0 to 86400",
        ),
        (
            &["find", "--wait", "inf"],
            "a number of seconds from 0 to 86400",
        ),
        (
            &["read", "--by-hand", "--adapter", "wlan0"],
            "cannot be used with",
        ),
        (&["read", "--at", at, "--by-hand"], "cannot be used with"),
        (&["read", "--at", at, "--wait", "3"], "cannot be used with"),
        (
            &["read", "--at", at, "--open-network", "TarnBoat 3"],
            "cannot be used with",
        ),
        (
            &["find", "--profile", "no-such-family"],
            "there is no profile `no-such-family`",
        ),
        (&["find", "TarnBoat 3"], "unexpected argument"),
        (&["host", "wlan0"], "unexpected argument"),
    ] {
        let data = folder.path().join("data").display().to_string();
        let said = Call::new(words)
            .words(&["--data-dir", &data])
            .run()
            .ends(2)
            .says(says);
        assert!(!said.stderr.contains("reeds"), "{}", said.stderr);
        let told = Call::new(words)
            .words(&["--data-dir", &data, "--json"])
            .run()
            .ends(2);
        let told = told.json("read");
        assert!(told["error"]["code"].is_string(), "{words:?}: {told}");
    }
}

#[test]
fn watch_is_ended_by_ctrl_c_as_by_its_time_and_a_listening_is_stopped_by_it() {
    for (words, code) in [(&["--watch"][..], 3), (&["--wait", "60"][..], 130)] {
        let mut command = Call::new(&["find", "--adapter", "lo"])
            .words(words)
            .into_command();
        let run = command.stderr(Stdio::piped()).spawn();
        let mut run = run.expect("the program starts");
        let mut said = BufReader::new(run.stderr.take().expect("a pipe"));
        let mut line = String::new();
        // It listens when it has said that the other half is missing.
        while !line.starts_with("help: ") {
            line.clear();
            let read = said.read_line(&mut line).expect("UTF-8");
            assert!(read > 0, "it ended by itself");
        }
        let pid = run.id().try_into().expect("a process id");
        kill(Pid::from_raw(pid), Signal::SIGINT).expect("it is ours to ask");
        let mut rest = String::new();
        said.read_to_string(&mut rest).expect("UTF-8");
        let ended = run.wait().expect("it ends");
        assert_eq!(ended.code(), Some(code), "{words:?}: {rest}");
    }
}
