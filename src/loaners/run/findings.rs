//! What is wrong across the shelf, the gravest first: equal pairs, one identity twice, mixed
//! firmware, who is missing, and who is there and in no row.

use std::collections::BTreeMap;

use super::{
    earlier::Earlier,
    pairs::{Pairs, SHARED_PAIR},
};
use crate::terms::output::{
    IdentityOut,
    loaners::{LoanerOut, LoanerResult, ShelfFinding, StrangerOut},
};

/// What was seen of all loaners.
#[derive(Default)]
pub(super) struct Seen {
    /// The pairs as they were read last.
    pub(super) pairs: Pairs,
    /// The first number of their firmware, by loaner.
    pub(super) majors: BTreeMap<usize, u64>,
    /// Who showed a mark, by that mark.
    pub(super) marks: BTreeMap<String, Vec<usize>>,
    /// Those that showed the marks of another, and were refused.
    pub(super) twice: Vec<(usize, usize)>,
}

impl Seen {
    /// A loaner showed these marks; gives another one that showed one of them before.
    pub(super) fn marks(&mut self, loaner: usize, marks: Vec<String>) -> Option<usize> {
        let mut other = None;
        for mark in marks {
            let all = self.marks.entry(mark).or_default();
            other = other.or(all.iter().copied().find(|one| *one != loaner));
            if !all.contains(&loaner) {
                all.push(loaner);
            }
        }
        if let Some(other) = other
            && !self.twice.contains(&(other, loaner))
        {
            self.twice.push((other, loaner));
        }
        other
    }
}

/// The marks that tell a device from its lookalikes.
pub(super) fn marks_of(identity: &IdentityOut, bssid_is_stable: bool) -> Vec<String> {
    let serial = identity.serial.as_ref();
    let serial = serial.map(|serial| format!("serial {serial}"));
    let bssid = identity.bssid.as_ref().filter(|_| bssid_is_stable);
    let bssid = bssid.map(|bssid| format!("BSSID {bssid}"));
    serial.into_iter().chain(bssid).collect()
}

/// All findings.
pub(super) fn findings(
    seen: &Seen,
    outs: &[LoanerOut],
    strangers: &[StrangerOut],
    earlier: &Earlier,
    changed_meanwhile: bool,
) -> Vec<ShelfFinding> {
    let labels =
        |all: &[usize]| -> Vec<String> { all.iter().map(|one| outs[*one].label.clone()).collect() };
    let finding = |code: &str, loaners: Vec<String>, text: String| ShelfFinding {
        code: code.into(),
        loaners,
        text,
    };
    let mut found = Vec::new();
    for (code, all) in seen.pairs.shared() {
        let text = if code == SHARED_PAIR {
            "they have one bind key and one model lock: the same transmitter drives all of them"
        } else {
            "they have one bind key, and not all have a model lock: those without follow every \
             transmitter of that key"
        };
        found.push(finding(code, labels(&all), text.into()));
    }
    for (one, other) in &seen.twice {
        let text = "they show one identity: one of the two rows is wrong, or one was taken for the \
                    other";
        found.push(finding(
            "one-identity-twice",
            labels(&[*one, *other]),
            text.into(),
        ));
    }
    let mut by_major: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
    for (loaner, major) in &seen.majors {
        by_major.entry(*major).or_default().push(*loaner);
    }
    if by_major.len() > 1 {
        let most = by_major.values().map(Vec::len).max().unwrap_or_default();
        // Where there are as many of each, all are named.
        let all_alike = by_major.values().all(|all| all.len() == most);
        let few = by_major
            .values()
            .filter(|all| all_alike || all.len() < most);
        let few: Vec<usize> = few.flatten().copied().collect();
        let majors: Vec<String> = by_major
            .iter()
            .map(|(major, all)| format!("{} with {major}", all.len()))
            .collect();
        let text = format!(
            "mixed major versions of the firmware ({}): both ends of a link need the same",
            majors.join(", ")
        );
        found.push(finding("mixed-firmware", labels(&few), text));
    }
    let missing: Vec<String> = outs
        .iter()
        .filter(|out| out.result == LoanerResult::Missing)
        .map(|out| out.label.clone())
        .collect();
    if !missing.is_empty() {
        let text = "they never came in range: no power, an empty battery, a transmitter of their \
                    key that is on, or too far away";
        found.push(finding("missing", missing, text.into()));
    }
    for stranger in strangers {
        let who = stranger.identity.serial.as_ref();
        let who = who.or(stranger.identity.bssid.as_ref());
        let who = who.map_or("somebody", String::as_str);
        let text = format!(
            "{} looks like the family and is in no row",
            crate::terms::Untrusted::new(who)
        );
        found.push(finding("stranger", Vec::new(), text));
    }
    if earlier.file_changed {
        let text = "the file changed since the run that was cut off: rows that are others now are \
                    done anew";
        found.push(finding(
            "file-changed",
            earlier.rows_changed.clone(),
            text.into(),
        ));
    }
    if changed_meanwhile {
        let text = "the file changed while this run went on: this is of the file as it was when the \
                    run began";
        found.push(finding("file-changed-meanwhile", Vec::new(), text.into()));
    }
    found
}
