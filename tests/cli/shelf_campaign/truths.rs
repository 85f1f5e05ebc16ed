//! What must hold of a shelf after every run, held against what the receivers really are.
//!
//! Nothing here asks the program: who was written to, and what each is set to, is read beside the wire.

use std::collections::BTreeMap;

use linkmend::{
    journal::{Archive, ChangeId, ChangeRow},
    terms::{
        Reading,
        output::loaners::{LoanerOut, LoanerResult, ShelfEvent, ShelfLine, ShelfOut},
    },
};
use mock_device::{
    DeviceTruth, Family, RequestTruth,
    shelf::{Condition, ReceiverTruth, ShelfTruth},
};
use serde_json::{Map, Value as Json, json};

/// Whether something holds, and else what does not.
pub(super) type Holds = Result<(), String>;

macro_rules! holds {
    ($is:expr, $($what:tt)+) => {
        if !$is {
            return Err(format!($($what)+));
        }
    };
}

/// What the row of a receiver names, as the sticker and the file say it.
fn wanted(one: &ReceiverTruth) -> Map<String, Json> {
    let mut wanted = Map::new();
    match one.row.slot {
        Some(slot) => {
            wanted.insert("model-lock".into(), json!(slot));
            wanted.insert("failsafe".into(), json!("neutral"));
        }
        None => {
            wanted.insert("model-lock".into(), json!("off"));
        }
    }
    // A loaner keeps nobody's network, which the file need not say.
    wanted.insert("local-network".into(), Json::Null);
    if !is_never_shown(one, "local-passphrase") {
        wanted.insert("local-passphrase".into(), Json::Null);
    }
    wanted
}

/// What a family takes and never shows: nobody can say how it is. It goes with the network that it
/// belongs to.
fn is_never_shown(one: &ReceiverTruth, name: &str) -> bool {
    one.truth.family == Family::SampleLogin && name == "local-passphrase"
}

/// The device that stands at a row's address. Which one it is never changes on these shelves.
fn device(one: &ReceiverTruth) -> &DeviceTruth {
    &one.truth.devices[0]
}

/// What a receiver was asked since a moment.
fn since<'a>(
    one: &'a ReceiverTruth,
    then: &ReceiverTruth,
) -> impl Iterator<Item = &'a RequestTruth> {
    let last = then.truth.requests.last().map_or(0, |one| one.number);
    let requests = one.truth.requests.iter();
    requests.filter(move |request| request.number > last)
}

/// Whether a save lost what it did not carry: then a receiver holds what nobody set it to.
fn lost_some(one: &ReceiverTruth) -> bool {
    let mut requests = one.truth.requests.iter();
    requests.any(|request| request.fault.as_deref() == Some("half-lost"))
}

/// Whether a row means the device that stands there, and it can be known: by its serial, or by its
/// BSSID where that is told.
fn may_be_written(one: &ReceiverTruth, by_bssid: bool) -> bool {
    let shows_serial = device(one).serial.is_some();
    one.row.condition != Condition::Stranger && (shows_serial || by_bssid)
}

/// Nothing is written to a wrong device: none carries out what was sent to another, and each is set to
/// what it was or to what its own row wants, for what that names, and is untouched otherwise.
pub(super) fn nobody_else_is_written_to(
    first: &ShelfTruth,
    now: &ShelfTruth,
    by_bssid: bool,
) -> Holds {
    for (was, is) in first.receivers.iter().zip(&now.receivers) {
        let label = &is.row.label;
        for request in &is.truth.requests {
            holds!(
                request.sent_to.is_none() || !request.carried_out,
                "`{label}` carried out what was meant for another: {request:?}"
            );
            holds!(
                may_be_written(is, by_bssid) || !request.acts || request.sent_to.is_some(),
                "`{label}` must not be written to: {request:?}"
            );
        }
        let wanted = wanted(is);
        let mut before = (&device(was).settings, &device(was).unmapped);
        for state in &device(is).states {
            let mut requests = is.truth.requests.iter();
            let by_loss = requests.any(|request| {
                request.number == state.request && request.fault.as_deref() == Some("half-lost")
            });
            for (name, value) in &state.settings {
                let is_known = device(was).settings.get(name) == Some(value)
                    || wanted.get(name) == Some(value)
                    || (is_never_shown(is, name) && value.is_null());
                holds!(
                    is_known || by_loss || before.0.get(name) == Some(value),
                    "`{label}` was set to {name} = {value} at request {}",
                    state.request
                );
            }
            let unmapped = &state.unmapped;
            holds!(
                by_loss || *unmapped == device(was).unmapped || unmapped == before.1,
                "`{label}` lost what it keeps beside its settings at request {}",
                state.request
            );
            before = (&state.settings, unmapped);
        }
    }
    Ok(())
}

/// Each write of a receiver has a change with a record that was kept before: each acting request that
/// was sent to it is a step of a change, and each record of one shows what the receiver once was, the
/// first of them what it was before all.
///
/// Where the journal had no room for a while (`had_no_room`), what was there may have been put back
/// without it, once something was written: so of the saves only those count that brought something
/// to what its row wants.
pub(super) fn each_write_has_its_record(
    first: &ShelfTruth,
    now: &ShelfTruth,
    archive: &Archive,
    had_no_room: bool,
) -> Holds {
    let failed = |error: linkmend::journal::JournalError| error.to_string();
    let mut changes = BTreeMap::<String, Vec<ChangeRow>>::new();
    for row in archive.devices().map_err(failed)? {
        let serial = row.identity.serial.as_ref().map(|one| one.raw().to_owned());
        let bssid = row.identity.bssid.map(|one| one.to_string());
        let Some(mark) = serial.or(bssid) else {
            continue;
        };
        let of_it = archive.changes(row.id).map_err(failed)?;
        changes.entry(mark).or_default().extend(of_it);
    }
    for (was, is) in first.receivers.iter().zip(&now.receivers) {
        let label = &is.row.label;
        // One that is back with another BSSID is another one, and has no changes.
        let mark = device(is)
            .serial
            .clone()
            .unwrap_or_else(|| is.row.bssid_text());
        let mut of_it = changes.remove(&mark).unwrap_or_default();
        of_it.sort_by_key(|change| change.id.0);
        let steps = |kinds: &[&str]| -> usize {
            let all = of_it.iter().flat_map(|change| &change.steps);
            all.filter(|step| kinds.contains(&step.kind.as_str()))
                .count()
        };
        let acts = |is_restart: bool| -> usize {
            let sent = is
                .truth
                .requests
                .iter()
                .filter(|request| request.acts && request.sent_to.is_none());
            sent.filter(|request| RESTARTS.contains(&request.path.as_str()) == is_restart)
                .count()
        };
        let saves = if had_no_room {
            forward(is)
        } else {
            acts(false)
        };
        holds!(
            saves <= steps(&["writing", "writing-back"]),
            "`{label}` got {saves} saves, and {} are in the journal",
            steps(&["writing", "writing-back"])
        );
        holds!(
            had_no_room || acts(true) <= steps(&["restarting"]),
            "`{label}` got {} restarts, and {} are in the journal",
            acts(true),
            steps(&["restarting"])
        );
        for (number, change) in of_it.iter().enumerate() {
            let id = change.record;
            let record = archive.record(id).map_err(failed)?;
            let Some(record) = record else {
                return Err(format!("change {} of `{label}` has no record", change.id.0));
            };
            let shows = |settings: &Map<String, Json>| {
                record
                    .snapshot
                    .settings
                    .iter()
                    .all(|(name, entry)| match &entry.reading {
                        Reading::Known(value) => {
                            settings.get(name.as_str()) == Some(&value.to_json())
                        }
                        _ => true,
                    })
            };
            let is_true = match number {
                0 => shows(&device(was).settings),
                _ => device(is).states.iter().any(|state| shows(&state.settings)),
            };
            holds!(is_true, "record {} of `{label}` is not what it was", id.0);
        }
    }
    Ok(())
}

/// How many saves brought something to what its row wants.
fn forward(one: &ReceiverTruth) -> usize {
    let wanted = wanted(one);
    let states = &device(one).states;
    let brought = |at: &usize| {
        let (before, after) = (&states[*at - 1].settings, &states[*at].settings);
        let mut wanted = wanted.iter();
        wanted
            .any(|(name, value)| after.get(name) == Some(value) && before.get(name) != Some(value))
    };
    let by_save = |at: &usize| {
        let mut requests = one.truth.requests.iter();
        requests.any(|request| {
            request.number == states[*at].request
                && request.acts
                && !RESTARTS.contains(&request.path.as_str())
        })
    };
    (1..states.len()).filter(brought).filter(by_save).count()
}

/// Where a restart alone is asked for; other acting requests are saves. Both are named in
/// `FAMILIES.md` of the simulated receivers.
const RESTARTS: [&str; 2] = ["/start-anew", "/once-again"];

/// The list at the end of a run is true of each receiver, and agrees with itself.
pub(super) fn list_is_true(
    first: &ShelfTruth,
    start: &ShelfTruth,
    end: &ShelfTruth,
    out: &ShelfOut,
    by_bssid: bool,
) -> Holds {
    let labels: Vec<&str> = out.loaners.iter().map(|one| one.label.as_str()).collect();
    let rows: Vec<&str> = end
        .receivers
        .iter()
        .map(|one| one.row.label.as_str())
        .collect();
    holds!(labels == rows, "the list is {labels:?}");
    for (number, told) in out.loaners.iter().enumerate() {
        let (was, then, is) = (
            &first.receivers[number],
            &start.receivers[number],
            &end.receivers[number],
        );
        one_is_true(was, then, is, told, by_bssid)
            .map_err(|what| format!("{what}\ntold: {}", json!(told)))?;
    }
    Ok(())
}

/// What is told of one is true.
///
/// A later mishap could have changed a receiver only where it asks for it by itself, and none does
/// without a request of ours; so what it is after the run is what it was when it was told of.
fn one_is_true(
    was: &ReceiverTruth,
    then: &ReceiverTruth,
    is: &ReceiverTruth,
    told: &LoanerOut,
    by_bssid: bool,
) -> Holds {
    let label = &told.label;
    let now = &device(is).settings;
    let written = since(is, then).find(|request| request.carried_out && request.sent_to.is_none());
    // By any run: one that was cut off may have sent what this one proves or undoes.
    let sent = is
        .truth
        .requests
        .iter()
        .any(|request| request.acts || request.method.is_empty());
    match told.result {
        LoanerResult::Done | LoanerResult::AsWanted => {
            holds!(
                may_be_written(is, by_bssid),
                "`{label}` is not the one of its row"
            );
            is_as_wanted(is)?;
            if told.result == LoanerResult::AsWanted || told.earlier {
                holds!(written.is_none(), "`{label}` was written to: {written:?}");
            } else {
                // What was not to change is as it was, also where it was lost on the way.
                others_are_as_before(was, is)?;
                holds!(sent, "`{label}` is said to be written, and was not");
            }
        }
        LoanerResult::PutBack => {
            let power = |one: &ReceiverTruth| device(one).settings["power"].as_u64();
            holds!(power(is) == power(was), "`{label}` has another power");
            let was = device(was);
            for (name, value) in now {
                let is_told = is_never_shown(is, name)
                    && told.notes.iter().any(|note| note.contains(name.as_str()));
                holds!(
                    was.settings.get(name) == Some(value) || is_told,
                    "`{label}` is said to be put back, and has {name} = {value}"
                );
            }
            holds!(
                device(is).unmapped == was.unmapped,
                "`{label}` lost what it keeps besides"
            );
        }
        LoanerResult::Failed
        | LoanerResult::Refused
        | LoanerResult::Missing
        | LoanerResult::NotTried => {
            holds!(written.is_none(), "`{label}` was written to: {written:?}");
            holds!(
                *now == device(then).settings || written.is_none(),
                "`{label}` is another than it was"
            );
        }
        LoanerResult::Unproved => {
            holds!(
                told.change.is_some(),
                "`{label}` is unproved, and no change is named"
            );
        }
        LoanerResult::Differs | LoanerResult::Planned => {
            return Err(format!("`{label}`: a reset tells nothing of the kind"));
        }
    }
    if told.earlier {
        let asked = since(is, then).find(|request| request.sent_to.is_none());
        holds!(
            asked.is_none(),
            "`{label}` was proved before, and asked: {asked:?}"
        );
    }
    Ok(())
}

/// What the row names is so.
fn is_as_wanted(is: &ReceiverTruth) -> Holds {
    let now = &device(is).settings;
    for (name, value) in wanted(is) {
        holds!(
            now.get(&name) == Some(&value),
            "`{}` is said to have {name} = {value}, and has {:?}",
            is.row.label,
            now.get(&name)
        );
    }
    Ok(())
}

/// What the row does not name is as it was in the beginning. A power that was lost may stay so, since
/// nothing ever raises one.
fn others_are_as_before(was: &ReceiverTruth, is: &ReceiverTruth) -> Holds {
    let wanted = wanted(is);
    for (name, value) in &device(is).settings {
        let is_lost = name == "power" && lost_some(is);
        holds!(
            wanted.contains_key(name)
                || device(was).settings.get(name) == Some(value)
                || is_lost
                || is_never_shown(is, name),
            "`{}` has {name} = {value}, and had {:?}",
            is.row.label,
            device(was).settings.get(name)
        );
    }
    holds!(
        device(is).unmapped == device(was).unmapped,
        "`{}` lost what it keeps beside its settings",
        is.row.label
    );
    Ok(())
}

/// What was proved holds over one more start: that is what its proof says.
pub(super) fn what_was_proved_lasts(after: &ShelfTruth, out: &ShelfOut) -> Holds {
    for (told, is) in out.loaners.iter().zip(&after.receivers) {
        if told.result == LoanerResult::Done {
            is_as_wanted(is).map_err(|what| format!("after one more start: {what}"))?;
        }
    }
    Ok(())
}

/// The sums are those of the list, and so is the exit code; what was told last of each as it happened
/// is what the list says.
pub(super) fn sums_are_right(lines: &[ShelfLine], out: &ShelfOut, code: Option<i32>) -> Holds {
    use LoanerResult as R;
    let count = |results: &[R]| {
        let all = out.loaners.iter();
        all.filter(|one| results.contains(&one.result)).count()
    };
    let counts = &out.counts;
    let told = [
        (counts.all, out.loaners.len()),
        (counts.as_wanted, count(&[R::AsWanted])),
        (counts.done, count(&[R::Done])),
        (counts.differ, 0),
        (counts.failed, count(&[R::PutBack, R::Refused, R::Failed])),
        (counts.unproved, count(&[R::Unproved])),
        (counts.missing, count(&[R::Missing, R::NotTried])),
    ];
    holds!(
        told.iter().all(|(told, counted)| told == counted),
        "the sums are {counts:?}, and {told:?} was counted"
    );
    let was_stopped = out
        .error
        .as_ref()
        .is_some_and(|error| error.code == "cancelled");
    // What an earlier run wrote this one did not.
    let wrote = out.loaners.iter().any(|one| {
        let wrote = matches!(one.result, R::Done | R::PutBack | R::Unproved);
        wrote && !one.earlier
    });
    let in_part = |one: &LoanerOut| one.result == R::Done && one.error.is_some();
    let expected = if count(&[R::Unproved]) > 0 || (was_stopped && wrote) {
        7
    } else if was_stopped {
        130
    } else if count(&[R::PutBack]) > 0 {
        5
    } else if count(&[R::Refused]) > 0 || out.loaners.iter().any(in_part) {
        6
    } else if count(&[R::Failed, R::NotTried]) > 0 {
        1
    } else if count(&[R::Missing]) > 0 {
        3
    } else if out.error.is_some() {
        // All had their turn, and the journal had no room for it.
        if wrote { 7 } else { 1 }
    } else {
        0
    };
    holds!(
        code.is_none_or(|code| code == expected),
        "it ended with {code:?}, and the list says {expected}"
    );
    let mut last = BTreeMap::new();
    for line in lines {
        if let ShelfEvent::Ended(one) = &line.event {
            last.insert(one.label.as_str(), one.result);
        }
    }
    for one in &out.loaners {
        let told = last.get(one.label.as_str());
        let agrees = match told {
            Some(told) => *told == one.result,
            None => one.result == R::NotTried,
        };
        holds!(
            agrees,
            "`{}` was told as {told:?}, and the list has {:?}",
            one.label,
            one.result
        );
    }
    Ok(())
}

/// What is told as unproved is open in the journal, and what is told as settled is not, unless the
/// journal had no room to be told so. What is told as put back was begun to be written: a save that left
/// while its receiver was away reached nobody, which only its receiver knows.
pub(super) fn what_is_open_is_told(out: &ShelfOut, archive: &Archive, has_no_room: bool) -> Holds {
    let open = archive.unfinished().map_err(|error| error.to_string())?;
    let is_begun = |change: &ChangeRow| {
        let mut steps = change.steps.iter();
        steps.any(|step| step.kind.starts_with("writing"))
    };
    for one in &out.loaners {
        let change = open.iter().find(|change| Some(change.id.0) == one.change);
        if one.result == LoanerResult::PutBack {
            let change = one.change.map(|id| archive.change(ChangeId(id)));
            let change = change.transpose().map_err(|error| error.to_string())?;
            holds!(
                change.flatten().as_ref().is_some_and(is_begun),
                "`{}` is said to be put back, and nothing of it was begun",
                one.label
            );
        }
        match one.result {
            LoanerResult::Unproved => {
                // Cut off between the two, a save is on record and was never sent: nobody knows.
                holds!(
                    change.is_some_and(is_begun),
                    "`{}` is unproved, and no write of it is open",
                    one.label
                );
            }
            LoanerResult::Done | LoanerResult::PutBack => {
                holds!(
                    change.is_none() || has_no_room,
                    "`{}` is settled, and its change is open: {} {:?}",
                    one.label,
                    json!(one),
                    change.map(|change| (
                        change.outcome,
                        change
                            .steps
                            .iter()
                            .map(|step| step.kind.as_str())
                            .collect::<Vec<_>>()
                    ))
                );
            }
            _ => {}
        }
    }
    Ok(())
}
