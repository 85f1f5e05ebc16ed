//! `linkmend resume`: what was left unproved is listed, finished, undone or closed, and nothing
//! is claimed or written on the word of an address.

use std::sync::{
    Arc,
    atomic::{AtomicBool, Ordering},
};

use mock_device::{Family, Scenario};
use serde_json::{Value as Json, json};

use crate::{
    browser, claims,
    harness::{Bench, Said, side_by_side},
    relay::{Relay, Route},
};

/// A receiver whose change ended unproved: when it was back after its restart, a lookalike was in
/// its place. It can be put back there.
struct Swapped {
    bench: Bench,
    lookalike: Bench,
    relay: Relay,
    /// Whether the lookalike answers.
    is_away: Arc<AtomicBool>,
}

impl Swapped {
    fn new(family: Family) -> Self {
        let bench = Bench::seeded(family, Scenario::Locked, 1);
        let lookalike = Bench::seeded(family, Scenario::Locked, 2);
        let (one, other) = (bench.address(), lookalike.address());
        let is_away = Arc::new(AtomicBool::new(false));
        let now = Arc::clone(&is_away);
        let mut once = true;
        // It goes with the request that restarts it: of the deck receiver a save, of the others
        // the one for it.
        let last = match family {
            Family::SampleForm => "POST /keep-air",
            Family::SampleScript => "POST /once-again",
            Family::SampleLogin => "POST /start-anew",
        };
        let relay = Relay::start(move |line, _| {
            if now.load(Ordering::SeqCst) {
                return Route::To(other);
            }
            if line.starts_with(last) && std::mem::take(&mut once) {
                now.store(true, Ordering::SeqCst);
            }
            Route::To(one)
        });
        let swap = Self {
            bench,
            lookalike,
            relay,
            is_away,
        };
        let said = swap.run(&["unlock", "--yes", "--trust-address", "--json"], 7);
        assert_eq!(said.json("change")["outcome"], "unproved");
        browser::back_after(&swap.bench, 0);
        let device = swap.bench.present();
        assert_eq!(device.settings["model-lock"], "off");
        assert_eq!((device.saves, device.boots), (1, 1));
        swap
    }

    /// The right one is the only one that is powered.
    fn put_right(&self) {
        self.is_away.store(false, Ordering::SeqCst);
    }

    #[track_caller]
    fn run(&self, words: &[&str], code: i32) -> Said {
        self.bench.through(&self.relay.at(), words).run().ends(code)
    }
}

/// The one change of a `resume`.
#[track_caller]
fn resumed(said: &Said) -> Json {
    let object = said.json("resume");
    let all = object["resumed"].as_array().expect("changes");
    assert_eq!(all.len(), 1, "{object}");
    all[0].clone()
}

#[test]
fn nothing_unfinished_is_nothing_to_do() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let nothing = || {
        bench
            .off_device(&["resume"])
            .run()
            .ends(0)
            .says("nothing is unfinished");
        let said = bench.off_device(&["resume", "--json"]).run().ends(0);
        assert_eq!(said.json("resume")["resumed"], json!([]));
    };
    nothing();
    bench.linkmend(&["unlock", "--yes"]).run().ends(0);
    nothing();
    bench
        .off_device(&["resume", "1"])
        .run()
        .ends(2)
        .says("change 1 is not unfinished")
        .complains_once();
}

#[test]
fn unproved_change_is_listed_with_its_device_and_ends_with_7() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::LostRestart);
        bench.linkmend(&["unlock", "--yes"]).run().ends(7);
        let before = bench.truth();
        let name = before.devices[0].settings["name"].as_str().expect("a name");
        let said = bench
            .off_device(&["resume"])
            .run()
            .ends(7)
            .says(&format!("change 1: unlock of {name} ({family}, "))
            .says("unfinished, and the device is needed to tell how it stands")
            .says("run `linkmend resume --at URL`")
            .complains_once();
        assert!(!said.stderr.contains("shelf"), "{}", said.stderr);
        let said = bench.off_device(&["resume", "--json"]).run().ends(7);
        assert_eq!(said.json("resume")["error"]["code"], "unfinished-change");
        // Where it is to be looked for over Wi-Fi, it is, though it was at an address then.
        let words = ["resume", "--adapter", "wlan0", "--json"];
        let said = bench.off_device(&words).run().ends(1);
        assert_eq!(said.json("resume")["error"]["code"], "no-wifi-service");
        assert_eq!(
            bench.history()["devices"][0]["changes"][0]["outcome"],
            "unproved"
        );
        claims::is_untouched(&before, &bench.truth(), 0);
    });
}

#[test]
fn restart_that_never_came_stays_unproved_however_often_it_is_resumed() {
    side_by_side(&Family::ALL, |family| {
        let bench = Bench::new(*family, Scenario::LostRestart);
        bench.linkmend(&["unlock", "--yes"]).run().ends(7);
        let saves = bench.present().saves;
        for _ in 0..2 {
            let said = bench.linkmend(&["resume", "--yes", "--json"]).run().ends(
                if *family == Family::SampleScript {
                    6
                } else {
                    7
                },
            );
            let change = resumed(&said);
            assert_ne!(change["outcome"], "done", "{change}");
            assert_ne!(change["changes"][0]["proof"], "after-restart");
        }
        assert_eq!(bench.present().saves, saves, "it shows what it should");
        bench.off_device(&["resume"]).run().ends(7);
    });
}

#[test]
fn change_whose_restart_was_missed_is_done_once_the_mark_of_the_device_shows_it() {
    // The restart request is answered and lost on the way; then the person restarts it.
    let bench = Bench::new(Family::SampleScript, Scenario::Locked);
    let address = bench.address();
    let relay = Relay::start(move |line, _| {
        if line.starts_with("POST /once-again") {
            Route::Say("202 Accepted", "text/plain", "going".to_owned())
        } else {
            Route::To(address)
        }
    });
    bench
        .through(&relay.at(), &["unlock", "--yes", "--trust-address"])
        .run()
        .ends(7)
        .says("no restart of it was witnessed");
    assert_eq!(bench.present().boots, 0);
    browser::restart(&bench);
    let before = bench.truth();
    let said = bench
        .through(&relay.at(), &["resume", "--trust-address", "--json"])
        .run()
        .ends(0);
    let change = resumed(&said);
    assert_eq!(change["outcome"], "done");
    assert_eq!(change["changes"][0]["proof"], "after-restart");
    assert_eq!(bench.setting("model-lock"), "off");
    claims::is_untouched(&before, &bench.truth(), 0);
    bench.off_device(&["resume"]).run().ends(0);
    assert_eq!(
        bench.history()["devices"][0]["changes"][0]["outcome"],
        "done"
    );
}

#[test]
fn lookalike_is_neither_taken_for_the_device_nor_written_to() {
    side_by_side(&Family::ALL, |family| {
        let swap = Swapped::new(*family);
        let before = (swap.bench.truth(), swap.lookalike.truth());
        for words in [
            &["resume", "--yes", "--trust-address"][..],
            &["resume", "--yes", "--trust-address", "--undo"],
        ] {
            let said = swap.run(words, 6).complains_once();
            assert!(!said.stdout.contains("done, and proved"), "{}", said.stdout);
        }
        claims::is_untouched(&before.0, &swap.bench.truth(), 0);
        claims::is_untouched(&before.1, &swap.lookalike.truth(), 0);
        swap.bench.off_device(&["resume"]).run().ends(7);
    });
}

#[test]
fn right_device_shows_that_it_restarted_and_closes_its_change_as_done() {
    side_by_side(&Family::ALL, |family| {
        let swap = Swapped::new(*family);
        swap.put_right();
        let before = swap.bench.truth();
        let said = swap.run(&["resume", "--trust-address", "--json"], 0);
        let change = resumed(&said);
        assert_eq!(change["outcome"], "done", "{change}");
        assert_eq!(change["changes"][0]["proof"], "after-restart");
        claims::is_untouched(&before, &swap.bench.truth(), 0);
        swap.bench
            .off_device(&["resume"])
            .run()
            .ends(0)
            .says("nothing is unfinished");
    });
}

#[test]
fn undo_puts_back_what_was_there_and_proves_it() {
    let swap = Swapped::new(Family::SampleForm);
    swap.put_right();
    let asked = swap.run(&["resume", "--undo"], 6).complains_once();
    assert!(asked.stderr.contains("add --yes"), "{}", asked.stderr);
    assert_eq!(swap.bench.setting("model-lock"), "off");
    let said = swap.run(&["resume", "--undo", "--yes", "--json"], 0);
    let change = resumed(&said);
    assert_eq!(change["outcome"], "put-back", "{change}");
    let device = swap.bench.present();
    assert_eq!(device.settings["model-lock"], 7);
    assert_eq!((device.saves, device.boots), (2, 2));
    let changes = &swap.bench.history()["devices"][0]["changes"];
    assert_eq!(changes[0]["outcome"], "put-back");
    swap.bench.off_device(&["resume"]).run().ends(0);
}

#[test]
fn undo_on_the_word_of_an_address_alone_writes_nothing() {
    let swap = Swapped::new(Family::SampleScript);
    swap.put_right();
    let before = swap.bench.truth();
    let said = swap.run(
        &["resume", "--undo", "--yes", "--trust-address", "--json"],
        6,
    );
    let change = resumed(&said);
    assert_eq!(change["error"]["code"], "identity-undetermined", "{change}");
    claims::is_untouched(&before, &swap.bench.truth(), 0);
    swap.bench.off_device(&["resume"]).run().ends(7);
}

#[test]
fn close_says_goodbye_to_a_change_as_unproved_without_the_device() {
    let bench = Bench::new(Family::SampleForm, Scenario::LostRestart);
    bench.linkmend(&["unlock", "--yes"]).run().ends(7);
    let before = bench.truth();
    bench.off_device(&["resume", "--close"]).run().ends(2);
    bench
        .off_device(&["resume", "9", "--close"])
        .run()
        .ends(2)
        .complains_once();
    bench
        .off_device(&["resume", "1", "--close"])
        .run()
        .ends(0)
        .says("change 1 is closed as unproved; what was there is record 1");
    bench
        .off_device(&["resume"])
        .run()
        .ends(0)
        .says("nothing is unfinished");
    assert_eq!(
        bench.history()["devices"][0]["changes"][0]["outcome"],
        "unproved"
    );
    claims::is_untouched(&before, &bench.truth(), 0);
    let after = bench.truth().requests.len();
    assert_eq!(
        after,
        before.requests.len(),
        "the device was not even asked"
    );
}

#[test]
fn another_device_at_hand_does_not_settle_what_is_unfinished() {
    let bench = Bench::seeded(Family::SampleForm, Scenario::LostRestart, 1);
    bench.linkmend(&["unlock", "--yes"]).run().ends(7);
    let other = Bench::seeded(Family::SampleForm, Scenario::Healthy, 2);
    let before = other.truth();
    bench
        .through(&other.at(), &["resume", "--yes", "--trust-address"])
        .run()
        .ends(6)
        .complains_once();
    claims::is_untouched(&before, &other.truth(), 0);
    bench.off_device(&["resume"]).run().ends(7);
}
