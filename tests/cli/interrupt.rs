//! Ctrl-C, at every stage: before anything is written it ends with 130 and nothing is written, and
//! afterwards with 7, and `resume` settles it.

use std::time::{Duration, Instant};

use mock_device::{Family, Scenario};

use crate::harness::{Bench, Call, Started, until};

/// Longer than any of these tests may take: what ends earlier was not waited for.
const LONG: Duration = Duration::from_secs(30);

/// The command on the receiver, with answers waited for longer than the test takes.
fn patient(bench: &Bench, words: &[&str]) -> Call {
    bench
        .off_device(words)
        .words(&["--at", &bench.at(), "--trust-address"])
        .words(&["--limit", "answer-s=60", "--limit", "leave-s=1"])
}

fn asked(bench: &Bench, path: &str) -> bool {
    let requests = bench.truth().requests;
    requests.iter().any(|request| request.path == path)
}

/// Presses Ctrl-C until it has ended.
fn insist(mut run: Started) -> Started {
    until("it ends", || {
        run.interrupt();
        run.has_ended()
    });
    run
}

#[test]
fn stop_during_the_first_reading_writes_nothing_and_ends_with_130() {
    let start = Instant::now();
    for (family, path) in [
        // The page that tells the family, and the document that holds the values.
        (Family::SampleForm, "/"),
        (Family::SampleScript, "/as-it-is"),
    ] {
        for words in [
            &["unlock", "--yes"][..],
            &["read"],
            &["restore", "--yes", "--json"],
        ] {
            let bench = Bench::new(family, Scenario::Stalled);
            let run = patient(&bench, words).start();
            until("it reads", || asked(&bench, path));
            run.interrupt();
            run.ended().ends(130).says("stopped by you");
            let device = bench.present();
            assert_eq!((device.saves, device.refused, device.boots), (0, 0, 0));
            bench.off_device(&["resume"]).run().ends(0);
        }
    }
    assert!(start.elapsed() < LONG, "the answer was waited for");
}

#[test]
fn stop_during_the_wait_for_the_restart_is_unproved_and_resume_settles_it() {
    for scenario in [Scenario::Locked, Scenario::NoAnswer] {
        let bench = Bench::new(Family::SampleForm, scenario);
        let run = bench.linkmend(&["unlock", "--yes", "--json"]).start();
        until("it saves", || bench.present().saves == 1);
        run.interrupt();
        let said = run.ended().ends(7);
        let object = said.json("change");
        assert_eq!(object["outcome"], "unproved", "{scenario}");
        assert_eq!(object["error"]["code"], "cancelled");
        until("it is back", || {
            let device = bench.present();
            device.boots == 1 && device.up
        });
        let said = bench.linkmend(&["resume", "--yes", "--json"]).run().ends(0);
        assert_eq!(said.json("resume")["resumed"][0]["outcome"], "done");
        assert_eq!(bench.present().saves, 1, "it was written before");
        bench
            .off_device(&["resume"])
            .run()
            .ends(0)
            .says("nothing is unfinished");
    }
}

#[test]
fn stop_after_a_restart_request_is_unproved_too() {
    let bench = Bench::new(Family::SampleScript, Scenario::LostRestart);
    let run = bench.linkmend(&["unlock", "--yes", "--json"]).start();
    until("it asks for the restart", || asked(&bench, "/once-again"));
    run.interrupt();
    let said = run.ended().ends(7);
    assert_eq!(said.json("change")["error"]["code"], "cancelled");
    bench
        .off_device(&["resume"])
        .run()
        .ends(7)
        .says("change 1: unlock");
}

#[test]
fn second_stop_while_a_save_is_unanswered_ends_at_once_and_is_not_called_unwritten() {
    let start = Instant::now();
    // The other family restarts meanwhile, which ends the save by itself.
    let bench = Bench::new(Family::SampleScript, Scenario::StalledSave);
    let run = patient(&bench, &["unlock", "--yes", "--json"]).start();
    until("it saves", || bench.present().saves == 1);
    insist(run).ended().ends(7);
    assert!(start.elapsed() < LONG, "the answer was waited for");
    bench
        .off_device(&["resume"])
        .run()
        .ends(7)
        .says("change 1: unlock");
}
