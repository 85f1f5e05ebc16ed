//! The difference between the two ends: each alone may look fine.

use super::{finding, reading};
use crate::{
    judge::OtherEnd,
    profile::Rule,
    terms::{Condition, Finding, Reading, Role, Snapshot},
};

/// Judges each rule of the system over what the two ends show.
pub(super) fn compare(read: &Snapshot, other: &OtherEnd) -> Vec<Finding> {
    let (receiver, transmitter) = match read.device.role {
        Role::Receiver => (read, &other.snapshot),
        Role::Transmitter => (&other.snapshot, read),
    };
    let rules = other.system.rules.iter();
    rules
        .filter_map(|rule| judge_rule(rule, receiver, transmitter))
        .collect()
}

fn judge_rule(rule: &Rule, receiver: &Snapshot, transmitter: &Snapshot) -> Option<Finding> {
    let ours = reading(receiver, rule.setting.as_str());
    let theirs = reading(transmitter, rule.other.as_str());
    let setting = Some(rule.setting.as_str());
    match (ours, theirs) {
        (Some(Reading::Known(a)), Some(Reading::Known(b))) => {
            (!rule.agree.holds(a, b)).then(|| {
                finding(
                    Condition::Mismatched,
                    setting,
                    format!(
                        "{} differs between the two ends: {}",
                        rule.setting, rule.why
                    ),
                )
            })
        }
        // An end that has no such setting has nothing to disagree with.
        (None, _) | (_, None) => None,
        _ => Some(finding(
            Condition::Unknown,
            setting,
            format!(
                "{} could not be compared between the two ends",
                rule.setting
            ),
        )),
    }
}
