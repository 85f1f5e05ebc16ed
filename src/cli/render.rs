//! What was read and changed, as the JSON of commands and as lines for a person.

use crate::{
    change::{Line, PlanLine, Trouble},
    profile::{Profile, Setting},
    terms::{
        Device, Entry, Identity, Reading, SettingName, Snapshot, Value,
        output::{ChangeLine, DeviceOut, Fault, IdentityOut, SettingOut, SettingState, ValueOut},
    },
};

/// Makes the fingerprint of a secret, keyed with the journal's own key.
pub(crate) type Fingerprint<'a> = &'a dyn Fn(&[u8]) -> String;

/// A device.
pub(crate) fn device(device: &Device) -> DeviceOut {
    DeviceOut {
        identity: identity(&device.identity),
        family: device.family.clone(),
        role: device.role,
    }
}

/// Its marks.
pub(crate) fn identity(identity: &Identity) -> IdentityOut {
    let Identity {
        serial,
        bssid,
        address,
    } = identity;
    IdentityOut {
        serial: serial.as_ref().map(|serial| serial.raw().to_owned()),
        bssid: bssid.as_ref().map(ToString::to_string),
        address: address.clone(),
    }
}

/// One setting as it was read.
pub(crate) fn entry(
    entry: &Entry,
    setting: Option<&Setting>,
    print: Fingerprint<'_>,
) -> SettingOut {
    reading(&entry.reading, entry.secret, setting, print)
}

/// One reading of a setting.
pub(crate) fn reading(
    reading: &Reading,
    secret: bool,
    setting: Option<&Setting>,
    print: Fingerprint<'_>,
) -> SettingOut {
    let bare = |state| SettingOut {
        state,
        value: None,
        label: None,
        fingerprint: None,
    };
    match reading {
        Reading::Unread(_) => bare(SettingState::Unread),
        Reading::WriteOnly => bare(SettingState::WriteOnly),
        Reading::Known(Value::Absent) => bare(SettingState::Absent),
        Reading::Known(value) if secret => SettingOut {
            fingerprint: Some(print(&value.fingerprint_bytes())),
            ..bare(SettingState::Secret)
        },
        Reading::Known(value) => SettingOut {
            value: Some(ValueOut(value.to_json())),
            label: setting
                .and_then(|s| s.kind.label_of(value))
                .map(ToOwned::to_owned),
            ..bare(SettingState::Known)
        },
    }
}

/// One setting of a change.
pub(crate) fn change_line(line: &Line, profile: &Profile, print: Fingerprint<'_>) -> ChangeLine {
    let setting = profile.setting(line.plan.setting.as_str());
    let secret = setting.is_some_and(|setting| setting.secret);
    ChangeLine {
        setting: line.plan.setting.clone(),
        before: reading(&line.plan.before, secret, setting, print),
        after: reading(
            &Reading::Known(line.plan.after.clone()),
            secret,
            setting,
            print,
        ),
        proof: line.proof,
        why: line.why.clone(),
    }
}

/// A trouble.
pub(crate) fn fault(trouble: &Trouble) -> Fault {
    Fault {
        code: trouble.code.clone(),
        message: trouble.message.clone(),
        help: trouble.help.clone(),
    }
}

/// A run that ended before the device was read, and without a reason of its own.
pub(crate) fn unread() -> Fault {
    Fault {
        code: "not-read".into(),
        message: "the device was not read".into(),
        help: None,
    }
}

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
