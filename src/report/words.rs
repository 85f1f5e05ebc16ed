//! The words of a shelf as a person reads them, the same on the screen and in the report.

use std::{collections::HashMap, fmt::Write as _};

use jiff::{Timestamp, tz::TimeZone};

use crate::terms::{
    Condition, Proof, SettingName,
    output::{
        ChangeLine, SettingOut, SettingState,
        loaners::{LoanerOut, LoanerResult, ShelfCommand, ShelfCounts, ShelfOut, ShelfStep},
    },
    untrusted::acts_on_a_screen,
};

/// How much a result asks of a person. Beside a colour there is always a sign and a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Weight {
    /// As it should be.
    Good,
    /// Worth a second look, or yet to be done.
    Careful,
    /// Not as it should be.
    Bad,
    /// Nothing is known.
    Open,
}

/// A result in two words at most.
pub(crate) fn result(result: LoanerResult) -> &'static str {
    match result {
        LoanerResult::AsWanted => "as wanted",
        LoanerResult::Differs => "differs",
        LoanerResult::Done => "done",
        LoanerResult::Planned => "planned",
        LoanerResult::PutBack => "put back",
        LoanerResult::Refused => "refused",
        LoanerResult::Unproved => "not proved",
        LoanerResult::Failed => "failed",
        LoanerResult::Missing => "missing",
        LoanerResult::NotTried => "not tried",
    }
}

/// What it asks of a person.
pub(crate) fn weight(result: LoanerResult) -> Weight {
    match result {
        LoanerResult::AsWanted | LoanerResult::Done => Weight::Good,
        LoanerResult::Differs | LoanerResult::Planned => Weight::Careful,
        LoanerResult::PutBack
        | LoanerResult::Refused
        | LoanerResult::Unproved
        | LoanerResult::Failed => Weight::Bad,
        LoanerResult::Missing | LoanerResult::NotTried => Weight::Open,
    }
}

/// What a result means, of one loaner or of several.
pub(crate) fn meaning(result: LoanerResult) -> &'static str {
    match result {
        LoanerResult::AsWanted => "Set as the file wants it; nothing was written.",
        LoanerResult::Differs => "Set otherwise than the file wants it; nothing was written.",
        LoanerResult::Done => "Written and proved.",
        LoanerResult::Planned => "A dry run: this would be written.",
        LoanerResult::PutBack => {
            "The change did not take; what was there before is back, and that is proved."
        }
        LoanerResult::Refused => "Refused; nothing was written.",
        LoanerResult::Unproved => "Written, and not proved: set as wanted, or not.",
        LoanerResult::Failed => "Failed; nothing was written.",
        LoanerResult::Missing => "Never in range; nothing is known of it.",
        LoanerResult::NotTried => "The run ended before its turn.",
    }
}

/// What to do next with one loaner or with several, where the run itself says nothing better; none:
/// nothing.
pub(crate) fn next(result: LoanerResult) -> Option<&'static str> {
    Some(match result {
        LoanerResult::AsWanted | LoanerResult::Done => return None,
        LoanerResult::Differs => "Reset by the same file, or change what the file wants.",
        LoanerResult::Planned => "Run it again without the dry run.",
        LoanerResult::PutBack | LoanerResult::Refused | LoanerResult::Failed => {
            "Do away with the reason, and run the shelf again: what is proved stays as it is."
        }
        LoanerResult::Unproved => {
            "Power it, keep it near, and run the shelf again, or `linkmend resume`. Until then do not \
             lend it."
        }
        LoanerResult::Missing => {
            "Charge the battery, power it alone and near, and run the shelf again: what is proved \
             stays as it is."
        }
        LoanerResult::NotTried => "Run the shelf again: what is proved stays as it is.",
    })
}

/// What did not end as wanted, the gravest first: what may be set either way, then what failed, then
/// what is not known. Loaners with one reason share a place, and so do those without any. Each with its
/// place in the file, from 0.
pub(crate) fn left_to_do(out: &ShelfOut) -> Vec<(LoanerResult, Vec<(usize, &LoanerOut)>)> {
    let mut left: Vec<(LoanerResult, Vec<(usize, &LoanerOut)>)> = Vec::new();
    for result in GRAVEST_FIRST {
        let first = left.len();
        // Where those of a reason stand: a shelf of ten thousand may have as many reasons.
        let mut places = HashMap::new();
        let all = out.loaners.iter().enumerate();
        let all = all
            .filter(|(_, loaner)| loaner.result == result)
            .filter(|(_, loaner)| result != LoanerResult::Done || is_done_in_part(loaner));
        for (number, loaner) in all {
            let error = loaner.error.as_ref();
            let reason = error.map(|error| (&error.message, &error.help));
            let place = *places.entry(reason).or_insert(left.len());
            if place == left.len() {
                left.push((result, Vec::new()));
            }
            left[place].1.push((number, loaner));
        }
        // A reason of their own says more than none.
        left[first..].sort_by_key(|(_, group)| group.iter().all(|(_, one)| one.error.is_none()));
    }
    left
}

/// Of those that are done, only such as are done in part.
const GRAVEST_FIRST: [LoanerResult; 9] = [
    LoanerResult::Unproved,
    LoanerResult::PutBack,
    LoanerResult::Failed,
    LoanerResult::Refused,
    LoanerResult::Done,
    LoanerResult::Missing,
    LoanerResult::NotTried,
    LoanerResult::Differs,
    LoanerResult::Planned,
];

/// Whether what was written is proved, and something else that the file wants was left: what local
/// rules set.
pub(crate) fn is_done_in_part(loaner: &LoanerOut) -> bool {
    loaner.result == LoanerResult::Done && loaner.error.is_some()
}

/// Where a loaner is on its way.
pub(crate) fn step(step: ShelfStep) -> &'static str {
    match step {
        ShelfStep::Waiting => "waiting",
        ShelfStep::InRange => "in range",
        ShelfStep::Joining => "joining",
        ShelfStep::Reading => "reading",
        ShelfStep::Writing => "writing",
        ShelfStep::Restarting => "restarting",
        ShelfStep::Proving => "proving",
        ShelfStep::PuttingBack => "putting back",
        ShelfStep::LaterAgain => "later again",
        ShelfStep::Through => "through",
    }
}

/// Whether somebody works at it in this step, rather than waits.
pub(crate) fn is_at_work(step: ShelfStep) -> bool {
    matches!(
        step,
        ShelfStep::Joining
            | ShelfStep::Reading
            | ShelfStep::Writing
            | ShelfStep::Restarting
            | ShelfStep::Proving
            | ShelfStep::PuttingBack
    )
}

/// What a run did.
pub(crate) fn command(out: &ShelfOut) -> &'static str {
    match out.command {
        _ if out.dry_run => "Dry run of a reset",
        ShelfCommand::Check => "Check",
        ShelfCommand::Reset => "Reset",
    }
}

/// How well something is proved, where its reason says nothing more.
pub(crate) fn proof(proof: Proof) -> &'static str {
    match proof {
        Proof::None => "not proved",
        Proof::ReadBack => "read back",
        Proof::AfterRestart => "read after a restart",
    }
}

/// What a proof rests on, or why there is none. A check and a dry run prove nothing, and say so
/// nowhere: there is nothing to prove.
pub(crate) fn proved(line: &ChangeLine, result: LoanerResult) -> String {
    let why = line.why.trim();
    match (line.proof, result, why) {
        (Proof::None, LoanerResult::Differs | LoanerResult::Planned, why) => why.to_owned(),
        (none_or_some, _, "") => proof(none_or_some).to_owned(),
        (Proof::None, _, why) => format!("{}: {why}", proof(Proof::None)),
        (_, _, why) => why.to_owned(),
    }
}

/// One of the sums.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Sum {
    /// How many.
    pub count: usize,
    /// Of what.
    pub word: &'static str,
    /// The result that stands for all of them.
    pub like: LoanerResult,
}

/// The sums that are not zero, the gravest last: `18 done, 3 as wanted, 1 not proved`.
pub(crate) fn sums(counts: &ShelfCounts) -> Vec<Sum> {
    [
        (counts.done, "done", LoanerResult::Done),
        (counts.as_wanted, "as wanted", LoanerResult::AsWanted),
        (counts.differ, "to be changed", LoanerResult::Differs),
        (
            counts.missing,
            "missing or not tried",
            LoanerResult::Missing,
        ),
        (counts.failed, "failed or put back", LoanerResult::Failed),
        (counts.unproved, "not proved", LoanerResult::Unproved),
    ]
    .into_iter()
    .filter(|(count, _, _)| *count > 0)
    .map(|(count, word, like)| Sum { count, word, like })
    .collect()
}

/// The whole run in one sentence.
pub(crate) fn verdict(out: &ShelfOut) -> String {
    let all = out.counts.all;
    let in_part = out.loaners.iter().filter(|one| is_done_in_part(one));
    let good = (out.counts.done + out.counts.as_wanted).saturating_sub(in_part.count());
    let rest = all.saturating_sub(good);
    if all == 0 {
        return "There is no loaner in this run.".into();
    }
    if out.dry_run {
        let planned = match out.counts.differ {
            0 => "no loaner would be written".to_owned(),
            count => format!("{count} of {all} would be written"),
        };
        return format!("Nothing was written, this was a dry run: {planned}.");
    }
    let how = match out.command {
        ShelfCommand::Check => "set as the file wants it",
        ShelfCommand::Reset => "set as the file wants it, and that is proved",
    };
    match (rest, all) {
        (0, 1) => format!("The one loaner is {how}."),
        (0, _) => format!("All {all} loaners are {how}."),
        (1, _) => format!("{good} of {all} loaners are {how}. 1 is not."),
        _ if good == 1 => format!("1 of {all} loaners is {how}. {rest} are not."),
        _ => format!("{good} of {all} loaners are {how}. {rest} are not."),
    }
}

/// A value as a person reads it: `slot 7`, `cut (Cut the outputs)`, `(secret, fingerprint 1a2b)`.
pub(crate) fn value(setting: &SettingName, shown: &SettingOut) -> String {
    match shown.state {
        SettingState::Absent => "none".into(),
        SettingState::WriteOnly => "never shown by the device".into(),
        SettingState::Unread => "not read".into(),
        SettingState::Secret => match &shown.fingerprint {
            Some(print) => format!("(secret, fingerprint {})", harmless(print)),
            None => "(secret)".into(),
        },
        SettingState::Known => known(setting, shown),
    }
}

fn known(setting: &SettingName, shown: &SettingOut) -> String {
    let json = shown.value.as_ref().map(|value| &value.0);
    let text = match json {
        None => return "not read".into(),
        Some(serde_json::Value::Null) => "none".into(),
        Some(serde_json::Value::Bool(flag)) => if *flag { "on" } else { "off" }.into(),
        Some(serde_json::Value::String(text)) if text.trim() != text || text.is_empty() => {
            format!("\"{}\"", harmless(text))
        }
        Some(serde_json::Value::String(text)) => harmless(text),
        Some(serde_json::Value::Number(number)) if setting == SettingName::MODEL_LOCK => {
            format!("slot {number}")
        }
        Some(other) => harmless(&other.to_string()),
    };
    match shown.label.as_deref().map(harmless) {
        // A label that says nothing new is left out.
        Some(label) if !label.replace(' ', "-").eq_ignore_ascii_case(&text) => {
            format!("{text} ({label})")
        }
        _ => text,
    }
}

/// `model-lock slot 7 → off`.
fn change(line: &ChangeLine) -> String {
    format!(
        "{} {} → {}",
        line.setting,
        value(&line.setting, &line.before),
        value(&line.setting, &line.after)
    )
}

/// What a loaner came to beside its result, in the fewest words that still say it; often nothing.
pub(crate) fn outcome(loaner: &LoanerOut) -> String {
    if loaner.earlier {
        return "proved by an earlier run".into();
    }
    if let Some(error) = &loaner.error {
        return harmless(&error.message);
    }
    match &loaner.changes[..] {
        // Something differs that is no value: only a note says it.
        [] if loaner.result == LoanerResult::Differs => loaner
            .notes
            .first()
            .map(|note| harmless(note))
            .unwrap_or_default(),
        [] => String::new(),
        [one] => change(one),
        all => {
            // What decides about the link is what people look for.
            let link = [SettingName::MODEL_LOCK, SettingName::BIND_KEY];
            let first = all
                .iter()
                .position(|one| link.contains(&one.setting.as_str()));
            let first = first.unwrap_or_default();
            let others = all.iter().enumerate().filter(|(at, _)| *at != first);
            let others: Vec<&str> = others.map(|(_, one)| one.setting.as_str()).collect();
            format!("{}; also {}", change(&all[first]), others.join(", "))
        }
    }
}

/// What to do next about this loaner: what the run says, else what its result asks for.
pub(crate) fn next_of(loaner: &LoanerOut) -> Option<String> {
    let help = loaner
        .error
        .as_ref()
        .and_then(|error| error.help.as_deref());
    match help {
        Some(help) => Some(harmless_lines(help)),
        None => next(loaner.result).map(ToOwned::to_owned),
    }
}

/// Its marks as one text: `serial TM-1100, 02:7a:10:00:01:10`.
pub(crate) fn marks(identity: &crate::terms::output::IdentityOut) -> String {
    let serial = identity.serial.as_deref().map(harmless);
    let parts: Vec<String> = serial
        .map(|serial| format!("serial {serial}"))
        .into_iter()
        .chain(identity.bssid.as_deref().map(harmless))
        .collect();
    match (parts.is_empty(), &identity.address) {
        (false, _) => parts.join(", "),
        (true, Some(address)) => format!("at {}", harmless(address)),
        (true, None) => "no mark known".into(),
    }
}

/// Healthy is said by no word: it is what is hoped for.
pub(crate) fn worth_saying(condition: Option<Condition>) -> Option<&'static str> {
    condition
        .filter(|condition| *condition != Condition::Healthy)
        .map(Condition::word)
}

/// How long was worked at a loaner, in s: from the first span to the end of the last.
pub(crate) fn took_s(loaner: &LoanerOut) -> Option<f64> {
    let from = loaner.spans.iter().map(|span| span.from_s);
    let to = loaner.spans.iter().map(|span| span.to_s);
    let from = from.filter(|s| s.is_finite()).min_by(f64::total_cmp)?;
    let to = to.filter(|s| s.is_finite()).max_by(f64::total_cmp)?;
    (to >= from).then_some(to - from)
}

/// A stretch of time at a place: `Friday, 27 November 2026, 18:42 to 19:10 CET`, and when it began as
/// machines read it. A time that is none is shown as it is.
pub(crate) fn when(rfc3339: &str, took_s: f64, zone: &TimeZone) -> (String, String) {
    let moments = moment(rfc3339, 0.0).zip(moment(rfc3339, took_s));
    let Some((began, ended)) = moments else {
        return (harmless(rfc3339), String::new());
    };
    let [from, to] = [began, ended].map(|at| at.to_zoned_datetime(zone.clone()));
    let (from_day, to_day) = (from.strftime(DAY).to_string(), to.strftime(DAY).to_string());
    let to_day = if from_day == to_day {
        String::new()
    } else {
        format!("{to_day}, ")
    };
    (
        format!(
            "{from_day}, {} to {to_day}{}",
            from.strftime("%H:%M"),
            to.strftime("%H:%M %Z")
        ),
        began.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
    )
}

const DAY: &str = "%A, %-d %B %Y";

/// A time of day at a place: `19:10`.
pub(crate) fn clock(rfc3339: &str, after_s: f64, zone: &TimeZone) -> Option<String> {
    let at = moment(rfc3339, after_s)?.to_zoned_datetime(zone.clone());
    Some(at.strftime("%H:%M").to_string())
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "clamped to whole seconds of ten years"
)]
fn moment(rfc3339: &str, after_s: f64) -> Option<Timestamp> {
    let after = after_s.clamp(0.0, 3.2e8).round() as i64;
    let began: Timestamp = rfc3339.parse().ok()?;
    began
        .checked_add(jiff::SignedDuration::from_secs(after))
        .ok()
}

/// Text with everything escaped that would act on a screen or reorder a line: what was escaped
/// already stays as it is.
pub(crate) fn harmless(text: &str) -> String {
    text.chars().fold(String::new(), |mut out, c| {
        if acts_on_a_screen(c) {
            let _ = write!(out, "{}", c.escape_unicode());
        } else {
            out.push(c);
        }
        out
    })
}

/// The same for a text of several lines, which it keeps.
pub(crate) fn harmless_lines(text: &str) -> String {
    let lines: Vec<String> = text.split('\n').map(harmless).collect();
    lines.join("\n")
}

/// How long something took: `47 s`, `1 min 20 s`, `2 h 5 min`.
pub(crate) fn lasted(seconds: f64) -> String {
    let whole = whole(seconds);
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, 0, _) => format!("{h} h"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}

/// A time since the start as a scale shows it: `0:45`, `12:30`, `2:05:00`.
pub(crate) fn since(seconds: f64) -> String {
    let whole = whole(seconds);
    match whole / 3600 {
        0 => format!("{}:{:02}", whole / 60, whole % 60),
        h => format!("{h}:{:02}:{:02}", whole / 60 % 60, whole % 60),
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to whole seconds of ten years"
)]
fn whole(seconds: f64) -> u64 {
    seconds.clamp(0.0, 3.2e8).round() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::testing::shelf;

    #[test]
    fn a_dry_run_is_told_as_one() {
        let mut out = shelf();
        assert_eq!(command(&out), "Reset");
        assert!(verdict(&out).contains("and that is proved"));
        out.dry_run = true;
        out.counts.differ = 3;
        out.counts.all = 4;
        assert_eq!(command(&out), "Dry run of a reset");
        assert_eq!(
            verdict(&out),
            "Nothing was written, this was a dry run: 3 of 4 would be written."
        );
        out.counts.differ = 0;
        assert_eq!(
            verdict(&out),
            "Nothing was written, this was a dry run: no loaner would be written."
        );
    }

    #[test]
    fn what_decides_about_the_link_is_told_first_and_the_rest_by_name() {
        let out = shelf();
        let several = out.loaners.iter().find(|one| {
            let lock = one
                .changes
                .iter()
                .any(|line| line.setting.as_str() == "model-lock");
            lock && one.changes.len() > 1 && one.error.is_none() && !one.earlier
        });
        let mut one = several.expect("one of them").clone();
        one.changes
            .sort_by_key(|line| line.setting.as_str() == "model-lock");
        let others: Vec<&str> = one
            .changes
            .iter()
            .map(|line| line.setting.as_str())
            .collect();
        let others = others[..others.len() - 1].join(", ");
        let said = outcome(&one);
        assert!(said.starts_with("model-lock "), "{said}");
        assert!(said.ends_with(&format!("; also {others}")), "{said}");
    }
}
