//! Which Wi-Fi adapters there are, and whether each can be used now.

use std::{fs, path::PathBuf};

use super::{
    SERVICE,
    picture::{Device, Picture, device_state},
};
use crate::wifi::{Adapter, AdapterName, AdapterState, WifiError};

/// All of them, by their names.
pub(super) fn all(picture: &Picture) -> Vec<Adapter> {
    let mut all: Vec<Adapter> = picture
        .adapters()
        .map(|device| Adapter {
            name: AdapterName::new(device.name()),
            mac: device.mac(),
            state: state(picture, &device),
            connected: device
                .active()
                .filter(|active| !active.is_over())
                .map(|active| active.id().to_owned()),
        })
        .collect();
    all.sort_by(|one, other| one.name.cmp(&other.name));
    all
}

/// The one of a name, where it can be used now.
pub(super) fn usable<'a>(
    picture: &'a Picture,
    name: &AdapterName,
) -> Result<Device<'a>, WifiError> {
    let device = one(picture, name)?;
    match state(picture, &device) {
        AdapterState::Ready => Ok(device),
        not_ready => Err(why_not(&device, not_ready)),
    }
}

/// The one of a name, whatever its state.
pub(super) fn one<'a>(picture: &'a Picture, name: &AdapterName) -> Result<Device<'a>, WifiError> {
    if let Some(device) = picture.adapter(name.as_str()) {
        return Ok(device);
    }
    let there: Vec<AdapterName> = all(picture).into_iter().map(|it| it.name).collect();
    Err(if there.is_empty() {
        WifiError::NoAdapter { service: SERVICE }
    } else {
        WifiError::OtherAdapters {
            wanted: name.clone(),
            there,
        }
    })
}

/// What it says of an adapter that cannot be used.
pub(super) fn why_not(device: &Device<'_>, state: AdapterState) -> WifiError {
    let adapter = AdapterName::new(device.name());
    match state {
        AdapterState::SwitchedOff => WifiError::SwitchedOff { adapter },
        AdapterState::Blocked => WifiError::Blocked { adapter },
        AdapterState::Unmanaged => WifiError::Unmanaged {
            adapter,
            service: SERVICE,
        },
        AdapterState::Ready | AdapterState::Unavailable => {
            let why = if device.lacks_firmware() {
                "its firmware is missing"
            } else {
                "its driver, or the service that speaks Wi-Fi for it, is not ready"
            };
            WifiError::Unavailable {
                adapter,
                why: why.into(),
            }
        }
    }
}

/// Whether it can be used.
pub(super) fn state(picture: &Picture, device: &Device<'_>) -> AdapterState {
    // NetworkManager knows of one switch for all; the kernel knows those of each adapter.
    let switches = Switches::of(device.name());
    if !device.is_managed() || device.state() == device_state::UNMANAGED {
        AdapterState::Unmanaged
    } else if device.state() > device_state::UNAVAILABLE {
        AdapterState::Ready
    } else if switches.hard || !picture.hardware_on() {
        AdapterState::Blocked
    } else if switches.soft || !picture.wifi_on() {
        AdapterState::SwitchedOff
    } else {
        AdapterState::Unavailable
    }
}

/// The switches of one adapter, as the kernel has them.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(in crate::wifi) struct Switches {
    /// Blocked by software.
    pub(in crate::wifi) soft: bool,
    /// Blocked by a switch of the case.
    pub(in crate::wifi) hard: bool,
}

impl Switches {
    /// Those of an adapter. What cannot be read blocks nothing.
    pub(in crate::wifi) fn of(adapter: &str) -> Self {
        let mut found = Self::default();
        // A name with a slash would lead elsewhere; the kernel has none.
        if adapter.contains('/') {
            return found;
        }
        let radio = PathBuf::from("/sys/class/net")
            .join(adapter)
            .join("phy80211");
        let Ok(entries) = fs::read_dir(radio) else {
            return found;
        };
        for entry in entries.flatten() {
            if entry.file_name().to_string_lossy().starts_with("rfkill") {
                let set = |name: &str| {
                    fs::read_to_string(entry.path().join(name)).is_ok_and(|text| text.trim() == "1")
                };
                found.soft |= set("soft");
                found.hard |= set("hard");
            }
        }
        found
    }
}
