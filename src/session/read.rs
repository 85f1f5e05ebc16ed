//! From answers to a snapshot: what stands at each place, what that means, and all the rest.
//!
//! A reading is whole or it is none: a place that the profile needs and that is not there is an
//! error, never a setting without a value. What the profile does not map is kept raw in `rest`, so
//! that a change of it is seen.

use std::collections::{BTreeMap, BTreeSet};

use semver::Version;
use serde_json::Value as Json;

use super::{
    Origin, SessionError,
    answers::{Answer, Answers, raw_at, shown, text_of},
    lines::Lines,
    page::Page,
};
use crate::{
    profile::{At, Place, Profile, WitnessRule, raw_number},
    terms::{
        Bssid, Device, Entry, Identity, PlaceName, Pointer, Raw, Reading, RequestName, SettingName,
        Snapshot, Untrusted, Value, Witness, untrusted::is_too_long,
    },
};

/// All that one reading gave: what it means, and the answers that a save is made from.
#[derive(Debug)]
pub struct Harvest {
    /// What was read.
    pub snapshot: Snapshot,
    /// Where it was read from.
    pub answers: Answers,
}

/// Makes a snapshot of whole answers.
pub(super) fn harvest(
    profile: &Profile,
    origin: &Origin,
    bssid: Option<[u8; 6]>,
    by_request: BTreeMap<RequestName, Answer>,
) -> Result<Harvest, SessionError> {
    let mut places = BTreeMap::new();
    let mut faults = Vec::new();
    for place in profile.places.values() {
        let Some(answer) = by_request.get(&place.request) else {
            continue;
        };
        let raw = match raw_at(answer, place) {
            Err(_) if place.optional => Raw::Missing,
            Err(fault) => {
                faults.push((place, fault));
                Raw::Missing
            }
            Ok(Raw::Missing) if !place.optional => {
                faults.push((place, not_there(place)));
                Raw::Missing
            }
            Ok(raw) => raw,
        };
        places.insert(place.name.clone(), raw);
    }
    let firmware = firmware(profile, &places);
    // A place of settings that this firmware does not have is not missed.
    let missed = |place: &Place| {
        let mut users = profile
            .settings
            .iter()
            .filter(|setting| setting.own_places().contains(&place.name))
            .peekable();
        users.peek().is_none() || users.any(|setting| setting.is_in(firmware.as_ref()))
    };
    if let Some((_, fault)) = faults.into_iter().find(|(place, _)| missed(place)) {
        return Err(fault);
    }
    let settings = profile
        .settings
        .iter()
        .filter(|setting| setting.is_in(firmware.as_ref()))
        .map(|setting| {
            let entry = Entry {
                reading: setting.read(&places),
                secret: setting.secret,
            };
            (setting.name.clone(), entry)
        })
        .collect();
    let snapshot = Snapshot {
        device: Device {
            identity: identity(profile, origin, bssid, &places),
            family: profile.family.clone(),
            role: profile.role,
        },
        settings,
        places: places
            .iter()
            .filter(|(name, _)| !profile.volatile.contains(*name))
            .map(|(name, raw)| (name.clone(), raw.clone()))
            .collect(),
        rest: rest(profile, &by_request),
        faulty: faulty(profile, &places),
        witness: witness(profile, &places),
    };
    Ok(Harvest {
        snapshot,
        answers: Answers::new(by_request, places),
    })
}

/// The marks that a few of the answers show.
pub(super) fn who(
    profile: &Profile,
    origin: &Origin,
    bssid: Option<[u8; 6]>,
    by_request: &BTreeMap<RequestName, Answer>,
) -> Identity {
    let serial = profile.identity.serial.as_ref();
    let shown = serial.and_then(|name| {
        let place = profile.places.get(name)?;
        let raw = raw_at(by_request.get(&place.request)?, place).ok()?;
        Some((name.clone(), raw))
    });
    identity(profile, origin, bssid, &shown.into_iter().collect())
}

fn not_there(place: &Place) -> SessionError {
    SessionError::PlaceMissing {
        place: place.name.clone(),
        request: place.request.clone(),
        why: format!("{} is not there", shown(&place.at)),
    }
}

fn firmware(profile: &Profile, places: &BTreeMap<PlaceName, Raw>) -> Option<Version> {
    let reading = profile.setting(SettingName::FIRMWARE)?.read(places);
    match reading {
        Reading::Known(Value::Version(version)) => Some(version),
        _ => None,
    }
}

fn identity(
    profile: &Profile,
    origin: &Origin,
    bssid: Option<[u8; 6]>,
    places: &BTreeMap<PlaceName, Raw>,
) -> Identity {
    let serial = profile
        .identity
        .serial
        .as_ref()
        .and_then(|place| text_of(places.get(place)?))
        // Of a text that is not kept whole two devices may have the same part: it is no mark.
        .filter(|serial| !serial.is_empty() && !is_too_long(serial));
    Identity {
        serial: serial.map(Untrusted::new),
        bssid: bssid.map(|mac| Bssid {
            mac,
            stable: profile.identity.bssid_stable,
        }),
        address: Some(origin.to_string()),
    }
}

/// All that the family says of it must stand there; where some of it is missing nothing is known.
fn faulty(profile: &Profile, places: &BTreeMap<PlaceName, Raw>) -> Option<bool> {
    if profile.faulty.is_empty() {
        return None;
    }
    let mut all = true;
    for (place, pattern) in &profile.faulty {
        let raw = places.get(place).unwrap_or(&Raw::Missing);
        match (pattern.fits(raw), raw) {
            (Some(_), _) => {}
            (None, Raw::Missing) => return None,
            (None, _) => all = false,
        }
    }
    Some(all)
}

pub(super) fn witness(profile: &Profile, places: &BTreeMap<PlaceName, Raw>) -> Option<Witness> {
    match profile.restart.as_ref()?.witness.as_ref()? {
        WitnessRule::Falls(place) => raw_number(places.get(place)?).map(Witness::Uptime),
        WitnessRule::Changes(place) => {
            text_of(places.get(place)?).map(|mark| Witness::BootMark(Untrusted::new(mark)))
        }
    }
}

/// What no place of the profile maps, in answers that hold places. An answer that a device is only
/// recognised by holds no settings, and what it says may be another thing after each start.
fn rest(profile: &Profile, by_request: &BTreeMap<RequestName, Answer>) -> BTreeMap<String, Raw> {
    let mut rest = BTreeMap::new();
    for (request, answer) in by_request {
        let at: Vec<&At> = profile
            .places
            .values()
            .filter(|place| place.request == *request)
            .map(|place| &place.at)
            .collect();
        if at.is_empty() {
            continue;
        }
        match answer {
            Answer::Page(page) => rest_of_page(request, page, &at, &mut rest),
            Answer::Json(document) => {
                let mapped: Vec<Pointer> = at
                    .iter()
                    .filter_map(|at| match at {
                        At::Pointer(pointer) => pointer.parse().ok(),
                        _ => None,
                    })
                    .collect();
                let mut found = Vec::new();
                unmapped(document, &Pointer::default(), &mapped, &mut found);
                rest.extend(found.into_iter().map(|(pointer, json)| {
                    (format!("{request}:{pointer}"), Raw::Json(json.clone()))
                }));
            }
            Answer::Lines(lines) => rest_of_lines(request, lines, &at, &mut rest),
        }
    }
    rest
}

fn rest_of_page(request: &RequestName, page: &Page, at: &[&At], rest: &mut BTreeMap<String, Raw>) {
    let mut labels = BTreeSet::new();
    for (index, form) in page.forms.iter().enumerate() {
        let mut label = form.label();
        if !labels.insert(label.clone()) {
            // Two forms of one name: both are kept.
            label = format!("{label} ({})", index + 1);
        }
        let names: BTreeSet<String> = form.controls().into_iter().map(|c| c.name).collect();
        for name in names {
            let mapped = at.iter().any(|at| match at {
                At::Control {
                    form: None,
                    name: mapped,
                } => *mapped == name,
                At::Control {
                    form: Some(select),
                    name: mapped,
                } => {
                    *mapped == name
                        && page
                            .form(select)
                            .is_ok_and(|mapped| std::ptr::eq(mapped, form))
                }
                _ => false,
            });
            // What holds nothing is a button, or has no name.
            let raw = form.raw(&name);
            if !mapped && raw != Raw::Missing {
                rest.insert(format!("{request}/{label}/{name}"), raw);
            }
        }
    }
}

fn rest_of_lines(
    request: &RequestName,
    lines: &Lines,
    at: &[&At],
    rest: &mut BTreeMap<String, Raw>,
) {
    let keys: BTreeSet<&str> = lines.keys().collect();
    for key in keys {
        let mapped = at
            .iter()
            .any(|at| matches!(at, At::Line(mapped) if mapped == key));
        if mapped {
            continue;
        }
        let mut values: Vec<String> = lines.values(key).map(str::to_owned).collect();
        let raw = match (values.pop(), values.is_empty()) {
            (Some(only), true) => Raw::Text(only),
            (last, _) => Raw::Many(values.into_iter().chain(last).collect()),
        };
        rest.insert(format!("{request}/{key}"), raw);
    }
}

/// How long a pointer may grow, in bytes and in tokens, before what stands there is kept whole.
const MOST_OF_A_POINTER: usize = 1_024;
const DEEPEST_POINTER: usize = 16;

/// Scalars and arrays at which no place stands; an array in which one stands, item by item.
fn unmapped<'a>(
    at: &'a Json,
    here: &Pointer,
    mapped: &[Pointer],
    found: &mut Vec<(Pointer, &'a Json)>,
) {
    if mapped.contains(here) {
        return;
    }
    let mapped_within = mapped.iter().any(|pointer| here.covers(pointer));
    let long = here.bytes() > MOST_OF_A_POINTER || here.depth() >= DEEPEST_POINTER;
    if !mapped_within && long {
        // Long names above many members would make far more of a document than it is.
        found.push((here.clone(), at));
        return;
    }
    match at {
        Json::Object(members) if !members.is_empty() => {
            for (name, value) in members {
                unmapped(value, &here.child(name), mapped, found);
            }
        }
        Json::Array(items) if mapped_within => {
            for (index, value) in items.iter().enumerate() {
                unmapped(value, &here.child(&index.to_string()), mapped, found);
            }
        }
        _ => found.push((here.clone(), at)),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn found(document: &Json, mapped: &[&str]) -> Vec<String> {
        let mapped: Vec<Pointer> = mapped
            .iter()
            .map(|p| p.parse().expect("a pointer"))
            .collect();
        let mut found = Vec::new();
        unmapped(document, &Pointer::default(), &mapped, &mut found);
        found
            .into_iter()
            .map(|(at, json)| format!("{at}={json}"))
            .collect()
    }

    #[test]
    fn members_far_down_are_kept_with_what_is_above_them() {
        let mut document = json!(
            (0..500)
                .map(|n| (n.to_string(), n))
                .collect::<BTreeMap<_, _>>()
        );
        for _ in 0..200 {
            document = json!({ "a": document });
        }
        let mut found = Vec::new();
        unmapped(&document, &Pointer::default(), &[], &mut found);
        assert_eq!(found.len(), 1, "the one subtree 16 levels down");
        assert_eq!(found[0].0.depth(), DEEPEST_POINTER);
    }

    #[test]
    fn long_names_above_many_members_are_kept_once() {
        let mut document = json!(
            (0..200)
                .map(|n| (n.to_string(), n))
                .collect::<BTreeMap<_, _>>()
        );
        for level in 0..20 {
            document = json!({ (format!("{level}{}", "n".repeat(1_500))): document });
        }
        let mut found = Vec::new();
        unmapped(&document, &Pointer::default(), &[], &mut found);
        let kept: usize = found.iter().map(|(pointer, _)| pointer.bytes()).sum();
        assert!(kept < 10_000, "{kept} bytes of pointers");
        // What a place stands at is still found below.
        let names = std::iter::successors(Some((&document, Pointer::default())), |(at, here)| {
            let (name, below) = at.as_object()?.iter().next()?;
            Some((below, here.child(name)))
        });
        let (_, deepest) = names.last().expect("the top");
        let mut found = Vec::new();
        unmapped(
            &document,
            &Pointer::default(),
            std::slice::from_ref(&deepest),
            &mut found,
        );
        assert!(found.iter().all(|(pointer, _)| *pointer != deepest));
        assert_eq!(found.len(), 199);
    }

    #[test]
    fn the_rest_of_a_document_is_what_no_place_stands_at() {
        let document = json!({
            "craft": {"called": "Smew", "hull": "keel-b"}, "kin": [1, 2], "rests": [3, {"a": 4}],
            "volts": 5.5, "empty": {}
        });
        assert_eq!(
            found(&document, &["/craft/called", "/kin", "/rests/0", "/volts"]),
            [r#"/craft/hull="keel-b""#, "/rests/1/a=4", "/empty={}"]
        );
        assert_eq!(found(&json!([1]), &[]), ["=[1]"], "a whole array");
        assert!(found(&document, &[""]).is_empty());
    }
}
