//! One simulated device: what it is, what runs on it, and what it went through.

use std::time::Duration;

use serde_json::{Map, Value as Json};

use crate::{
    Announcement, Family,
    air::mac,
    cast::Cast,
    family::{Context, Firmware, Kind, Outcome, form, login, script},
    hooks::Hooks,
    hostile,
    http::Request,
    power::Power,
    seed::Seed,
    settings::{Settings, names},
    truth::{DeviceTruth, STATES, StateTruth},
};

/// A device of a family.
#[derive(Debug)]
pub(crate) struct Device {
    family: Family,
    works: &'static str,
    serial: String,
    bssid: [u8; 6],
    /// Where its later ones come from.
    bssids: Seed,
    begun: u64,
    pub(crate) settings: Settings,
    pub(crate) firmware: Firmware,
    pub(crate) power: Power,
    /// Whether it restarts once more when it is back.
    pub(crate) once_more: bool,
    /// The lock that is back after the next restart, whether it was on and its slot.
    pub(crate) old_lock: Option<(bool, u8)>,
    /// Whether its BSSID is another after the next restart.
    pub(crate) renews: bool,
    saves: u64,
    refused: u64,
    /// What it was set to, from which request on.
    states: Vec<(u64, Settings)>,
}

/// Draws devices that share their system's bind key and nothing else.
#[derive(Debug)]
pub(crate) struct Works<'a> {
    seed: u64,
    family: Family,
    version: &'static str,
    hooks: &'a Hooks,
}

impl<'a> Works<'a> {
    /// Devices of a family with this firmware.
    pub(crate) fn new(seed: u64, family: Family, version: &'static str, hooks: &'a Hooks) -> Self {
        Self {
            seed,
            family,
            version,
            hooks,
        }
    }

    /// So many devices, no two with the same marks; three at most. The third is a lookalike: where
    /// the family shows a serial, it has even the name of the first.
    pub(crate) fn make(&self, count: usize) -> Vec<Device> {
        let stream = |purpose: &str| Seed::stream(self.seed, purpose);
        let bind_key = stream("bind key").bytes();
        let mut names = names(&mut stream("names"));
        if self.family.shows_serial() {
            names[2] = names[0];
        }
        let mut marks = stream("marks");
        let plates = plates(self.family, &mut marks);
        let devices = plates.into_iter().zip(names).take(count).enumerate();
        devices
            .map(|(index, (plate, name))| {
                let mut bssid = marks.bytes::<6>();
                // Locally administered, one station (IEEE 802); the last bits keep them apart.
                bssid[0] = 2;
                bssid[5] = (bssid[5] & 0xfc) | u8::try_from(index).unwrap_or(0);
                let mark = if self.hooks.hostile {
                    hostile::NAME
                } else {
                    ""
                };
                let settings = Settings::lent(self.name(name), bind_key, self.hooks);
                self.build(index, plate + mark, bssid, settings)
            })
            .collect()
    }

    /// The one that is cast so.
    pub(crate) fn cast(&self, cast: &Cast) -> Device {
        let bind_key = cast
            .bind_key
            .unwrap_or_else(|| Seed::stream(self.seed, "bind key").bytes());
        let mut settings = Settings::lent(&cast.name, bind_key, self.hooks);
        if !cast.visited {
            settings.local_network.clear();
            settings.local_passphrase.clear();
        }
        self.build(0, cast.serial.clone(), cast.bssid, settings)
    }

    fn build(&self, index: usize, serial: String, bssid: [u8; 6], settings: Settings) -> Device {
        let stream = |purpose: &str| Seed::stream(self.seed, &format!("{purpose} {index}"));
        let tokens = stream("tokens");
        let firmware = match self.family {
            Family::SampleForm => Firmware::Form(form::Form::new(tokens)),
            Family::SampleScript => Firmware::Script(script::Script::new(stream("volts"))),
            Family::SampleLogin => Firmware::Login(login::Login::new(tokens, stream("passes"))),
        };
        let mut device = Device {
            family: self.family,
            works: self.version,
            serial,
            bssid,
            bssids: stream("bssids"),
            begun: 5 + u64::from(bssid[1] % 32),
            settings,
            firmware,
            power: Power::on(),
            once_more: false,
            old_lock: None,
            renews: false,
            saves: 0,
            refused: 0,
            states: Vec::new(),
        };
        device.note(0);
        device
    }

    /// The name of a device: the one that was drawn, or one that is made to do harm.
    fn name(&self, drawn: &'static str) -> &'static str {
        match (self.hooks.hostile, self.family) {
            (false, _) => drawn,
            (true, Family::SampleScript) => hostile::NAME_OF_LINES,
            (true, Family::SampleForm | Family::SampleLogin) => hostile::NAME,
        }
    }
}

impl Device {
    /// Its BSSID.
    pub(crate) fn bssid(&self) -> [u8; 6] {
        self.bssid
    }

    /// Takes another BSSID, which keeps it apart from all other devices too.
    pub(crate) fn renew_bssid(&mut self) {
        let before = self.bssid;
        while self.bssid[1..5] == before[1..5] {
            self.bssid[1..5].copy_from_slice(&self.bssids.bytes::<4>());
        }
    }

    /// What it announces of itself on a local network.
    pub(crate) fn announcement(&self) -> Announcement {
        Announcement::new(self.family, &self.serial, self.bssid)
    }

    /// Lets it answer a request.
    pub(crate) fn ask(&mut self, request: &Request, hooks: &Hooks, now: Duration) -> Outcome {
        let context = Context {
            serial: &self.serial,
            awake: self.power.awake(now),
            begun: self.begun + self.power.boots(),
            works: self.works,
            hooks,
        };
        self.firmware.handle(&mut self.settings, &context, request)
    }

    /// Counts what came of a request, and remembers what it is set to from then on.
    pub(crate) fn count(&mut self, kind: Kind, request: u64) {
        match kind {
            Kind::Saved | Kind::Broken => self.saves += 1,
            Kind::Refused => self.refused += 1,
            Kind::Reading | Kind::Met | Kind::Other => {}
        }
        self.note(request);
    }

    /// Remembers what it is set to, where that is another state than before.
    pub(crate) fn note(&mut self, request: u64) {
        let known = self.states.last();
        // Most requests change nothing at all, and a few what this family does not show.
        let same = known.is_some_and(|(_, last)| {
            *last == self.settings || self.shown(last) == self.shown(&self.settings)
        });
        if !same && self.states.len() < STATES {
            self.states.push((request, self.settings.clone()));
        }
    }

    /// What these settings are in the truth.
    fn shown(&self, settings: &Settings) -> (Map<String, Json>, Map<String, Json>) {
        let unmapped = settings.unmapped(self.family);
        (settings.truth(self.family, self.works), unmapped)
    }

    /// What is true of it.
    pub(crate) fn truth(&self, serves: bool) -> DeviceTruth {
        let (settings, unmapped) = self.shown(&self.settings);
        let states = self.states.iter().map(|(request, state)| {
            let (settings, unmapped) = self.shown(state);
            StateTruth {
                request: *request,
                settings,
                unmapped,
            }
        });
        DeviceTruth {
            serial: self.family.shows_serial().then(|| self.serial.clone()),
            bssid: mac(self.bssid),
            settings,
            unmapped,
            meets: self.firmware.meets(),
            boots: self.power.boots(),
            saves: self.saves,
            refused: self.refused,
            up: serves,
            states: states.collect(),
        }
    }
}

/// Three serials as the family writes them, no two the same.
fn plates(family: Family, marks: &mut Seed) -> [String; 3] {
    let (start, digits) = family.plate();
    let count = 10_usize.pow(digits);
    let first = marks.below(count);
    let second = (first + 1 + marks.below(count - 1)) % count;
    // The next one that is neither of the two.
    let third = (1..=2)
        .map(|more| (first + more) % count)
        .find(|third| *third != second)
        .unwrap_or(first);
    let width = digits as usize;
    [first, second, third].map(|number| format!("{start}{number:0width$}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    use crate::scenario::Scenario;

    #[test]
    fn devices_of_one_seed_differ_in_marks_and_the_third_looks_like_the_first() {
        let hooks = Scenario::Locked.hooks();
        for seed in 0..200 {
            for family in [Family::SampleForm, Family::SampleLogin] {
                let works = Works::new(seed, family, family.versions()[0], &hooks);
                let made: Vec<DeviceTruth> = works
                    .make(3)
                    .iter()
                    .map(|device| device.truth(true))
                    .collect();
                for (index, one) in made.iter().enumerate() {
                    for other in &made[index + 1..] {
                        assert_ne!(one.serial, other.serial);
                        assert_ne!(one.bssid, other.bssid);
                    }
                }
                assert_eq!(made[0].settings, made[2].settings);
                for (name, value) in &made[0].settings {
                    assert_eq!(made[1].settings[name] == *value, name != "name", "{name}");
                }
            }
        }
    }

    #[test]
    fn states_are_remembered_where_they_changed() {
        let hooks = Scenario::Locked.hooks();
        let works = Works::new(1, Family::SampleForm, "2.4.1", &hooks);
        let mut device = works.make(1).remove(0);
        device.count(Kind::Reading, 1);
        device.settings.locked = false;
        device.count(Kind::Saved, 2);
        let truth = device.truth(true);
        let seen: Vec<(u64, &Json)> = truth
            .states
            .iter()
            .map(|state| (state.request, &state.settings["model-lock"]))
            .collect();
        assert_eq!(
            seen,
            [(0, &serde_json::json!(7)), (2, &serde_json::json!("off"))]
        );
        assert_eq!(truth.saves, 1);
    }
}
