//! What this person may ask of `NetworkManager`: its polkit actions, by what needs them.

use std::collections::HashMap;

use super::bus::ManagerProxy;

/// One thing that linkmend asks for, and the action that allows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::wifi) struct Permission {
    /// As polkit calls it.
    pub(in crate::wifi) action: &'static str,
    /// What it allows, after "does not let you".
    pub(in crate::wifi) what: &'static str,
}

/// To join and to leave.
pub(in crate::wifi) const CONTROL: Permission = Permission {
    action: "org.freedesktop.NetworkManager.network-control",
    what: "join and leave networks",
};

/// To look around.
pub(in crate::wifi) const SCAN: Permission = Permission {
    action: "org.freedesktop.NetworkManager.wifi.scan",
    what: "look for Wi-Fi networks",
};

/// To describe what is joined, for oneself alone.
pub(in crate::wifi) const OWN: Permission = Permission {
    action: "org.freedesktop.NetworkManager.settings.modify.own",
    what: "describe a network to join",
};

/// To switch Wi-Fi on. Nothing here does; a person may have to.
pub(in crate::wifi) const SWITCH: Permission = Permission {
    action: "org.freedesktop.NetworkManager.enable-disable-wifi",
    what: "switch Wi-Fi on and off",
};

/// What it answers to each action: `yes`, `auth` or `no`.
pub(in crate::wifi) async fn all(
    connection: &zbus::Connection,
) -> zbus::Result<HashMap<String, String>> {
    ManagerProxy::new(connection).await?.get_permissions().await
}

/// The first of these that is not simply allowed.
pub(in crate::wifi) fn missing(
    answers: &HashMap<String, String>,
    needed: &[Permission],
) -> Option<Permission> {
    needed
        .iter()
        .find(|it| answers.get(it.action).is_none_or(|answer| answer != "yes"))
        .copied()
}
