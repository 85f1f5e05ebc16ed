//! What was read and changed, as lines for a person.

pub(crate) use crate::change::out::{
    Fingerprint, change_line, device, entry, fault, identity, reading, unread,
};
use crate::{
    change::PlanLine,
    profile::{Profile, Setting},
    terms::{Device, Reading, SettingName, Snapshot, Value},
};

/// A value as a person reads it: `slot 7`, `25 mW`, `(secret 1a2b…)`, `not readable`.
pub(crate) fn words(
    reading: &Reading,
    setting: Option<&Setting>,
    print: Fingerprint<'_>,
) -> String {
    match reading {
        Reading::Unread(why) => format!("not read: {why}"),
        Reading::WriteOnly => "never shown by the device".into(),
        Reading::Known(Value::Absent) => "none".into(),
        Reading::Known(value) if setting.is_some_and(|setting| setting.secret) => {
            format!(
                "(secret, fingerprint {})",
                print(&value.fingerprint_bytes())
            )
        }
        Reading::Known(value) => {
            let is_lock = setting.is_some_and(|s| s.name == *SettingName::MODEL_LOCK);
            let label = setting.and_then(|s| s.kind.label_of(value));
            let unit = setting.and_then(|s| s.kind.unit());
            match (value, label, unit) {
                (Value::Number(number), _, _) if is_lock => format!("slot {number}"),
                // A label that says nothing new is left out.
                (_, Some(label), _) if !same_word(label, &value.to_string()) => {
                    format!("{value} ({label})")
                }
                (Value::Number(_) | Value::List(_), _, Some(unit)) => format!("{value} {unit}"),
                // What nobody would see otherwise.
                (Value::Text(text), _, _)
                    if text.raw().trim() != text.raw() || text.raw().is_empty() =>
                {
                    format!("\"{value}\"")
                }
                _ => value.to_string(),
            }
        }
    }
}

fn same_word(label: &str, value: &str) -> bool {
    label.replace(' ', "-").eq_ignore_ascii_case(value)
}

/// `model-lock  slot 7 → off`.
pub(crate) fn plan_line(line: &PlanLine, profile: &Profile, print: Fingerprint<'_>) -> String {
    let setting = profile.setting(line.setting.as_str());
    format!(
        "{}  {} → {}",
        line.setting,
        words(&line.before, setting, print),
        words(&Reading::Known(line.after.clone()), setting, print)
    )
}

/// `Grebe (sample-form, serial TD-00471)`.
pub(crate) fn title(snapshot: &Snapshot) -> String {
    let Device {
        identity, family, ..
    } = &snapshot.device;
    match snapshot.value(SettingName::NAME) {
        Some(Value::Text(name)) if !name.raw().is_empty() => {
            format!("{name} ({family}, {identity})")
        }
        _ => format!("{family}, {identity}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::Untrusted;

    #[test]
    fn a_text_that_nobody_would_see_is_shown_in_quotes() {
        for (text, shown) in [
            ("", "\"\""),
            (" Teal", "\" Teal\""),
            ("Common Teal", "Common Teal"),
        ] {
            let reading = Reading::Known(Value::Text(Untrusted::new(text)));
            assert_eq!(words(&reading, None, &|_| String::new()), shown);
        }
    }
}
