//! `linkmend loaners check` and `reset` to their end: what they say of each loaner is so, the exit code
//! is that of the gravest, and what must not write does not.

use std::fs;

use serde_json::{Value as Json, json};

use crate::{
    harness::Call,
    shelf::{Loaners, lines, pages, results, summary},
};

/// Eight of whom three misbehave.
const MIXED: &str = "locked:3,visited:1,healthy:1,lock-returns:1,absent:1,stranger:1";

#[test]
fn reset_ends_as_the_gravest_and_what_it_says_of_each_is_so() {
    let shelf = Loaners::new(8, MIXED);
    let before = shelf.devices();
    let said = shelf.reset(&["--json"]).run().ends(5);
    assert_eq!(said.stderr, "");
    let lines = lines(&said);
    assert_eq!(lines[0]["event"]["began"]["run"], 1);
    let summary = lines.last().expect("a summary");
    shelf.is_true(summary, &before);
    for (condition, result) in [
        ("locked", "done"),
        ("visited", "done"),
        ("healthy", "done"),
        ("lock-returns", "put-back"),
        ("absent", "missing"),
        ("stranger", "refused"),
    ] {
        let labels = shelf.labels(condition);
        assert!(!labels.is_empty(), "{condition}");
        for label in labels {
            assert_eq!(results(summary)[label.as_str()], result, "{label}");
        }
    }
    let counts = &summary["counts"];
    let expected = json!({
        "all": 8, "done": 5, "as-wanted": 0, "differ": 0, "missing": 1, "failed": 2, "unproved": 0,
    });
    for (name, count) in expected.as_object().expect("counts") {
        let told = counts.get(name).or(counts.get(name.replace('-', "_")));
        assert_eq!(told, Some(count), "{name} of {counts}");
    }
    // Whoever failed was tried again, and its second end is the one that counts.
    let absent = &shelf.labels("absent")[0];
    let of_it = |line: &&Json| line["event"]["ended"]["label"] == json!(absent);
    assert_eq!(lines.iter().filter(of_it).count(), 2, "{lines:#?}");
    assert_eq!(pages(&shelf.data()).len(), 1);
    // All is on record, and a second reset has but the three to see to.
    let said = shelf.reset(&["--json"]).run().ends(5);
    let again = summary_counts(&summary_of(&said));
    assert_eq!(again, (0, 5));
}

fn summary_of(said: &crate::harness::Said) -> Json {
    summary(said)
}

/// How many are done, and how many were as wanted already.
fn summary_counts(summary: &Json) -> (usize, usize) {
    let all = results(summary);
    let count = |word: &str| all.values().filter(|result| **result == word).count();
    (count("done"), count("as-wanted"))
}

#[test]
fn exit_code_is_that_of_the_gravest_loaner() {
    // The order of the help of `reset`, the least grave first.
    for (conditions, code) in [
        ("locked:2", 0),
        ("locked:1,absent:1", 3),
        ("absent:1,stalled:1", 1),
        ("absent:1,stranger:1", 6),
        ("stranger:1,lock-returns:1", 5),
        ("lock-returns:1,swapped-after-restart:1", 7),
    ] {
        let shelf = Loaners::new(2, conditions);
        let before = shelf.devices();
        let said = shelf.reset(&["--json"]).run().ends(code);
        shelf.is_true(&summary(&said), &before);
    }
}

#[test]
fn check_and_dry_run_write_nothing_to_any_device() {
    let shelf = Loaners::new(8, MIXED);
    let before = shelf.devices();
    let said = shelf.command("check", &["--json"]).run().ends(4);
    let checked = summary(&said);
    let said = shelf
        .command("reset", &["--dry-run", "--json"])
        .run()
        .ends(6);
    let planned = summary(&said);
    assert_eq!(shelf.acts(), 0);
    for (label, was) in &before {
        let is = &shelf.devices()[label];
        assert_eq!(
            (is.saves, is.boots, is.refused),
            (was.saves, was.boots, was.refused),
            "{label}"
        );
        assert_eq!(is.settings, was.settings, "{label}");
    }
    for label in shelf.labels("locked") {
        assert_eq!(results(&checked)[label.as_str()], "differs");
        assert_eq!(results(&planned)[label.as_str()], "planned");
    }
    // Both name the same settings with the same values.
    let changes = |summary: &Json| -> Vec<(Json, Json, Json)> {
        let all = summary["loaners"].as_array().expect("loaners").iter();
        let mut all: Vec<_> = all
            .flat_map(|one| one["changes"].as_array().expect("changes"))
            .map(|change| {
                (
                    change["setting"].clone(),
                    change["before"].clone(),
                    change["after"].clone(),
                )
            })
            .collect();
        all.sort_by_key(|change| format!("{change:?}"));
        all
    };
    assert!(!changes(&checked).is_empty());
    assert_eq!(changes(&checked), changes(&planned));
    shelf.off_shelf(&["resume"]).run().ends(0);
}

#[test]
fn check_of_a_shelf_that_is_as_wanted_ends_with_0_and_tells_no_secret() {
    let shelf = Loaners::new(3, "visited");
    shelf
        .command("check", &[])
        .run()
        .ends(4)
        .says("local-network");
    shelf
        .reset(&[])
        .run()
        .ends(0)
        .says("All 3 loaners are set as the file wants it");
    let said = shelf.command("check", &[]).run().ends(0);
    assert!(said.stdout.contains("as wanted"), "{}", said.stdout);
}

#[test]
fn only_those_named_are_touched() {
    let shelf = Loaners::new(4, "locked");
    let labels = shelf.labels("locked");
    let named = [labels[1].as_str(), labels[3].as_str()];
    let said = shelf
        .reset(&["--json", "--only", named[0], named[1]])
        .run()
        .ends(0);
    let summary = summary(&said);
    let mut told: Vec<_> = results(&summary).into_iter().collect();
    told.sort_unstable();
    let mut expected = [(named[0], "done"), (named[1], "done")];
    expected.sort_unstable();
    assert_eq!(told, expected);
    for one in shelf.receivers() {
        let is_named = named.contains(&one.row.label.as_str());
        assert_eq!(
            !one.truth.requests.is_empty(),
            is_named,
            "{}",
            one.row.label
        );
    }
}

#[test]
fn label_that_is_on_no_sticker_is_told_before_anybody_is_asked() {
    let shelf = Loaners::new(2, "locked");
    for command in ["check", "reset"] {
        shelf
            .command(command, &["--only", "Hreon", "Tael"])
            .run()
            .ends(2)
            .says("is called `Hreon` or `Tael`")
            .complains_once();
    }
    let labels = shelf.labels("locked");
    let small = [&labels[0], &labels[1]].map(|label| label.to_lowercase());
    shelf
        .command("check", &["--only", &small[0], "x", &small[1]])
        .run()
        .ends(2)
        .says(&format!(
            "did you mean `{}` and `{}`? write the label as it stands in the file",
            labels[0], labels[1]
        ))
        .complains_once();
    shelf.is_unasked();
}

#[test]
fn file_behind_the_labels_is_told_with_the_order_that_goes() {
    let shelf = Loaners::new(2, "locked");
    let file = shelf.word("shelf.toml");
    let label = &shelf.labels("locked")[0];
    for command in ["check", "reset"] {
        shelf
            .off_shelf(&["loaners", command, "--only", label, &file])
            .run()
            .ends(2)
            .says(&format!(
                "Usage: linkmend loaners {command} <FILE> [--only <LABEL>...] [OPTIONS]"
            ));
        let dry: &[&str] = if command == "reset" {
            &["--dry-run"]
        } else {
            &[]
        };
        shelf
            .off_shelf(&["loaners", command, &file, "--only", label])
            .words(dry)
            .run();
    }
    let asked = |one: &mock_device::shelf::ReceiverTruth| !one.truth.requests.is_empty();
    let all = shelf.receivers();
    let asked: Vec<&str> = all
        .iter()
        .filter(|one| asked(one))
        .map(|one| one.row.label.as_str())
        .collect();
    assert_eq!(asked, [label]);
}

#[test]
fn adapter_that_would_not_be_used_is_refused() {
    let shelf = Loaners::new(2, "locked");
    for (words, option) in [
        (
            ["--adapter", "wlan9"],
            "`--adapter wlan9` would not be used",
        ),
        (["--adapters", "999"], "`--adapters 999` would not be used"),
    ] {
        for command in ["check", "reset"] {
            shelf
                .command(command, &words)
                .run()
                .ends(2)
                .says(option)
                .complains_once();
        }
    }
    shelf.is_unasked();
}

#[test]
fn number_that_is_none_is_told_in_words() {
    let shelf = Loaners::new(1, "locked");
    for option in ["--powered", "--adapters", "--stop-after"] {
        for number in ["0", "65536", "many", "1.5"] {
            let said = shelf
                .command("check", &[option, number])
                .run()
                .ends(2)
                .says(&format!("'{number}' for '{option} <N>'"))
                .says("it takes a whole number from 1 to 65535");
            assert!(!said.stderr.contains("..="), "{}", said.stderr);
        }
    }
    shelf.is_unasked();
}

#[test]
fn without_a_service_it_says_what_a_shelf_takes_instead() {
    let shelf = Loaners::new(2, "locked");
    let text = shelf.toml();
    let rows = text.lines().filter(|line| !line.starts_with("at = "));
    shelf.write("shelf.toml", &rows.collect::<Vec<_>>().join("\n"));
    for words in [["check", "--quiet"], ["reset", "--yes"]] {
        let said = shelf
            .command(words[0], &words[1..])
            .run()
            .ends(1)
            .says("no `NetworkManager` answers on this computer")
            .says("use a computer with NetworkManager")
            .says("give its row `at`")
            .complains_once();
        assert!(!said.stderr.contains("--by-hand"), "{}", said.stderr);
    }
    shelf.is_unasked();
}

#[test]
fn stop_after_begins_no_other_and_says_so() {
    let shelf = Loaners::new(4, "stranger");
    let words = ["--stop-after", "1", "--powered", "1"];
    let said = shelf
        .reset(&words)
        .run()
        .ends(6)
        .says("a loaner failed, so no other was begun");
    assert!(said.stdout.contains("not tried"), "{}", said.stdout);
    let asked = |one: &mock_device::shelf::ReceiverTruth| !one.truth.requests.is_empty();
    assert_eq!(shelf.receivers().iter().filter(|one| asked(one)).count(), 1);
}

#[test]
fn powered_bounds_how_many_are_under_way_at_once() {
    let shelf = Loaners::new(6, "locked");
    let said = shelf.reset(&["--powered", "2", "--json"]).run().ends(0);
    let mut under_way = std::collections::BTreeSet::new();
    let mut most = 0;
    for line in lines(&said) {
        let step = &line["event"]["step"];
        let label = step["loaner"].as_str().map(ToOwned::to_owned);
        if step["step"] == "through" {
            under_way.remove(&label);
        } else if label.is_some() {
            under_way.insert(label);
        }
        most = most.max(under_way.len());
    }
    assert_eq!(most, 2);
}

#[test]
fn nobody_agrees_where_nobody_is() {
    let shelf = Loaners::new(2, "locked");
    shelf
        .command("reset", &[])
        .run()
        .ends(6)
        .says("nobody is there to agree")
        .complains_once();
    let said = shelf.command("reset", &["--json"]).run().ends(6);
    assert_eq!(said.json("error")["error"]["code"], "no-consent");
    shelf.is_unasked();
}

#[test]
fn file_that_is_none_is_one_clear_message_and_nothing_is_asked_of_any_device() {
    let shelf = Loaners::new(1, "locked");
    for (text, words) in [
        ("", "the file lacks `loaner`"),
        (
            "format = 1\ntitle = \"Tarn\"\nfamily = \"sample-form\"\n",
            "the file lacks `loaner`",
        ),
        ("label,serial\nHeron,TD-0042\n", "fault"),
    ] {
        shelf.write("shelf.toml", text);
        shelf.reset(&[]).run().ends(2).says(words);
    }
    fs::remove_file(shelf.path("shelf.toml")).expect("ours");
    shelf
        .command("check", &[])
        .run()
        .ends(2)
        .says("No such file")
        .says("`linkmend loaners init` makes such a file")
        .complains_once();
    fs::create_dir(shelf.path("shelf.toml")).expect("ours");
    let said = shelf.command("check", &[]).run().ends(2);
    assert!(!said.stderr.contains("CSV"), "{}", said.stderr);
    let nobody = Call::new(&["loaners", "check"]).run().ends(2);
    assert!(nobody.stderr.contains("<FILE>"), "{}", nobody.stderr);
    assert!(shelf.receivers()[0].truth.requests.is_empty());
}

#[test]
fn bound_or_network_that_is_none_is_told_before_anything_is_begun() {
    let shelf = Loaners::new(1, "locked");
    shelf
        .reset(&["--limit", "anwser-s=3"])
        .run()
        .ends(2)
        .complains_once();
    shelf
        .reset(&["--open-network", "Heron's"])
        .run()
        .ends(2)
        .says("`Heron's` is no network of sample-form")
        .says("give it as the profile has it")
        .complains_once();
    shelf
        .reset(&["--passphrase-file", &shelf.word("none")])
        .run()
        .ends(2);
    assert!(shelf.receivers()[0].truth.requests.is_empty());
    assert_eq!(pages(&shelf.data()).len(), 0);
}

#[test]
fn what_local_rules_set_is_left_and_is_no_success() {
    let shelf = Loaners::new(2, "locked");
    let text = shelf
        .toml()
        .replace("[baseline]\n", "[baseline]\nregion = \"DE\"\n");
    shelf.write("shelf.toml", &text);
    let before = shelf.devices();
    let said = shelf
        .reset(&[])
        .run()
        .ends(6)
        .says("local rules set `region`: it stays as it is")
        .says("0 of 2 loaners are set as the file wants it")
        .says("linkmend write");
    assert!(!said.stdout.contains("All 2"), "{}", said.stdout);
    for (label, is) in shelf.devices() {
        assert_eq!(is.settings["region"], before[&label].settings["region"]);
        assert_eq!(is.settings["model-lock"], u64::from(shelf.slot(&label)));
    }
}

#[test]
fn practice_shelf_begins_anew_each_time() {
    let data = tempfile::tempdir().expect("a folder");
    let data = data.path().display().to_string();
    for _ in 0..2 {
        let said = Call::new(&["loaners", "reset", "--practice", "--yes", "--json"])
            .words(&["--data-dir", &data])
            .run()
            .ends(5);
        let summary = summary(&said);
        assert_eq!(summary_counts(&summary), (20, 1));
        assert_eq!(summary["simulated"], true);
        let counts: Vec<&str> = results(&summary).into_values().collect();
        for word in ["put-back", "refused", "missing"] {
            assert_eq!(
                counts.iter().filter(|one| **one == word).count(),
                1,
                "{word}"
            );
        }
    }
}

#[test]
fn help_says_the_exit_codes() {
    let said = Call::new(&["loaners", "reset", "--help"]).run().ends(0);
    for words in [
        "7 unproved",
        "5 did not take",
        "6 refused",
        "3 missing",
        "130 before any write",
    ] {
        assert!(
            said.stdout
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
                .contains(words),
            "{words}"
        );
    }
    let said = Call::new(&["loaners", "check", "--help"])
        .run()
        .ends(0)
        .says("with 4 where anything is not");
    assert!(!said.stdout.contains("--yes"));
}
