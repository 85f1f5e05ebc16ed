//! What is told of a loaner at its end, and the sums over all.

use crate::{
    change::{
        Report, Trouble, Wanted,
        out::{self, Fingerprint},
    },
    loaners::shelf::Loaner,
    profile::Profile,
    terms::{
        Reading, SettingName, Snapshot, Value,
        output::{
            Outcome,
            loaners::{LoanerOut, LoanerResult, ShelfCounts},
        },
    },
};

/// A loaner of which nothing is known yet but its row.
pub(super) fn blank(loaner: &Loaner, profile: &Profile) -> LoanerOut {
    let mut identity = out::identity(&loaner.mark.identity(profile.identity.bssid_stable));
    identity.address = loaner.at.as_ref().map(ToString::to_string);
    LoanerOut {
        identity,
        transmitter: loaner.transmitter.clone(),
        ..LoanerOut::named(&loaner.label, LoanerResult::NotTried)
    }
}

/// How a change ended, in the words of a shelf.
pub(super) fn result(outcome: Outcome) -> LoanerResult {
    match outcome {
        Outcome::NothingToDo => LoanerResult::AsWanted,
        Outcome::Done => LoanerResult::Done,
        Outcome::Planned => LoanerResult::Planned,
        Outcome::PutBack => LoanerResult::PutBack,
        Outcome::Refused => LoanerResult::Refused,
        Outcome::Unproved => LoanerResult::Unproved,
        Outcome::Failed => LoanerResult::Failed,
    }
}

/// Takes what a change says of itself.
pub(super) fn take(
    out: &mut LoanerOut,
    report: &Report,
    profile: &Profile,
    print: Fingerprint<'_>,
) {
    let lines = report.lines.iter();
    out.changes
        .extend(lines.map(|line| out::change_line(line, profile, print)));
    out.notes.extend(report.notes.iter().cloned());
    out.error = report.trouble.as_ref().map(out::fault);
    if let Some(help) = out.error.as_mut().and_then(|error| error.help.as_mut()) {
        *help = help.replace(ONE_ALONE, THE_SHELF);
    }
}

/// What settles a change of one receiver, as `change` says it, and what does so on a shelf.
const ONE_ALONE: &str = "run `linkmend resume`";
const THE_SHELF: &str = "run the shelf again: what was cut off comes first";

/// One of which a change is open that this run did not get to the end of: it was written to, whatever
/// kept this run from it. One that came back as another one by its BSSID may have been changed anew
/// since, which says nothing of what that change had moved.
pub(super) fn still_cut_off(out: &mut LoanerOut, change: i64) {
    use LoanerResult as R;
    let (message, help) = match out.result {
        R::Missing | R::NotTried | R::Failed => (
            format!("change {change} of it was cut off, and it was not reached since"),
            format!("power it, keep it near, and {THE_SHELF}"),
        ),
        R::PutBack | R::Done => (
            format!(
                "change {change} of it is open, and it is another one by its BSSID since: what that \
                 change moved is not known to be back"
            ),
            format!(
                "look at all that it is set to (`linkmend history` has what was there), then \
                 `linkmend resume {change} --close`"
            ),
        ),
        _ => return,
    };
    let why = out.error.take().map(|fault| fault.message);
    out.notes.extend(why);
    let trouble = Trouble::new("unfinished-change", message, Some(&help));
    out.change = Some(change);
    failed(out, R::Unproved, &trouble);
}

/// What was there is back as far as it is shown: adds what is not.
pub(super) fn never_shown(out: &mut LoanerOut, report: &Report) {
    let last = report
        .last
        .as_ref()
        .filter(|_| report.outcome == Outcome::PutBack);
    for (name, entry) in last.iter().flat_map(|last| &last.settings) {
        if entry.reading == Reading::WriteOnly {
            out.notes.push(format!(
                "`{name}` is never shown: whether it is as it was cannot be told"
            ));
        }
    }
}

/// The settings that could be written and that nobody named.
pub(super) fn left(profile: &Profile, now: &Snapshot, wanted: &Wanted) -> Vec<String> {
    profile
        .settings
        .iter()
        .filter(|setting| !setting.saves.is_empty())
        .filter(|setting| now.settings.contains_key(&setting.name))
        .filter(|setting| !wanted.contains_key(&setting.name))
        .map(|setting| setting.name.to_string())
        .collect()
}

/// The first number of its firmware's version.
pub(super) fn major(now: &Snapshot) -> Option<u64> {
    match now.value(SettingName::FIRMWARE)? {
        Value::Version(version) => Some(version.major),
        _ => None,
    }
}

/// Whether a try that ended so wrote nothing.
pub(super) fn came_to_nothing(result: LoanerResult) -> bool {
    matches!(
        result,
        LoanerResult::Failed
            | LoanerResult::Refused
            | LoanerResult::Missing
            | LoanerResult::NotTried
    )
}

/// What a second try ended with, with what is still true of the first: one that wrote in the first
/// try and could not be reached in the second did not fail without a write.
pub(super) fn after_second_try(first: &LoanerOut, mut second: LoanerOut) -> LoanerOut {
    // One that is done and was not through settled what an earlier run was cut off in.
    let wrote = matches!(
        first.result,
        LoanerResult::Unproved | LoanerResult::PutBack | LoanerResult::Done
    );
    let came_to_nothing = came_to_nothing(second.result);
    let spans = first.spans.iter().chain(&second.spans).cloned().collect();
    let signal = first.signal.max(second.signal);
    if (wrote && came_to_nothing) || second.result == LoanerResult::NotTried {
        let why = second.error.as_ref().map(|fault| fault.message.clone());
        let mut kept = first.clone();
        kept.notes.push(match why {
            Some(why) => format!("the second try came to nothing: {why}"),
            None => "the second try came to nothing".into(),
        });
        kept.tries = second.tries;
        kept.spans = spans;
        kept.signal = signal;
        return kept;
    }
    // One that did not come again keeps what it failed with.
    if came_to_nothing && second.error.is_none() {
        second.error.clone_from(&first.error);
    }
    if wrote && second.result == LoanerResult::AsWanted {
        // This run wrote to it. Only what was proved is done, though it reads as wanted now.
        second.result = match first.result {
            LoanerResult::Done => LoanerResult::Done,
            _ => LoanerResult::Unproved,
        };
        second.changes.clone_from(&first.changes);
        second.change = first.change;
        second.notes = first.notes.iter().chain(&second.notes).cloned().collect();
        if second.result == LoanerResult::Unproved {
            second.error.clone_from(&first.error);
            second
                .notes
                .push("the second try found it as wanted, and settled nothing".into());
        }
    }
    second.spans = spans;
    second.signal = signal;
    second
}

/// How many ended how.
pub(super) fn counts(all: &[LoanerOut]) -> ShelfCounts {
    let mut counts = ShelfCounts {
        all: all.len(),
        ..ShelfCounts::default()
    };
    for one in all {
        let count = match one.result {
            LoanerResult::AsWanted => &mut counts.as_wanted,
            LoanerResult::Done => &mut counts.done,
            LoanerResult::Differs | LoanerResult::Planned => &mut counts.differ,
            LoanerResult::PutBack | LoanerResult::Refused | LoanerResult::Failed => {
                &mut counts.failed
            }
            LoanerResult::Unproved => &mut counts.unproved,
            LoanerResult::Missing | LoanerResult::NotTried => &mut counts.missing,
        };
        *count += 1;
    }
    counts
}

/// Ends it with a trouble of its own.
pub(super) fn failed(out: &mut LoanerOut, result: LoanerResult, trouble: &Trouble) {
    out.result = result;
    out.error = Some(out::fault(trouble));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_of_which_a_change_is_open_is_not_known_to_be_as_it_was() {
        use LoanerResult as R;
        for (result, told, change) in [
            (R::Missing, R::Unproved, Some(7)),
            (R::Failed, R::Unproved, Some(7)),
            (R::NotTried, R::Unproved, Some(7)),
            (R::PutBack, R::Unproved, Some(7)),
            (R::Done, R::Unproved, Some(7)),
            // This run wrote nothing to it, and what was read is as wanted.
            (R::AsWanted, R::AsWanted, Some(9)),
            (R::Unproved, R::Unproved, Some(9)),
        ] {
            let mut out = LoanerOut::named("Heron", result);
            out.change = Some(9);
            still_cut_off(&mut out, 7);
            assert_eq!((out.result, out.change), (told, change), "{result:?}");
        }
    }

    #[test]
    fn a_second_try_takes_nothing_back_of_what_the_first_one_wrote() {
        use LoanerResult as R;
        let after = |first, second| {
            let mut first = LoanerOut::named("Heron", first);
            first.change = Some(7);
            let told = after_second_try(&first, LoanerOut::named("Heron", second));
            (told.result, told.change)
        };
        // The first one finished what was cut off, and could not read it once more.
        assert_eq!(after(R::Done, R::AsWanted), (R::Done, Some(7)));
        // It came back as another one, by its BSSID: nothing could be settled.
        assert_eq!(after(R::Unproved, R::AsWanted), (R::Unproved, Some(7)));
        for wrote in [R::Done, R::PutBack, R::Unproved] {
            for nothing in [R::Failed, R::Refused, R::Missing, R::NotTried] {
                assert_eq!(after(wrote, nothing), (wrote, Some(7)));
            }
        }
        assert_eq!(after(R::Failed, R::AsWanted), (R::AsWanted, None));
        assert_eq!(after(R::Failed, R::Missing), (R::Missing, None));
        assert_eq!(after(R::PutBack, R::Done), (R::Done, None));
    }
}
