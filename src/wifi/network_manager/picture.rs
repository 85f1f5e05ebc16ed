//! What `NetworkManager` says of itself, as one picture in memory: its objects with their properties,
//! and what its devices went through.
//!
//! It holds no more than what came over the bus; reading it asks nobody. What happens between two
//! looks at it is not lost: a device's steps since its last start, and the activations that ended,
//! stay in it.

use std::{
    collections::{HashMap, HashSet},
    net::IpAddr,
};

use zbus::{OwnedObjectPath, OwnedVariant, Variant, fdo::ManagedObjects};

use super::bus::NOTHING;
use crate::{
    terms::Mac,
    wifi::{AccessPoint, NetworkName},
};

const MANAGER: &str = "org.freedesktop.NetworkManager";
const DEVICE: &str = "org.freedesktop.NetworkManager.Device";
const WIRELESS: &str = "org.freedesktop.NetworkManager.Device.Wireless";
const POINT: &str = "org.freedesktop.NetworkManager.AccessPoint";
const ACTIVE: &str = "org.freedesktop.NetworkManager.Connection.Active";
const SAVED: &str = "org.freedesktop.NetworkManager.Settings.Connection";
const LEASE: &str = "org.freedesktop.NetworkManager.DHCP4Config";

/// `NMDeviceState` of `NetworkManager`'s D-Bus reference.
pub(super) mod device_state {
    pub(in super::super) const UNMANAGED: u32 = 10;
    pub(in super::super) const UNAVAILABLE: u32 = 20;
    pub(in super::super) const PREPARE: u32 = 40;
    pub(in super::super) const NEED_AUTH: u32 = 60;
    pub(in super::super) const IP_CONFIG: u32 = 70;
    pub(in super::super) const ACTIVATED: u32 = 100;
}

/// `NM_DEVICE_TYPE_WIFI`.
const WIFI: i64 = 2;

/// `NM_DEVICE_INTERFACE_FLAG_LOWER_UP`: the radio has a link.
const LOWER_UP: i64 = 0x2;

/// The properties of one interface of one object.
pub(super) type Values = HashMap<String, OwnedVariant>;

/// One step of a device: its new state, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Step {
    /// `NMDeviceState`.
    pub(super) state: u32,
    /// `NMDeviceStateReason`.
    pub(super) reason: u32,
}

/// All of it.
#[derive(Debug, Default)]
pub(super) struct Picture {
    /// Whether the service is on the bus.
    pub(super) running: bool,
    objects: HashMap<OwnedObjectPath, HashMap<String, Values>>,
    steps: HashMap<OwnedObjectPath, Vec<Step>>,
    ended: HashSet<OwnedObjectPath>,
    falls: HashMap<OwnedObjectPath, Fall>,
}

/// How an activation began to end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fall {
    /// The device's first step down that has a reason.
    pub(super) step: Step,
    /// Whether the device was on the network already, so that only an address was missing.
    pub(super) associated: bool,
}

impl Picture {
    /// Puts everything anew, as the service has just told it.
    pub(super) fn reset(&mut self, objects: ManagedObjects) {
        self.objects = objects
            .into_iter()
            .map(|(path, interfaces)| {
                let interfaces = interfaces.into_iter();
                let by_name = interfaces.map(|(name, values)| (name.to_string(), values));
                (path, by_name.collect())
            })
            .collect();
        self.running = true;
    }

    /// The service is gone, and with it all that it said.
    pub(super) fn forget(&mut self) {
        self.running = false;
        self.ended.extend(
            self.objects
                .iter()
                .filter(|(_, object)| object.contains_key(ACTIVE))
                .map(|(path, _)| path.clone()),
        );
        self.objects.clear();
        self.steps.clear();
    }

    /// An object is new, or has more to say.
    pub(super) fn added(&mut self, path: OwnedObjectPath, interfaces: HashMap<String, Values>) {
        self.objects.entry(path).or_default().extend(interfaces);
    }

    /// An object is gone, or has less to say.
    pub(super) fn removed(&mut self, path: &OwnedObjectPath, interfaces: &[String]) {
        if let Some(object) = self.objects.get_mut(path) {
            object.retain(|name, _| !interfaces.contains(name));
            if object.is_empty() {
                self.objects.remove(path);
                self.steps.remove(path);
            }
        }
        if interfaces.iter().any(|name| name == ACTIVE) {
            self.ended.insert(path.clone());
        }
    }

    /// Properties have new values.
    pub(super) fn changed(&mut self, path: &OwnedObjectPath, interface: &str, values: Values) {
        if let Some(object) = self.objects.get_mut(path) {
            object
                .entry(interface.to_owned())
                .or_default()
                .extend(values);
        }
    }

    /// A device went on from a state. Its steps begin anew with each activation; one that asks for
    /// secrets on its way comes by its start once more.
    pub(super) fn stepped(&mut self, path: OwnedObjectPath, before: u32, step: Step) {
        if !is_up(step.state) && step.reason != 0 {
            // Kept by the activation, since the device may be on its way to the next one before
            // anybody looks.
            self.fell(&path, step);
        }
        let steps = self.steps.entry(path).or_default();
        if step.state == device_state::PREPARE && before != device_state::NEED_AUTH {
            steps.clear();
        }
        steps.push(step);
        // An activation has about a dozen; what is beyond tells nothing new.
        steps.truncate(64);
    }

    fn fell(&mut self, device: &OwnedObjectPath, step: Step) {
        let Some(object) = self.objects.get(device) else {
            return;
        };
        let active = object
            .get(DEVICE)
            .and_then(|it| text(it, "ActiveConnection"));
        let Some(active) = active.and_then(|path| OwnedObjectPath::try_from(path).ok()) else {
            return;
        };
        let steps = self.steps.get(device).map_or(&[][..], Vec::as_slice);
        let associated = steps
            .iter()
            .any(|step| step.state >= device_state::IP_CONFIG && is_up(step.state));
        let fall = Fall { step, associated };
        self.falls.entry(active).or_insert(fall);
    }

    /// How an activation began to end, where it did.
    pub(super) fn fall(&self, active: &OwnedObjectPath) -> Option<Fall> {
        self.falls.get(active).copied()
    }

    /// What it calls its version.
    pub(super) fn version(&self) -> Option<&str> {
        text(self.manager()?, "Version")
    }

    /// Whether Wi-Fi is switched on in its settings; yes where it does not say.
    pub(super) fn wifi_on(&self) -> bool {
        self.manager()
            .and_then(|manager| flag(manager, "WirelessEnabled"))
            .unwrap_or(true)
    }

    /// Whether no switch of the case blocks Wi-Fi; yes where it does not say.
    pub(super) fn hardware_on(&self) -> bool {
        self.manager()
            .and_then(|manager| flag(manager, "WirelessHardwareEnabled"))
            .unwrap_or(true)
    }

    /// Whether networking as a whole is on; yes where it does not say.
    pub(super) fn networking_on(&self) -> bool {
        self.manager()
            .and_then(|manager| flag(manager, "NetworkingEnabled"))
            .unwrap_or(true)
    }

    fn manager(&self) -> Option<&Values> {
        self.objects.values().find_map(|object| object.get(MANAGER))
    }

    /// The Wi-Fi adapters, by no order.
    pub(super) fn adapters(&self) -> impl Iterator<Item = Device<'_>> {
        self.objects.iter().filter_map(|(path, object)| {
            let device = object.get(DEVICE)?;
            let is_wifi =
                object.contains_key(WIRELESS) || number(device, "DeviceType") == Some(WIFI);
            is_wifi.then_some(Device {
                picture: self,
                path,
                values: device,
                wireless: object.get(WIRELESS),
            })
        })
    }

    /// The adapter of a name.
    pub(super) fn adapter(&self, name: &str) -> Option<Device<'_>> {
        self.adapters().find(|device| device.name() == name)
    }

    /// One activation.
    pub(super) fn active(&self, path: &str) -> Option<Active<'_>> {
        let values = self.object(path)?.get(ACTIVE)?;
        Some(Active { values })
    }

    /// Whether an activation is over. One that was never seen is not.
    pub(super) fn is_over(&self, path: &OwnedObjectPath) -> bool {
        self.ended.contains(path) || self.active(path.as_str()).is_some_and(Active::is_over)
    }

    /// The saved connections that are on no disk, by their paths.
    pub(super) fn unsaved(&self) -> impl Iterator<Item = &OwnedObjectPath> {
        self.objects.iter().filter_map(|(path, object)| {
            let saved = object.get(SAVED)?;
            (flag(saved, "Unsaved") == Some(true)).then_some(path)
        })
    }

    /// Whether it knows a connection.
    pub(super) fn knows(&self, path: &OwnedObjectPath) -> bool {
        self.objects.contains_key(path)
    }

    fn object(&self, path: &str) -> Option<&HashMap<String, Values>> {
        let path = OwnedObjectPath::try_from(path).ok()?;
        self.objects.get(&path)
    }
}

/// Whether a device's state is on the way up, or up.
pub(super) fn is_up(state: u32) -> bool {
    (device_state::PREPARE..=device_state::ACTIVATED).contains(&state)
}

/// One Wi-Fi adapter in it.
#[derive(Clone, Copy)]
pub(super) struct Device<'a> {
    picture: &'a Picture,
    pub(super) path: &'a OwnedObjectPath,
    values: &'a Values,
    wireless: Option<&'a Values>,
}

impl<'a> Device<'a> {
    pub(super) fn name(&self) -> &'a str {
        text(self.values, "Interface").unwrap_or_default()
    }

    /// `NMDeviceState`.
    pub(super) fn state(&self) -> u32 {
        number(self.values, "State")
            .and_then(|state| u32::try_from(state).ok())
            .unwrap_or_default()
    }

    /// `NMDeviceStateReason` of the state that it has now.
    pub(super) fn reason(&self) -> u32 {
        let pair = self.values.get("StateReason").map(|value| &**value);
        let Some(Variant::Structure(pair)) = pair else {
            return 0;
        };
        match pair.fields() {
            [_, Variant::U32(reason)] => *reason,
            _ => 0,
        }
    }

    pub(super) fn is_managed(&self) -> bool {
        flag(self.values, "Managed").unwrap_or(true)
    }

    /// Whether it goes on to a saved connection by itself; not after a person disconnected it.
    pub(super) fn autoconnects(&self) -> bool {
        flag(self.values, "Autoconnect").unwrap_or(true)
    }

    pub(super) fn lacks_firmware(&self) -> bool {
        flag(self.values, "FirmwareMissing").unwrap_or(false)
    }

    /// Its own address: that of the hardware, where it is told.
    pub(super) fn mac(&self) -> Option<Mac> {
        let permanent = self.wireless.and_then(|it| text(it, "PermHwAddress"));
        let now = text(self.values, "HwAddress");
        [permanent, now]
            .into_iter()
            .flatten()
            .find_map(|address| address.parse().ok())
    }

    /// The path of its activation; `/`: none.
    pub(super) fn active_path(&self) -> &'a str {
        text(self.values, "ActiveConnection").unwrap_or(NOTHING)
    }

    /// Its activation, whoever asked for it.
    pub(super) fn active(&self) -> Option<Active<'a>> {
        self.picture.active(self.active_path())
    }

    /// Whether the radio has a link; yes where that is not told (before 1.22).
    pub(super) fn has_link(&self) -> bool {
        number(self.values, "InterfaceFlags").is_none_or(|flags| flags & LOWER_UP != 0)
    }

    /// When its last scan ended, in ms since this computer started; -1: never.
    pub(super) fn last_scan(&self) -> Option<i64> {
        number(self.wireless?, "LastScan")
    }

    /// The BSSID of the access point that it is on.
    pub(super) fn bssid(&self) -> Option<Mac> {
        let path = text(self.wireless?, "ActiveAccessPoint")?;
        let point = self.picture.object(path)?.get(POINT)?;
        text(point, "HwAddress")?.parse().ok()
    }

    /// What it hears, each with its path.
    pub(super) fn points(&self) -> impl Iterator<Item = (OwnedObjectPath, AccessPoint)> {
        let paths = self
            .wireless
            .and_then(|wireless| wireless.get("AccessPoints"));
        let paths = match paths.map(|value| &**value) {
            Some(Variant::Array(paths)) => paths.inner(),
            _ => &[],
        };
        paths.iter().filter_map(|path| {
            let Variant::ObjectPath(path) = path else {
                return None;
            };
            let values = self.picture.object(path.as_str())?.get(POINT)?;
            Some((path.clone().into(), access_point(values)?))
        })
    }

    /// What it went through since its last start.
    pub(super) fn steps(&self) -> &'a [Step] {
        self.picture.steps.get(self.path).map_or(&[], Vec::as_slice)
    }

    /// What it was given by DHCP; none: nothing yet.
    pub(super) fn lease(&self) -> Option<Lease> {
        let lease = text(self.values, "Dhcp4Config")?;
        let lease = self.picture.object(lease)?.get(LEASE)?;
        let Some(Variant::Dict(options)) = lease.get("Options").map(|value| &**value) else {
            return None;
        };
        let mut options = options.iter().peekable();
        options.peek()?;
        let router = options.find_map(|(name, value)| {
            let value = match value {
                Variant::Variant(inner) => &**inner,
                value => value,
            };
            match (name, value) {
                // Several are separated by spaces.
                (Variant::Str(name), Variant::Str(routers)) if name.as_str() == "routers" => {
                    routers.as_str().split(' ').next()?.parse().ok()
                }
                _ => None,
            }
        });
        Some(Lease { router })
    }
}

/// What was given by DHCP, beside the address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Lease {
    /// The way out of the network.
    pub(super) router: Option<IpAddr>,
}

/// One activation in it.
#[derive(Clone, Copy)]
pub(super) struct Active<'a> {
    values: &'a Values,
}

impl<'a> Active<'a> {
    pub(super) fn id(self) -> &'a str {
        text(self.values, "Id").unwrap_or_default()
    }

    pub(super) fn uuid(self) -> &'a str {
        text(self.values, "Uuid").unwrap_or_default()
    }

    /// `NM_ACTIVE_CONNECTION_STATE_ACTIVATED`.
    pub(super) fn is_up(self) -> bool {
        number(self.values, "State") == Some(2)
    }

    /// `NM_ACTIVE_CONNECTION_STATE_DEACTIVATING` or `DEACTIVATED`.
    pub(super) fn is_over(self) -> bool {
        number(self.values, "State").is_some_and(|state| state >= 3)
    }
}

/// One access point of the properties of its object.
fn access_point(values: &Values) -> Option<AccessPoint> {
    let small = |name: &str| number(values, name).and_then(|value| u32::try_from(value).ok());
    // -1: never.
    let heard = number(values, "LastSeen").and_then(|seconds| u32::try_from(seconds).ok());
    Some(AccessPoint {
        name: NetworkName::new(bytes(values, "Ssid")),
        bssid: text(values, "HwAddress")?.parse().ok()?,
        signal: small("Strength").map_or(0, |percent| percent.min(100) as u8),
        frequency_mhz: small("Frequency").unwrap_or_default(),
        offers: super::air::offers(
            small("Flags").unwrap_or_default(),
            small("WpaFlags").unwrap_or_default(),
            small("RsnFlags").unwrap_or_default(),
        ),
        heard_s: heard.map(f64::from),
    })
}

fn text<'a>(values: &'a Values, name: &str) -> Option<&'a str> {
    match &**values.get(name)? {
        Variant::Str(text) => Some(text.as_str()),
        Variant::ObjectPath(path) => Some(path.as_str()),
        _ => None,
    }
}

fn flag(values: &Values, name: &str) -> Option<bool> {
    match &**values.get(name)? {
        Variant::Bool(flag) => Some(*flag),
        _ => None,
    }
}

fn number(values: &Values, name: &str) -> Option<i64> {
    match &**values.get(name)? {
        Variant::U8(number) => Some((*number).into()),
        Variant::U32(number) => Some((*number).into()),
        Variant::I32(number) => Some((*number).into()),
        Variant::I64(number) => Some(*number),
        _ => None,
    }
}

fn bytes(values: &Values, name: &str) -> Vec<u8> {
    let Some(Variant::Array(array)) = values.get(name).map(|value| &**value) else {
        return Vec::new();
    };
    let byte = |value: &Variant<'_>| match value {
        Variant::U8(byte) => Some(*byte),
        _ => None,
    };
    array.inner().iter().filter_map(byte).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RADIO: &str = "/org/freedesktop/NetworkManager/Devices/1";
    const OURS: &str = "/org/freedesktop/NetworkManager/ActiveConnection/1";
    const THEIRS: &str = "/org/freedesktop/NetworkManager/ActiveConnection/2";

    fn path(path: &str) -> OwnedObjectPath {
        OwnedObjectPath::try_from(path).expect("a path")
    }

    fn value(value: impl Into<Variant<'static>>) -> OwnedVariant {
        value.into().try_into().expect("no file descriptor")
    }

    fn on(active: &str) -> Values {
        Values::from([("ActiveConnection".into(), value(path(active).into_inner()))])
    }

    /// An adapter on an activation.
    fn picture() -> Picture {
        let mut picture = Picture::default();
        let mut device = on(OURS);
        device.insert("Interface".into(), value("wlan0"));
        device.insert("DeviceType".into(), value(2_u32));
        picture.added(path(RADIO), HashMap::from([(DEVICE.to_owned(), device)]));
        let active = Values::from([("Uuid".into(), value("one"))]);
        picture.added(path(OURS), HashMap::from([(ACTIVE.to_owned(), active)]));
        picture
    }

    fn step(picture: &mut Picture, before: u32, state: u32, reason: u32) {
        picture.stepped(path(RADIO), before, Step { state, reason });
    }

    #[test]
    fn why_an_activation_fell_outlives_the_next_one() {
        let mut picture = picture();
        step(&mut picture, 30, 40, 0);
        step(&mut picture, 40, 50, 0);
        step(&mut picture, 50, 120, 7);
        picture.removed(&path(OURS), &[ACTIVE.to_owned()]);
        picture.changed(&path(RADIO), DEVICE, on(THEIRS));
        step(&mut picture, 120, 30, 0);
        step(&mut picture, 30, 40, 0);
        step(&mut picture, 40, 110, 60);
        let fall = picture.fall(&path(OURS)).expect("it fell");
        assert_eq!((fall.step.reason, fall.associated), (7, false));
        assert!(picture.is_over(&path(OURS)));
        assert!(!picture.is_over(&path(THEIRS)));
    }

    #[test]
    fn adapter_that_was_on_it_is_remembered_with_the_fall() {
        let mut picture = picture();
        step(&mut picture, 30, 40, 0);
        step(&mut picture, 40, 70, 0);
        step(&mut picture, 70, 120, 5);
        let fall = picture.fall(&path(OURS)).expect("it fell");
        assert!(fall.associated);
    }

    #[test]
    fn asking_for_secrets_on_the_way_is_no_new_start() {
        let mut picture = picture();
        step(&mut picture, 30, 40, 0);
        step(&mut picture, 40, 50, 0);
        step(&mut picture, 50, 60, 0);
        step(&mut picture, 60, 40, 0);
        let device = picture.adapter("wlan0").expect("it is there");
        assert_eq!(device.steps().len(), 4);
        step(&mut picture, 30, 40, 0);
        let device = picture.adapter("wlan0").expect("it is there");
        assert_eq!(device.steps().len(), 1);
    }

    #[test]
    fn service_that_goes_takes_its_activations_with_it() {
        let mut picture = picture();
        picture.running = true;
        picture.forget();
        assert!(!picture.running);
        assert!(picture.is_over(&path(OURS)));
        assert_eq!(picture.adapters().count(), 0);
    }

    #[test]
    fn value_of_another_kind_is_taken_for_none() {
        let mut picture = picture();
        let odd = Values::from([
            ("State".into(), value("up")),
            ("Interface".into(), value(7_u32)),
            ("StateReason".into(), value(7_u32)),
        ]);
        picture.changed(&path(RADIO), DEVICE, odd);
        let device = picture.adapters().next().expect("it is there");
        assert_eq!((device.name(), device.state(), device.reason()), ("", 0, 0));
        assert_eq!(device.points().count(), 0);
    }
}
