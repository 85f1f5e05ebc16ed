//! A run over a shelf that does not come to its end: Ctrl-C, the power cut at each named point, a
//! second run beside it, its file changed under it. The next run finishes what was cut off, does
//! nothing twice, and its list is true.

use std::collections::BTreeMap;

use serde_json::Value as Json;

#[cfg(debug_assertions)]
use crate::harness::Started;
use crate::{
    harness::{Said, until},
    shelf::{Loaners, lines, results, summary},
};

/// Waits until any of them was asked for this.
fn until_acted(shelf: &Loaners) {
    until("it writes", || shelf.acts() > 0);
}

/// Waits until a run has put on record that it is under way.
fn until_begun(shelf: &Loaners) {
    let asked = || {
        let all = shelf.receivers();
        all.iter().any(|one| !one.truth.requests.is_empty())
    };
    until("it begins", asked);
}

/// A reset that has sent its first save, and stays there until it is killed.
#[cfg(debug_assertions)]
fn parked_at_its_save(shelf: &Loaners) -> Started {
    let file = shelf.path("points");
    let run = shelf
        .reset(&[])
        .env("LINKMEND_CHECKPOINT", "sent-save")
        .env("LINKMEND_CHECKPOINT_FILE", &file.display().to_string())
        .start();
    until("it is sent", || {
        let passed = std::fs::read_to_string(&file).unwrap_or_default();
        passed.lines().any(|point| point == "sent-save")
    });
    run
}

fn saves(shelf: &Loaners) -> BTreeMap<String, u64> {
    let all = shelf.devices().into_iter();
    all.map(|(label, device)| (label, device.saves)).collect()
}

fn earlier(summary: &Json) -> Vec<&str> {
    let all = summary["loaners"].as_array().expect("loaners").iter();
    let earlier = all.filter(|one| one["earlier"] == true);
    earlier.filter_map(|one| one["label"].as_str()).collect()
}

/// Runs it again to its end: all are done, each was saved once for each setting that differed, and
/// what is claimed is so.
#[track_caller]
fn finished(shelf: &Loaners, before: &BTreeMap<String, mock_device::DeviceTruth>) -> Json {
    let said = shelf.reset(&["--json"]).run().ends(0);
    let summary = summary(&said);
    shelf.is_true(&summary, before);
    assert!(
        results(&summary)
            .values()
            .all(|one| ["done", "as-wanted"].contains(one)),
        "{summary:#}"
    );
    shelf.off_shelf(&["resume"]).run().ends(0).says("nothing");
    summary
}

#[test]
fn ctrl_c_after_a_write_ends_with_7_and_the_next_run_finishes() {
    let shelf = Loaners::new(6, "locked");
    let before = shelf.devices();
    let run = shelf.reset(&["--json", "--powered", "2"]).start();
    until_acted(&shelf);
    run.interrupt();
    let said = run.ended().ends(7);
    let stopped = summary(&said);
    assert_eq!(stopped["error"]["code"], "cancelled");
    shelf.is_true(&stopped, &before);
    let by_result = results(&stopped);
    assert!(
        by_result.values().any(|one| *one == "not-tried"),
        "{stopped:#}"
    );
    let was = saves(&shelf);
    let last = finished(&shelf, &before);
    for label in earlier(&last) {
        assert_eq!(saves(&shelf)[label], was[label], "{label} was proved");
    }
}

#[test]
fn ctrl_c_before_any_write_ends_with_130_though_an_earlier_run_wrote() {
    let shelf = Loaners::new(2, "locked:1,stalled:1");
    let before = shelf.devices();
    let (locked, stalled) = (&shelf.labels("locked")[0], &shelf.labels("stalled")[0]);
    // The first run proves the one that can be proved, and stops.
    let said = shelf.reset(&["--json", "--stop-after", "1"]).run().ends(1);
    assert_eq!(results(&summary(&said))[locked.as_str()], "done");
    let count = shelf.acts();
    let times = asked(&shelf, stalled);
    let run = shelf.reset(&["--json", "--limit", "answer-s=60"]).start();
    until("it reads", || asked(&shelf, stalled) > times);
    run.interrupt();
    let said = run.ended().ends(130);
    let stopped = summary(&said);
    shelf.is_true(&stopped, &before);
    assert_eq!(earlier(&stopped), [locked.as_str()]);
    assert_eq!(shelf.acts(), count);
}

/// How often one was asked for anything.
fn asked(shelf: &Loaners, label: &str) -> usize {
    let all = shelf.receivers();
    let one = all.iter().find(|one| one.row.label == label);
    one.expect("a row").truth.requests.len()
}

#[test]
fn second_run_is_refused_with_the_number_process_and_time_of_the_first() {
    let shelf = Loaners::new(1, "stalled");
    let run = shelf.reset(&["--limit", "answer-s=60"]).start();
    until_begun(&shelf);
    for command in ["check", "reset"] {
        let said = shelf.command(command, &["--json"]).run().ends(6);
        let error = said.json("error")["error"].clone();
        assert_eq!(error["code"], "run-under-way");
        let message = error["message"].as_str().expect("a message");
        for words in [
            "The Tarn Sailing School's loaners",
            "run 1,",
            &format!("process {},", run.id()),
            "since 2",
        ] {
            assert!(message.contains(words), "`{words}` is not in {message}");
        }
    }
    run.kill();
    // It is on record as open, and whoever holds the journal now is no run over a shelf.
    let shelf_word = shelf.word("shelf.toml");
    let held = linkmend::journal::Journal::open(&linkmend::journal::DataFolder::at(&shelf.data()));
    let held = held.expect("nobody holds it");
    let said = shelf
        .off_shelf(&["loaners", "check", &shelf_word, "--json"])
        .run()
        .ends(6);
    assert_eq!(said.json("error")["error"]["code"], "journal-busy");
    drop(held);
}

/// What is under way is not called cut off; what was cut off is, and by the shelf it is settled at once.
#[test]
#[cfg(debug_assertions)]
fn change_is_open_while_its_run_is_under_way_and_cut_off_once_that_is_gone() {
    let shelf = Loaners::new(1, "locked");
    let run = parked_at_its_save(&shelf);
    let says = |words: &str| {
        let history = || shelf.off_shelf(&["history"]);
        history().run().ends(0).says(words);
        let said = history().word("--json").run().ends(0);
        let change = &said.json("history")["devices"][0]["changes"][0];
        assert!(change["outcome"].is_null(), "{change}");
    };
    says(&format!(
        "loaners reset: open, and run 1 is under way (process {})",
        run.id()
    ));
    run.kill();
    says("loaners reset: cut off, see `linkmend resume`");
    let folder = linkmend::journal::DataFolder::at(&shelf.data());
    let held = linkmend::journal::Journal::open(&folder).expect("nobody holds it");
    says(&format!(
        "loaners reset: open, and another linkmend is at work (process {})",
        std::process::id()
    ));
    drop(held);
    shelf
        .off_shelf(&["resume"])
        .run()
        .ends(7)
        .says("run the shelf again: `linkmend loaners reset FILE` settles its changes first; or power")
        .complains_once();
}

#[test]
fn file_that_changes_meanwhile_is_told_and_the_run_is_of_what_it_was() {
    let shelf = Loaners::new(2, "locked");
    let before = shelf.devices();
    let run = shelf.reset(&["--json"]).start();
    until_acted(&shelf);
    shelf.write("shelf.toml", &shelf.toml().replace("neutral", "cut"));
    let said = run.ended().ends(0);
    let summary = summary(&said);
    shelf.is_true(&summary, &before);
    let codes: Vec<&str> = summary["findings"]
        .as_array()
        .expect("findings")
        .iter()
        .filter_map(|one| one["code"].as_str())
        .collect();
    assert_eq!(codes, ["file-changed-meanwhile"]);
}

#[test]
fn row_that_changed_since_the_stop_is_done_anew_and_the_others_are_not() {
    let shelf = Loaners::new(3, "locked");
    let labels = shelf.labels("locked");
    let run = shelf.reset(&["--json", "--powered", "1"]).start();
    until("the second begins", || {
        shelf.devices()[&labels[1]].saves > 0
    });
    run.interrupt();
    run.ended().ends(7);
    let text = shelf.toml();
    let slot = shelf.slot(&labels[0]);
    let changed = text.replace(&format!("model-lock = {slot} }}"), "model-lock = 39 }");
    assert_ne!(text, changed);
    shelf.write("shelf.toml", &changed);
    let said = shelf.reset(&["--json"]).run().ends(0);
    let summary = summary(&said);
    assert!(
        !earlier(&summary).contains(&labels[0].as_str()),
        "{summary:#}"
    );
    assert_eq!(shelf.devices()[&labels[0]].settings["model-lock"], 39);
    let findings = summary["findings"].to_string();
    assert!(findings.contains("file-changed"), "{findings}");
}

#[test]
fn anew_does_again_what_was_proved() {
    let shelf = Loaners::new(2, "locked:1,stranger:1");
    let done = &shelf.labels("locked")[0];
    // The stranger stops it while the other is under way.
    let said = shelf.reset(&["--stop-after", "1", "--json"]).run().ends(6);
    assert_eq!(results(&summary(&said))[done.as_str()], "done");
    let before = asked(&shelf, done);
    let stopped_again = ["--stop-after", "1", "--json"];
    let said = shelf.reset(&stopped_again).run().ends(6);
    assert_eq!(earlier(&summary(&said)), [done.as_str()]);
    assert_eq!(asked(&shelf, done), before);
    let said = shelf.reset(&["--anew", "--json"]).run().ends(6);
    let summary = summary(&said);
    assert_eq!(earlier(&summary), Vec::<&str>::new());
    assert_eq!(results(&summary)[done.as_str()], "as-wanted");
    assert!(asked(&shelf, done) > before);
}

/// The points at which the first of two is cut off, and whether it was written to by then.
#[cfg(debug_assertions)]
const POINTS: [(&str, bool); 8] = [
    ("before-kept", false),
    ("after-kept", false),
    ("before-writing", false),
    ("after-writing", false),
    ("sent-save", true),
    ("before-wrote", true),
    ("after-wrote", true),
    ("before-proved", true),
];

#[test]
#[cfg(debug_assertions)]
fn whatever_point_the_power_is_cut_at_the_next_run_finishes_and_its_list_is_true() {
    let known = linkmend::change::checkpoint::points();
    for (point, _) in POINTS {
        assert!(known.iter().any(|one| one == point), "{point} of {known:?}");
    }
    crate::harness::side_by_side(&POINTS, |(point, wrote)| {
        let shelf = Loaners::new(3, "locked:2,visited:1");
        let before = shelf.devices();
        let file = shelf.path("points");
        // The second passing: one is at that point while another is past it.
        let run = shelf
            .reset(&["--json"])
            .env("LINKMEND_CHECKPOINT", &format!("{point}:2"))
            .env("LINKMEND_CHECKPOINT_FILE", &file.display().to_string())
            .start();
        until(point, || {
            let passed = std::fs::read_to_string(&file).unwrap_or_default();
            passed.lines().filter(|line| line == point).count() == 2
        });
        run.kill();
        assert!(shelf.acts() > 0 || !wrote, "{point}");
        // A restart that was over before anybody looked again, within the second that an uptime
        // counts by, is none that was seen: what it shows is right, and it is not called proved.
        let said = shelf.reset(&["--json"]).run();
        let unseen = unproved(&said);
        for (label, code) in &unseen {
            assert_eq!(code, "restart-not-witnessed", "{point}: {label}");
        }
        let told = summary(&said);
        said.ends(if unseen.is_empty() { 0 } else { 7 });
        shelf.is_true(&told, &before);
        for (label, result) in results(&told) {
            let holds = ["done", "as-wanted"].contains(&result);
            assert!(
                holds || unseen.contains_key(label),
                "{point}: {label} is {result}"
            );
            let slot = u64::from(shelf.slot(label));
            assert_eq!(
                shelf.devices()[label].settings["model-lock"],
                slot,
                "{point}"
            );
        }
    });
}

/// Those that are not proved, with the code of the reason.
#[cfg(debug_assertions)]
fn unproved(said: &Said) -> BTreeMap<String, String> {
    let summary = summary(said);
    let all = summary["loaners"].as_array().expect("loaners");
    let text = |one: &Json| one.as_str().unwrap_or_default().to_owned();
    all.iter()
        .filter(|one| one["result"] == "unproved")
        .map(|one| (text(&one["label"]), text(&one["error"]["code"])))
        .collect()
}

#[test]
#[cfg(debug_assertions)]
fn one_that_was_cut_off_and_is_gone_is_not_called_missing() {
    let shelf = Loaners::new(1, "locked");
    let label = shelf.labels("locked")[0].clone();
    let run = parked_at_its_save(&shelf);
    run.kill();
    shelf.power(&label, false);
    // It may be restarting, so it is waited for; that is stopped here.
    let run = shelf.reset(&["--json"]).start();
    std::thread::sleep(std::time::Duration::from_secs(1));
    run.interrupt();
    let said = run.ended().ends(7);
    let told = lines(&said);
    let summary = told.last().expect("a summary");
    let one = &summary["loaners"][0];
    assert_eq!(one["result"], "unproved", "{summary:#}");
    assert_eq!(one["error"]["code"], "unfinished-change");
    assert_eq!(summary["counts"]["unproved"], 1);
    // Once it is there it is finished.
    shelf.power(&label, true);
    shelf.reset(&[]).run().ends(0);
    assert_eq!(
        shelf.devices()[&label].settings["model-lock"],
        u64::from(shelf.slot(&label))
    );
}
