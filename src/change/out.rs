//! What was read and changed, as the JSON of commands. Secrets are fingerprints here already, so
//! that nothing that is made of these shows one.

use super::{Line, Trouble};
use crate::{
    profile::{Profile, Setting},
    terms::{
        Device, Entry, Identity, Reading, Value,
        output::{ChangeLine, DeviceOut, Fault, IdentityOut, SettingOut, SettingState, ValueOut},
    },
};

/// Makes the fingerprint of a secret, keyed with the journal's own key.
pub type Fingerprint<'a> = &'a dyn Fn(&[u8]) -> String;

/// A device.
pub fn device(device: &Device) -> DeviceOut {
    DeviceOut {
        identity: identity(&device.identity),
        family: device.family.clone(),
        role: device.role,
    }
}

/// Its marks.
pub fn identity(identity: &Identity) -> IdentityOut {
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
pub fn entry(entry: &Entry, setting: Option<&Setting>, print: Fingerprint<'_>) -> SettingOut {
    reading(&entry.reading, entry.secret, setting, print)
}

/// One reading of a setting.
pub fn reading(
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
pub fn change_line(line: &Line, profile: &Profile, print: Fingerprint<'_>) -> ChangeLine {
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
pub fn fault(trouble: &Trouble) -> Fault {
    Fault {
        code: trouble.code.clone(),
        message: trouble.message.clone(),
        help: trouble.help.clone(),
    }
}

/// A run that ended before the device was read, and without a reason of its own.
pub fn unread() -> Fault {
    Fault {
        code: "not-read".into(),
        message: "the device was not read".into(),
        help: None,
    }
}
