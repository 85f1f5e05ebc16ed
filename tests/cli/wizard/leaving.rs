//! Every question left by Escape, Ctrl-C and Ctrl-D: the receiver and the terminal are as they were.

use std::process::Command;

use mock_device::{Family, Scenario};

use super::{
    SCRIPT, Step, WORDS, begin, bind_words, choice, go_on, login, open, set_to_three, step,
    untouched, wait_for, walk, word, yes,
};
use crate::harness::{Bench, side_by_side};

/// Escape, Ctrl-C and Ctrl-D as a terminal sends them.
const LEAVING: [(&str, &str); 3] = [
    ("Escape", "\u{1b}"),
    ("Ctrl-C", "\u{3}"),
    ("Ctrl-D", "\u{4}"),
];

/// Walks that together come by every question before a write, each with the first of its questions
/// that no earlier walk comes by. `AT` stands for the receiver's address.
fn all_questions() -> Vec<(Family, Scenario, Vec<Step>, usize)> {
    let at = |address: &str| {
        vec![
            choice("Which receiver?", 2),
            choice("How does linkmend know its family?", 1),
            step("Its address", "? for help]: ", address),
        ]
    };
    let lock = vec![
        step("Which number does your transmitter show?", "help]: ", "3"),
        choice("your transmitter shows 3", 2),
    ];
    let only = vec![yes("Is it the only one that is powered?")];
    let write = vec![yes("Write this?")];
    let by_hand = |way| {
        vec![
            choice("Which receiver?", 1),
            choice("How does linkmend know its family?", way),
        ]
    };
    let file = vec![step("Path of the profile", "help): ", "x")];
    let joined = vec![choice("Is this computer on it?", 2)];
    let practice = vec![
        choice("Which receiver?", 3),
        choice("What is the matter with it?", 1),
        choice("Of which family is it?", 1),
    ];
    let still = vec![
        choice("What do you see?", 2),
        choice("What kind of receiver is it?", 1),
        yes("Read back now what the receiver speaks"),
    ];
    let shelf = vec![
        choice("What do you see?", 4),
        yes("Go through a single one of them now?"),
    ];
    let hold = vec![
        yes("Hold the transmitter's bind words"),
        step("Bind words", "(not shown) ", WORDS),
        yes("Set its bind key from bind words now?"),
    ];
    let bind = [vec![choice("What shall be done?", 1)], bind_words(WORDS)].concat();
    let mode = vec![
        choice("What shall be done?", 2),
        only[0].clone(),
        yes("Start bind mode?"),
    ];
    let (form, script) = (Family::SampleForm, Family::SampleScript);
    let nobody = [at("127.77.77.77"), vec![choice("What now?", 1)]].concat();
    let locked = |family, more: &[Vec<Step>], first| {
        (
            family,
            Scenario::Locked,
            [begin(), more.concat()].concat(),
            first,
        )
    };
    vec![
        locked(form, &[at("AT"), lock.clone(), write.clone()], 0),
        locked(script, &[at("AT"), lock, only, write], 8),
        locked(Family::SampleLogin, &[at("AT"), login()], 6),
        locked(form, &[by_hand(2), file], 5),
        locked(form, &[by_hand(1), joined], 5),
        locked(form, &[practice], 4),
        locked(form, &[nobody], 6),
        (form, Scenario::Locked, still, 2),
        (form, Scenario::Locked, shelf, 1),
        (
            form,
            Scenario::Healthy,
            [begin(), at("AT"), hold].concat(),
            6,
        ),
        (
            form,
            Scenario::Unbound,
            [begin(), at("AT"), bind].concat(),
            6,
        ),
        (
            script,
            Scenario::Unbound,
            [begin(), at("AT"), mode].concat(),
            7,
        ),
    ]
}

/// Questions of the commands' own, where leaving is a plain no: nothing is written, and the program
/// has not been stopped.
const COMMANDS_OWN: [&str; 7] = [
    "Is it the only one that is powered?",
    "Write this?",
    "Start bind mode?",
    "asks for its login",
    "Password:",
    "Bind words",
    "Bind words, again",
];

#[test]
fn every_question_can_be_left_with_everything_as_it_was() {
    let mut cases = Vec::new();
    for (family, scenario, steps, first) in all_questions() {
        for at in first..steps.len() {
            for key in LEAVING {
                cases.push((family, scenario, steps[..=at].to_vec(), key));
            }
        }
    }
    // As many at a time as a small machine can start.
    for some in cases.chunks(8) {
        side_by_side(some, |(family, scenario, steps, (name, key))| {
            let bench = Bench::new(*family, *scenario);
            let mut steps = steps.clone();
            for step in &mut steps {
                step.types = step.types.replace("AT", &bench.at());
            }
            let last = steps.last_mut().expect("a question");
            (*key).clone_into(&mut last.types);
            let asked = last.known_by;
            let no = COMMANDS_OWN.contains(&asked) && *name != "Ctrl-C";
            let before = bench.present();
            let seen = walk(&bench, &steps);
            let code = if no { 6 } else { 130 };
            assert_eq!(seen.code, code, "{name} at {asked}\n{}", seen.text);
            let after = bench.present();
            assert_eq!(after.settings, before.settings, "{name} at {asked}");
            untouched(&after);
        });
    }
}

#[test]
fn leaving_the_last_question_leaves_the_change_done_and_says_nothing() {
    side_by_side(&LEAVING, |(_, key)| {
        let bench = Bench::new(Family::SampleForm, Scenario::Locked);
        let mut steps = set_to_three(&bench, Family::SampleForm, 1);
        steps.last_mut().expect("a last question").types = (*key).into();
        walk(&bench, &steps)
            .ends(0)
            .says("It stands as told above; nothing more is on record.");
        assert_eq!(bench.setting("model-lock"), 3);
        assert!(word(&bench).is_null());
    });
}

#[test]
fn what_was_typed_before_a_question_answers_none() {
    let bench = Bench::new(Family::SampleForm, Scenario::Locked);
    let gate = bench.data().join("gate");
    let shell = |words: &str| format!("{words} '{}'", gate.display());
    let made = Command::new("sh").args(["-c", &shell("mkfifo")]).status();
    assert!(made.expect("a shell").success());
    // The program starts when the gate was opened and closed, which is after the keys were sent.
    let script = format!("stty sane; echo ready; {}; {SCRIPT}", shell("cat"));
    let mut terminal = open(&script, &bench);
    wait_for(&mut terminal, "ready", "");
    terminal.send("4\r").expect("it takes keys");
    terminal.flush().expect("it takes keys");
    // The terminal has them when it shows them.
    wait_for(&mut terminal, "4", "");
    drop(
        std::fs::OpenOptions::new()
            .write(true)
            .open(&gate)
            .expect("a gate"),
    );
    let mut first = choice("What do you see?", 1);
    first.types = "\u{1b}".into();
    let seen = go_on(&bench, terminal, &[first]).ends(130);
    assert!(
        !seen.text.contains("A whole shelf is described"),
        "{}",
        seen.text
    );
}
