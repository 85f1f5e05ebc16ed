//! `linkmend bind`: a key from bind words or a file, removed, looked for; and bind mode.

use std::{
    fs::Permissions, os::unix::fs::PermissionsExt, path::PathBuf, sync::mpsc, time::Duration,
};

use mock_device::{Family, Scenario};
use serde_json::{Value as Json, json};

use crate::{
    claims,
    harness::{Bench, side_by_side},
    relay::{Relay, Route},
    terminal::Terminal,
};

/// Bind words, and the key that they give by FAMILIES.md: computed by `hashlib.pbkdf2_hmac` of
/// Python 3.11.
const WORDS: &str = "mist over the tarn";
const KEY: &str = "38be80636603";

/// Families that show their key.
const SHOWING: [Family; 2] = [Family::SampleForm, Family::SampleScript];

/// A file of one line beside the journal, for its owner alone.
fn file(bench: &Bench, name: &str, line: &str) -> String {
    let file: PathBuf = bench.data().with_extension(name);
    std::fs::write(&file, format!("{line}\n")).expect("written");
    std::fs::set_permissions(&file, Permissions::from_mode(0o600)).expect("our own file");
    file.display().to_string()
}

#[test]
fn bind_words_become_the_key_of_the_family_s_rule_and_that_is_proved() {
    side_by_side(&SHOWING, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let words = file(&bench, "words", WORDS);
        let before = bench.truth();
        let call = ["bind", "--words-file", &words, "--yes"];
        let said = bench.linkmend(&call).word("--json").run().ends(0);
        let object = said.json("change");
        claims::are_true(&object, &before, &bench.truth());
        assert_eq!(object["changes"][0]["proof"], "after-restart");
        assert_eq!(object["changes"][0]["after"]["state"], "secret");
        assert_eq!(bench.setting("bind-key"), KEY);
        claims::keep(&[WORDS.into(), KEY.into()], &said.stdout);
        // Once more there is nothing to do.
        let before = bench.truth();
        let said = bench.linkmend(&call).run().ends(0);
        said.says("nothing to do")
            .says("note: these words give the key that is there");
        claims::is_untouched(&before, &bench.truth(), 0);
        assert_eq!(
            bench.history()["devices"][0]["changes"][0]["command"],
            "bind"
        );
    });
}

#[test]
fn a_key_that_is_never_shown_is_set_and_said_to_be_unproved() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let words = file(&bench, "words", WORDS);
    let before = bench.truth();
    let call = ["bind", "--words-file", &words];
    let said = bench
        .linkmend(&call)
        .words(&["--yes", "--json"])
        .run()
        .ends(7);
    let object = said.json("change");
    claims::are_true(&object, &before, &bench.truth());
    assert_eq!(object["error"]["code"], "not-shown");
    assert_eq!(bench.setting("bind-key"), KEY);
    let said = bench.linkmend(&call).word("--verify").run().ends(1);
    said.says("takes a bind key and never shows it")
        .complains_once();
    let said = bench
        .linkmend(&call)
        .words(&["--verify", "--json"])
        .run()
        .ends(1);
    assert_eq!(said.json("verify")["error"]["code"], "cannot-tell");
    // Before anybody is asked for the words.
    let said = bench.linkmend(&["bind", "--verify"]).run().ends(1);
    said.says("takes a bind key and never shows it");
    // A blank keeps it, so it cannot be taken away.
    let before = bench.truth();
    let said = bench.linkmend(&["bind", "--remove", "--yes"]).run().ends(6);
    said.says("the bind key of a Tarn mast receiver cannot be removed from here")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn words_and_keys_are_told_to_be_the_one_that_is_there_or_not() {
    side_by_side(&SHOWING, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let words = file(&bench, "words", WORDS);
        let key = file(&bench, "key", "38:BE:80:63:66:03");
        let verify = |how: &str, file: &str| {
            let call = ["bind", "--verify", how, file];
            bench.linkmend(&call)
        };
        let before = bench.truth();
        let said = verify("--words-file", &words).run().ends(4);
        said.says("no: these words do not give the key that is there");
        let said = verify("--key-file", &key).run().ends(4);
        said.says("no: this is not the key that is there");
        let said = verify("--words-file", &words).word("--json").run().ends(4);
        let object = said.json("verify");
        assert_eq!(object["agrees"], false);
        assert_ne!(
            object["there"]["fingerprint"],
            object["given"]["fingerprint"]
        );
        claims::is_untouched(&before, &bench.truth(), 0);
        bench
            .linkmend(&["bind", "--key-file", &key, "--yes"])
            .run()
            .ends(0);
        assert_eq!(bench.setting("bind-key"), KEY);
        let said = verify("--words-file", &words).run().ends(0);
        said.says("yes: these words give the key that is there");
        let said = verify("--key-file", &key).word("--json").run().ends(0);
        let object = said.json("verify");
        assert_eq!(object["agrees"], true);
        assert_eq!(
            object["there"]["fingerprint"],
            object["given"]["fingerprint"]
        );
        bench.linkmend(&["bind", "--remove", "--yes"]).run().ends(0);
        assert_eq!(bench.setting("bind-key"), Json::Null);
        let said = verify("--words-file", &words).run().ends(4);
        said.says("no: it has no bind key, it is unbound");
    });
}

#[test]
fn what_is_no_words_and_no_key_is_told_without_a_letter_of_it() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    for (how, line, says) in [
        (
            "--words-file",
            "sedge",
            "bind words have 8 to 64 characters here, and these have 5",
        ),
        (
            "--key-file",
            "c0ffee",
            "this is no `bind-key`: it takes 6 bytes",
        ),
        (
            "--key-file",
            "none",
            "remove a key with `linkmend bind --remove`",
        ),
    ] {
        let file = file(&bench, "line", line);
        let said = bench.linkmend(&["bind", how, &file, "--yes"]).run().ends(2);
        let said = said.says(says).complains_once();
        assert!(line == "none" || !said.stderr.contains(line), "{said:?}");
    }
    for call in [
        &["--remove", "--mode"][..],
        &["--verify", "--remove"],
        &["--verify", "--yes"],
        &["--words-file", "a", "--key-file", "b"],
    ] {
        bench.linkmend(&[&["bind"], call].concat()).run().ends(2);
    }
    // Nobody is there to type them.
    let said = bench.linkmend(&["bind", "--yes"]).run().ends(6);
    said.says("give it in a file: --words-file FILE")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn a_secret_that_others_can_read_is_taken_from_no_file() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    let (words, key) = (file(&bench, "words", WORDS), file(&bench, "key", KEY));
    for open in [&words, &key] {
        std::fs::set_permissions(open, Permissions::from_mode(0o644)).expect("our own file");
    }
    let setting = format!("bind-key={key}");
    for call in [
        &["bind", "--words-file", &words, "--yes"][..],
        &["bind", "--key-file", &key, "--yes"],
        &["bind", "--verify", "--words-file", &words],
        &["write", "--secret-file", &setting, "--yes"],
        &["read", "--login-file", &words],
    ] {
        let said = bench.linkmend(call).run().ends(2);
        let said = said
            .says("others on this computer can read or change the file")
            .says("chmod 600")
            .complains_once();
        claims::keep(&[WORDS.into(), KEY.into()], &said.stderr);
    }
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn a_family_without_a_rule_takes_the_key_itself() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let root = env!("CARGO_MANIFEST_DIR");
    let text = std::fs::read_to_string(format!("{root}/profiles/sample-form.toml"));
    let text = text.expect("a profile");
    let without: Vec<&str> = text
        .lines()
        .filter(|line| !line.starts_with("words = "))
        .collect();
    let profile = file(&bench, "toml", &without.join("\n"));
    let (words, key) = (file(&bench, "words", WORDS), file(&bench, "key", KEY));
    let call = |how: &str, file: &str| {
        let call = ["bind", how, file, "--yes", "--profile", &profile];
        bench.linkmend(&call).run()
    };
    let said = call("--words-file", &words).ends(2);
    said.says("does not say how bind words make a key")
        .says("--key-file FILE")
        .complains_once();
    call("--key-file", &key).ends(0);
    assert_eq!(bench.setting("bind-key"), KEY);
}

#[test]
fn bind_words_are_typed_twice_and_never_seen() {
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let typed = format!("{WORDS}\r");
    let left = Terminal::start(bench.linkmend(&["bind"]))
        .sees("Bind words (not shown)")
        .types(&typed)
        .sees("Bind words, again")
        .types("mist over the tern\r")
        .sees("the two are not the same")
        .sees("Bind words (not shown)")
        .types(&typed)
        .sees("Bind words, again")
        .types(&typed)
        .sees("A bind key and a model lock are a pair")
        .sees("Write this?")
        .types("y\r")
        .ends();
    left.with(0, "does it follow the sticks?")
        .without(&[WORDS, KEY]);
    assert_eq!(bench.setting("bind-key"), KEY);
    let left = Terminal::start(bench.linkmend(&["bind", "--verify"]))
        .sees("Bind words (not shown)")
        .types(&typed)
        .ends();
    let left = left.with(0, "yes: these words give the key that is there");
    left.without(&[WORDS, KEY]);
    let before = bench.truth();
    for (keys, code) in [("\u{1b}", 6), ("\u{4}", 6), ("\u{3}", 130)] {
        let terminal = Terminal::start(bench.linkmend(&["bind"]));
        let left = terminal.sees("Bind words (not shown)").types(keys).ends();
        left.with(code, "nothing was written");
    }
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn bind_mode_by_request_is_asked_for_once_and_seen() {
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let at_first = bench.present();
    let requests = || {
        let truth = bench.truth();
        let acting = truth.requests.iter().filter(|request| request.acts);
        acting.count()
    };
    // Neither without consent, nor where only the address tells it, nor in a dry run.
    let said = bench.linkmend(&["bind", "--mode"]).run().ends(6);
    said.says("add --yes to start it without being asked")
        .complains_once();
    let said = bench
        .distrusting(&["bind", "--mode", "--yes"])
        .run()
        .ends(6);
    said.says("add --trust-address").complains_once();
    let said = bench
        .linkmend(&["bind", "--mode", "--dry-run"])
        .run()
        .ends(0);
    said.says("dry run note: `meet` would be sent once");
    assert_eq!((requests(), bench.present().meets), (0, false));
    let said = bench
        .linkmend(&["bind", "--mode", "--yes", "--json"])
        .run()
        .ends(0);
    let object = said.json("change");
    assert_eq!(object["outcome"], "done");
    assert_eq!(object["changes"], json!([]));
    assert!(object["record"].is_number(), "{object}");
    let now = bench.present();
    assert_eq!((requests(), now.meets), (1, true));
    assert_eq!(
        (now.settings, now.saves, now.boots),
        (at_first.settings, 0, 0)
    );
    let said = bench.linkmend(&["bind", "--mode", "--yes"]).run().ends(0);
    said.says("nothing to do")
        .says("it is in bind mode already");
    assert_eq!(requests(), 1);
    let history = bench.history();
    let change = &history["devices"][0]["changes"][0];
    assert_eq!(change["command"], "bind --mode");
    assert_eq!(change["outcome"], "done");
    // In bind mode or not, it is changed and proved as ever; the restart ends it.
    bench.linkmend(&["write", "light=9", "--yes"]).run().ends(0);
    assert!(!bench.present().meets);
}

#[test]
fn bind_mode_that_does_not_come_is_not_called_done() {
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let root = env!("CARGO_MANIFEST_DIR");
    let text = std::fs::read_to_string(format!("{root}/profiles/sample-script.toml"));
    let text = text.expect("a profile");
    let body = "body = { encoding = \"json\", fields = [{ key = \"/sure\", fixed = true }] }\n\n# --- Where";
    assert!(text.contains(body), "the body of `meet` is the last one");
    // Without its body the device refuses.
    let bare = text.replace(body, "\n# --- Where");
    let profile = file(&bench, "toml", &bare);
    let call = ["bind", "--mode", "--yes", "--profile", &profile];
    let said = bench.linkmend(&call).run().ends(1);
    said.says("it refused, and is not in bind mode: 400")
        .complains_once();
    // A request that is taken and starts no bind mode.
    let other = text.replace("post = \"/meet\"", "post = \"/once-again\"");
    let profile = file(&bench, "toml", &other);
    let call = ["bind", "--mode", "--yes", "--profile", &profile];
    let said = bench.linkmend(&call).run().ends(7);
    said.says("NOT PROVED").complains_once();
    assert!(!bench.present().meets);
    // It wrote no setting, so there is nothing to finish.
    let said = bench.off_device(&["resume"]).run().ends(0);
    said.says("nothing is unfinished");
}

#[test]
fn bind_mode_that_was_cut_off_is_on_record_and_leaves_nothing_to_finish() {
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let before = bench.present();
    let (came, coming) = mpsc::channel();
    let (release, held) = mpsc::channel();
    let receiver = bench.address();
    let relay = Relay::start(move |line, _| {
        if line.starts_with("POST /meet") {
            came.send(()).expect("the test waits for it");
            // When the test is over nobody releases it any more.
            let _ = held.recv();
        }
        Route::To(receiver)
    });
    let call = ["bind", "--mode", "--yes", "--trust-address"];
    let run = bench.through(&relay.at(), &call).start();
    let patience = Duration::from_mins(1);
    coming
        .recv_timeout(patience)
        .expect("it asks for bind mode");
    run.kill();
    release.send(()).expect("the relay holds the request");
    let said = bench.off_device(&["resume"]).run().ends(0);
    said.says("change 1: bind --mode of Curlew")
        .says("it wrote no setting; closed");
    let said = bench.off_device(&["resume"]).run().ends(0);
    said.says("nothing is unfinished");
    let now = bench.present();
    assert_eq!((now.settings, now.saves), (before.settings, before.saves));
}

#[test]
fn bind_mode_by_hand_is_explained_and_none_is_told() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    let said = bench.linkmend(&["bind", "--mode"]).run().ends(0);
    said.says("power it on and off again 3 times")
        .says("power it off for about 10 s");
    let said = bench.linkmend(&["bind", "--mode", "--json"]).run().ends(0);
    let object = said.json("change");
    assert_eq!(
        (&object["outcome"], &object["record"]),
        (&json!("planned"), &Json::Null)
    );
    claims::is_untouched(&before, &bench.truth(), 0);
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let before = bench.truth();
    let said = bench.linkmend(&["bind", "--mode", "--yes"]).run().ends(1);
    said.says("a Tarn mast receiver has no bind mode")
        .complains_once();
    claims::is_untouched(&before, &bench.truth(), 0);
}
