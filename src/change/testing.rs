//! A pure world for tests of a change: families built directly, and a device that misbehaves as
//! it is told to, without network and without waiting.

pub(crate) mod families;
pub(crate) mod world;

use std::collections::BTreeMap;

pub(crate) use families::Family;
pub(crate) use world::{Await, Restarted, Save, Script, Seen, World};

use super::{BootTime, Options, Trouble, ports::Clock};
use crate::{
    profile::Profile,
    terms::{Device, Entry, Identity, PlaceName, Raw, Role, Snapshot, Witness},
    wifi::fake::FakeAir,
};

/// The time of a made-up air.
#[derive(Clone)]
pub(crate) struct AirClock(pub(crate) FakeAir);

impl Clock for AirClock {
    fn now(&self) -> BootTime {
        BootTime {
            seconds: self.0.now_s(),
            boot: "this one".into(),
        }
    }
}

/// What a reading of these raw things is, by the profile's own meanings.
pub(crate) fn snapshot(
    profile: &Profile,
    places: &BTreeMap<PlaceName, Raw>,
    rest: &BTreeMap<String, Raw>,
    identity: &Identity,
    witness: Option<Witness>,
) -> Snapshot {
    let settings = profile.settings.iter().map(|setting| {
        let entry = Entry {
            reading: setting.read(places),
            secret: setting.secret,
        };
        (setting.name.clone(), entry)
    });
    Snapshot {
        device: Device {
            identity: identity.clone(),
            family: profile.family.clone(),
            role: Role::Receiver,
        },
        settings: settings.collect(),
        places: places.clone(),
        rest: rest.clone(),
        faulty: None,
        witness,
    }
}

/// Options of a change that is really made.
pub(crate) fn options() -> Options {
    Options {
        dry_run: false,
        trust_address: false,
        leave_s: 3.0,
        unfinished: Vec::new(),
    }
}

/// A trouble of the world, not of the machine.
pub(crate) fn trouble(code: &str) -> Trouble {
    Trouble::new(code, format!("the test made this: {code}"), None)
}
