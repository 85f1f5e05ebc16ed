//! What is to be written, in which order: the difference between what is and what is wanted.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{
    profile::{Profile, Setting},
    terms::{Overlay, PlaceName, Raw, Reading, SaveName, SettingName, Snapshot, Value},
};

/// What is wanted, by setting. Settings that are not named stay as they are.
pub type Wanted = BTreeMap<SettingName, Value>;

/// The planned difference.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plan {
    /// Setting by setting, in the profile's order; those that are as wanted already left out.
    pub lines: Vec<PlanLine>,
    /// The acting requests, in the profile's order.
    pub saves: Vec<PlannedSave>,
}

/// The way back to what was there.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct WayBack {
    /// What is to be written.
    pub plan: Plan,
    /// The settings that it wants.
    pub wanted: Wanted,
    /// What differs and stays, in words.
    pub left: Vec<String>,
}

/// Since when a device is no longer as it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Since {
    /// Since a save of this change, which was seen right after it.
    OwnSave,
    /// Since some time ago: somebody may have set it on purpose.
    Unknown,
}

/// One setting of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanLine {
    /// Which.
    pub setting: SettingName,
    /// What is there.
    pub before: Reading,
    /// What is wanted.
    pub after: Value,
}

/// One acting request of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedSave {
    /// Which.
    pub save: SaveName,
    /// What it changes; everything else goes along as it was read.
    pub overlay: Overlay,
}

/// Why something wanted cannot be planned. Nothing was written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// The family, or this firmware of it, has no such setting.
    #[error("this receiver has no setting `{setting}`")]
    NoSuchSetting {
        /// Which.
        setting: SettingName,
    },
    /// The family has it, and this firmware of it has not.
    #[error("`{setting}` needs firmware {needs}, and this receiver has {has}")]
    NeedsFirmware {
        /// Which.
        setting: SettingName,
        /// The versions that have it.
        needs: String,
        /// The device's own.
        has: String,
    },
    /// It can only be read.
    #[error("`{setting}` can be read, but not written")]
    ReadOnly {
        /// Which.
        setting: SettingName,
    },
    /// The family cannot be told this value.
    #[error("`{setting}` cannot be set to {value}: {why}")]
    CannotSay {
        /// Which.
        setting: SettingName,
        /// The value; `(secret)` for a secret.
        value: String,
        /// Why.
        why: String,
    },
}

impl PlanError {
    /// A stable code.
    pub fn code(&self) -> &'static str {
        match self {
            PlanError::NoSuchSetting { .. } => "no-such-setting",
            PlanError::NeedsFirmware { .. } => "needs-firmware",
            PlanError::ReadOnly { .. } => "setting-read-only",
            PlanError::CannotSay { .. } => "value-cannot-be-written",
        }
    }

    /// What to do about it.
    pub fn help(&self) -> &'static str {
        match self {
            PlanError::NoSuchSetting { .. } | PlanError::NeedsFirmware { .. } => {
                "leave that setting out; `linkmend read` shows what it has"
            }
            PlanError::ReadOnly { .. } => "leave that setting out",
            PlanError::CannotSay { .. } => "`linkmend profile show` says what this family takes",
        }
    }
}

impl Plan {
    /// Plans the way from what was read to what is wanted.
    ///
    /// # Errors
    /// When a wanted setting is unknown, read-only, or cannot take its value.
    pub fn new(profile: &Profile, now: &Snapshot, wanted: &Wanted) -> Result<Self, PlanError> {
        Self::build(profile, now, wanted, None)
    }

    /// Plans the way back to what was there, and says which settings that wants: each that can be
    /// written, was known, and stands otherwise now. What stood at its places is put back and not
    /// only what it meant, since an `off` may have a number beside it.
    ///
    /// Transmit power is never raised, and a region is put back only right after this program's own
    /// save moved it: both are set by local rules. What stays for that is left out and named.
    ///
    /// # Errors
    /// When the device does not have such a setting any more, or cannot be told what it showed.
    pub fn back(
        profile: &Profile,
        original: &Snapshot,
        now: &Snapshot,
        since: Since,
    ) -> Result<WayBack, PlanError> {
        let mut wanted = Wanted::new();
        let mut left = Vec::new();
        for setting in profile
            .settings
            .iter()
            .filter(|setting| !setting.saves.is_empty())
        {
            let name = setting.name.as_str();
            let Some(before) = original.value(name) else {
                continue;
            };
            let stands = as_it_stood(profile, setting, original)
                .iter()
                .all(|(place, raw)| now.places.get(place) == Some(raw));
            if stands && now.value(name) == Some(before) {
                continue;
            }
            let lowers = matches!((before, now.value(name)),
                (Value::Number(before), Some(Value::Number(now))) if before <= now);
            if setting.name == *SettingName::POWER && !lowers {
                left.push(format!(
                    "`{name}` stays as it is now: power is never raised from here"
                ));
            } else if setting.name == *SettingName::REGION && since == Since::Unknown {
                left.push(format!(
                    "`{name}` stays as it is now: local rules set it, by itself"
                ));
            } else {
                wanted.insert(setting.name.clone(), before.clone());
            }
        }
        let plan = Self::build(profile, now, &wanted, Some(original))?;
        Ok(WayBack { plan, wanted, left })
    }

    fn build(
        profile: &Profile,
        now: &Snapshot,
        wanted: &Wanted,
        original: Option<&Snapshot>,
    ) -> Result<Self, PlanError> {
        let mut lines = Vec::new();
        let mut by_save: BTreeMap<&SaveName, Overlay> = BTreeMap::new();
        if let Some(setting) = wanted.keys().find(|name| !now.settings.contains_key(*name)) {
            return Err(lacking(profile, now, setting));
        }
        for setting in &profile.settings {
            let (Some(value), Some(entry)) =
                (wanted.get(&setting.name), now.settings.get(&setting.name))
            else {
                continue;
            };
            if original.is_none() && entry.value() == Some(value) {
                continue;
            }
            if setting.saves.is_empty() {
                return Err(PlanError::ReadOnly {
                    setting: setting.name.clone(),
                });
            }
            let cannot = |why: String| PlanError::CannotSay {
                setting: setting.name.clone(),
                value: if setting.secret {
                    "(secret)".into()
                } else {
                    value.to_string()
                },
                why,
            };
            let mut overlay = setting
                .write(value)
                .map_err(|error| cannot(error.to_string()))?;
            if let Some(original) = original {
                overlay.extend(as_it_stood(profile, setting, original));
            }
            // What is told in another way than it is taken may stand there as it is to be sent.
            let send_all = overlay
                .iter()
                .all(|(place, raw)| now.places.get(place) == Some(raw));
            for (place, raw) in overlay {
                let save = setting
                    .saves
                    .iter()
                    .find(|name| {
                        profile
                            .save(name.as_str())
                            .is_some_and(|save| profile.writes(save, &place))
                    })
                    .ok_or_else(|| cannot(format!("no save writes its place `{place}`")))?;
                if send_all || now.places.get(&place) != Some(&raw) {
                    by_save.entry(save).or_default().insert(place, raw);
                }
            }
            lines.push(PlanLine {
                setting: setting.name.clone(),
                before: entry.reading.clone(),
                after: value.clone(),
            });
        }
        let saves = profile
            .saves
            .iter()
            .filter_map(|save| {
                let overlay = by_save.remove(&save.name)?;
                Some(PlannedSave {
                    save: save.name.clone(),
                    overlay,
                })
            })
            .collect();
        Ok(Self { lines, saves })
    }

    /// Whether everything is as wanted already.
    pub fn is_empty(&self) -> bool {
        self.lines.is_empty()
    }

    /// The first setting of this plan that local rules set: a region that is another one, or a
    /// transmit power that is not surely lowered.
    pub fn set_by_rules(&self) -> Option<&PlanLine> {
        self.lines.iter().find(|line| line.is_set_by_rules())
    }
}

impl PlanLine {
    fn is_set_by_rules(&self) -> bool {
        if self.setting == *SettingName::REGION {
            return true;
        }
        let lowers = match (&self.before, &self.after) {
            (Reading::Known(Value::Number(before)), Value::Number(after)) => after <= before,
            (_, after) => *after == Value::Off,
        };
        self.setting == *SettingName::POWER && !lowers
    }
}

/// Why a device does not have a setting.
fn lacking(profile: &Profile, now: &Snapshot, name: &SettingName) -> PlanError {
    let needs = profile
        .setting(name.as_str())
        .and_then(|setting| setting.needs.as_ref());
    match (needs, now.value(SettingName::FIRMWARE)) {
        (Some(needs), Some(has)) => PlanError::NeedsFirmware {
            setting: name.clone(),
            needs: needs.to_string(),
            has: has.to_string(),
        },
        _ => PlanError::NoSuchSetting {
            setting: name.clone(),
        },
    }
}

/// What stood at those places of a setting that take what they show; none of a setting that is
/// told in another way than it is taken.
fn as_it_stood(profile: &Profile, setting: &Setting, original: &Snapshot) -> Overlay {
    if setting.blank_keeps || setting.rows.iter().any(|row| row.parts != row.puts) {
        return Overlay::new();
    }
    let is_written = |place: &PlaceName| {
        let mut saves = setting.saves.iter();
        saves.any(|name| {
            let save = profile.save(name.as_str());
            save.is_some_and(|save| profile.writes(save, place))
        })
    };
    setting
        .own_places()
        .into_iter()
        .filter(|place| is_written(place))
        .filter_map(|place| Some((place.clone(), original.places.get(place)?.clone())))
        .filter(|(_, raw)| *raw != Raw::Missing)
        .collect()
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use serde_json::json;

    use super::*;
    use crate::{
        change::testing::{Family, Script, World, families::named},
        profile::{Pattern, Template},
    };

    fn read(family: &Family) -> Snapshot {
        World::new(family, Script::default()).snapshot()
    }

    fn wanting(setting: &str, value: Value) -> Wanted {
        let name = setting.parse().expect("a setting's name");
        Wanted::from([(name, value)])
    }

    fn saves(plan: &Plan) -> Vec<(&str, Vec<&str>)> {
        let saves = plan.saves.iter();
        saves
            .map(|planned| {
                let places = planned.overlay.keys().map(PlaceName::as_str);
                (planned.save.as_str(), places.collect())
            })
            .collect()
    }

    #[test]
    fn a_region_and_a_power_that_is_not_surely_lowered_are_set_by_rules() {
        let line = |setting: &str, before: Reading, after: Value| {
            let plan = Plan {
                lines: vec![PlanLine {
                    setting: setting.parse().expect("a setting's name"),
                    before,
                    after,
                }],
                saves: Vec::new(),
            };
            plan.set_by_rules().is_some()
        };
        let milliwatts = |n: i64| Value::Number(n.into());
        let known = Reading::Known;
        let word = |word: &str| Value::Choice(word.into());
        assert!(line("region", known(word("DE")), word("GB")));
        assert!(line("region", Reading::WriteOnly, word("GB")));
        assert!(line("power", known(milliwatts(25)), milliwatts(50)));
        assert!(!line("power", known(milliwatts(25)), milliwatts(10)));
        assert!(!line("power", known(milliwatts(25)), Value::Off));
        assert!(line("power", Reading::Unread("?".into()), milliwatts(10)));
        assert!(line("power", known(word("low")), word("high")));
        assert!(!line("light", known(milliwatts(1)), milliwatts(9)));
    }

    #[test]
    fn a_setting_that_the_firmware_lacks_is_told_by_what_it_needs() {
        let mut family = Family::two_saves_and_a_restart();
        let profile = Arc::make_mut(&mut family.profile);
        let mut lamp = profile.settings[0].clone();
        lamp.name = "light".parse().expect("a setting's name");
        lamp.needs = Some("<3.0.0".parse().expect("a requirement"));
        profile.settings.push(lamp);
        let mut now = read(&family);
        now.settings.remove("light");
        let wanted = wanting("light", Value::Number(3.into()));
        let said = |now: &Snapshot| {
            let error = Plan::new(&family.profile, now, &wanted).expect_err("no plan");
            (error.code(), error.to_string())
        };
        let unknown = (
            "no-such-setting",
            "this receiver has no setting `light`".to_owned(),
        );
        assert_eq!(said(&now), unknown, "its firmware is not known");
        let version = Value::Version("3.0.2".parse().expect("a version"));
        let entry = crate::terms::Entry {
            reading: Reading::Known(version),
            secret: false,
        };
        now.settings
            .insert("firmware".parse().expect("a name"), entry);
        let lacking = (
            "needs-firmware",
            "`light` needs firmware <3.0.0, and this receiver has 3.0.2".to_owned(),
        );
        assert_eq!(said(&now), lacking);
    }

    #[test]
    fn only_places_that_differ_are_in_the_overlay() {
        let family = Family::one_restarting_save();
        let now = read(&family);
        let wanted = wanting("model-lock", Value::Number(12.into()));
        let plan = Plan::new(&family.profile, &now, &wanted).expect("a plan");
        assert_eq!(saves(&plan), [("air", vec!["slot"])]);
        assert_eq!(
            plan.saves[0].overlay[&named("slot")],
            Raw::Text("11".into())
        );
    }

    #[test]
    fn saves_come_in_the_order_of_the_profile_and_settings_too() {
        let family = Family::flag_and_slot();
        let mut wanted = family.wanted.clone();
        wanted.extend(wanting("region", Value::Text("GB".into())));
        let plan = Plan::new(&family.profile, &read(&family), &wanted).expect("a plan");
        let expected = [
            ("slot", vec!["slot"]),
            ("flag", vec!["flag"]),
            ("craft", vec!["area"]),
        ];
        assert_eq!(saves(&plan), expected);
        let lines: Vec<&str> = plan.lines.iter().map(|l| l.setting.as_str()).collect();
        assert_eq!(lines, ["model-lock", "region"]);
    }

    #[test]
    fn what_is_as_wanted_is_left_out() {
        let family = Family::two_saves_and_a_restart();
        let mut wanted = wanting("model-lock", Value::Number(7.into()));
        let now = read(&family);
        let plan = Plan::new(&family.profile, &now, &wanted).expect("a plan");
        assert!(plan.is_empty() && plan.saves.is_empty());
        wanted.extend(wanting("region", Value::Text("GB".into())));
        let plan = Plan::new(&family.profile, &now, &wanted).expect("a plan");
        assert_eq!(saves(&plan), [("waves", vec!["area"])]);
    }

    #[test]
    fn unknown_read_only_and_impossible_settings_are_told_apart() {
        let mut family = Family::two_saves_and_a_restart();
        let area = Arc::make_mut(&mut family.profile)
            .settings
            .iter_mut()
            .find(|setting| setting.name == *"region")
            .expect("a region");
        area.saves.clear();
        let now = read(&family);
        let code = |wanted: &Wanted| {
            let error = Plan::new(&family.profile, &now, wanted).expect_err("no plan");
            (error.code(), error.to_string())
        };
        assert_eq!(
            code(&wanting("light", Value::Number(3.into()))),
            (
                "no-such-setting",
                "this receiver has no setting `light`".to_owned()
            )
        );
        assert_eq!(
            code(&wanting("region", Value::Text("GB".into()))),
            (
                "setting-read-only",
                "`region` can be read, but not written".to_owned()
            )
        );
        let (stable, words) = code(&wanting("model-lock", Value::Number(41.into())));
        assert_eq!(stable, "value-cannot-be-written");
        assert!(words.contains("1 to 40"), "{words}");
        let same = wanting("region", Value::Text("DE".into()));
        let plan = Plan::new(&family.profile, &now, &same).expect("nothing is written");
        assert!(plan.is_empty());
    }

    #[test]
    fn a_secret_that_cannot_be_written_is_in_no_message() {
        let family = Family::hidden_value();
        let wanted = wanting("local-passphrase", Value::Text("sedge".into()));
        let error = Plan::new(&family.profile, &read(&family), &wanted).expect_err("too short");
        assert!(!error.to_string().contains("sedge"), "{error}");
        assert!(error.to_string().contains("(secret)"), "{error}");
    }

    #[test]
    fn a_save_is_sent_though_what_it_takes_stands_there_already() {
        let mut family = Family::two_saves_and_a_restart();
        family.place("told", Raw::Json(json!("slot 7")));
        family.place("held", Raw::Json(json!(null)));
        let told = |text: &str| {
            let template = Template::parse(text).expect("a template");
            vec![(named("told"), Pattern::JsonText(template))]
        };
        let lock = &mut Arc::make_mut(&mut family.profile).settings[0];
        lock.rows[0].parts = told("nobody");
        lock.rows[1].parts = told("slot {}");
        let now = read(&family);
        assert_eq!(now.value("model-lock"), Some(&Value::Number(7.into())));
        let wanted = wanting("model-lock", Value::Off);
        let plan = Plan::new(&family.profile, &now, &wanted).expect("a plan");
        assert_eq!(saves(&plan), [("craft", vec!["held"])]);
    }

    #[test]
    fn the_way_back_restores_what_stood_beside_an_off() {
        let family = Family::flag_and_slot();
        let original = read(&family);
        let mut moved = family.clone();
        moved.place("slot", Raw::Json(json!(12)));
        let now = read(&moved);
        assert_eq!(now.value("model-lock"), original.value("model-lock"));
        let WayBack { plan, wanted, .. } =
            Plan::back(&family.profile, &original, &now, Since::OwnSave).expect("a plan");
        assert_eq!(saves(&plan), [("slot", vec!["slot"])]);
        assert_eq!(wanted, wanting("model-lock", Value::Off));
        let WayBack { plan, wanted, .. } =
            Plan::back(&family.profile, &original, &original, Since::OwnSave).expect("a plan");
        assert!(plan.is_empty() && wanted.is_empty());
    }

    #[test]
    fn the_way_back_leaves_out_what_was_not_known() {
        let family = Family::hidden_value();
        let original = read(&family);
        let mut moved = family.clone();
        moved.place("held", Raw::Json(json!(null)));
        let now = read(&moved);
        let WayBack { plan, wanted, .. } =
            Plan::back(&family.profile, &original, &now, Since::OwnSave).expect("a plan");
        assert_eq!(wanted, wanting("model-lock", Value::Number(7.into())));
        assert_eq!(saves(&plan), [("craft", vec!["held"])]);
    }

    #[test]
    fn the_way_back_is_told_as_the_family_takes_it() {
        let mut family = Family::two_saves_and_a_restart();
        let words = |text: &str| Pattern::JsonText(Template::parse(text).expect("a template"));
        family.place("held", Raw::Json(json!("slot 7")));
        let lock = &mut Arc::make_mut(&mut family.profile).settings[0];
        lock.rows[0].parts = vec![(named("held"), words("nobody"))];
        lock.rows[1].parts = vec![(named("held"), words("slot {}"))];
        let original = read(&family);
        let mut moved = family.clone();
        moved.place("held", Raw::Json(json!("nobody")));
        let now = read(&moved);
        let WayBack { plan, .. } =
            Plan::back(&family.profile, &original, &now, Since::OwnSave).expect("a plan");
        assert_eq!(plan.saves[0].overlay[&named("held")], Raw::Json(json!(7)));
    }

    #[test]
    fn what_stood_nowhere_is_not_put_there() {
        let mut family = Family::flag_and_slot();
        family.place("slot", Raw::Missing);
        let original = read(&family);
        let mut moved = family.clone();
        moved.place("slot", Raw::Json(json!(12)));
        moved.place("flag", Raw::Json(json!(true)));
        let now = read(&moved);
        let WayBack { plan, .. } =
            Plan::back(&family.profile, &original, &now, Since::OwnSave).expect("a plan");
        assert_eq!(saves(&plan), [("flag", vec!["flag"])]);
    }
}
