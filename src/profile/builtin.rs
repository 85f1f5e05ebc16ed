//! The families and systems that come with the program.
//!
//! They are the files of `profiles/`, compiled in, so that a laptop without internet has them; a
//! test keeps each of them sound, so that a start need not check them over their whole ranges.

use super::load::load_tested;
use super::model::Profile;
use super::system::{System, load_system};

/// Every built-in family, by name.
pub fn built_in() -> Vec<Profile> {
    FAMILIES.iter().filter_map(load).collect()
}

/// The built-in family of this name.
pub fn named(name: &str) -> Option<Profile> {
    FAMILIES
        .iter()
        .find(|(family, _)| *family == name)
        .and_then(load)
}

/// Every built-in system, by name.
pub fn built_in_systems() -> Vec<System> {
    SYSTEMS
        .iter()
        .filter_map(|(name, text)| load_system(&source(name), text).ok())
        .collect()
}

fn load((name, text): &(&str, &str)) -> Option<Profile> {
    load_tested(&source(name), text).ok()
}

fn source(name: &str) -> String {
    format!("built in: {name}")
}

pub(super) const FAMILIES: &[(&str, &str)] = &[
    (
        "sample-form",
        include_str!("../../profiles/sample-form.toml"),
    ),
    (
        "sample-login",
        include_str!("../../profiles/sample-login.toml"),
    ),
    (
        "sample-script",
        include_str!("../../profiles/sample-script.toml"),
    ),
];

pub(super) const SYSTEMS: &[(&str, &str)] =
    &[("tarn", include_str!("../../profiles/systems/tarn.toml"))];

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use serde_json::json;

    use super::*;
    use crate::profile::{At, Field, Login, RestartBy, SaveHow, load_text};
    use crate::terms::{PlaceName, Raw, Reading, SettingName, Value};

    #[test]
    fn every_built_in_file_is_sound_and_called_as_it_says() {
        for (name, text) in FAMILIES {
            let profile = load_text(name, text)
                .unwrap_or_else(|faults| panic!("{}", faults.picture(false, 100)));
            assert_eq!(profile.family, *name);
        }
        for (name, text) in SYSTEMS {
            let system = load_system(name, text)
                .unwrap_or_else(|faults| panic!("{}", faults.picture(false, 100)));
            assert_eq!(system.name, *name);
        }
    }

    #[test]
    fn every_file_of_the_folder_is_built_in() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("profiles");
        let there = |folder: &std::path::Path| -> BTreeSet<String> {
            std::fs::read_dir(folder)
                .expect("the folder is there")
                .filter_map(|entry| entry.expect("readable").file_name().into_string().ok())
                .filter_map(|name| name.strip_suffix(".toml").map(str::to_owned))
                .collect()
        };
        let built = |files: &[(&str, &str)]| files.iter().map(|(n, _)| (*n).to_owned()).collect();
        assert_eq!(there(&folder), built(FAMILIES));
        assert_eq!(there(&folder.join("systems")), built(SYSTEMS));
    }

    #[test]
    fn every_family_has_the_settings_that_are_judged() {
        for profile in built_in() {
            for name in [
                SettingName::NAME,
                SettingName::FIRMWARE,
                SettingName::MODEL_LOCK,
                SettingName::BIND_KEY,
                SettingName::WAVEFORM,
                SettingName::REGION,
                "output",
                "failsafe",
                SettingName::LOCAL_NETWORK,
            ] {
                let setting = profile.setting(name);
                assert!(setting.is_some(), "{name} of {}", profile.family);
            }
            assert!(profile.settings.len() >= 12, "{}", profile.family);
            for name in [
                SettingName::BIND_KEY,
                SettingName::LOCAL_NETWORK,
                "local-passphrase",
            ] {
                assert!(profile.setting(name).is_some_and(|s| s.secret), "{name}");
            }
            let systems = built_in_systems();
            assert!(systems.iter().any(|system| system.name == profile.system));
        }
    }

    #[test]
    fn the_families_differ_in_the_ways_that_the_format_must_cover() {
        let form = named("sample-form").expect("built in");
        let order: Vec<&str> = form.saves.iter().map(|save| save.name.as_str()).collect();
        assert_eq!(order, ["wires", "shore", "air"], "as `save-order` says");
        assert!(form.saves.iter().all(|save| save.restarts));

        let script = named("sample-script").expect("built in");
        let [save] = script.saves.as_slice() else {
            panic!("one save");
        };
        assert!(matches!(&save.how, SaveHow::Made { body, .. } if body.fields.len() == 15));
        let by = script.restart.map(|restart| restart.by);
        assert!(matches!(by, Some(RestartBy::Request(_))));

        let login = named("sample-login").expect("built in");
        let Login::Form { press, .. } = &login.login else {
            panic!("a form");
        };
        assert_eq!(*press, Some(("go".to_owned(), Some("in".to_owned()))));
        let lock = login.setting("model-lock").expect("a lock");
        let overlay = lock.write(&Value::Number(7.into())).expect("a slot");
        let places: Vec<&str> = overlay.keys().map(PlaceName::as_str).collect();
        assert_eq!(places, ["slot", "tied"], "set elsewhere than it is told");
    }

    /// The JSON blocks of the page that says what the sample families do on the wire.
    fn documents() -> Vec<serde_json::Value> {
        include_str!("../../mock-device/FAMILIES.md")
            .split("```json\n")
            .skip(1)
            .filter_map(|rest| rest.split("```").next())
            .map(|block| serde_json::from_str(block).expect("JSON"))
            .collect()
    }

    #[test]
    fn the_document_of_the_script_family_is_understood_whole() {
        let script = named("sample-script").expect("built in");
        let document = &documents()[0];
        let places: BTreeMap<PlaceName, Raw> = script
            .places
            .values()
            .map(|place| {
                let At::Pointer(pointer) = &place.at else {
                    panic!("`{}` is no place of the document", place.name);
                };
                let json = document.pointer(pointer).expect("it stands there");
                (place.name.clone(), Raw::Json(json.clone()))
            })
            .collect();
        let read: Vec<(&str, serde_json::Value)> = script
            .settings
            .iter()
            .map(|setting| match setting.read(&places) {
                Reading::Known(value) => (setting.name.as_str(), value.to_json()),
                other => panic!("`{}`: {other:?}", setting.name),
            })
            .collect();
        assert_eq!(
            read,
            [
                ("name", json!("Smew")),
                ("firmware", json!("3.1.0")),
                ("model-lock", json!(7)),
                ("bind-key", json!("4a1f009c77e2")),
                ("waveform", json!("breeze")),
                ("region", json!("DE")),
                ("power", json!(25)),
                ("output", json!("serial-frames")),
                ("output-inverted", json!(false)),
                ("output-rate", json!(100)),
                ("failsafe", json!("neutral")),
                ("failsafe-positions", json!([1500, 1500, 1100, 1500])),
                ("local-network", json!(null)),
                ("local-passphrase", json!(null)),
                ("fallback-wait", json!(60)),
                ("light", json!(40)),
            ]
        );
        // The body that saves the same settings, by the same page.
        let SaveHow::Made { body, .. } = &script.saves[0].how else {
            panic!("a made body");
        };
        let mut made = serde_json::Map::new();
        for (key, field) in &body.fields {
            let Field::Place(place) = field else {
                panic!("every field is a place");
            };
            let Raw::Json(json) = &places[place] else {
                panic!("every place is JSON");
            };
            made.insert(key.trim_start_matches('/').to_owned(), json.clone());
        }
        assert_eq!(serde_json::Value::Object(made), documents()[1]);
    }
}
