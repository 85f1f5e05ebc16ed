//! Rows as somebody wrote them, in a shelf's file or in a table → loaners, with every fault of
//! theirs.
//!
//! It guards against two rows that are one loaner, and against a row that nothing tells from the
//! others: by such a row the wrong receiver would be written.

use std::{
    collections::{BTreeMap, HashMap},
    ops::Range,
};

use super::{
    draw,
    pairs::{self, Pairs},
    shelf::{Loaner, Mark, Wish},
};
use crate::{
    profile::{Code, Faults, Profile, diag::quoted},
    session::Origin,
    terms::{Kind, Mac, SettingName, Value},
};

/// A text of the file, and where.
#[derive(Debug, Clone)]
pub(super) struct Said {
    pub(super) text: String,
    pub(super) span: Range<usize>,
}

/// What is wanted of a setting, and where that stands.
#[derive(Debug, Clone)]
pub(super) struct Wished {
    pub(super) wish: Wish,
    pub(super) span: Range<usize>,
}

/// What is wanted, by setting.
pub(super) type Wishes = BTreeMap<SettingName, Wished>;

/// A row as it was written.
#[derive(Debug, Default)]
pub(super) struct Row {
    /// Where to point for what is missing from it.
    pub(super) span: Range<usize>,
    pub(super) label: Option<Said>,
    pub(super) serial: Option<Said>,
    pub(super) bssid: Option<Said>,
    /// Either of the two, where a table does not say which.
    pub(super) identity: Option<Said>,
    pub(super) transmitter: Option<Said>,
    pub(super) at: Option<Said>,
    pub(super) wishes: Wishes,
}

/// The loaners of all rows, with the baseline below what each wants by itself. A row that is faulty
/// is left out; without a profile (its own fault is told) what only that knows is not looked at.
pub(super) fn loaners(
    rows: Vec<Row>,
    baseline: &Wishes,
    profile: Option<&Profile>,
    faults: &mut Faults,
) -> Vec<Loaner> {
    let mut checking = Checking {
        profile,
        faults,
        seen: HashMap::new(),
    };
    let mut places = Vec::new();
    let mut loaners = Vec::new();
    for row in rows {
        let mut wishes = baseline.clone();
        let span = row.span.clone();
        let Some((mut loaner, own)) = checking.row(row) else {
            continue;
        };
        wishes.extend(own);
        let point = |name: &str| wishes.get(name).map(|wished| wished.span.clone());
        let lock = point(SettingName::MODEL_LOCK);
        places.push(
            lock.or_else(|| point(SettingName::BIND_KEY))
                .unwrap_or(span),
        );
        let wanted = wishes.into_iter().map(|(name, wished)| (name, wished.wish));
        loaner.wanted = wanted.collect();
        loaners.push(loaner);
    }
    // What is said of all of them together is true of whole rows alone.
    if let (Some(profile), true) = (profile, faults.list.is_empty()) {
        shared(&loaners, &places, profile, faults);
        too_few(&loaners, &places, profile, faults);
    }
    loaners
}

/// What no two rows may have alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Alike {
    Label,
    Serial,
    Bssid,
    At,
}

struct Checking<'a> {
    profile: Option<&'a Profile>,
    faults: &'a mut Faults,
    /// The line in which each was said first.
    seen: HashMap<(Alike, String), usize>,
}

impl Checking<'_> {
    fn row(&mut self, row: Row) -> Option<(Loaner, Wishes)> {
        let label = row.label.and_then(|said| self.label(&said));
        let (serial, bssid) = self.sorted(row.identity, row.serial, row.bssid);
        let marked = serial.is_some() || bssid.is_some();
        let serial = serial.and_then(|said| self.serial(&said));
        let bssid = bssid.and_then(|said| self.bssid(&said));
        if !marked {
            let help = match self.profile.map(|profile| &profile.identity) {
                Some(rule) if rule.serial.is_none() => "give its `bssid`",
                Some(rule) if !rule.bssid_stable => "give its `serial`",
                _ => "give its `serial`, its `bssid`, or both",
            };
            let message = "nothing tells this loaner from the others";
            let help = format!("{help}: by label and address alone the wrong one would be written");
            self.faults
                .add(Code::NoIdentity, row.span.clone(), message, help);
        }
        let transmitter = row
            .transmitter
            .and_then(|said| self.one_line(&said, Code::BadLabel));
        let at = row.at.and_then(|said| self.at(&said));
        let loaner = Loaner {
            label: label?,
            mark: Mark { serial, bssid },
            at,
            transmitter,
            wanted: BTreeMap::new(),
            line: self.faults.line(row.span.start),
        };
        Some((loaner, row.wishes))
    }

    fn fault(&mut self, code: Code, said: &Said, message: String, help: impl Into<String>) {
        self.faults
            .add(code, said.span.clone(), message, help.into());
    }

    /// A text that is short, and stands on one line.
    fn one_line(&mut self, said: &Said, code: Code) -> Option<String> {
        let Err(why) = one_line(&said.text) else {
            return Some(said.text.clone());
        };
        let message = format!("{} {why}", quoted(&said.text));
        self.fault(code, said, message, "write it as it stands on the device");
        None
    }

    fn label(&mut self, said: &Said) -> Option<String> {
        let label = self.one_line(said, Code::BadLabel)?;
        // Read aloud, they are the same.
        let once = self.once(Alike::Label, label.to_lowercase(), said);
        self.unlike(
            once,
            Code::LabelTwice,
            said,
            "label",
            "each sticker has its own",
        );
        Some(label)
    }

    /// Which of both marks a table's `identity` is.
    fn sorted(
        &mut self,
        identity: Option<Said>,
        serial: Option<Said>,
        bssid: Option<Said>,
    ) -> (Option<Said>, Option<Said>) {
        let Some(said) = identity else {
            return (serial, bssid);
        };
        let rule = self.profile.map(|profile| &profile.identity);
        let (shows_serial, keeps_bssid) = rule.map_or((true, true), |rule| {
            (rule.serial.is_some(), rule.bssid_stable)
        });
        let is_mac = said.text.parse::<Mac>().is_ok();
        let is_bare = said.text.chars().all(|c| c.is_ascii_hexdigit());
        if is_mac && is_bare && shows_serial && keeps_bssid {
            let message = format!("{} may be a serial or a BSSID", quoted(&said.text));
            let help = "write it in a column `serial` or `bssid`, or a BSSID with colons";
            self.fault(Code::EitherIdentity, &said, message, help);
        }
        if shows_serial && !is_mac && is_nearly_mac(&said.text) {
            let message = format!(
                "{} looks like a MAC address and is none",
                quoted(&said.text)
            );
            let help = "a BSSID is six pairs of hex digits, such as 02:00:5e:00:00:01; where this is a \
                        serial, have columns `serial` and `bssid` in place of `identity`";
            self.fault(Code::BadMac, &said, message, help);
        }
        if (is_mac && !is_bare) || !shows_serial {
            (serial, Some(said))
        } else {
            (Some(said), bssid)
        }
    }

    fn serial(&mut self, said: &Said) -> Option<String> {
        let serial = self.one_line(said, Code::BadSerial)?;
        if let Some(profile) = self.profile
            && profile.identity.serial.is_none()
        {
            let message = format!("receivers of {} show no serial", profile.family);
            self.fault(Code::NoSuchMark, said, message, "give its `bssid`");
        }
        let once = self.once(Alike::Serial, serial.clone(), said);
        self.unlike(once, Code::IdentityTwice, said, "serial", ONE_EACH);
        Some(serial)
    }

    fn bssid(&mut self, said: &Said) -> Option<Mac> {
        let mac: Mac = match said.text.parse() {
            Ok(mac) => mac,
            Err(error) => {
                let message = format!("{} is no MAC address", quoted(&said.text));
                let error: crate::terms::MacError = error;
                self.fault(Code::BadMac, said, message, error.to_string());
                return None;
            }
        };
        // IEEE 802-2014 section 8.2: the lowest bit of the first byte says that a group is meant.
        if mac.0[0] & 1 == 1 || mac.0 == [0; 6] {
            let message = format!("{mac} is the address of no access point");
            let help = "look it up again: `linkmend find` shows the BSSID of each one in range";
            self.fault(Code::BadMac, said, message, help);
            return None;
        }
        if let Some(profile) = self.profile
            && !profile.identity.bssid_stable
        {
            let message = format!(
                "receivers of {} change their BSSID with a restart",
                profile.family
            );
            self.fault(Code::NoSuchMark, said, message, "give its `serial`");
        }
        let once = self.once(Alike::Bssid, mac.to_string(), said);
        self.unlike(once, Code::IdentityTwice, said, "BSSID", ONE_EACH);
        Some(mac)
    }

    fn at(&mut self, said: &Said) -> Option<Origin> {
        match Origin::parse(&said.text) {
            Ok(origin) => {
                let once = self.once(Alike::At, origin.to_string(), said);
                let help = "leave it out where it is not sure: it tells a loaner from no other";
                self.unlike(once, Code::AtTwice, said, "address", help);
                Some(origin)
            }
            Err(error) => {
                self.fault(Code::BadAt, said, error.to_string(), error.help());
                None
            }
        }
    }

    /// The line in which it was said before.
    fn once(&mut self, what: Alike, text: String, said: &Said) -> Option<usize> {
        let line = self.faults.line(said.span.start);
        match self.seen.entry((what, text)) {
            std::collections::hash_map::Entry::Occupied(first) => Some(*first.get()),
            std::collections::hash_map::Entry::Vacant(place) => {
                place.insert(line);
                None
            }
        }
    }

    fn unlike(&mut self, before: Option<usize>, code: Code, said: &Said, what: &str, help: &str) {
        if let Some(line) = before {
            let message = format!(
                "the loaner in line {line} has the {what} {} already",
                quoted(&said.text)
            );
            self.fault(code, said, message, help);
        }
    }
}

/// Whether somebody may have meant a MAC address: groups of at most two hex digits, or six of two
/// letters or digits, as where an O was read for a 0. With hyphens a serial looks so as well, such
/// as a date and a number, so there no more than one group may be missing.
fn is_nearly_mac(text: &str) -> bool {
    let groups: Vec<&str> = text.split([':', '-']).collect();
    let least = if text.contains(':') { 3 } else { 5 };
    let fits = |c: char| c.is_ascii_hexdigit() || groups.len() == 6 && c.is_ascii_alphanumeric();
    groups.len() >= least
        && groups
            .iter()
            .all(|group| group.len() <= 2 && group.chars().all(fits))
}

/// Whether a text is short, and stands on one line; else why not.
pub(super) fn one_line(text: &str) -> Result<(), String> {
    if text.contains(['\n', '\t']) {
        Err("holds a line break or a tab".to_owned())
    } else if text.trim() != text {
        Err("begins or ends with a blank".to_owned())
    } else if text.chars().count() > MOST_CHARS {
        Err(format!("has more than {MOST_CHARS} characters"))
    } else {
        Ok(())
    }
}

/// What the file alone says of keys and locks that are shared.
fn shared(loaners: &[Loaner], places: &[Range<usize>], profile: &Profile, faults: &mut Faults) {
    let labels: Vec<&str> = loaners.iter().map(|one| one.label.as_str()).collect();
    for finding in Pairs::named(loaners, profile).shared(&labels) {
        let code = if finding.code == pairs::SHARED_PAIR {
            Code::SharedPair
        } else {
            Code::SharedKeyWithoutLock
        };
        // The second of them is what makes it a pair.
        let second = finding.loaners.get(1);
        let place = loaners
            .iter()
            .position(|one| Some(&one.label) == second)
            .and_then(|at| places.get(at))
            .cloned()
            .unwrap_or_default();
        let help = "give each a lock of its own (`model-lock`), or a bind key of its own; `\"unique\"` draws either".to_owned();
        faults.add(code, place, finding.text, help);
    }
}

/// More of them want one of their own than there are.
fn too_few(loaners: &[Loaner], places: &[Range<usize>], profile: &Profile, faults: &mut Faults) {
    for name in [SettingName::MODEL_LOCK, SettingName::BIND_KEY] {
        let Some(setting) = profile.setting(name) else {
            continue;
        };
        let wish = |loaner: &Loaner| loaner.wanted.get(name).cloned();
        let wanting: Vec<usize> = (0..loaners.len())
            .filter(|at| wish(&loaners[*at]) == Some(Wish::Unique))
            .collect();
        let named: std::collections::BTreeSet<_> = loaners
            .iter()
            .filter_map(|loaner| match wish(loaner)? {
                Wish::Value(Value::Number(number)) => Some(number),
                _ => None,
            })
            .collect();
        let free = match &setting.kind {
            Kind::Number(range) | Kind::NumberOrOff(range) => {
                let free = draw::slots(range).filter(|slot| !named.contains(slot));
                free.take(wanting.len()).count()
            }
            Kind::Bytes { to, .. } => draw::keys(*to),
            _ => continue,
        };
        if wanting.len() > free {
            let place = places[wanting[free]].clone();
            let message = format!(
                "{} loaners want a `{name}` of their own, and {free} {} free",
                wanting.len(),
                if free == 1 { "is" } else { "are" }
            );
            let help = "give some of them a bind key of their own, or make two shelves".to_owned();
            faults.add(Code::TooFew, place, message, help);
        }
    }
}

/// Most characters of a label, a serial or a transmitter's name: what a line of the table of a run
/// still shows beside the rest (a choice of ours, no source).
const MOST_CHARS: usize = 64;

const ONE_EACH: &str = "one of the two is another loaner: look at its sticker";
