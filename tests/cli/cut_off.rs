//! `linkmend resume`, when the world went on meanwhile: the receiver restarted, is not there, is
//! another one, or was changed by somebody else.

use mock_device::{DeviceTruth, Family, Scenario};
use serde_json::Value as Json;

use crate::{
    browser,
    harness::{Bench, Said, until},
};

/// A locked receiver whose unlocking is cut off at a checkpoint, and what was there before.
#[cfg(debug_assertions)]
fn cut_at(family: Family, point: &str) -> (Bench, DeviceTruth) {
    let bench = Bench::new(family, Scenario::Locked);
    let before = bench.present();
    let file = bench.data().join("checkpoints");
    let run = bench
        .linkmend(&["unlock", "--yes"])
        .env("LINKMEND_CHECKPOINT", point)
        .env("LINKMEND_CHECKPOINT_FILE", &file.display().to_string())
        .start();
    until(point, || {
        let passed = std::fs::read_to_string(&file).unwrap_or_default();
        passed.lines().any(|line| line == point)
    });
    run.kill();
    (bench, before)
}

fn resumed(said: &Said) -> Json {
    said.json("resume")["resumed"][0].clone()
}

fn error_code(said: &Said) -> Json {
    let object = said.json("resume");
    let error = object.get("error");
    error.unwrap_or(&object["resumed"][0]["error"])["code"].clone()
}

/// It is still listed, with 7.
fn is_listed(bench: &Bench) {
    let listed = bench.off_device(&["resume"]).run().ends(7);
    listed.says("change 1: unlock").says("--at");
}

#[test]
fn nothing_is_unfinished_where_nothing_was_begun() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    bench
        .off_device(&["resume"])
        .run()
        .ends(0)
        .says("nothing is unfinished");
    bench
        .off_device(&["resume", "3"])
        .run()
        .ends(2)
        .says("change 3 is not unfinished");
}

#[test]
#[cfg(debug_assertions)]
fn change_that_never_left_is_closed_as_not_written_without_a_device() {
    for family in Family::ALL {
        let (bench, before) = cut_at(family, "before-writing");
        let said = bench.off_device(&["resume", "--json"]).run().ends(0);
        assert_eq!(resumed(&said)["outcome"], "failed");
        let notes = resumed(&said)["notes"].to_string();
        assert!(notes.contains("before anything was written"), "{notes}");
        assert_eq!(bench.present().settings, before.settings);
        assert_eq!(bench.present().saves, 0);
        bench.off_device(&["resume"]).run().ends(0);
        // And it can be begun anew.
        bench.linkmend(&["unlock", "--yes"]).run().ends(0);
    }
}

#[test]
#[cfg(debug_assertions)]
fn restart_meanwhile_of_a_receiver_that_was_never_written_to_proves_nothing() {
    let (bench, before) = cut_at(Family::SampleForm, "after-writing");
    browser::restart(&bench);
    let by_hand = bench.present().saves;
    let said = bench.linkmend(&["resume", "--yes", "--json"]).run().ends(0);
    assert_eq!(resumed(&said)["outcome"], "done");
    let after = bench.present();
    assert_eq!(after.saves, by_hand + 1, "it was written now");
    let mut wanted = before.settings;
    wanted.insert("model-lock".into(), "off".into());
    assert_eq!(after.settings, wanted);
}

#[test]
#[cfg(debug_assertions)]
fn restart_meanwhile_after_the_save_proves_it_without_another_write() {
    let (bench, _) = cut_at(Family::SampleScript, "after-read-back");
    browser::restart(&bench);
    let said = bench.linkmend(&["resume", "--yes", "--json"]).run().ends(0);
    assert_eq!(resumed(&said)["outcome"], "done");
    assert_eq!(resumed(&said)["changes"][0]["proof"], "after-restart");
    assert_eq!((bench.present().saves, bench.present().boots), (1, 1));
}

#[test]
#[cfg(debug_assertions)]
fn receiver_that_is_not_there_leaves_the_change_listed() {
    let (bench, _) = cut_at(Family::SampleForm, "sent-save");
    // Nobody listens on the port for echo on this computer, nor for anything below 8.
    let said = bench
        .off_device(&["resume", "--yes", "--json", "--at", "http://127.0.0.1:1"])
        .run()
        .ends(3);
    assert_eq!(error_code(&said), "nobody-there");
    is_listed(&bench);
}

#[test]
#[cfg(debug_assertions)]
fn another_receiver_is_refused_and_left_alone() {
    for family in Family::ALL {
        let (bench, _) = cut_at(family, "after-writing");
        let other = Bench::seeded(family, Scenario::Locked, 2);
        let at = other.at();
        for words in [&["--yes"][..], &["--yes", "--undo"]] {
            let said = bench
                .through(&at, &["resume", "--json", "--trust-address"])
                .words(words)
                .run()
                .ends(6);
            assert_eq!(error_code(&said), "another-device", "{family}");
        }
        assert_eq!(other.present().saves, 0);
        is_listed(&bench);
    }
}

#[test]
#[cfg(debug_assertions)]
fn what_somebody_changed_meanwhile_is_refused_and_undone_on_wish() {
    let (bench, before) = cut_at(Family::SampleForm, "after-there");
    browser::alter(&bench, &[("light", 11.into())]);
    let said = bench.linkmend(&["resume", "--yes"]).run().ends(6);
    said.says("`light` changed")
        .says("this run wrote nothing")
        .says("linkmend resume --undo");
    assert_eq!(bench.setting("light"), 11);
    is_listed(&bench);
    let said = bench
        .linkmend(&["resume", "--undo", "--yes", "--json"])
        .run()
        .ends(0);
    assert_eq!(resumed(&said)["outcome"], "put-back");
    // Its lock and its light are two saves.
    assert_eq!(bench.present().settings, before.settings);
}

#[test]
#[cfg(debug_assertions)]
fn by_its_address_alone_nothing_is_written_again() {
    for point in ["after-writing", "after-read-back"] {
        for undo in [&[][..], &["--undo"]] {
            let (bench, _) = cut_at(Family::SampleScript, point);
            let saves = bench.present().saves;
            let words = ["resume", "--yes", "--json"];
            let said = bench.distrusting(&words).words(undo).run().ends(6);
            assert_eq!(error_code(&said), "identity-undetermined");
            let said = bench.linkmend(&words).words(undo).run().ends(6);
            assert_eq!(error_code(&said), "identity-undetermined");
            let device = bench.present();
            assert_eq!((device.saves, device.boots), (saves, 0));
            is_listed(&bench);
        }
    }
}

#[test]
#[cfg(debug_assertions)]
fn second_change_of_a_receiver_waits_for_the_first() {
    for family in Family::ALL {
        let (bench, _) = cut_at(family, "after-writing");
        let said = bench.linkmend(&["unlock", "--to", "3", "--yes"]).run();
        said.ends(6).says("change 1 of this receiver is unfinished");
        assert_eq!(bench.present().saves, 0);
        bench
            .off_device(&["resume", "1", "--close"])
            .run()
            .ends(0)
            .says("what was there is record 1");
        let said = bench.linkmend(&["unlock", "--to", "3", "--yes"]).run();
        said.ends(0);
        assert_eq!(bench.setting("model-lock"), 3);
    }
}

#[test]
#[cfg(debug_assertions)]
fn resumed_run_that_is_cut_off_is_resumed_again() {
    let (bench, before) = cut_at(Family::SampleForm, "after-writing");
    let file = bench.data().join("again");
    let run = bench
        .linkmend(&["resume", "--yes"])
        .env("LINKMEND_CHECKPOINT", "sent-save")
        .env("LINKMEND_CHECKPOINT_FILE", &file.display().to_string())
        .start();
    until("it saves", || file.exists() && bench.present().saves == 1);
    run.kill();
    until("it is back", || {
        bench.present().boots == 1 && bench.present().up
    });
    let said = bench.linkmend(&["resume", "--yes", "--json"]).run().ends(0);
    assert_eq!(resumed(&said)["outcome"], "done");
    assert_eq!(bench.present().saves, 1);
    assert_ne!(bench.present().settings, before.settings);
}

#[test]
#[cfg(debug_assertions)]
fn another_change_at_an_address_that_alone_tells_waits_for_the_first() {
    let (bench, _) = cut_at(Family::SampleScript, "after-writing");
    let before = bench.present();
    for words in [&["unlock", "--yes"][..], &["unlock", "--dry-run"]] {
        let said = bench.linkmend(words).run().ends(6);
        said.says("change 1 of this receiver is unfinished");
    }
    let said = bench.linkmend(&["read", "--json"]).run().ends(0);
    let notes = said.json("read")["notes"].to_string();
    assert!(notes.contains("change 1 of it is unfinished"), "{notes}");
    assert_eq!(bench.present().saves, before.saves);
}

#[test]
#[cfg(debug_assertions)]
fn dry_run_says_what_resuming_would_write_and_leaves_it_listed() {
    for (undo, outcome) in [(&[][..], "planned"), (&["--undo"], "unproved")] {
        let (bench, before) = cut_at(Family::SampleForm, "after-writing");
        let words = ["resume", "--dry-run", "--json"];
        let said = bench.linkmend(&words).words(undo).run();
        assert_eq!(resumed(&said)["outcome"], outcome, "{said:?}");
        assert_eq!(bench.present().settings, before.settings);
        assert_eq!(bench.present().saves, 0);
        is_listed(&bench);
    }
}
