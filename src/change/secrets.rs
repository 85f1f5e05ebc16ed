//! Which secret a change sends: over an open network everybody near can listen.

use super::Wanted;
use crate::{
    profile::{Profile, SaveHow},
    terms::{SaveName, SettingName, Value},
};

/// A secret that would go to the device: one that is to be set, or one that a save sends along as it
/// was read.
pub fn first(profile: &Profile, wanted: &Wanted) -> Option<String> {
    let of = |name: &SettingName| profile.setting(name.as_str());
    let set = wanted
        .iter()
        .find(|(name, value)| **value != Value::Absent && of(name).is_some_and(|s| s.secret));
    if let Some((name, _)) = set {
        return Some(format!("the value of `{name}`"));
    }
    let saves = wanted.keys().filter_map(of).flat_map(|s| &s.saves);
    let is_whole = |save: &&SaveName| {
        let how = profile.save(save.as_str()).map(|save| &save.how);
        !matches!(how, Some(SaveHow::One { .. } | SaveHow::Merge { .. }))
    };
    let saves: Vec<&SaveName> = saves.filter(is_whole).collect();
    let carried = profile
        .settings
        .iter()
        .find(|s| s.secret && s.saves.iter().any(|save| saves.contains(&save)))?;
    Some(format!("its `{}`, which is sent along,", carried.name))
}
