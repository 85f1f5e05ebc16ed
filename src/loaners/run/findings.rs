//! What is wrong across the shelf, the gravest first: equal pairs, one identity twice, mixed
//! firmware, who is missing, and who is there and in no row.

use std::collections::BTreeMap;

use super::earlier::Earlier;
use crate::{
    loaners::pairs::{Pairs, listed},
    terms::{
        Condition,
        output::{
            IdentityOut,
            loaners::{LoanerOut, LoanerResult, ShelfFinding, StrangerOut},
        },
    },
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

/// Conditions that no baseline mends, and what to do about them.
const NOT_FOR_LENDING: [(&str, Condition, &str); 2] = [
    (
        "faulty",
        Condition::Faulty,
        ": the radio part does not work, by what it shows, and no setting mends that; try it once on another \
         supply, and replace it if that does not help",
    ),
    (
        "unbound",
        Condition::Unbound,
        ": no bind key is set, so it links with no transmitter until it is bound",
    ),
];

const NOT_IN_RANGE: &str = " never came in range: no power, an empty battery, a transmitter of the same key that \
                            is on, or too far away";
const NO_ANSWER: &str = " did not answer: no power, an empty battery, a transmitter of the same key that is on, or \
                         another address by now";

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
    let all: Vec<&str> = outs.iter().map(|out| out.label.as_str()).collect();
    let mut found = seen.pairs.shared(&all);
    for (one, other) in &seen.twice {
        let text = format!(
            "{} show one identity: one of the two rows is wrong, or one was taken for the other",
            listed(&[all[*one], all[*other]])
        );
        found.push(finding("one-identity-twice", labels(&[*one, *other]), text));
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
        let labels = labels(&few);
        let names: Vec<&str> = labels.iter().map(String::as_str).collect();
        let text = format!(
            "mixed major versions of the firmware ({}): both ends of a link need the same; look at {}",
            majors.join(", "),
            listed(&names)
        );
        found.push(finding("mixed-firmware", labels, text));
    }
    // Of those that this is so of, in the order of the shelf; of nobody nothing is said.
    let mut those = |code: &str, is_so: &dyn Fn(&LoanerOut) -> bool, says: &str| {
        let all = outs.iter().filter(|out| is_so(out));
        let all: Vec<String> = all.map(|out| out.label.clone()).collect();
        if !all.is_empty() {
            let names: Vec<&str> = all.iter().map(String::as_str).collect();
            let text = format!("{}{says}", listed(&names));
            found.push(finding(code, all, text));
        }
    };
    for (code, condition, says) in NOT_FOR_LENDING {
        those(code, &|out| out.condition == Some(condition), says);
    }
    for (is_by_address, says) in [(false, NOT_IN_RANGE), (true, NO_ANSWER)] {
        let is_so = |out: &LoanerOut| {
            let is_missing = out.result == LoanerResult::Missing;
            is_missing && out.identity.address.is_some() == is_by_address
        };
        those("missing", &is_so, says);
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
        let others: Vec<&str> = earlier.rows_changed.iter().map(String::as_str).collect();
        let anew = match others.len() {
            0 => "no row that was proved is another one now".to_owned(),
            1 => format!("{} is another one now and is done anew", others[0]),
            _ => format!("{} are others now and are done anew", listed(&others)),
        };
        let text = format!("the file changed since the run that was cut off: {anew}");
        found.push(finding("file-changed", earlier.rows_changed.clone(), text));
    }
    if changed_meanwhile {
        let text = "the file changed while this run went on: this is of the file as it was when the \
                    run began";
        found.push(finding("file-changed-meanwhile", Vec::new(), text.into()));
    }
    found
}
