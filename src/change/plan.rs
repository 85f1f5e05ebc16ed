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
            PlanError::ReadOnly { .. } => "setting-read-only",
            PlanError::CannotSay { .. } => "value-cannot-be-written",
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
    /// # Errors
    /// When the device does not have such a setting any more, or cannot be told what it showed.
    pub fn back(
        profile: &Profile,
        original: &Snapshot,
        now: &Snapshot,
    ) -> Result<(Self, Wanted), PlanError> {
        let wanted: Wanted = profile
            .settings
            .iter()
            .filter(|setting| !setting.saves.is_empty())
            .filter_map(|setting| {
                let name = setting.name.as_str();
                let before = original.value(name)?;
                let differs = as_it_stood(profile, setting, original)
                    .iter()
                    .any(|(place, raw)| now.places.get(place) != Some(raw));
                (differs || now.value(name) != Some(before))
                    .then(|| (setting.name.clone(), before.clone()))
            })
            .collect();
        let plan = Self::build(profile, now, &wanted, Some(original))?;
        Ok((plan, wanted))
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
            return Err(PlanError::NoSuchSetting {
                setting: setting.clone(),
            });
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
