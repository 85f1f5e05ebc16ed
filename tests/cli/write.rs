//! `linkmend write`: any settings, several at once; secrets from a file or typed; what local rules
//! set alone and by typed consent.

use std::{fs::Permissions, os::unix::fs::PermissionsExt, path::PathBuf};

use mock_device::{Family, Scenario};
use serde_json::{Value as Json, json};

use crate::{
    claims,
    harness::{Bench, side_by_side},
    terminal::Terminal,
};

/// A file of one line beside the journal, for its owner alone.
fn file(bench: &Bench, line: &str) -> PathBuf {
    let file = bench.data().with_extension("line");
    std::fs::write(&file, format!("{line}\n")).expect("written");
    std::fs::set_permissions(&file, Permissions::from_mode(0o600)).expect("our own file");
    file
}

#[test]
fn several_settings_of_all_pages_are_written_and_proved_in_one_change() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let before = bench.truth();
        let words = [
            "write",
            "name=Common Teal",
            "failsafe=cut",
            "fallback-wait=90",
            "output-inverted=on",
            "model-lock=12",
            "--yes",
            "--json",
        ];
        let said = bench.linkmend(&words).run().ends(0);
        let object = said.json("change");
        claims::are_true(&object, &before, &bench.truth());
        assert_eq!(object["outcome"], "done", "{object}");
        let now = bench.present().settings;
        assert_eq!(now["name"], "Common Teal");
        assert_eq!(now["failsafe"], "cut");
        assert_eq!(now["fallback-wait"], 90);
        assert_eq!(now["output-inverted"], true);
        assert_eq!(now["model-lock"], 12);
        // What it is already is no change.
        let before = bench.truth();
        let said = bench.linkmend(&words).run().ends(0);
        assert_eq!(said.json("change")["outcome"], "nothing-to-do");
        claims::is_untouched(&before, &bench.truth(), 0);
        let history = bench.history();
        assert_eq!(history["devices"][0]["changes"][0]["command"], "write");
    });
}

#[test]
fn what_was_typed_wrongly_is_told_before_the_device_is_read() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    for (words, says) in [
        (&["lihgt=3"][..], "did you mean `light`?"),
        (&["waveform=breze"], "did you mean `breeze`?"),
        (&["light=101"], "a number from 0 to 100 %"),
        (&["output-rate=55"], "in steps of 10 Hz"),
        (&["light"], "give light=VALUE; it takes a number from 0"),
        (&["light=1", "light=2"], "`light` is given twice"),
        (&["firmware=2.0.0"], "can be read, but not written"),
        (
            &["name=A name that is longer than any"],
            "at most 24 characters",
        ),
        (&["channel-order=1 2 3"], "8 times a number from 1 to 8"),
        (&["--secret-file", "bind-key"], "has no `=`"),
        (
            &["--secret-file", "bind-key=/no/such/file"],
            "cannot be read",
        ),
    ] {
        let words = [&["write", "--yes"], words].concat();
        let said = bench.linkmend(&words).run().ends(2);
        said.says(says).complains_once();
    }
    bench.linkmend(&["write", "--yes"]).run().ends(2);
    claims::is_untouched(&before, &bench.truth(), 0);
    let history = bench.history();
    assert_eq!(history["devices"], json!([]), "nothing of it is on record");
}

#[test]
fn a_secret_never_stands_on_the_command_line_nor_in_any_output() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let before = bench.truth();
    for (setting, secret) in [
        ("bind-key", "0a0b0c0d0e0f"),
        ("local-passphrase", "sedge-and-sallow"),
        ("local-passphrase", ""),
    ] {
        let word = format!("{setting}={secret}");
        let said = bench.linkmend(&["write", &word, "--yes"]).run().ends(2);
        let said = said.says("a secret never stands on the command line");
        let said = said.says(&format!("--secret-file {setting}=FILE"));
        assert!(
            secret.is_empty() || !said.stderr.contains(secret),
            "{said:?}"
        );
    }
    // Alone it is asked for, which takes a terminal.
    let words = ["write", "local-passphrase", "--yes"];
    let said = bench.linkmend(&words).run().ends(6);
    said.says("--secret-file local-passphrase=FILE")
        .complains_once();
    let said = bench.linkmend(&words).word("--json").run().ends(6);
    assert_eq!(said.json("change")["error"]["code"], "no-terminal");
    // What is no value is refused without a letter of it.
    let key = file(&bench, "4a1f00");
    let word = format!("bind-key={}", key.display());
    let words = ["write", "--secret-file", &word, "--yes"];
    let said = bench.linkmend(&words).run().ends(2);
    let said = said.says("this is no `bind-key`: it takes 6 bytes in hexadecimal, or none");
    assert!(!said.stderr.contains("4a1f00"), "{said:?}");
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn a_secret_comes_from_a_file_and_none_clears_it() {
    side_by_side(&[Family::SampleForm, Family::SampleScript], |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let secret = "sedge & sallow \"<x>\"";
        let file = file(&bench, secret);
        let word = format!("local-passphrase={}", file.display());
        let words = [
            "write",
            "--secret-file",
            &word,
            "light=5",
            "--yes",
            "--json",
        ];
        let before = bench.truth();
        let said = bench.linkmend(&words).run().ends(0);
        let object = said.json("change");
        claims::are_true(&object, &before, &bench.truth());
        claims::keep(&[secret.into(), "sedge".into()], &said.stdout);
        claims::keep(&[secret.into(), "sedge".into()], &said.stderr);
        assert_eq!(bench.setting("local-passphrase"), json!(secret));
        let words = ["write", "local-passphrase=none", "bind-key=none", "--yes"];
        let said = bench.linkmend(&words).run().ends(0);
        said.says("→ none").says("it is unbound");
        assert_eq!(bench.setting("local-passphrase"), Json::Null);
        assert_eq!(bench.setting("bind-key"), Json::Null);
    });
}

#[test]
fn what_is_never_shown_is_said_before_and_unproved_after_and_blocks_nothing() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Locked);
    let file = file(&bench, "sedge-and-sallow");
    let word = format!("local-passphrase={}", file.display());
    let words = ["write", "--secret-file", &word, "name=Teal"];
    let before = bench.truth();
    for none in ["local-passphrase=none", "bind-key=none"] {
        let said = bench.linkmend(&["write", none, "--yes"]).run().ends(6);
        said.says("on this family").complains_once();
    }
    let said = bench.linkmend(&words).run().ends(6);
    said.says(
        "careful what `local-passphrase` is now cannot be read, so it cannot be put back; \
               and it is never shown, so that it took cannot be proved",
    );
    claims::is_untouched(&before, &bench.truth(), 0);
    let said = bench
        .linkmend(&words)
        .words(&["--yes", "--json"])
        .run()
        .ends(7);
    let object = said.json("change");
    claims::are_true(&object, &before, &bench.truth());
    assert_eq!(object["outcome"], "unproved");
    assert_eq!(object["error"]["code"], "not-shown");
    assert_eq!(bench.setting("local-passphrase"), "sedge-and-sallow");
    assert_eq!(bench.setting("name"), "Teal");
    // There is nothing more to find out, so nothing is left open.
    let said = bench.off_device(&["resume"]).run().ends(0);
    said.says("nothing is unfinished");
    bench
        .linkmend(&["write", "name=Smew", "--yes"])
        .run()
        .ends(0);
}

#[test]
fn region_and_a_higher_power_are_refused_to_a_script_and_in_bulk() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let old = bench.present().settings;
        let region = if old["region"] == "JP" {
            "region=US"
        } else {
            "region=JP"
        };
        let before = bench.truth();
        for word in [region, "power=100"] {
            let name = word.split_once('=').expect("a name").0;
            let said = bench.linkmend(&["write", word, "--yes"]).run().ends(6);
            said.says(&format!(
                "--yes does not agree to `{name}`, which local rules set"
            ))
            .says("type the new value when you are asked")
            .complains_once();
            let said = bench.linkmend(&["write", word]).run().ends(6);
            said.says("there is no terminal to ask at").complains_once();
            let said = bench.linkmend(&["write", word, "--json"]).run().ends(6);
            assert_eq!(said.json("change")["error"]["code"], "no-consent");
            for more in [&["--yes"][..], &["--dry-run"], &[]] {
                let words = [&["write", word, "failsafe=cut"], more].concat();
                let said = bench.linkmend(&words).run().ends(6);
                said.says(&format!(
                    "`{name}` is set by local rules, and never together"
                ))
                .complains_once();
            }
            let said = bench.linkmend(&["write", word, "--dry-run"]).run().ends(0);
            said.says("dry run: this would be written")
                .says("it is written when you type the new value, and by no flag");
        }
        claims::is_untouched(&before, &bench.truth(), 0);
        // Lowering it is a change like any other.
        assert!(old["power"].as_u64() > Some(10), "{old:?}");
        let words = ["write", "power=10", "failsafe=cut", "--yes"];
        bench.linkmend(&words).run().ends(0);
        assert_eq!(bench.setting("power"), 10);
        let before = bench.truth();
        bench
            .linkmend(&["write", "power=25", "--yes"])
            .run()
            .ends(6);
        claims::is_untouched(&before, &bench.truth(), 0);
    });
}

#[test]
fn a_region_is_written_when_the_person_types_it_and_left_when_not() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let old = bench.setting("region");
        let new = if old == "JP" { "US" } else { "JP" };
        let word = format!("region={new}");
        let at_terminal = || {
            let terminal = Terminal::start(bench.linkmend(&["write", &word]));
            let terminal = terminal.sees("by a licensed operator.");
            terminal.sees(&format!("Type {new} to agree"))
        };
        let before = bench.truth();
        for (keys, code, says) in [
            ("y\r", 6, "you said no; nothing was written"),
            ("\r", 6, "you said no; nothing was written"),
            ("\u{1b}", 6, "you said no; nothing was written"),
            ("\u{4}", 6, "you said no; nothing was written"),
            ("\u{3}", 130, "stopped by you"),
        ] {
            at_terminal().types(keys).ends().with(code, says);
        }
        claims::is_untouched(&before, &bench.truth(), 0);
        let typed = format!("{new}\r");
        at_terminal()
            .types(&typed)
            .ends()
            .with(0, "done, and proved");
        assert_eq!(bench.setting("region"), new);
    });
}

#[test]
fn a_secret_is_typed_twice_and_never_seen() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let secret = "sedge-and-sallow";
    let typed = format!("{secret}\r");
    let start = || Terminal::start(bench.linkmend(&["write", "local-passphrase", "--yes"]));
    let left = start()
        .sees("Local passphrase (not shown)")
        .types(&typed)
        .sees("Local passphrase, again")
        .types("another\r")
        .sees("the two are not the same")
        .sees("Local passphrase (not shown)")
        .types("\r")
        .sees("it takes text of 1 to 63 characters")
        .sees("Local passphrase (not shown)")
        .types(&typed)
        .sees("Local passphrase, again")
        .types(&typed)
        .ends();
    left.with(0, "done, and proved").without(&[secret]);
    assert_eq!(bench.setting("local-passphrase"), secret);
    let before = bench.truth();
    let mut terminal = start();
    for _ in 0..3 {
        terminal = terminal.sees("Local passphrase (not shown)").types("\r");
    }
    terminal
        .ends()
        .with(6, "3 times nothing was typed that could be used");
    for (keys, code) in [("\u{1b}", 6), ("\u{4}", 6), ("\u{3}", 130)] {
        let terminal = start().sees("Local passphrase (not shown)");
        let left = terminal.types("sedge").types(keys).ends();
        left.with(code, "nothing was written").without(&["sedge"]);
    }
    claims::is_untouched(&before, &bench.truth(), 0);
}

#[test]
fn a_changed_output_is_told_to_move_things_at_once() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let words = ["write", "output=pulse-sum"];
    let terminal = Terminal::start(bench.linkmend(&words));
    let left = terminal.sees("Write this?").types("n").ends();
    left.with(
        6,
        "A changed output can move a servo or a motor at once: keep clear of it.",
    );
}

#[test]
fn what_the_page_or_the_firmware_does_not_offer_is_told_before_anybody_is_asked() {
    let old = Bench::new(Family::SampleForm, Scenario::Locked);
    let new = Bench::with_firmware(Family::SampleForm, Scenario::Locked, "3.0.2");
    let mast = Bench::with_firmware(Family::SampleLogin, Scenario::Locked, "1.7.3");
    for (bench, word, code, says) in [
        (
            &old,
            "power=15",
            "value-not-offered",
            "control `strength` offers",
        ),
        (
            &new,
            "waveform=gale",
            "value-not-offered",
            "control `wave` offers",
        ),
        (
            &new,
            "light=7",
            "needs-firmware",
            "`light` needs firmware <3.0.0, and this receiver has 3.0.2",
        ),
        (
            &mast,
            "fallback-wait=90",
            "needs-firmware",
            "`fallback-wait` needs firmware >=1.8.0",
        ),
    ] {
        let name = word.split_once('=').expect("a name").0;
        let before = bench.truth();
        for how in ["--yes", "--dry-run"] {
            let said = bench
                .linkmend(&["write", "name=Teal", word, how])
                .run()
                .ends(1);
            let said = said.says(&format!("error: `{name}` ")).says(says);
            said.complains_once();
            let words = ["write", "name=Teal", word, how, "--json"];
            let object = bench.linkmend(&words).run().ends(1).json("change");
            assert_eq!(object["error"]["code"], code, "{object}");
        }
        claims::is_untouched(&before, &bench.truth(), 0);
        assert_eq!(bench.history()["devices"], json!([]), "there was no change");
    }
    // The rest of that firmware is written as ever.
    let words = ["write", "waveform=breeze", "fallback-wait=90", "--yes"];
    new.linkmend(&words).run().ends(0);
    mast.linkmend(&["write", "local-network=none", "name=Teal", "--yes"])
        .run()
        .ends(0);
}

#[test]
fn dry_run_and_lack_of_consent_write_nothing() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::Locked);
        let before = bench.truth();
        let said = bench
            .linkmend(&["write", "failsafe=cut", "--dry-run"])
            .run()
            .ends(0);
        said.says("dry run: this would be written").says("→ cut");
        let said = bench.linkmend(&["write", "failsafe=cut"]).run().ends(6);
        said.says("add --yes").complains_once();
        let said = bench
            .linkmend(&["write", "failsafe=cut", "--json"])
            .run()
            .ends(6);
        assert_eq!(said.json("change")["outcome"], "refused");
        claims::is_untouched(&before, &bench.truth(), 0);
    });
}
