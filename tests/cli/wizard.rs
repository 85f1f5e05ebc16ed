//! `linkmend` without a command, at a real terminal, walked from start to end.
//!
//! Each step waits for the question before it types, and no escape sequence is looked at.

mod leaving;

use std::process::Command;

use mock_device::{DeviceTruth, Family, Scenario};
use rexpect::{
    reader::Options,
    session::{PtySession, spawn_with_options},
};

use crate::{
    claims::{but, keep, secrets},
    harness::{Bench, Call, NO_BUS, side_by_side},
    readme::{block, readme},
};

/// Bind words of the school.
const WORDS: &str = "seven herons on the north pond";

/// Longer than any question takes to come on a busy machine.
const PATIENCE_MS: u64 = 30_000;

/// The terminal's mode before and after, with the exit code in between. rexpect opens its terminals
/// without echo, so it is set right first.
const SCRIPT: &str =
    r#"stty sane; echo "before=$(stty -g)"; "$@"; echo "code=$?"; echo "after=$(stty -g)""#;

/// One question: words by which it is known, words right before the cursor, and what is typed.
#[derive(Debug, Clone, PartialEq)]
struct Step {
    known_by: &'static str,
    asks: &'static str,
    types: String,
}

fn step(known_by: &'static str, asks: &'static str, types: &str) -> Step {
    Step {
        known_by,
        asks,
        types: format!("{types}\r"),
    }
}

fn choice(known_by: &'static str, number: u32) -> Step {
    step(known_by, "? for help] ", &number.to_string())
}

fn yes(known_by: &'static str) -> Step {
    step(known_by, "] ", "y")
}

/// What was seen until the end.
struct Seen {
    code: i32,
    text: String,
}

impl Seen {
    #[track_caller]
    fn ends(self, code: i32) -> Self {
        assert_eq!(self.code, code, "{}", self.text);
        self
    }

    #[track_caller]
    fn says(self, words: &str) -> Self {
        let flat = self.text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(words), "`{words}` is not in:\n{}", self.text);
        self
    }
}

/// Walks through the questions; whatever was seen, the terminal is as it was and no secret was told.
#[track_caller]
fn walk(bench: &Bench, steps: &[Step]) -> Seen {
    go_on(bench, open(SCRIPT, bench), steps)
}

/// A terminal in which a script runs that has the program and its words for arguments.
fn open(script: &str, bench: &Bench) -> PtySession {
    let mut command = Command::new("sh");
    command
        .args(["-c", script, "sh", env!("CARGO_BIN_EXE_linkmend")])
        .arg("--data-dir")
        .arg(bench.data())
        .env_clear()
        .env("PATH", "/usr/bin:/bin")
        .env("TERM", "xterm")
        .env("COLUMNS", "80")
        .env("NO_COLOR", "1")
        .env("HOME", "/nonexistent")
        .env("DBUS_SYSTEM_BUS_ADDRESS", NO_BUS);
    let options = Options::new()
        .timeout_ms(Some(PATIENCE_MS))
        .strip_ansi_escape_codes(true);
    spawn_with_options(command, options).expect("a terminal")
}

#[track_caller]
fn go_on(bench: &Bench, mut terminal: PtySession, steps: &[Step]) -> Seen {
    let mut text = String::new();
    for step in steps {
        for words in [step.known_by, step.asks] {
            text += &wait_for(&mut terminal, words, &text);
        }
        terminal.send(&step.types).expect("it takes keys");
        terminal.flush().expect("it takes keys");
    }
    text += &terminal
        .exp_eof()
        .unwrap_or_else(|error| panic!("{error}\n{text}"));
    // Each byte came as a character of its own.
    let bytes: Vec<u8> = text.chars().filter_map(|c| u8::try_from(c).ok()).collect();
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let value = |name: &str| {
        let (_, rest) = text.split_once(name).expect("the script says it");
        rest.split_whitespace().next().expect("a value").to_owned()
    };
    assert_eq!(
        value("before="),
        value("after="),
        "the terminal's mode\n{text}"
    );
    let told: Vec<String> = bench.truth().devices.iter().flat_map(secrets).collect();
    keep(&told, &text);
    Seen {
        code: value("code=").parse().expect("a number"),
        text,
    }
}

#[track_caller]
fn wait_for(terminal: &mut PtySession, words: &str, text: &str) -> String {
    let before = terminal
        .exp_string(words)
        .unwrap_or_else(|error| panic!("waiting for `{words}`: {error}\n{text}"));
    before + words
}

/// The first questions, up to which receiver.
fn begin() -> Vec<Step> {
    vec![
        choice("What do you see?", 1),
        choice("What kind of receiver is it?", 1),
        yes("Before it is powered:"),
    ]
}

/// What the family behind a login asks for first, and what the school's receivers let in.
fn login() -> Vec<Step> {
    vec![
        step("asks for its login", "User: ", "skipper"),
        step("Password:", "(not shown) ", "heron-on-one-leg"),
    ]
}

/// The questions up to a receiver at its address.
fn to_address(bench: &Bench) -> Vec<Step> {
    let mut steps = begin();
    steps.extend([
        choice("Which receiver?", 2),
        choice("How does linkmend know its family?", 1),
        step("Its address", "? for help]: ", &bench.at()),
    ]);
    if bench.truth().family == Family::SampleLogin {
        steps.extend(login());
    }
    steps
}

/// Bind words, typed twice.
fn bind_words(words: &str) -> Vec<Step> {
    vec![
        step("Bind words", "(not shown) ", words),
        step("Bind words, again", "(not shown) ", words),
    ]
}

/// The questions of a locked receiver, up to its last proof: its lock is set to slot 3.
fn set_to_three(bench: &Bench, family: Family, follows: u32) -> Vec<Step> {
    let mut steps = to_address(bench);
    steps.push(step(
        "Which number does your transmitter show?",
        "help]: ",
        "3",
    ));
    steps.push(choice("your transmitter shows 3", 2));
    if family == Family::SampleScript {
        // Nothing but its address tells it.
        steps.push(yes("Is it the only one that is powered?"));
    }
    steps.push(yes("Write this?"));
    steps.push(choice("Does it follow the sticks?", follows));
    steps
}

/// What the person said last of the newest change, as `history` tells it.
fn word(bench: &Bench) -> serde_json::Value {
    bench.history()["devices"][0]["changes"][0]["follows"].clone()
}

#[track_caller]
fn untouched(device: &DeviceTruth) {
    assert_eq!((device.saves, device.refused, device.boots), (0, 0, 0));
}

#[test]
fn lock_is_set_to_the_transmitters_number_and_the_word_of_the_skipper_is_kept_apart() {
    side_by_side(&Family::ALL, |&family| {
        let bench = Bench::new(family, Scenario::Locked);
        let before = bench.present();
        walk(&bench, &set_to_three(&bench, family, 1))
            .ends(0)
            .says("plan model-lock slot 7 → slot 3")
            .says("proof read after a witnessed restart")
            .says("done, and proved")
            .says("On record with change 1, as your word.");
        let wanted = but(&before.settings, "model-lock", 3.into());
        assert_eq!(bench.present().settings, wanted);
        assert_eq!(word(&bench), true);
        bench
            .off_device(&["history"])
            .run()
            .ends(0)
            .says("unlock: done model-lock slot 7 → slot 3")
            .says("the skipper's word: it does follow the sticks");
    });
}

#[test]
fn lock_is_cleared_and_a_receiver_that_still_does_not_follow_is_looked_into() {
    side_by_side(&Family::ALL, |&family| {
        let bench = Bench::new(family, Scenario::Locked);
        let mut steps = set_to_three(&bench, family, 2);
        let number = to_address(&bench).len();
        // The number is not known.
        steps[number].types = "\r".into();
        steps[number + 1] = choice("It is locked to slot 7. What shall be done?", 1);
        walk(&bench, &steps)
            .ends(0)
            .says("Its model lock is off now")
            .says("What to look at next:")
            .says("Both ends have the same major firmware version (here");
        assert_eq!(bench.setting("model-lock"), "off");
        assert_eq!(word(&bench), false);
    });
}

/// A login with a wrong password.
fn mistyped() -> Vec<Step> {
    vec![
        step("asks for its login", "User: ", "skipper"),
        step("Password:", "(not shown) ", "heron-on-two-legs"),
    ]
}

#[test]
fn mistyped_login_is_told_and_asked_for_again() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Healthy);
    let mut steps = to_address(&bench);
    let right = steps.split_off(steps.len() - login().len());
    let seen = walk(&bench, &[steps, mistyped(), mistyped(), right].concat()).ends(0);
    assert_eq!(seen.text.matches("the login was refused").count(), 2);
    seen.says("Nothing was changed. This reading is record 1.");
    untouched(&bench.present());
}

#[test]
fn login_is_asked_for_three_times_and_then_no_more() {
    let bench = Bench::new(Family::SampleLogin, Scenario::Healthy);
    let mut steps = to_address(&bench);
    steps.truncate(steps.len() - login().len());
    for _ in 0..3 {
        steps.extend(mistyped());
    }
    steps.push(Step {
        types: "\u{1b}".into(),
        ..choice("What now?", 1)
    });
    let seen = walk(&bench, &steps)
        .ends(130)
        .says("the login was refused 3 times");
    assert!(!seen.text.contains("heron-on-two-legs"), "{}", seen.text);
    untouched(&bench.present());
}

#[test]
fn lock_that_lets_the_transmitter_through_is_left_unless_it_is_cleared_all_the_same() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let mut steps = to_address(&bench);
    steps.push(step(
        "Which number does your transmitter show?",
        "help]: ",
        "7",
    ));
    steps.push(choice("What shall be done with the lock?", 1));
    walk(&bench, &steps)
        .ends(0)
        .says("the lock lets it through")
        .says("Both ends have the same bind key.")
        .says("Nothing was changed. This reading is record 1.");
    untouched(&bench.present());
}

#[test]
fn every_other_condition_is_told_and_nothing_is_written() {
    let mut cases = Vec::new();
    for family in Family::ALL {
        let shows_key = family != Family::SampleLogin;
        let has_mode = family != Family::SampleLogin;
        cases.push((
            family,
            Scenario::Unbound,
            vec![choice("What shall be done?", if has_mode { 3 } else { 2 })],
            [
                "it has no bind key: it links with no transmitter",
                "Binding gives both ends the same bind key.",
            ],
        ));
        let mut hold = step("Hold the transmitter's bind words", "] ", "");
        hold.types = "n".into();
        cases.push((
            family,
            Scenario::Healthy,
            shows_key.then_some(hold).into_iter().collect(),
            [
                "No setting of the receiver keeps it from linking.",
                "The transmitter first, with the right model memory selected",
            ],
        ));
        cases.push((
            family,
            Scenario::Faulty,
            Vec::new(),
            [
                "its processor runs but does not reach its radio part",
                "No setting mends that:",
            ],
        ));
    }
    side_by_side(&cases, |(family, scenario, more, words)| {
        let bench = Bench::new(*family, *scenario);
        let steps = [to_address(&bench), more.clone()].concat();
        let seen = walk(&bench, &steps).ends(0);
        seen.says(words[0])
            .says(words[1])
            .says("Nothing was changed. This reading is record 1.");
        untouched(&bench.present());
    });
}

#[test]
fn receiver_without_a_bind_key_is_bound_by_bind_words() {
    side_by_side(&Family::ALL, |&family| {
        let bench = Bench::new(family, Scenario::Unbound);
        let mut steps = to_address(&bench);
        steps.push(choice("What shall be done?", 1));
        steps.extend(bind_words(WORDS));
        if family == Family::SampleScript {
            steps.push(yes("Is it the only one that is powered?"));
        }
        steps.push(yes("Write this?"));
        steps.push(choice("Does it follow the sticks?", 1));
        // What is never shown again is for the skipper alone to prove.
        let (code, said) = match family {
            Family::SampleLogin => (7, "NOT PROVED"),
            _ => (0, "done, and proved"),
        };
        walk(&bench, &steps)
            .ends(code)
            .says(said)
            .says("On record with change 1, as your word.");
        assert!(bench.setting("bind-key").is_string());
        assert_eq!(word(&bench), true);
    });
}

#[test]
fn bind_mode_is_started_or_told_as_the_family_has_it() {
    let bench = Bench::new(Family::SampleScript, Scenario::Unbound);
    let mut steps = to_address(&bench);
    steps.push(choice("What shall be done?", 2));
    steps.push(yes("Is it the only one that is powered?"));
    steps.push(yes("Start bind mode?"));
    walk(&bench, &steps).ends(0).says("it is in bind mode");
    let bench = Bench::new(Family::SampleForm, Scenario::Unbound);
    let mut steps = to_address(&bench);
    steps.push(choice("What shall be done?", 2));
    walk(&bench, &steps)
        .ends(0)
        .says("bind mode is started by hand");
    untouched(&bench.present());
}

#[test]
fn bind_words_are_held_against_the_key_and_set_where_they_give_another() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let mut steps = to_address(&bench);
    steps.push(yes("Hold the transmitter's bind words"));
    steps.push(step("Bind words", "(not shown) ", WORDS));
    let mut set = steps.clone();
    set.push(yes("Set its bind key from bind words now?"));
    set.extend(bind_words(WORDS));
    set.push(yes("Write this?"));
    set.push(choice("Does it follow the sticks?", 3));
    walk(&bench, &set)
        .ends(0)
        .says("no: these words do not give the key that is there")
        .says("done, and proved");
    walk(&bench, &steps)
        .ends(0)
        .says("yes: these words give the key that is there")
        .says("So the bind key is not what keeps them apart");
}

#[test]
fn read_back_alone_and_outputs_alone_change_nothing() {
    let read: fn(Vec<Step>) -> Vec<Step> = |mut steps| {
        steps[0].types = "3\r".into();
        steps
    };
    let outputs: fn(Vec<Step>) -> Vec<Step> = |mut steps| {
        steps[0].types = "2\r".into();
        steps.insert(2, yes("Read back now what the receiver speaks"));
        steps
    };
    for (change, shown, hidden) in [
        (read, "light 40 %", "Hold these against"),
        (outputs, "channel-order 2 1 3 4", "fallback-wait"),
    ] {
        let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
        let seen = walk(&bench, &change(to_address(&bench)));
        let seen = seen.ends(0).says(shown).says("output pulse-widths");
        assert!(!seen.text.contains(hidden), "{}", seen.text);
        untouched(&bench.present());
    }
}

#[test]
fn receiver_without_wifi_is_told_early() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    for (first, words) in [
        (1, "What to check instead: - The transmitter first"),
        (
            2,
            "The channel order is another than the controller expects.",
        ),
        (3, "mostly has no Wi-Fi"),
    ] {
        let steps = [
            choice("What do you see?", first),
            choice("What kind of receiver is it?", 2),
        ];
        walk(&bench, &steps).ends(0).says(words);
    }
    assert!(bench.truth().requests.is_empty());
}

#[test]
fn not_being_ready_ends_it() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let mut steps = begin();
    steps[2].types = "n".into();
    walk(&bench, &steps)
        .ends(6)
        .says("not ready yet; nothing was read or changed");
}

#[test]
fn nobody_at_the_address_can_be_tried_again_with_a_profile_of_ones_own() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let shown = Call::new(&["profile", "show", "sample-form", "--toml"])
        .run()
        .ends(0);
    // Its network's address is one where nobody is.
    let toml = shown
        .stdout
        .replace("192.168.77.1", "127.77.77.77")
        .replace("192.168.77.9/24", "127.77.77.9/24");
    let file = bench.data().join("mine.toml");
    std::fs::write(&file, toml).expect("a file");
    let nowhere = bench.data().join("none.toml").display().to_string();
    let mut steps = begin();
    steps.extend([
        choice("Which receiver?", 1),
        choice("How does linkmend know its family?", 2),
        step("Path of the profile", "help): ", &nowhere),
        step("error: ", "help): ", &file.display().to_string()),
        choice("A name like `TarnBoat *`, with the passphrase", 2),
        choice("What may be the matter:", 3),
        step("Its address", "? for help]: ", "127.77.77.77"),
        choice("no device answers at `http://127.77.77.77`", 2),
        step("Its address", "? for help]: ", &bench.address().to_string()),
        step("Hold the transmitter's bind words", "] ", ""),
    ]);
    walk(&bench, &steps)
        .ends(0)
        .says(
            "linkmend joins no network by itself here, and you do it by hand: no `NetworkManager`",
        )
        .says("It opens 40 to 55 s after power-up")
        .says("No setting of the receiver keeps it from linking.");
}

#[test]
fn way_that_leads_nowhere_leads_back_to_the_others() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let to = |address: &str| {
        vec![
            choice("Which receiver?", 2),
            choice("How does linkmend know its family?", 1),
            step("Its address", "? for help]: ", address),
        ]
    };
    let steps = [
        begin(),
        to("127.77.77.77"),
        vec![choice("What now?", 3)],
        to(&bench.at()),
        vec![step("Hold the transmitter's bind words", "] ", "")],
    ];
    walk(&bench, &steps.concat())
        .ends(0)
        .says("No setting of the receiver keeps it from linking.");
    untouched(&bench.present());
}

#[test]
fn practice_receivers_go_the_same_way_and_keep_a_journal_of_their_own() {
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let mut steps = begin();
    steps.extend([
        choice("Which receiver?", 3),
        choice("What is the matter with it?", 1),
        choice("Of which family is it?", 2),
        step("Which number does your transmitter show?", "help]: ", ""),
        choice("What shall be done?", 1),
        yes("Write this?"),
        choice("Does it follow the sticks?", 1),
    ]);
    walk(&bench, &steps).ends(0).says("done, and proved");
    bench
        .off_device(&["history", "--practiced"])
        .run()
        .ends(0)
        .says("the skipper's word: it does follow the sticks");
    assert_eq!(bench.history()["devices"].as_array().map(Vec::len), Some(0));
}

#[test]
fn every_question_explains_itself_without_a_network() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let explained = [
        (
            choice("What do you see?", 1),
            "which commands go through all of them",
        ),
        (choice("What kind", 1), "If you cannot tell, take 1"),
        (
            yes("Before it is"),
            "One that waits without air over it gets hot.",
        ),
        (
            choice("Which receiver?", 2),
            "nothing real is read or changed.",
        ),
        (choice("How does linkmend", 1), "are invented samples"),
        (
            step("Its address", "help]: ", &bench.at()),
            "its manual says it",
        ),
        (step("Which number", "help]: ", "3"), "refuses all others"),
        (
            choice("shall be done?", 3),
            "A lock may be there on purpose",
        ),
    ];
    let mut steps = Vec::new();
    for (answer, _) in &explained {
        let again = Step {
            known_by: "",
            ..answer.clone()
        };
        steps.push(Step {
            types: "?".into(),
            ..answer.clone()
        });
        steps.push(again);
    }
    let mut seen = walk(&bench, &steps).ends(0).says("Nothing was changed.");
    for (_, words) in explained {
        seen = seen.says(words);
    }
    untouched(&bench.present());
}

#[test]
fn change_that_did_not_take_is_no_success_and_is_not_tried_with_sticks() {
    let bench = Bench::new(Family::SampleForm, Scenario::LockReturns);
    let mut steps = set_to_three(&bench, Family::SampleForm, 1);
    steps.pop();
    walk(&bench, &steps)
        .ends(5)
        .says("it did not take; what was there is back, proved");
    assert_eq!(bench.setting("model-lock"), 7);
    assert!(word(&bench).is_null());
}

#[test]
fn unfinished_change_is_told_before_the_first_question() {
    let bench = Bench::new(Family::SampleForm, Scenario::LostRestart);
    bench.linkmend(&["unlock", "--yes"]).run().ends(7);
    let mut first = choice("What do you see?", 1);
    first.types = "\u{1b}".into();
    walk(&bench, &[first.clone()])
        .ends(130)
        .says("A change was cut off earlier: `linkmend resume` finishes or undoes it");
    // Of another linkmend that is at work it may be the one under way.
    let folder = linkmend::journal::DataFolder::at(bench.data());
    let held = linkmend::journal::Journal::open(&folder).expect("nobody holds it");
    let seen = walk(&bench, &[first]).ends(130);
    assert!(!seen.text.contains("cut off earlier"), "{}", seen.text);
    drop(held);
}

#[test]
fn without_a_terminal_or_with_one_result_wanted_it_asks_nothing() {
    let help = Call::new(&[]).run().ends(2).says("Usage: linkmend");
    assert_eq!(help.stdout, "");
    let said = Call::new(&["--json"]).run().ends(2);
    assert_eq!(said.json("error")["error"]["code"], "usage");
    Call::new(&["--quiet"])
        .run()
        .ends(2)
        .says("without a command there are questions")
        .complains_once();
}

#[test]
fn readme_shows_the_questions_as_they_are_asked() {
    let readme = readme();
    let bench = Bench::new(Family::SampleForm, Scenario::Healthy);
    let steps = [
        begin(),
        vec![
            choice("Which receiver?", 3),
            choice("What is the matter with it?", 1),
            choice("Of which family is it?", 1),
            step(
                "Which number does your transmitter show?",
                "? for help]: ",
                "3",
            ),
            choice("your transmitter shows 3", 2),
            yes("Write this?"),
            choice("Does it follow the sticks?", 1),
        ],
    ]
    .concat();
    let seen = walk(&bench, &steps).ends(0);
    let shown = block(&readme, "screen");
    let lines: Vec<&str> = shown.lines().filter(|line| *line != "…").collect();
    assert!(lines.len() > steps.len(), "{shown}");
    for line in lines {
        // What is typed comes back with the cursor's movements around it.
        let asked = line.rfind("] ").or(line.rfind("]: "));
        let line = match asked {
            Some(end) if line.contains("[1 to ") || line.contains("? for help") => &line[..=end],
            _ => line,
        };
        assert!(
            seen.text.contains(line),
            "`{line}` is not in:\n{}",
            seen.text
        );
    }
}
