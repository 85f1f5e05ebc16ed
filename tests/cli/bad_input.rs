//! Everything that can be wrong with what the program is given: words, addresses, what answers
//! there, the disk, the journal. Each ends with one clear message, the right exit code, and
//! nothing lost: not a row of the journal, not a setting of a device.

use std::{
    fs,
    net::{Ipv4Addr, TcpListener},
    path::PathBuf,
    process::{Command, Stdio},
};

use mock_device::{Family, Scenario};
use serde_json::json;

use crate::{
    browser, claims,
    harness::{Bench, Call, NO_BUS, Said, side_by_side},
    relay::{Relay, Route},
};

/// Every command that reads a device.
const ON_A_DEVICE: [&[&str]; 3] = [&["read"], &["unlock", "--yes"], &["restore", "--yes"]];

/// A bench whose journal holds one change that is done.
fn with_a_journal() -> Bench {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    bench.linkmend(&["unlock", "--yes"]).run().ends(0);
    browser::alter(&bench, &[("model-lock", json!(7))]);
    bench
}

fn journal(bench: &Bench) -> PathBuf {
    bench.data().join("journal.sqlite3")
}

/// Asserts one message for a person and one object for a script, of the same code.
#[track_caller]
fn refuses(call: impl Fn() -> Call, exit: i32, code: &str, says: &[&str]) {
    let mut said = call().run().ends(exit).complains_once();
    assert_eq!(said.stdout, "", "a fault is no result");
    for words in says {
        said = said.says(words);
    }
    let said = call().word("--json").run().ends(exit);
    assert_eq!(said.stderr, "");
    let object = said.json("error");
    assert_eq!(object["error"]["code"], code, "{object}");
    for part in ["message", "help"] {
        let text = object["error"][part].as_str().unwrap_or_default();
        assert!(!text.is_empty(), "{part} of {object}");
    }
}

#[test]
fn wrong_flags_are_named_and_end_with_2_also_for_scripts() {
    let cases: [(&[&str], &str); 12] = [
        (&["frobnicate"], "'frobnicate'"),
        (
            &["read", "--frobnicate", "--practice", "locked"],
            "'--frobnicate'",
        ),
        (&["read", "--wait", "soon"], "'--wait <SECONDS>'"),
        (
            &["unlock", "--practice", "locked", "--adapter", "wlan0"],
            "cannot be used with",
        ),
        (
            &["read", "--practice", "locked", "--at", "http://127.0.0.1"],
            "cannot be used with",
        ),
        (&["unlock", "--practice", "locked", "--to"], "'--to <SLOT>'"),
        (&["restore", "twelve", "--practice", "locked"], "'twelve'"),
        (&["resume", "--close"], "<CHANGE>"),
        (&["resume", "1", "--close", "--undo"], "cannot be used with"),
        (&["history", "--forget"], "<DEVICE>"),
        (&["profile", "show"], "<NAME|FILE>"),
        (
            &["read", "--practice", "locked", "--quiet", "--verbose"],
            "cannot be used with",
        ),
    ];
    for (words, says) in cases {
        let said = Call::new(words).run().ends(2).says(says);
        assert_eq!(said.stdout, "", "{words:?}");
        let errors = said
            .stderr
            .lines()
            .filter(|line| line.starts_with("error: "));
        assert_eq!(errors.count(), 1, "{}", said.stderr);
        let said = Call::new(words).word("--json").run().ends(2);
        assert_eq!(said.stderr, "", "{words:?}");
        let object = said.json("error");
        assert_eq!(object["error"]["code"], "usage");
        let message = object["error"]["message"].as_str().expect("a message");
        assert!(message.contains(says), "`{says}` is not in `{message}`");
    }
}

#[test]
fn words_that_fit_no_setting_bound_or_family_say_what_would_fit() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    let cases: [(&[&str], &[&str]); 7] = [
        (
            &["read", "failsaef"],
            &["no setting `failsaef`", "did you mean `failsafe`?"],
        ),
        (
            &["unlock", "--to", "41"],
            &["`41` is out of range", "from 1 to 40"],
        ),
        (
            &["read", "--limit", "answer-s"],
            &["NAME=VALUE", "answer-s"],
        ),
        (
            &["read", "--limit", "patience=3"],
            &["no limit `patience`", "answer-s"],
        ),
        (
            &["read", "--limit", "answer-s=0"],
            &["`0` is no value for the limit", "from 0.01 to 600"],
        ),
        (
            &["read", "--profile", "sample-frm"],
            &["no profile `sample-frm`", "sample-form"],
        ),
        (&["restore", "99"], &["no record 99", "`linkmend history`"]),
    ];
    for (words, says) in cases {
        refuses(|| bench.linkmend(words), 2, "usage", says);
    }
    refuses(
        || bench.off_device(&["read", "--practice", "sunken"]),
        2,
        "usage",
        &[
            "there is no practice receiver `sunken`",
            "there are locked, unbound",
        ],
    );
    // Not every family can have every condition.
    let scripted = [
        "read",
        "--practice",
        "refused-login",
        "--profile",
        "sample-script",
    ];
    refuses(
        || bench.off_device(&scripted),
        2,
        "usage",
        &[
            "no practice receiver that is `refused-login`",
            "sample-login",
        ],
    );
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn address_that_is_none_says_how_to_write_it() {
    let cases = [
        (
            "192.168.77.1",
            "has no scheme",
            "write `http://192.168.77.1`",
        ),
        ("https://192.168.77.1", "asks for https", "write `http://`"),
        ("ftp://192.168.77.1", "the scheme `ftp`", "write `http://`"),
        (
            "http://boat.example",
            "names the host `boat.example`",
            "write the device's own address",
        ),
        (
            "http://192.168.77.1/settings",
            "has `/settings` after the host",
            "write `http://192.168.77.1`",
        ),
        ("http://192.168.77.1:99999", "is no address", "write it as"),
        ("http://", "is no address", "write it as"),
        ("", "", "write"),
    ];
    side_by_side(&cases, |(at, what, help)| {
        let bench = Bench::new(Family::SampleForm, Scenario::Locked);
        for words in ON_A_DEVICE {
            refuses(|| bench.through(at, words), 2, "usage", &[what, help]);
        }
    });
}

#[test]
fn nobody_there_ends_with_3() {
    // At an address of its own, since another test may be given the port as soon as it is free.
    let listener = TcpListener::bind((Ipv4Addr::new(127, 83, 0, 1), 0)).expect("a port");
    let at = format!("http://{}", listener.local_addr().expect("its address"));
    drop(listener);
    side_by_side(&ON_A_DEVICE, |words| {
        let bench = Bench::new(Family::SampleForm, Scenario::Locked);
        refuses(
            || bench.through(&at, words),
            3,
            "nobody-there",
            &[
                &format!("no device answers at `{at}`"),
                "the connection was refused",
            ],
        );
    });
}

#[test]
fn web_page_that_is_no_receiver_ends_with_3_and_is_only_read() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let relay = Relay::page(
        "<!DOCTYPE html><title>Reed beds of the lake\u{1b}[2J</title><form method=post><input \
         name=follows></form></html>",
    );
    for words in ON_A_DEVICE {
        refuses(
            || bench.through(&relay.at(), words),
            3,
            "no-receiver",
            &[
                "fits none of sample-form, sample-login, sample-script",
                "Reed beds of the lake",
                "`linkmend profile list` shows the known families",
            ],
        );
    }
    // A stranger's text never acts on the screen.
    let said = bench.through(&relay.at(), &["read"]).run().ends(3);
    assert!(!said.stderr.contains('\u{1b}'), "{:?}", said.stderr);
    // Whatever asks for a page that is not there is no receiver either.
    let empty = Relay::start(|line, _| {
        assert!(line.starts_with("GET "), "it acts: {line}");
        Route::Say("404 Not Found", "text/plain", "nothing here".to_owned())
    });
    refuses(
        || bench.through(&empty.at(), &["read"]),
        3,
        "no-receiver",
        &["404"],
    );
}

#[test]
fn two_profiles_that_fit_are_named_and_refused_until_one_is_chosen() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    let address = bench.address();
    // Two receivers of different families at one address, and the page of one was cut off before
    // its end: so it is asked for again, and the other one answers.
    let both = || {
        Relay::start(move |line, number| {
            assert!(line.starts_with("GET "), "it acts: {line}");
            if number % 2 == 0 {
                let page = "<!DOCTYPE html><title>Tarn keel receiver</title>".to_owned();
                Route::Say("200 OK", "text/html", page)
            } else {
                Route::To(address)
            }
        })
    };
    for words in ON_A_DEVICE {
        refuses(
            || bench.through(&both().at(), words),
            6,
            "several-profiles-fit",
            &[
                "several profiles fit this device: sample-form, sample-script",
                "--profile NAME",
            ],
        );
    }
    claims::is_untouched(&before, &bench.truth(), 0);
    bench
        .linkmend(&["read", "--profile", "sample-form"])
        .run()
        .ends(0);
}

#[test]
fn data_folder_that_cannot_be_written_ends_with_1_before_the_device_is_asked() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    // A file in its place stops root too.
    let file = bench.data().join("file");
    fs::write(&file, "dear heron").expect("written");
    for data in [file.clone(), file.join("below")] {
        let data = data.display().to_string();
        for words in ON_A_DEVICE {
            refuses(
                || Call::new(words).words(&["--data-dir", &data, "--at", &bench.at()]),
                1,
                "journal-folder-not-writable",
                &[&format!("`{data}` is not writable"), "`--data-dir`"],
            );
        }
    }
    assert_eq!(fs::read(&file).expect("read"), b"dear heron");
    assert_eq!(bench.truth().requests, []);
}

#[test]
fn journal_of_a_newer_version_is_refused_and_stays_as_it_is() {
    let bench = with_a_journal();
    let history = bench.history();
    let connection = rusqlite::Connection::open(journal(&bench)).expect("opened");
    let version: i64 = connection
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .expect("a version");
    let set = |version: i64| {
        connection
            .pragma_update(None, "user_version", version)
            .expect("set");
    };
    set(version + 41);
    stays_refused(
        &bench,
        "journal-newer",
        &[
            &format!("has version {}", version + 41),
            "use the newer linkmend",
        ],
    );
    set(version);
    assert_eq!(bench.history(), history, "nothing is lost");
}

/// What becomes of the bytes of a sound journal.
type Damage = fn(&[u8]) -> Vec<u8>;

#[test]
fn damaged_journal_is_refused_and_stays_as_it_is() {
    let damages: [Damage; 4] = [
        // The head of the file is something else.
        |sound| [&[b'~'; 64], &sound[64..]].concat(),
        // Every page but the first begins with something else.
        |sound| {
            let mut holed = sound.to_vec();
            for page in holed.chunks_mut(4096).skip(1) {
                page[..200].fill(0x5a);
            }
            holed
        },
        // The second half is gone.
        |sound| sound[..sound.len() / 2].to_vec(),
        |_| b"dear heron".to_vec(),
    ];
    side_by_side(&damages, |damage| {
        let bench = with_a_journal();
        let history = bench.history();
        let sound = fs::read(journal(&bench)).expect("read");
        fs::write(journal(&bench), damage(&sound)).expect("written");
        stays_refused(
            &bench,
            "journal-damaged",
            &["is damaged", "it was not touched; move it aside"],
        );
        fs::write(journal(&bench), &sound).expect("written");
        assert_eq!(bench.history(), history, "nothing is lost");
    });
}

/// Asserts that no command uses the journal, changes a byte of it, or asks the device anything.
#[track_caller]
fn stays_refused(bench: &Bench, code: &str, says: &[&str]) {
    let bytes = fs::read(journal(bench)).expect("read");
    let before = bench.truth();
    let file = journal(bench).display().to_string();
    let says: Vec<&str> = says.iter().copied().chain([file.as_str()]).collect();
    for words in ON_A_DEVICE {
        refuses(|| bench.linkmend(words), 1, code, &says);
    }
    refuses(|| bench.off_device(&["history"]), 1, code, &says);
    refuses(|| bench.off_device(&["resume"]), 1, code, &says);
    assert_eq!(fs::read(journal(bench)).expect("read"), bytes);
    assert_eq!(bench.truth().requests.len(), before.requests.len());
}

#[test]
fn second_writer_is_refused_with_the_process_that_writes_while_history_works() {
    let bench = with_a_journal();
    let history = bench.history();
    // The first one waits for an answer that never comes.
    let silent = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
    let at = format!("http://{}", silent.local_addr().expect("its address"));
    let mut first = bench
        .off_device(&["unlock", "--yes", "--at", &at])
        .into_command()
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("started");
    // It connects once it has the journal.
    let _held = silent.accept().expect("it connects");
    let before = bench.truth();
    let process = format!("process {}", first.id());
    for words in ON_A_DEVICE {
        refuses(
            || bench.linkmend(words),
            6,
            "journal-busy",
            &[
                "is in use by another linkmend",
                &process,
                "wait until the other linkmend has ended",
            ],
        );
    }
    assert_eq!(bench.history(), history);
    claims::is_untouched(&before, &bench.truth(), 0);
    // However it ends, the next one may write.
    first.kill().expect("it still waits");
    first.wait().expect("it ended");
    bench.linkmend(&["unlock", "--yes"]).run().ends(0);
}

#[test]
fn full_disk_writes_nothing_to_the_device_and_keeps_what_was_kept() {
    let Some(way) = own_mounts() else {
        // The limit on the size of files in the next test is then all that there is.
        eprintln!("this computer lets nobody mount a small disk of their own");
        return;
    };
    // How much room the change finds, in KiB: none at all, and some that ends on the way.
    side_by_side(&[0, 24, 48, 72, 96], |room| {
        let bench = Bench::new(Family::SampleForm, Scenario::Locked);
        let top = tempfile::tempdir().expect("a folder");
        let before = bench.truth();
        let whole = Command::new("unshare")
            .args([way, "sh", "-c", FULL_DISK, "sh"])
            .arg(top.path())
            .arg(env!("CARGO_BIN_EXE_linkmend"))
            .arg(bench.at())
            .arg(room.to_string())
            .env("HOME", "/nonexistent")
            .env("DBUS_SYSTEM_BUS_ADDRESS", NO_BUS)
            .stdin(Stdio::null())
            .output()
            .expect("started");
        assert!(whole.status.success(), "{whole:?}");
        let part = |name: &str| fs::read_to_string(top.path().join(name)).expect("a part");
        let code = part("code").trim().to_owned();
        let object: serde_json::Value = serde_json::from_str(&part("change")).expect("JSON");
        let after = bench.truth();
        let device = &after.devices[0];
        if code == "1" {
            assert_eq!(object["error"]["code"], "journal-full", "{object}");
            claims::is_untouched(&before, &after, 0);
        } else {
            claims::are_true(&object, &before, &after);
        }
        assert!(code == "1" || *room > 0, "room {room}: {code} {object}");
        assert!(device.saves == 0 || code != "1", "{object}");
        let history: serde_json::Value = serde_json::from_str(&part("history")).expect("JSON");
        let records = history["devices"][0]["records"]
            .as_array()
            .expect("records");
        let read = records.iter().find(|record| record["kept"] == "read");
        assert_eq!(read.expect("the first reading")["record"], 1);
        if device.saves > 0 {
            assert!(
                records
                    .iter()
                    .any(|record| record["kept"] == "before-change")
            );
        }
    });
}

/// Reads onto a small disk, fills it up to some room, unlocks, empties it, and looks back.
const FULL_DISK: &str = r#"
set -e
top=$1 linkmend=$2 at=$3 room=$4
mkdir "$top/disk"
mount -t tmpfs -o size=1m,mode=0700 none "$top/disk"
data="$top/disk/data"
"$linkmend" read --json --at "$at" --data-dir "$data" > "$top/read"
dd if=/dev/zero of="$top/disk/room" bs=1024 count="$room" 2> /dev/null
dd if=/dev/zero of="$top/disk/filler" bs=1024 2> /dev/null || true
rm "$top/disk/room"
code=0
"$linkmend" unlock --yes --json --at "$at" --data-dir "$data" > "$top/change" || code=$?
echo "$code" > "$top/code"
rm "$top/disk/filler"
"$linkmend" history --json --data-dir "$data" > "$top/history"
"#;

#[test]
fn journal_that_may_not_grow_writes_nothing_to_the_device_and_keeps_what_was_kept() {
    // Unlike a small disk this needs no rights. The signal is left out, so that the program hears
    // of it as of any other fault of a disk.
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    bench.linkmend(&["read"]).run().ends(0);
    let history = bench.history();
    let before = bench.truth();
    let said = Command::new("bash")
        .args(["-c", "trap '' XFSZ; ulimit -f 8; exec \"$0\" \"$@\""])
        .arg(env!("CARGO_BIN_EXE_linkmend"))
        .args(["unlock", "--yes", "--at", &bench.at(), "--data-dir"])
        .arg(bench.data())
        .env("HOME", "/nonexistent")
        .env("DBUS_SYSTEM_BUS_ADDRESS", NO_BUS)
        .env("NO_COLOR", "1")
        .stdin(Stdio::null())
        .output()
        .expect("started");
    let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
    let said = Said {
        code: said.status.code(),
        stdout: text(said.stdout),
        stderr: text(said.stderr),
    };
    let file = journal(&bench).display().to_string();
    said.ends(1)
        .says(&format!("the journal failed at `{file}`: disk I/O error"))
        .says("check that disk, or name a folder on a disk of this computer with `--data-dir`")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
    assert_eq!(bench.history(), history, "nothing is lost");
    // With room again it does what it was asked.
    bench.linkmend(&["unlock", "--yes"]).run().ends(0);
}

/// How to get a mount table of one's own: as a plain user by way of a user namespace, as root also
/// without one.
fn own_mounts() -> Option<&'static str> {
    let probe = tempfile::tempdir().expect("a folder");
    ["-Urm", "-m"].into_iter().find(|way| {
        Command::new("unshare")
            .args([way, "mount", "-t", "tmpfs", "none"])
            .arg(probe.path())
            .stderr(Stdio::null())
            .status()
            .is_ok_and(|status| status.success())
    })
}

#[test]
#[cfg(unix)]
fn what_is_typed_may_be_no_text_and_is_shown_with_its_teeth_drawn() {
    use std::{ffi::OsStr, os::unix::ffi::OsStrExt};

    let mut command = Call::new(&["read", "--at"]).into_command();
    let output = command.arg(OsStr::from_bytes(b"\xff")).output();
    assert_eq!(output.expect("it runs").status.code(), Some(2));
    let said = Call::new(&["profile", "check", "/nowhere/\u{1b}]0;x\u{7}\u{202e}.toml"]).run();
    let said = said.ends(2).says("\\u{1b}]0;x\\u{7}\\u{202e}.toml");
    for raw in ['\u{1b}', '\u{7}', '\u{202e}'] {
        assert!(!said.stderr.contains(raw), "{:?}", said.stderr);
    }
}

#[test]
#[cfg(target_os = "linux")]
fn result_that_cannot_be_written_is_no_success() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let full = || fs::File::options().write(true).open("/dev/full");
    let mut command = bench.linkmend(&["read", "--json"]).into_command();
    let output = command.stdout(full().expect("it is there")).output();
    let output = output.expect("it runs");
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("the result could not be written"), "{said}");
}
