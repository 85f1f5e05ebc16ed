//! The screens of a made-up run, as golden files: `LINKMEND_BLESS=1` writes them anew. `␛` stands there
//! for the escape that begins a colour.

use std::path::Path;

use dialoguer::console::measure_text_width;

use super::{board::Board, lines, summary, table};
use crate::{
    report::testing::{hostile, shelf},
    terms::{
        output::loaners::{LoanerResult, ShelfEvent, ShelfLine, ShelfOut, ShelfStep},
        untrusted::acts_on_a_screen,
    },
};

/// The events that a run with this end had told.
fn events(out: &ShelfOut) -> Vec<ShelfLine> {
    let labels: Vec<String> = out.loaners.iter().map(|l| l.label.clone()).collect();
    let at = |at_s, event| ShelfLine {
        format: 1,
        at_s,
        event,
    };
    let mut events = vec![
        at(
            0.0,
            ShelfEvent::Began {
                run: out.run,
                loaners: labels.clone(),
            },
        ),
        at(
            0.0,
            ShelfEvent::Power {
                on: labels.iter().skip(1).take(4).cloned().collect(),
                off: vec![],
            },
        ),
        at(
            150.0,
            ShelfEvent::Power {
                on: labels.iter().rev().take(2).cloned().collect(),
                off: labels.iter().skip(1).take(3).cloned().collect(),
            },
        ),
    ];
    for stranger in &out.strangers {
        events.push(at(31.0, ShelfEvent::Stranger(stranger.clone())));
    }
    for loaner in &out.loaners {
        let mut end_s = 0.0;
        for span in &loaner.spans {
            end_s = span.to_s;
            let event = ShelfEvent::Step {
                loaner: loaner.label.clone(),
                step: span.step,
                adapter: span.adapter.clone(),
                signal: span.adapter.is_some().then_some(loaner.signal).flatten(),
                until_s: (span.step == ShelfStep::Restarting).then_some(span.from_s + 58.0),
            };
            events.push(at(span.from_s, event));
        }
        events.push(at(end_s, ShelfEvent::Ended(Box::new(loaner.clone()))));
    }
    events.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    events
}

fn board(out: &ShelfOut, until_s: f64) -> Board {
    let mut board = Board::default();
    for event in events(out).iter().filter(|event| event.at_s <= until_s) {
        board.take(event);
    }
    board
}

fn plain(lines: &[String]) -> String {
    let text = anstream::adapter::strip_str(&lines.join("\n")).to_string();
    text + "\n"
}

#[track_caller]
fn golden(name: &str, text: &str) {
    let file = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("src/cli/loaners/golden")
        .join(name);
    if std::env::var_os("LINKMEND_BLESS").is_some() {
        std::fs::write(&file, text).expect("the file");
    }
    let committed = std::fs::read_to_string(&file).unwrap_or_default();
    assert_eq!(committed, text, "{}", file.display());
}

#[test]
fn table_of_a_shelf_at_80_and_at_60_columns() {
    let board = board(&shelf(), 158.0);
    golden("table-80.txt", &plain(&table::lines(&board, 158.0, 80, 40)));
    golden("table-60.txt", &plain(&table::lines(&board, 158.0, 60, 40)));
}

/// Those at work, and who moved last; the rest as sums.
#[test]
fn table_with_fewer_rows_than_loaners_shows_those_at_work() {
    let board = board(&shelf(), 158.0);
    let shown = plain(&table::lines(&board, 158.0, 80, 16));
    golden("table-80-of-16-rows.txt", &shown);
    let at_work = board
        .rows
        .iter()
        .filter(|row| crate::report::words::is_at_work(row.step));
    let mut some = 0;
    for row in at_work {
        some += 1;
        assert!(shown.contains(&row.label), "{}", row.label);
    }
    assert!(some > 0);
}

#[test]
fn all_that_are_to_be_powered_are_named() {
    let out = shelf();
    let mut board = board(&out, 20.0);
    board.on = out.loaners.iter().map(|l| l.label.clone()).collect();
    let shown = plain(&table::lines(&board, 20.0, 60, 40));
    let power = shown.split_once("power now: ").expect("the list").1;
    for label in &board.on {
        assert!(power.contains(label.as_str()), "{label} in {power}");
    }
}

#[test]
fn table_in_colour_says_the_same_words() {
    let out = shelf();
    let board = board(&out, out.took_s);
    let lines = table::lines(&board, out.took_s, 80, 40);
    let coloured = lines.join("\n").replace('\u{1b}', "␛") + "\n";
    golden("table-80-colour.txt", &coloured);
    for (row, loaner) in lines[1..].iter().zip(&out.loaners) {
        let word = crate::report::words::result(loaner.result);
        assert!(row.contains(word), "{row} says nothing of {word}");
    }
}

/// Whatever the room: no line wider, no more lines than rows, and the sums are always there.
#[test]
fn table_keeps_to_the_room_there_is() {
    for out in [shelf(), hostile()] {
        let board = board(&out, 158.0);
        for width in [20, 40, 52, 60, 72, 80, 100, 200] {
            for height in [1, 2, 3, 5, 8, 24, 60] {
                let lines = table::lines(&board, 158.0, width, height);
                assert!(lines.len() <= (height - 1).max(1), "{width} × {height}");
                for line in &lines {
                    assert!(
                        measure_text_width(line) <= width,
                        "{width} × {height}: {line}"
                    );
                    let bare = anstream::adapter::strip_str(line).to_string();
                    assert!(!bare.contains(acts_on_a_screen), "{bare:?}");
                }
                let sums = if out.loaners.len() == 24 {
                    "done"
                } else {
                    "failed"
                };
                assert!(
                    lines.iter().any(|line| line.contains(sums)),
                    "{width} × {height}"
                );
            }
        }
    }
}

#[test]
fn lines_of_a_run_tell_what_was_written_and_how_each_ended() {
    let out = shelf();
    let said: Vec<lines::Said> = events(&out).iter().filter_map(lines::of).collect();
    let text: Vec<String> = said
        .iter()
        .map(|said| format!("{:<12} {}", said.word, said.text))
        .collect();
    golden("lines.txt", &(text.join("\n") + "\n"));
    assert!(said.len() < 3 * out.loaners.len(), "{} lines", said.len());
    for loaner in &out.loaners {
        let has = said.iter().any(|said| said.text.contains(&loaner.label));
        assert!(has, "{}", loaner.label);
    }
}

#[test]
fn lines_of_a_stranger_are_harmless_and_one_line_each() {
    let out = hostile();
    let said: Vec<lines::Said> = events(&out).iter().filter_map(lines::of).collect();
    assert!(said.len() > 2 * out.loaners.len());
    for said in said {
        assert!(!said.text.contains(acts_on_a_screen), "{:?}", said.text);
    }
}

#[test]
fn summary_tells_results_findings_and_what_to_do() {
    let out = shelf();
    golden("summary-80.txt", &plain(&summary::lines(&out, Some(80))));
    golden("summary-60.txt", &plain(&summary::lines(&out, Some(60))));
    golden("summary.txt", &plain(&summary::lines(&out, None)));
}

/// What is told of a loaner is a column of words, not of letters, however narrow the screen is.
#[test]
fn summary_at_40_columns_breaks_no_word() {
    let mut out = shelf();
    out.loaners[1].label = "Bittern of the far reed bed".into();
    let lines = summary::lines(&out, Some(40));
    let text = plain(&lines);
    assert!(
        text.lines().all(|line| measure_text_width(line) <= 46),
        "{text}"
    );
    let words = summary::lines(&out, None);
    let words = plain(&words);
    let words: std::collections::BTreeSet<&str> = words.split_whitespace().collect();
    for word in text.split_whitespace() {
        assert!(
            words.contains(word),
            "`{word}` is a piece of a word:\n{text}"
        );
    }
}

/// Elsewhere than at a terminal a loaner is one line, however long.
#[test]
fn summary_without_a_width_keeps_each_loaner_on_its_line() {
    let out = shelf();
    let lines = summary::lines(&out, None);
    for (line, loaner) in lines[1..].iter().zip(&out.loaners) {
        assert!(line.contains(&loaner.label), "{line}");
        let error = loaner.error.as_ref().map_or("", |error| &error.message);
        assert!(line.contains(error), "{line}");
    }
}

#[test]
fn summary_of_strangers_texts_is_harmless() {
    for width in [Some(40), Some(80), None] {
        for line in summary::lines(&hostile(), width) {
            let bare = anstream::adapter::strip_str(&line).to_string();
            let acting = |c: char| c != '\n' && acts_on_a_screen(c);
            assert!(!bare.contains(acting), "{bare:?}");
        }
    }
}

/// What a check says in its words: nothing was proved, and nothing is called done.
#[test]
fn summary_of_a_check_speaks_of_no_proof() {
    let mut out = shelf();
    out.command = crate::terms::output::loaners::ShelfCommand::Check;
    for loaner in &mut out.loaners {
        loaner.result = match loaner.result {
            LoanerResult::Done => LoanerResult::Differs,
            other => other,
        };
    }
    out.counts.differ = std::mem::take(&mut out.counts.done);
    let text = plain(&summary::lines(&out, None));
    assert!(text.contains("3 of 24 loaners are set as the file wants it. 21 are not."));
    let left = text.split("What is left to do").nth(1).expect("it is told");
    let all_in_one = left
        .lines()
        .filter(|line| line.contains("Smew, Teal, Grebe"));
    assert_eq!(all_in_one.count(), 1, "{left}");
    assert!(text.contains("18 to be changed") && !text.contains(" done"));
}
