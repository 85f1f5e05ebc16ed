//! Which access points may be devices, and what came or went since a moment.
//!
//! A name is what a stranger says, and receivers of one family all say the same: so access points
//! are told apart by their BSSIDs, several of one name are shown as several, and how loud one is
//! decides nothing. What guards against a receiver that is long off is the time at which it was
//! heard last, since the host's lists keep old entries for minutes.

use std::{
    collections::{BTreeMap, BTreeSet},
    net::IpAddr,
    sync::Arc,
};

use secrecy::SecretString;

use crate::{
    profile::{Network, Profile, Security},
    terms::Mac,
    wifi::{AccessPoint, Key, NetworkName, Offers},
};

/// An access point that may be a device's.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// Which.
    pub point: AccessPoint,
    /// The families whose fallback network it may be, in the order in which they were given;
    /// at least one.
    pub families: Vec<Arc<Profile>>,
}

/// Those of the access points that may be devices of these families, by name and then by BSSID.
pub fn candidates(points: &[AccessPoint], profiles: &[Arc<Profile>]) -> Vec<Candidate> {
    let families = |point: &AccessPoint| -> Vec<Arc<Profile>> {
        let fits = |profile: &&Arc<Profile>| {
            let network = profile.network.as_ref();
            network.is_some_and(|network| is_fallback(network, point))
        };
        profiles.iter().filter(fits).cloned().collect()
    };
    let mut found: Vec<Candidate> = points
        .iter()
        .map(|point| Candidate {
            point: point.clone(),
            families: families(point),
        })
        .filter(|candidate| !candidate.families.is_empty())
        .collect();
    found.sort_by(|a, b| order(&a.point).cmp(&order(&b.point)));
    found
}

/// Whether an access point may be a family's fallback network: its name, how it may be joined, and
/// the 2.4 GHz that receivers use.
pub fn is_fallback(network: &Network, point: &AccessPoint) -> bool {
    is_named_so(network, &point.name)
        && is_secured_so(network.security, point.offers)
        && point.is_2_4_ghz()
}

/// The names that a network which keeps its name to itself would have to be called by: those of the
/// families that are no patterns. For the `hidden` of a scan.
pub fn whole_names(profiles: &[Arc<Profile>]) -> Vec<NetworkName> {
    let whole = names(profiles)
        .into_iter()
        .filter(|name| !name.contains('*'));
    whole.map(NetworkName::from).collect()
}

/// What the families' networks may be called: names, or patterns in which `*` stands for any bytes.
pub fn names(profiles: &[Arc<Profile>]) -> BTreeSet<&str> {
    let networks = profiles.iter().filter_map(|one| one.network.as_ref());
    let names = networks.flat_map(|network| &network.names);
    names.map(String::as_str).collect()
}

/// What lets this computer into a family's network with this passphrase; an open one takes none.
pub fn key(network: &Network, passphrase: SecretString) -> Key {
    match network.security {
        Security::Open => Key::Open,
        Security::Wpa2 => Key::Wpa2(passphrase),
        Security::Wpa3 => Key::Wpa3(passphrase),
    }
}

/// Whether a list of a scan has others and not this one, as far as it was heard since then, in s since
/// this computer started. A list without anything may be that of an adapter that hears nothing.
pub fn is_not_among(list: &[AccessPoint], bssid: Mac, since_s: f64) -> bool {
    let is_heard =
        |one: &AccessPoint| one.bssid == bssid && one.heard_s.is_none_or(|at| at >= since_s);
    !list.is_empty() && !list.iter().any(is_heard)
}

/// Where a device may answer in its own network, the likeliest first: at its family's address, or at
/// the network's way out.
pub fn addresses(families: &[Arc<Profile>], gateway: Option<IpAddr>) -> Vec<IpAddr> {
    let mut known = BTreeSet::new();
    families
        .iter()
        .filter_map(|profile| profile.network.as_ref())
        .map(|network| network.address)
        .chain(gateway)
        .filter(|address| known.insert(*address))
        .collect()
}

/// Several access points of one name, at least one of which may be a device. Nobody can say from
/// here which of them is the right one; in what they differ is worth a person's eye.
#[derive(Debug, Clone, PartialEq)]
pub struct Alike {
    /// What they all are called.
    pub name: NetworkName,
    /// All of them, by BSSID; also those that can be no device of the families.
    pub points: Vec<AccessPoint>,
    /// Whether some offer other ways in than others.
    pub security: bool,
    /// Whether their BSSIDs are of different makers.
    pub maker: bool,
    /// Whether some are outside of 2.4 GHz.
    pub band: bool,
}

impl Alike {
    /// Whether they differ in what those of one family share: one of them may be a copy.
    pub fn is_suspect(&self) -> bool {
        self.security || self.maker || self.band
    }
}

/// The names that several access points share, where a candidate has one of them.
pub fn alike(points: &[AccessPoint], profiles: &[Arc<Profile>]) -> Vec<Alike> {
    let names: BTreeSet<NetworkName> = candidates(points, profiles)
        .into_iter()
        .map(|candidate| candidate.point.name)
        .collect();
    names
        .into_iter()
        .filter_map(|name| {
            let mut of_name: Vec<AccessPoint> =
                points.iter().filter(|p| p.name == name).cloned().collect();
            of_name.sort_by_key(|point| point.bssid);
            let (first, others) = of_name.split_first()?;
            if others.is_empty() {
                return None;
            }
            let some = |differs: fn(&AccessPoint, &AccessPoint) -> bool| {
                others.iter().any(|other| differs(first, other))
            };
            Some(Alike {
                security: some(|a, b| a.offers != b.offers),
                maker: some(|a, b| maker(a.bssid) != maker(b.bssid)),
                band: some(|a, b| a.is_2_4_ghz() != b.is_2_4_ghz()),
                points: of_name,
                name,
            })
        })
        .collect()
}

/// Access points whose name fits a family and which can be none of its devices, since they are
/// secured in another way or are outside of 2.4 GHz.
pub fn misfits(points: &[AccessPoint], profiles: &[Arc<Profile>]) -> Vec<AccessPoint> {
    let networks: Vec<&Network> = profiles
        .iter()
        .filter_map(|profile| profile.network.as_ref())
        .collect();
    points
        .iter()
        .filter(|point| networks.iter().any(|n| is_named_so(n, &point.name)))
        .filter(|point| !networks.iter().any(|n| is_fallback(n, point)))
        .cloned()
        .collect()
}

fn order(point: &AccessPoint) -> (&NetworkName, Mac) {
    (&point.name, point.bssid)
}

fn is_named_so(network: &Network, name: &NetworkName) -> bool {
    let fits = |pattern: &String| fits(pattern.as_bytes(), name.bytes());
    !name.is_hidden() && network.names.iter().any(fits)
}

fn is_secured_so(security: Security, offers: Offers) -> bool {
    match security {
        Security::Open => offers.open,
        Security::Wpa2 => offers.psk,
        Security::Wpa3 => offers.sae,
    }
}

/// Whether a name fits a pattern, in which `*` stands for any bytes, also for none.
fn fits(pattern: &[u8], name: &[u8]) -> bool {
    let mut parts = pattern.split(|byte| *byte == b'*');
    let Some(mut rest) = parts.next().and_then(|first| name.strip_prefix(first)) else {
        return false;
    };
    let mut parts = parts.peekable();
    if parts.peek().is_none() {
        return rest.is_empty();
    }
    while let Some(part) = parts.next() {
        if parts.peek().is_none() {
            return rest.ends_with(part);
        }
        // The first place at which it stands leaves the most for those that follow.
        let at = (0..=rest.len()).find(|at| rest[*at..].starts_with(part));
        let Some(at) = at else {
            return false;
        };
        rest = &rest[at + part.len()..];
    }
    true
}

/// Who made it: the first three bytes, without the bit that says that an address was given by
/// software, since one device often has both forms (IEEE 802-2014, 8.2, clause from memory).
fn maker(mac: Mac) -> [u8; 3] {
    let [first, second, third, ..] = mac.0;
    [first & !0x02, second, third]
}

/// What was heard over time, by BSSID: what came and what went since a moment.
#[derive(Debug, Clone, Default)]
pub struct Sightings {
    seen: BTreeMap<Mac, Sighting>,
}

#[derive(Debug, Clone)]
struct Sighting {
    point: AccessPoint,
    /// Scans in a row that did not hear it.
    missed: u32,
    /// Whether it was there at the moment that was marked; none: the last scan before it had not
    /// heard it, which alone says nothing.
    at_mark: Option<bool>,
    /// Whether it has been gone since.
    went: bool,
}

/// How many scans in a row must not have heard an access point for it to be gone. A single scan may
/// miss one that is there: common practice, no source.
pub const SCANS_TO_BE_GONE: u32 = 2;

/// How much earlier than a scan's begin an access point's time may be that it heard, in s. The
/// host's service keeps whole seconds.
const ROUNDING_S: f64 = 1.0;

impl Sightings {
    /// Nothing was heard yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a list of what is in range. `scan_s`: when the scan began that it is the result of, in
    /// s since this computer started; none for a list that merely changed, which says that what is
    /// new on it is there, and nothing of what is not.
    pub fn hear(&mut self, list: &[AccessPoint], scan_s: Option<f64>) {
        let mut heard = BTreeSet::new();
        for point in list {
            let known = self.seen.get(&point.bssid);
            if is_heard(point, known.map(|known| &known.point), scan_s) {
                heard.insert(point.bssid);
                let sighting = self.seen.entry(point.bssid).or_insert(Sighting {
                    point: point.clone(),
                    missed: 0,
                    at_mark: Some(false),
                    went: false,
                });
                sighting.point = point.clone();
                sighting.missed = 0;
            }
        }
        if scan_s.is_some() {
            for (_, sighting) in self.seen.iter_mut().filter(|(b, _)| !heard.contains(b)) {
                sighting.missed = sighting.missed.saturating_add(1);
                sighting.went |= sighting.is_gone();
            }
        }
    }

    /// Marks this moment: what comes and what goes is reckoned from here.
    pub fn mark(&mut self) {
        for sighting in self.seen.values_mut() {
            sighting.at_mark = match sighting.missed {
                0 => Some(true),
                missed if missed < SCANS_TO_BE_GONE => None,
                _ => Some(false),
            };
            sighting.went = false;
        }
    }

    /// What is there now.
    pub fn there(&self) -> Vec<AccessPoint> {
        self.points(|sighting| !sighting.is_gone())
    }

    /// What came since the moment that was marked, also what had gone in between: "new since you
    /// powered it".
    pub fn came(&self) -> Vec<AccessPoint> {
        self.points(|sighting| {
            !sighting.is_gone() && (sighting.at_mark == Some(false) || sighting.went)
        })
    }

    /// What was there at that moment and is not any more: "gone since you unplugged it".
    pub fn went(&self) -> Vec<AccessPoint> {
        self.points(|sighting| sighting.is_gone() && sighting.at_mark == Some(true))
    }

    fn points(&self, which: impl Fn(&Sighting) -> bool) -> Vec<AccessPoint> {
        let mut points: Vec<AccessPoint> = self
            .seen
            .values()
            .filter(|sighting| which(sighting))
            .map(|sighting| sighting.point.clone())
            .collect();
        points.sort_by(|a, b| order(a).cmp(&order(b)));
        points
    }
}

impl Sighting {
    fn is_gone(&self) -> bool {
        self.missed >= SCANS_TO_BE_GONE
    }
}

/// Whether an entry of a list says that its access point was heard again, and is not only kept.
fn is_heard(point: &AccessPoint, known: Option<&AccessPoint>, scan_s: Option<f64>) -> bool {
    match (point.heard_s, scan_s, known) {
        // A list without times holds what its scan heard, as far as anybody can tell.
        (None, Some(_), _) | (_, None, None) => true,
        (None, None, Some(_)) => false,
        (Some(heard), Some(scan), _) => heard + ROUNDING_S >= scan,
        (Some(heard), None, Some(known)) => known.heard_s.is_some_and(|before| heard > before),
    }
}

#[cfg(test)]
mod tests;
