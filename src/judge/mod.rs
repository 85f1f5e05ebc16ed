//! What keeps a device from linking, from what was read and what is wanted.
//!
//! Pure: no device, no clock, no words of one family. The verdict is the first condition that
//! applies in the order of [`Condition`]; every finding stands beside it. Facts of the trade that
//! the texts state are common practice without a source.

mod ends;
mod expectation;

pub use expectation::{Expectation, OtherEnd};

use crate::terms::{Condition, Finding, Reading, SettingName, Snapshot, Value};

/// The verdict with everything that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    /// The first condition that applies.
    pub condition: Condition,
    /// The verdict's own first, mere remarks last.
    pub findings: Vec<Finding>,
}

/// Judges one device.
pub fn judge(read: &Snapshot, expectation: &Expectation) -> Verdict {
    let mut findings = Vec::new();
    findings.extend(radio_part(read));
    findings.extend(waveform(read, expectation));
    findings.extend(bind_key(read));
    findings.extend(model_lock(read, expectation));
    findings.extend(wanted(read, expectation));
    if let Some(other) = &expectation.other_end {
        findings.extend(ends::compare(read, other));
    }
    findings.extend(local_network(read));
    findings.sort_by_key(|finding| place_in_line(finding.condition));
    let condition = findings
        .first()
        .map_or(Condition::Healthy, |finding| finding.condition);
    Verdict {
        condition,
        findings,
    }
}

/// What is not known weighs more than a remark and less than what is.
fn place_in_line(condition: Condition) -> u8 {
    match condition {
        Condition::Faulty => 0,
        Condition::Unsupported => 1,
        Condition::Unbound => 2,
        Condition::Locked => 3,
        Condition::Mismatched => 4,
        Condition::Unknown => 5,
        Condition::Healthy => 6,
    }
}

fn finding(condition: Condition, setting: Option<&str>, text: impl Into<String>) -> Finding {
    Finding {
        condition,
        setting: setting.and_then(|name| name.parse().ok()),
        text: text.into(),
    }
}

fn radio_part(read: &Snapshot) -> Option<Finding> {
    (read.faulty == Some(true)).then(|| {
        finding(
            Condition::Faulty,
            None,
            "its processor runs but does not reach its radio part; no setting mends that: check \
             its supply and its board, or replace it",
        )
    })
}

fn waveform(read: &Snapshot, expectation: &Expectation) -> Option<Finding> {
    let can = &expectation.waveforms;
    let other = expectation.other_end.as_ref();
    let asked = expectation
        .wanted
        .get(SettingName::WAVEFORM)
        .or_else(|| other.and_then(|other| other.snapshot.value(SettingName::WAVEFORM)))
        .or_else(|| read.value(SettingName::WAVEFORM));
    let setting = Some(SettingName::WAVEFORM);
    match asked {
        Some(Value::Choice(word)) if !can.is_empty() && !can.contains(word) => Some(finding(
            Condition::Unsupported,
            setting,
            format!(
                "waveform {} is not one that this hardware can do ({}); the two ends never link on it",
                Value::Choice(word.clone()),
                can.join(", ")
            ),
        )),
        // One that is wanted is judged with all else that is.
        _ if expectation.wanted.contains_key(SettingName::WAVEFORM) => None,
        _ => match reading(read, SettingName::WAVEFORM)? {
            Reading::Unread(why) => Some(finding(
                Condition::Unknown,
                setting,
                format!("its waveform could not be read: {why}"),
            )),
            Reading::Known(_) | Reading::WriteOnly => None,
        },
    }
}

fn bind_key(read: &Snapshot) -> Option<Finding> {
    let setting = Some(SettingName::BIND_KEY);
    match reading(read, SettingName::BIND_KEY)? {
        Reading::Known(Value::Absent) => Some(finding(
            Condition::Unbound,
            setting,
            "it has no bind key: it links with no transmitter until it is bound",
        )),
        Reading::Unread(why) => Some(finding(
            Condition::Unknown,
            setting,
            format!("whether it has a bind key could not be read: {why}"),
        )),
        Reading::Known(_) | Reading::WriteOnly => None,
    }
}

/// The lock is judged with the bind key: off, it lets every transmitter of that key in.
fn model_lock(read: &Snapshot, expectation: &Expectation) -> Option<Finding> {
    let setting = Some(SettingName::MODEL_LOCK);
    // A key that is never shown may well be there.
    let bound = match reading(read, SettingName::BIND_KEY) {
        Some(Reading::Known(key)) => *key != Value::Absent,
        Some(Reading::WriteOnly) => true,
        Some(Reading::Unread(_)) | None => false,
    };
    let wanted = expectation.wanted.get(SettingName::MODEL_LOCK);
    match (reading(read, SettingName::MODEL_LOCK)?, wanted) {
        (Reading::Known(lock), Some(wanted)) if lock == wanted && *lock != Value::Off => None,
        (Reading::Known(Value::Number(slot)), wanted) => Some(finding(
            Condition::Locked,
            setting,
            match wanted {
                Some(Value::Number(wanted)) => format!(
                    "it is locked to slot {slot} and should be to slot {wanted}: it refuses its \
                     transmitter"
                ),
                _ => format!(
                    "it is locked to slot {slot}: it refuses its transmitter unless that model \
                     memory is selected there"
                ),
            },
        )),
        (Reading::Known(_), Some(Value::Number(wanted))) => Some(finding(
            Condition::Mismatched,
            setting,
            format!("its model lock is off and should be slot {wanted}"),
        )),
        (Reading::Known(_), _) if bound => Some(finding(
            Condition::Healthy,
            setting,
            "its model lock is off: every transmitter with its bind key drives it",
        )),
        (Reading::Known(_), _) => None,
        (Reading::WriteOnly, _) => Some(finding(
            Condition::Unknown,
            setting,
            "it never shows its model lock: whether it is locked cannot be told",
        )),
        (Reading::Unread(why), _) => Some(finding(
            Condition::Unknown,
            setting,
            format!("its model lock could not be read: {why}"),
        )),
    }
}

fn wanted(read: &Snapshot, expectation: &Expectation) -> Vec<Finding> {
    let others = expectation
        .wanted
        .iter()
        .filter(|(name, _)| **name != *SettingName::MODEL_LOCK);
    others
        .filter_map(|(name, wanted)| {
            let entry = read.settings.get(name);
            let text = match entry.map(|entry| &entry.reading) {
                Some(Reading::Known(value)) if value == wanted => return None,
                Some(Reading::Known(_)) if entry.is_some_and(|entry| entry.secret) => {
                    "it is not as wanted".to_owned()
                }
                Some(Reading::Known(value)) => format!("it is {value} and should be {wanted}"),
                Some(Reading::WriteOnly) => "the receiver never shows it".to_owned(),
                Some(Reading::Unread(why)) => format!("it could not be read: {why}"),
                None => "this receiver has no such setting".to_owned(),
            };
            let condition = match entry.map(|entry| &entry.reading) {
                Some(Reading::WriteOnly | Reading::Unread(_)) => Condition::Unknown,
                _ => Condition::Mismatched,
            };
            Some(finding(
                condition,
                Some(name.as_str()),
                format!("{name}: {text}"),
            ))
        })
        .collect()
}

fn local_network(read: &Snapshot) -> Option<Finding> {
    match read.value(SettingName::LOCAL_NETWORK)? {
        Value::Absent => None,
        _ => Some(finding(
            Condition::Healthy,
            Some(SettingName::LOCAL_NETWORK),
            "it keeps a local network: where that is in range it joins it and opens none of its own",
        )),
    }
}

fn reading<'a>(read: &'a Snapshot, name: &str) -> Option<&'a Reading> {
    read.settings.get(name).map(|entry| &entry.reading)
}

#[cfg(test)]
mod tests;
