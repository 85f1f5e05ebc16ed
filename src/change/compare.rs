//! Whether a device is as it should be after a write: what was to change, and what was not.

use std::collections::BTreeSet;

use super::plan::Wanted;
use crate::{
    profile::{Profile, Setting},
    terms::{PlaceName, Reading, SettingName, Snapshot},
};

/// How a reading differs from what it should be.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Comparison {
    /// Wanted settings that do not read as wanted.
    pub missed: BTreeSet<SettingName>,
    /// Wanted settings that the device does not show.
    pub unseen: BTreeSet<SettingName>,
    /// What was not to change, and did.
    pub strays: Vec<Stray>,
}

/// One thing that changed without being told to.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stray {
    /// A setting.
    Setting(SettingName),
    /// Something that the profile does not map, by where it stands.
    Unmapped(String),
}

impl Comparison {
    /// Compares a reading with what was there before and what is wanted since.
    ///
    /// The places of a wanted setting may hold anything that reads as wanted; all other settings,
    /// places and unmapped things must be what they were. Volatile things are in no snapshot.
    pub fn new(profile: &Profile, before: &Snapshot, now: &Snapshot, wanted: &Wanted) -> Self {
        Self::midway(profile, before, now, wanted, wanted)
    }

    /// The same between two saves: of all that is `wanted` only what is `done` must read so, and
    /// the rest of it may be in between.
    pub fn midway(
        profile: &Profile,
        before: &Snapshot,
        now: &Snapshot,
        done: &Wanted,
        wanted: &Wanted,
    ) -> Self {
        let mut found = Self::default();
        let own: BTreeSet<&PlaceName> = wanted
            .keys()
            .filter_map(|name| profile.setting(name.as_str()))
            .flat_map(Setting::own_places)
            .collect();
        for (name, value) in done {
            match now.settings.get(name).map(|entry| &entry.reading) {
                Some(Reading::Known(read)) if read == value => {}
                Some(Reading::WriteOnly) => {
                    found.unseen.insert(name.clone());
                }
                _ => {
                    found.missed.insert(name.clone());
                }
            }
        }
        let mut strays = BTreeSet::new();
        for (place, raw) in &before.places {
            if !own.contains(place) && now.places.get(place) != Some(raw) {
                strays.insert(stray_at(profile, place, wanted));
            }
        }
        let appeared = now
            .places
            .keys()
            .filter(|place| !before.places.contains_key(*place));
        strays.extend(appeared.map(|place| stray_at(profile, place, wanted)));
        for (name, entry) in &before.settings {
            let same = now
                .settings
                .get(name)
                .is_some_and(|now| now.reading == entry.reading);
            if !wanted.contains_key(name) && !same {
                strays.insert(Stray::Setting(name.clone()));
            }
        }
        for key in before.rest.keys().chain(now.rest.keys()) {
            if before.rest.get(key) != now.rest.get(key) {
                strays.insert(Stray::Unmapped(key.clone()));
            }
        }
        found.strays = strays.into_iter().collect();
        found
    }

    /// Whether everything that can be seen is as it should be.
    pub fn holds(&self) -> bool {
        self.missed.is_empty() && self.strays.is_empty()
    }

    /// What differs, in words: `model-lock is not as wanted; region changed`.
    pub fn words(&self) -> String {
        let missed = self
            .missed
            .iter()
            .map(|name| format!("`{name}` is not as wanted"));
        let strays = self.strays.iter().map(|stray| match stray {
            Stray::Setting(name) => format!("`{name}` changed by itself"),
            Stray::Unmapped(key) => {
                format!(
                    "`{}` changed by itself",
                    crate::terms::Untrusted::new(key.as_str())
                )
            }
        });
        missed.chain(strays).collect::<Vec<_>>().join("; ")
    }
}

/// The setting that a place belongs to, or the place itself.
fn stray_at(profile: &Profile, place: &PlaceName, wanted: &Wanted) -> Stray {
    profile
        .settings
        .iter()
        .find(|setting| !wanted.contains_key(&setting.name) && setting.own_places().contains(place))
        .map_or_else(
            || Stray::Unmapped(place.to_string()),
            |setting| Stray::Setting(setting.name.clone()),
        )
}
