//! What `NetworkManager` is called with over D-Bus: its methods, typed, and no others.
//!
//! What it says of itself is never asked for here: [`picture`](super::picture) keeps that. Names are
//! those of `NetworkManager`'s D-Bus reference.

use std::collections::HashMap;

use zbus::{OwnedObjectPath, OwnedVariant, Variant, proxy};

/// Its name on the bus.
pub(super) const NAME: &str = "org.freedesktop.NetworkManager";

/// Where all its objects hang from.
pub(super) const ROOT: &str = "/org/freedesktop";

/// No object, where a path is asked for.
pub(super) const NOTHING: &str = "/";

/// A connection's settings, by group and name.
pub(super) type Settings<'a> = HashMap<&'static str, HashMap<&'static str, Variant<'a>>>;

#[proxy(
    interface = "org.freedesktop.NetworkManager",
    default_service = "org.freedesktop.NetworkManager",
    default_path = "/org/freedesktop/NetworkManager"
)]
pub(super) trait Manager {
    /// Since 1.16. Gives the connection, the activation, and nothing that we use.
    fn add_and_activate_connection2(
        &self,
        connection: &Settings<'_>,
        device: &OwnedObjectPath,
        specific: &OwnedObjectPath,
        options: &HashMap<&str, Variant<'_>>,
    ) -> zbus::Result<(
        OwnedObjectPath,
        OwnedObjectPath,
        HashMap<String, OwnedVariant>,
    )>;

    fn activate_connection(
        &self,
        connection: &OwnedObjectPath,
        device: &OwnedObjectPath,
        specific: &OwnedObjectPath,
    ) -> zbus::Result<OwnedObjectPath>;

    fn deactivate_connection(&self, active: &OwnedObjectPath) -> zbus::Result<()>;

    /// `yes`, `auth` or `no` for each of its polkit actions.
    fn get_permissions(&self) -> zbus::Result<HashMap<String, String>>;
}

#[proxy(
    interface = "org.freedesktop.NetworkManager.Settings",
    default_service = "org.freedesktop.NetworkManager",
    default_path = "/org/freedesktop/NetworkManager/Settings"
)]
pub(super) trait SavedConnections {
    fn get_connection_by_uuid(&self, uuid: &str) -> zbus::Result<OwnedObjectPath>;
}

#[proxy(
    interface = "org.freedesktop.NetworkManager.Settings.Connection",
    default_service = "org.freedesktop.NetworkManager"
)]
pub(super) trait SavedConnection {
    fn get_settings(&self) -> zbus::Result<HashMap<String, HashMap<String, OwnedVariant>>>;

    fn delete(&self) -> zbus::Result<()>;
}

#[proxy(
    interface = "org.freedesktop.NetworkManager.Device",
    default_service = "org.freedesktop.NetworkManager"
)]
pub(super) trait Device {
    /// Leaves what it is on, and goes on to nothing by itself.
    fn disconnect(&self) -> zbus::Result<()>;

    /// Whether it goes on to a saved connection by itself.
    #[zbus(property)]
    fn set_autoconnect(&self, goes_on: bool) -> zbus::Result<()>;
}

#[proxy(
    interface = "org.freedesktop.NetworkManager.Device.Wireless",
    default_service = "org.freedesktop.NetworkManager"
)]
pub(super) trait Wireless {
    fn request_scan(&self, options: &HashMap<&str, Variant<'_>>) -> zbus::Result<()>;
}
