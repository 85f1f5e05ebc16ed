//! Getting in: from a file, at the terminal, or not at all; and a change over all the pages behind
//! the login, cut off after each of its saves.

use std::{fs, os::unix::fs::PermissionsExt};

use mock_device::{Family, Scenario};
use serde_json::{Value as Json, json};

use crate::{
    claims,
    harness::{Bench, Call, side_by_side, until},
    terminal::Terminal,
};

const WORD: &str = "heron-on-one-leg";

/// A command on the receiver that says nothing of a login.
fn bare(bench: &Bench, words: &[&str]) -> Call {
    bench.off_device(words).words(&["--at", &bench.at()])
}

/// The same with a login file of these lines and this mode.
fn with_file(bench: &Bench, words: &[&str], lines: &str, mode: u32) -> Call {
    let file = bench.data().join("login");
    fs::write(&file, lines).expect("a file");
    fs::set_permissions(&file, fs::Permissions::from_mode(mode)).expect("our own file");
    bare(bench, words).words(&["--login-file", &file.display().to_string()])
}

fn logins(bench: &Bench) -> usize {
    let requests = bench.truth().requests;
    requests
        .iter()
        .filter(|request| request.path == "/come-in")
        .count()
}

#[test]
fn without_a_login_or_a_terminal_it_says_what_to_give() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let before = bench.truth();
    bare(&bench, &["unlock", "--yes"])
        .run()
        .ends(2)
        .says("`sample-login` asks for a login, and there is no terminal to ask at")
        .says("give --login-file FILE")
        .complains_once();
    let said = bare(&bench, &["read", "--json"]).run().ends(2);
    let object = said.json("read");
    assert_eq!(object["error"]["code"], "login-missing");
    claims::is_untouched(&before, &bench.truth(), 0);
    assert_eq!(logins(&bench), 0);
}

#[test]
fn a_login_file_must_be_its_owner_s_alone_and_have_its_lines() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let lines = format!("skipper\n{WORD}\n");
    with_file(&bench, &["read"], &lines, 0o644)
        .run()
        .ends(2)
        .says("others on this computer can read or change the file")
        .says("chmod 600")
        .complains_once();
    assert_eq!(bench.truth().requests, [], "the device was not asked");
    with_file(&bench, &["read"], &format!("{WORD}\n"), 0o600)
        .run()
        .ends(2)
        .says("takes a user's name and a password, and the file has one line")
        .complains_once();
    bare(&bench, &["read", "--login-file", "/nonexistent/login"])
        .run()
        .ends(2)
        .says("the file `/nonexistent/login` cannot be read")
        .complains_once();
    assert_eq!(logins(&bench), 0);
    with_file(&bench, &["read"], &lines, 0o400).run().ends(0);
}

#[test]
fn a_wrong_password_is_told_once_and_never_shown() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let before = bench.truth();
    let lines = "skipper\nheron-on-two-legs\n";
    let said = with_file(&bench, &["unlock", "--yes"], lines, 0o600)
        .env("RUST_LOG", "trace")
        .run()
        .ends(6)
        .says("error: the login was refused; the device says: Not let in.")
        .says("it was tried once");
    claims::keep(&["two-legs".into()], &said.stderr);
    claims::is_untouched(&before, &bench.truth(), 0);
    assert_eq!(logins(&bench), 1);
}

#[test]
fn at_the_terminal_it_asks_and_shows_no_password() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    Terminal::start(bare(&bench, &["read"]))
        .sees("Tarn mast receiver asks for its login.")
        .sees("User:")
        .types("skipper\r")
        .sees("Password:")
        .types("heron-on-one-leg\r")
        .ends()
        .with(0, "model-lock slot 7")
        .without(&[WORD]);
    assert_eq!(logins(&bench), 1);
}

#[test]
fn who_leaves_a_prompt_leaves_everything_as_it_was() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let before = bench.truth();
    for (key, code) in [("\u{1b}", 6), ("\u{4}", 6), ("\u{3}", 130)] {
        Terminal::start(bare(&bench, &["unlock"]))
            .sees("User:")
            .types(key)
            .ends()
            .with(code, "");
        Terminal::start(bare(&bench, &["unlock"]))
            .sees("User:")
            .types("skipper\r")
            .sees("Password:")
            .types("heron")
            .types(key)
            .ends()
            .with(code, "")
            .without(&["heron"]);
    }
    claims::is_untouched(&before, &bench.truth(), 0);
    assert_eq!(logins(&bench), 0);
}

#[test]
fn a_practice_receiver_needs_no_login_and_has_its_own_refusal() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let practice = |words: &[&str]| bench.off_device(words).run();
    practice(&["read", "--practice", "locked", "--profile", "sample-login"])
        .ends(0)
        .says("(sample-login, serial");
    // No other family can be that, so it need not be named.
    practice(&["read", "--practice", "refused-login"])
        .ends(6)
        .says("the login was refused");
    practice(&[
        "read",
        "--practice",
        "refused-login",
        "--profile",
        "sample-form",
    ])
    .ends(2)
    .says("this family has no practice receiver that is `refused-login`")
    .says("there is one of sample-login");
}

/// One setting of each page, and what it is set to.
const EACH_PAGE: [(&str, &str); 3] = [
    ("name", "Teal"),
    ("output-rate", "200"),
    ("fallback-wait", "45"),
];

#[test]
#[cfg(debug_assertions)]
fn each_of_three_saves_may_be_the_last_that_happened() {
    let cases: Vec<(usize, &str, bool)> = (1..=3)
        .flat_map(|save| {
            let points = [
                "after-writing",
                "sent-save",
                "after-wrote",
                "before-read-back",
            ];
            let cases = points.map(|point| [(save, point, false), (save, point, true)]);
            cases.concat()
        })
        .collect();
    side_by_side(&cases, |(save, point, undo)| {
        let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
        let before = bench.present();
        let file = bench.data().join("checkpoints");
        let wanted = EACH_PAGE.map(|(name, value)| format!("{name}={value}"));
        let run = bench
            .linkmend(&["write", "--yes"])
            .words(&wanted.each_ref().map(String::as_str))
            .env("LINKMEND_CHECKPOINT", &format!("{point}:{save}"))
            .env("LINKMEND_CHECKPOINT_FILE", &file.display().to_string())
            .start();
        until(point, || {
            let passed = fs::read_to_string(&file).unwrap_or_default();
            passed.lines().filter(|line| line == point).count() == *save
        });
        run.kill();
        let words: &[&str] = if *undo {
            &["resume", "--yes", "--json", "--undo"]
        } else {
            &["resume", "--yes", "--json"]
        };
        let said = bench.linkmend(words).run().ends(0);
        let outcome = said.json("resume")["resumed"][0]["outcome"].clone();
        let mut expected = before.settings.clone();
        if *undo {
            assert_eq!(outcome, "put-back", "{save} {point}");
        } else {
            assert_eq!(outcome, "done", "{save} {point}");
            for (name, value) in EACH_PAGE {
                let value = serde_json::from_str(value).unwrap_or_else(|_| json!(value));
                expected.insert(name.into(), value);
            }
        }
        let now = bench.present();
        assert_eq!(now.settings, expected, "{save} {point} {undo}");
        assert_eq!(now.unmapped, before.unmapped, "{save} {point} {undo}");
        assert!(now.boots > 0, "no restart proves it");
        assert_eq!(
            bench.history()["devices"][0]["changes"][0]["outcome"],
            outcome
        );
    });
}

#[test]
fn a_change_over_three_pages_takes_a_token_of_each_and_one_login_a_start() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let wanted = EACH_PAGE.map(|(name, value)| format!("{name}={value}"));
    let said = bench
        .linkmend(&["write", "--yes", "--json"])
        .words(&wanted.each_ref().map(String::as_str))
        .run()
        .ends(0);
    let changes = said.json("change")["changes"].clone();
    let changes = changes.as_array().expect("changes");
    assert!(
        changes
            .iter()
            .all(|change| change["proof"] == "after-restart"),
        "{changes:?}"
    );
    let device = bench.present();
    assert_eq!((device.saves, device.refused, device.boots), (3, 0, 1));
    assert_eq!(logins(&bench), 2, "before the restart, and after it");
}

#[test]
fn what_was_cut_off_wants_the_login_again() {
    let bench = Bench::new(Family::SampleLogin, Scenario::LostRestart);
    bench.linkmend(&["unlock", "--yes"]).run().ends(7);
    let said = bare(&bench, &["resume", "--yes", "--json"]).run().ends(2);
    assert_eq!(said.json("resume")["error"]["code"], "login-missing");
    let listed = bench.off_device(&["resume", "--json"]).run().ends(7);
    assert_ne!(listed.json("resume")["error"], Json::Null);
}
