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

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::{
        change::testing::{Family, Script, World, families::named},
        terms::{Raw, Value},
    };

    fn read(family: &Family) -> Snapshot {
        World::new(family, Script::default()).snapshot()
    }

    fn changed(family: &Family, places: &[(&str, Raw)]) -> Snapshot {
        let mut changed = family.clone();
        for (place, raw) in places {
            changed.place(place, raw.clone());
        }
        read(&changed)
    }

    fn names(settings: &BTreeSet<SettingName>) -> Vec<&str> {
        settings.iter().map(SettingName::as_str).collect()
    }

    #[test]
    fn what_reads_as_wanted_holds_whatever_stands_beside_it() {
        let family = Family::one_restarting_save();
        let any = [
            ("follows", Raw::Choice(Some("any".into()))),
            ("slot", Raw::Text("39".into())),
        ];
        let now = changed(&family, &any);
        let found = Comparison::new(&family.profile, &read(&family), &now, &family.wanted);
        assert!(found.holds(), "{}", found.words());
        assert_eq!(found.words(), "");
    }

    #[test]
    fn a_setting_that_was_not_to_change_is_a_stray() {
        let family = Family::two_saves_and_a_restart();
        let now = changed(
            &family,
            &[
                ("held", Raw::Json(json!(null))),
                ("area", Raw::Json(json!("JP"))),
            ],
        );
        let found = Comparison::new(&family.profile, &read(&family), &now, &family.wanted);
        assert_eq!(names(&found.missed), ["waveform"]);
        let region = "region".parse().expect("a setting's name");
        assert_eq!(found.strays, [Stray::Setting(region)]);
        assert_eq!(
            found.words(),
            "`waveform` is not as wanted; `region` changed by itself"
        );
    }

    #[test]
    fn what_no_setting_maps_is_a_stray_by_where_it_stands() {
        let mut family = Family::one_restarting_save();
        family.place("lamp", Raw::Text("40".into()));
        let before = read(&family);
        let mut now = changed(&family, &[("lamp", Raw::Text("0".into()))]);
        now.rest.insert("trim".into(), Raw::Text("0".into()));
        now.rest
            .insert("new\u{1b}[2J".into(), Raw::Text("1".into()));
        let found = Comparison::new(&family.profile, &before, &now, &Wanted::new());
        let strays: Vec<_> = ["lamp", "new\u{1b}[2J", "trim"]
            .map(|key| Stray::Unmapped(key.into()))
            .into();
        assert_eq!(found.strays, strays);
        assert!(!found.words().contains('\u{1b}'), "it is escaped");
    }

    #[test]
    fn what_is_gone_from_the_page_and_what_is_new_there_are_strays() {
        let family = Family::one_restarting_save();
        let before = read(&family);
        let mut now = before.clone();
        now.places.remove(&named("zone"));
        now.places.insert(named("lamp"), Raw::Text("40".into()));
        now.rest.clear();
        let found = Comparison::new(&family.profile, &before, &now, &Wanted::new());
        let region = "region".parse().expect("a setting's name");
        assert_eq!(
            found.strays,
            [
                Stray::Setting(region),
                Stray::Unmapped("lamp".into()),
                Stray::Unmapped("trim".into()),
            ]
        );
    }

    #[test]
    fn a_number_beside_an_off_that_was_not_to_change_is_a_stray() {
        let family = Family::flag_and_slot();
        let now = changed(&family, &[("slot", Raw::Json(json!(12)))]);
        let found = Comparison::new(&family.profile, &read(&family), &now, &Wanted::new());
        let lock = "model-lock".parse().expect("a setting's name");
        assert_eq!(found.strays, [Stray::Setting(lock)]);
    }

    #[test]
    fn between_two_saves_a_setting_of_both_may_be_in_between() {
        let family = Family::flag_and_slot();
        let before = read(&family);
        let now = changed(&family, &[("slot", Raw::Json(json!(12)))]);
        let done = Wanted::new();
        let found = Comparison::midway(&family.profile, &before, &now, &done, &family.wanted);
        assert!(found.holds(), "{}", found.words());
        let found = Comparison::new(&family.profile, &before, &now, &family.wanted);
        assert_eq!(names(&found.missed), ["model-lock"]);
        let reset = changed(
            &family,
            &[
                ("slot", Raw::Json(json!(12))),
                ("area", Raw::Json(json!("JP"))),
            ],
        );
        let found = Comparison::midway(&family.profile, &before, &reset, &done, &family.wanted);
        assert!(!found.holds(), "what is not wanted may not move even so");
    }

    #[test]
    fn what_is_never_shown_is_unseen_and_not_missed() {
        let family = Family::hidden_value();
        let before = read(&family);
        let wanted = Wanted::from([(
            "local-passphrase".parse().expect("a setting's name"),
            Value::Text("reeds-and-sedge".into()),
        )]);
        let found = Comparison::new(&family.profile, &before, &before, &wanted);
        assert!(found.holds());
        assert_eq!(names(&found.unseen), ["local-passphrase"]);
    }
}
