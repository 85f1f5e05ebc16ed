//! A whole shelf by seed: receivers on which anything goes wrong at any request, and a program that
//! is killed, stopped or left without a disk in the middle. Whatever a seed brings, nobody else is
//! written to, each write has its record, and the list at the end is true of what the receivers are.
//!
//! A failing seed says how to repeat it; `LINKMEND_SEEDS=2000` or `LINKMEND_SEEDS=FROM..TO` runs others
//! than the first hundred. Of those one in four has 24 receivers and the others eight, so that a test
//! run does not wait for them too long; all later ones have 24.
//!
//! What is compared, and when. After a run is over and nothing is on its way any more, the state of each
//! receiver is read beside the wire: nothing of it changes without a request of ours, so it is what it
//! was when it was told of. `done` and `as-wanted` need all that the row names, `done` also the rest as it
//! was in the beginning; `put-back` needs all of it as it was; what is told as not written (`failed`,
//! `refused`, `missing`, `not-tried`, `as-wanted`) must not have carried anything out during that run;
//! `unproved` must be open in the journal, with a write begun. At last all lose their power and get it
//! back, and what is `done` must still be so. Left out is what nobody can know: a setting that the family
//! never shows, where that is told; and a power that a receiver lost by a mishap, since none is raised.
//!
//! The disk that is full in the middle is a bound on the size of files, which needs no rights;
//! `tests/system/disk_full.py` has one that really is.

use std::{collections::BTreeMap, fmt, sync::Mutex};

use linkmend::terms::output::loaners::{LoanerResult, ShelfOut};
use mock_device::shelf::ShelfTruth;

use crate::{campaign::seeds, kill::each_of};

mod night;
mod truths;
mod weather;

use night::{Night, Ran, Told};
use truths::Holds;
use weather::{Cut, Weather};

/// How many shelves are gone over at once: the runs wait a little more than they work.
const AT_ONCE: usize = 8;

#[test]
fn whatever_a_seed_brings_to_a_shelf_nothing_told_is_false_and_every_run_ends() {
    let seeds: Vec<Seeded> = seeds(100).map(Seeded).collect();
    let told = Mutex::new(BTreeMap::<String, usize>::new());
    each_of(AT_ONCE, &seeds, |seed| {
        let words = go_over(seed.0).unwrap_or_else(|what| panic!("{what}"));
        let mut told = told.lock().expect("no check is under way");
        for word in words {
            *told.entry(word).or_default() += 1;
        }
    });
    let told = told.into_inner().expect("no check is under way");
    println!("of {} seeds: {told:?}", seeds.len());
    if seeds.len() >= 100 {
        for word in [
            "Done", "AsWanted", "PutBack", "Refused", "Unproved", "Failed", "Missing", "earlier",
            "killed", "stopped", "disk",
        ] {
            assert!(told.contains_key(word), "no seed brings {word}: {told:?}");
        }
    }
}

/// One seed, shown as what repeats it.
struct Seeded(u64);

impl fmt::Debug for Seeded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (from, to) = (self.0, self.0 + 1);
        let weather = Weather::of(from);
        write!(
            f,
            "LINKMEND_SEEDS={from}..{to} cargo test --test cli shelf_campaign:: ({weather:?})"
        )
    }
}

/// All runs of a seed. What happened, in words to be counted.
fn go_over(seed: u64) -> Result<Vec<String>, String> {
    let night = Night::new(Weather::of(seed));
    let mut words = Vec::new();
    let cuts = night.weather.cuts.iter().map(Some).chain([None]);
    for (number, cut) in cuts.enumerate() {
        let ran = night.run(cut);
        let ran = ran.map_err(|what| format!("run {}: {what}", number + 1))?;
        let whole = after_a_run(&night, number, &ran);
        whole.map_err(|what| {
            let shown = shown(&ran, &what);
            format!("run {} ({cut:?}): {what}{shown}", number + 1)
        })?;
        if night.weather.inside {
            words.push("inside".into());
        }
        match (&ran.told, cut) {
            (Told::Killed, _) => words.push("killed".into()),
            (_, Some(Cut::Disk(_))) => words.push("disk".into()),
            (_, Some(Cut::Stop(_))) => words.push("stopped".into()),
            _ => {}
        }
        if let (Told::Sum(out, _), None) = (&ran.told, cut) {
            for one in &out.loaners {
                words.push(if one.earlier {
                    "earlier".into()
                } else {
                    format!("{:?}", one.result)
                });
            }
            let lasts = truths::what_was_proved_lasts(&night.powered_anew(), out);
            lasts.map_err(|what| format!("{what}{}", shown(&ran, &what)))?;
        }
    }
    Ok(words)
}

/// All that must hold after each run, however it ended.
fn after_a_run(night: &Night, number: usize, ran: &Ran) -> Holds {
    let cut = night.weather.cuts.get(number);
    let had_no_room = night
        .weather
        .cuts
        .iter()
        .take(number + 1)
        .any(|cut| matches!(cut, Cut::Disk(_)));
    night.journal_is_whole()?;
    let archive = night.archive()?;
    truths::nobody_else_is_written_to(&night.first, &ran.end, night.weather.inside)?;
    truths::each_write_has_its_record(&night.first, &ran.end, &archive, had_no_room)?;
    match &ran.told {
        Told::Killed => Ok(()),
        Told::Sum(out, code) => {
            truths::list_is_true(
                &night.first,
                &ran.start,
                &ran.end,
                out,
                night.weather.inside,
            )?;
            truths::sums_are_right(&ran.lines, out, *code)?;
            truths::what_is_open_is_told(out, &archive, matches!(cut, Some(Cut::Disk(_))))
        }
        Told::Error(word, code) => {
            let may = match cut {
                Some(Cut::Disk(_)) => word.starts_with("journal-"),
                Some(Cut::Stop(_)) => word == "cancelled",
                _ => false,
            };
            let acted = |truth: &ShelfTruth| -> usize {
                let all = truth.receivers.iter().flat_map(|one| &one.truth.requests);
                all.filter(|request| request.acts).count()
            };
            if may && acted(&ran.start) == acted(&ran.end) {
                Ok(())
            } else {
                Err(format!("it did not begin: {word}, {code}"))
            }
        }
    }
}

/// What a failure needs: of each receiver that was acted on or is named by it, all that it was asked
/// and what it was.
fn shown(ran: &Ran, what: &str) -> String {
    use std::fmt::Write as _;
    let mut text = String::new();
    for one in &ran.end.receivers {
        let acted = one.truth.requests.iter().any(|request| request.acts);
        if !acted && !what.contains(&format!("`{}`", one.row.label)) {
            continue;
        }
        let _ = write!(text, "\n\n`{}` ({}):", one.row.label, one.row.condition);
        let last = ran.start.receivers.iter().find(|then| then.row == one.row);
        let last = last.and_then(|then| then.truth.requests.last());
        let last = last.map_or(0, |request| request.number);
        for request in &one.truth.requests {
            let when = if request.number <= last {
                "before"
            } else {
                "now"
            };
            let _ = write!(
                text,
                "\n  {when} {} {} {} acts {} carried out {} {:?} answer {:?} {} {:?} {:?}",
                request.number,
                request.method,
                request.path,
                request.acts,
                request.carried_out,
                request.fault,
                request.answer,
                request.note,
                request.sent_to,
                request.got_by
            );
        }
        for state in &one.truth.devices[0].states {
            let _ = write!(
                text,
                "\n  from {}: {}",
                state.request,
                serde_json::json!(state.settings)
            );
        }
    }
    text
}

/// The checks themselves: a truth that is spoiled is seen.
#[test]
fn list_that_is_not_true_is_seen() {
    let night = Night::new(Weather {
        chaos: mock_device::Chaos {
            per_mille: 0,
            most: 0,
            only: Vec::new(),
        },
        cuts: Vec::new(),
        family: mock_device::Family::SampleForm,
        inside: false,
        ..Weather::of(0)
    });
    let ran = night.run(None).expect("it ends");
    after_a_run(&night, 0, &ran).expect("all of it is so");
    let Told::Sum(out, code) = &ran.told else {
        panic!("it began")
    };
    let done = place(out, LoanerResult::Done);
    let list = |end: &ShelfTruth, out: &ShelfOut| {
        truths::list_is_true(&night.first, &ran.start, end, out, false)
    };
    let spoil = |with: &dyn Fn(&mut mock_device::Truth)| {
        let mut end = ran.end.clone();
        with(&mut end.receivers[done].truth);
        end
    };
    // Told as done, and it is as it was; or it lost something beside.
    let end = spoil(&|truth| {
        let lock = truth.devices[0].states[0].settings["model-lock"].clone();
        truth.devices[0].settings.insert("model-lock".into(), lock);
    });
    list(&end, out).expect_err("it still has its lock");
    let end = spoil(&|truth| {
        truth.devices[0]
            .settings
            .insert("name".into(), "Tarn boat".into());
    });
    list(&end, out).expect_err("its name is lost");
    // Told as failed or put back, and it was written.
    for result in [
        LoanerResult::Failed,
        LoanerResult::Missing,
        LoanerResult::Refused,
        LoanerResult::NotTried,
        LoanerResult::AsWanted,
        LoanerResult::PutBack,
        LoanerResult::Unproved,
    ] {
        let mut spoiled = out.clone();
        spoiled.loaners[done].result = result;
        let archive = night.archive().expect("there");
        let is_seen = list(&ran.end, &spoiled).is_err()
            || truths::what_is_open_is_told(&spoiled, &archive, false).is_err();
        assert!(is_seen, "{result:?}");
        truths::sums_are_right(&ran.lines, &spoiled, *code).expect_err("nor are the sums right");
    }
    // A neighbour carries it out, or what nobody wants is set on the way.
    let end = spoil(&|truth| {
        let wrote = truth
            .requests
            .iter_mut()
            .find(|request| request.carried_out);
        wrote.expect("a save").sent_to = Some("Teal".into());
    });
    truths::nobody_else_is_written_to(&night.first, &end, false).expect_err("a wrong device");
    let end = spoil(&|truth| {
        let state = truth.devices[0].states.last_mut().expect("a state");
        state.settings.insert("light".into(), 3.into());
    });
    truths::nobody_else_is_written_to(&night.first, &end, false).expect_err("a wrong setting");
    // A save more than the journal has.
    let end = spoil(&|truth| {
        let save = truth
            .requests
            .iter()
            .find(|request| request.carried_out)
            .cloned();
        truth.requests.push(save.expect("a save"));
    });
    let archive = night.archive().expect("there");
    truths::each_write_has_its_record(&night.first, &end, &archive, false).expect_err("no record");
    let mut first = night.first.clone();
    first.receivers[done].truth.devices[0]
        .settings
        .insert("power".into(), 99.into());
    truths::each_write_has_its_record(&first, &ran.end, &archive, true)
        .expect_err("another record");
    // A restart takes back what was proved.
    let end = spoil(&|truth| {
        truth.devices[0]
            .settings
            .insert("model-lock".into(), 7.into());
    });
    truths::what_was_proved_lasts(&end, out).expect_err("it does not last");
}

/// Where one that ended so stands in the list.
fn place(out: &ShelfOut, result: LoanerResult) -> usize {
    let mut all = out.loaners.iter();
    all.position(|one| one.result == result && !one.changes.is_empty())
        .expect("one of them")
}
