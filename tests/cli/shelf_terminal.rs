//! A run over a shelf at a real terminal: what it asks, the table while it goes on, and Ctrl-C.

use crate::{harness::Call, shelf::Loaners, terminal::Terminal};

const ESCAPE: &str = "\u{1b}";
const CTRL_C: &str = "\u{3}";
const CTRL_D: &str = "\u{4}";

#[test]
fn reset_says_what_it_writes_asks_and_shows_a_table() {
    let shelf = Loaners::new(3, "locked:2,lock-returns:1");
    let before = shelf.devices();
    let left = Terminal::start(shelf.command("reset", &[]))
        .sees("It writes these and nothing else: failsafe, local-network,")
        .sees("Some are reached at an address.")
        .sees("Propulsion off or propellers removed")
        .sees("Reset 3 loaners of")
        .types("y\r")
        .sees("loaner step time")
        .sees("restarting")
        .sees("3 at work")
        .ends()
        .with(
            5,
            "2 of 3 loaners are set as the file wants it, and that is proved. 1 is not.",
        );
    // The table is gone at the end, and what each came to stands there once.
    let left = left.with(5, "What is left to do");
    let secrets: Vec<String> = before.values().flat_map(crate::claims::secrets).collect();
    let secrets: Vec<&str> = secrets.iter().map(String::as_str).collect();
    left.without(&secrets);
    assert!(shelf.acts() > 0);
}

#[test]
fn everything_but_a_yes_leaves_all_as_it_was() {
    for (keys, code, words) in [
        ("n\r", 6, "you did not agree; nothing was written"),
        ("\r", 6, "you did not agree; nothing was written"),
        (ESCAPE, 6, "you did not agree; nothing was written"),
        (CTRL_D, 6, "you did not agree; nothing was written"),
        (CTRL_C, 130, "stopped by you; nothing was written"),
    ] {
        let shelf = Loaners::new(2, "locked");
        Terminal::start(shelf.command("reset", &[]))
            .sees("[y/N]")
            .types(keys)
            .ends()
            .with(code, words);
        shelf.is_unasked();
    }
}

#[test]
fn question_about_one_names_it_and_its_own_settings_alone() {
    let shelf = Loaners::new(2, "locked");
    let labels = shelf.labels("locked");
    let other = format!("label = \"{}\"\n", labels[1]);
    let text = shelf.toml().replacen(
        &format!("model-lock = {} }}", shelf.slot(&labels[1])),
        "model-lock = 9, light = 60 }",
        1,
    );
    assert!(text.contains(&other) && text.contains("light"));
    shelf.write("shelf.toml", &text);
    Terminal::start(shelf.command("reset", &["--only", &labels[0]]))
        .sees("model-lock.")
        .sees(&format!("Reset `{}` of", labels[0]))
        .types(ESCAPE)
        .ends()
        .with(6, "you did not agree")
        .without(&["light"]);
    shelf.is_unasked();
}

#[test]
fn ctrl_c_in_the_middle_leaves_the_terminal_whole_and_says_what_is_left() {
    let shelf = Loaners::new(3, "locked");
    let left = Terminal::start(shelf.reset(&["--powered", "1"]))
        .sees("restarting")
        .types(CTRL_C)
        .ends()
        .with(7, "stopped by you before all had their turn")
        .with(7, "run it again: what is proved is not done again");
    drop(left);
    Terminal::start(shelf.reset(&[])).ends().with(
        0,
        "All 3 loaners are set as the file wants it, and that is proved.",
    );
}

#[test]
fn check_asks_nothing() {
    let shelf = Loaners::new(2, "locked");
    Terminal::start(shelf.command("check", &[]))
        .ends()
        .with(4, "0 of 2 loaners are set as the file wants it. 2 are not.");
    assert_eq!(shelf.acts(), 0);
}

#[test]
fn wizard_sends_a_whole_shelf_to_these_commands() {
    let data = tempfile::tempdir().expect("a folder");
    let data = data.path().display().to_string();
    let left = Terminal::start(Call::new(&["--data-dir", &data]))
        .sees("What do you see?")
        .types("4\r")
        .sees("Go through a single one of them now?")
        .types("n\r")
        .ends();
    for command in ["init", "check", "reset", "report"] {
        assert!(
            left.shows(&format!("`linkmend loaners {command} ")),
            "{command}"
        );
        Call::new(&["loaners", command, "--help"]).run().ends(0);
    }
}
