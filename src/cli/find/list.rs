//! What was found, as lines for a person and as JSON: each device once, and what of it is worth a
//! second look.

use std::sync::Arc;

use super::nobody;
use crate::{
    cli::{
        context::Context,
        failure::Failure,
        render,
        screen::{Screen, Tone},
        seconds,
        wifi::choose,
    },
    find::{
        air::{self, Alike, Candidate},
        around::Around,
        mdns::{Announced, InReach, identity_of, merge},
        wait,
    },
    journal::{Archive, DeviceRow},
    profile::Profile,
    terms::{
        Bssid, Identity, Sameness,
        output::{
            AddressOut, AlikeOut, AnnouncedOut, FORMAT, Fault, FindOut, InReachOut, NetworkOut,
        },
    },
    wifi::{AccessPoint, AdapterName},
};

/// Something that was heard: a network, a device on a local network, or both of one device.
pub(super) struct One {
    /// Its families; none: it is no receiver's network.
    air: Option<(AccessPoint, Vec<Arc<Profile>>)>,
    net: Option<Announced>,
}

impl One {
    /// A device on a local network.
    pub(super) fn of_net(device: Announced) -> Self {
        Self {
            air: None,
            net: Some(device),
        }
    }

    fn of_candidate(candidate: Candidate) -> Self {
        Self {
            air: Some((candidate.point, candidate.families)),
            net: None,
        }
    }

    /// How it shows: its network, or where it is on a local one.
    pub(super) fn line(&self) -> String {
        match (&self.air, &self.net) {
            (Some((point, _)), _) => choose::line(point),
            (None, Some(net)) => format!("{}  {}", net.name, place(net)),
            (None, None) => String::new(),
        }
    }

    /// Whether it may be a device of the families.
    pub(super) fn is_device(&self) -> bool {
        !self.families().is_empty()
    }

    fn families(&self) -> &[Arc<Profile>] {
        match (&self.air, &self.net) {
            (_, Some(net)) => &net.families,
            (Some((_, families)), None) => families,
            (None, None) => &[],
        }
    }

    fn identity(&self) -> Identity {
        let air = self.air.as_ref().map(|(point, families)| {
            identity_of(&Candidate {
                point: point.clone(),
                families: families.clone(),
            })
        });
        match (air, &self.net) {
            (Some(air), Some(net)) => Identity {
                bssid: air.bssid,
                ..net.identity()
            },
            (Some(air), None) => air,
            (None, Some(net)) => net.identity(),
            (None, None) => Identity::default(),
        }
    }
}

/// What the journal knows. One that cannot be read is no reason not to listen: names are a comfort.
pub(super) fn known(context: &Context) -> Vec<DeviceRow> {
    let known = context
        .folder(false)
        .and_then(|folder| Archive::open(&folder)?.devices());
    known.unwrap_or_default()
}

/// All that was found.
pub(super) struct Listing {
    all: bool,
    profiles: Vec<Arc<Profile>>,
    adapter: Option<AdapterName>,
    /// What the journal knows, to call a device by the name that its owner gave it.
    known: Vec<DeviceRow>,
    warnings: Vec<Fault>,
    devices: Vec<One>,
    alike: Vec<Alike>,
    misfits: Vec<AccessPoint>,
    others: Vec<AccessPoint>,
    is_cut: bool,
}

impl Listing {
    /// Nothing was found yet. `all`: also those that are no devices. `known`: what the journal knows.
    pub(super) fn new(
        known: Vec<DeviceRow>,
        all: bool,
        profiles: Vec<Arc<Profile>>,
        adapter: Option<AdapterName>,
    ) -> Self {
        Self {
            all,
            profiles,
            adapter,
            known,
            warnings: Vec::new(),
            devices: Vec::new(),
            alike: Vec::new(),
            misfits: Vec::new(),
            others: Vec::new(),
            is_cut: false,
        }
    }

    /// Through which adapter the air is heard.
    pub(super) fn adapter(&self) -> Option<&AdapterName> {
        self.adapter.as_ref()
    }

    /// Something could not be listened to.
    pub(super) fn warn(&mut self, warning: Fault) {
        self.warnings.push(warning);
    }

    /// A network; none where only those of devices are wanted, and it is none.
    pub(super) fn of_air(&self, point: AccessPoint) -> Option<One> {
        let candidate = air::candidates(std::slice::from_ref(&point), &self.profiles).pop();
        match candidate {
            Some(candidate) => Some(One::of_candidate(candidate)),
            None => self.all.then(|| One {
                air: Some((point, Vec::new())),
                net: None,
            }),
        }
    }

    /// Takes what is there at the end.
    pub(super) fn fill(&mut self, around: Around) {
        let candidates = air::candidates(&around.air, &self.profiles);
        self.alike = air::alike(&around.air, &self.profiles);
        self.misfits = air::misfits(&around.air, &self.profiles);
        let is_told = |point: &AccessPoint| {
            let mut told = candidates.iter().map(|one| &one.point).chain(&self.misfits);
            told.any(|one| one.bssid == point.bssid)
        };
        let rest = around.air.iter().filter(|point| !is_told(point));
        self.others = rest.cloned().collect();
        let air = candidates
            .into_iter()
            .map(|one| (identity_of(&one), one))
            .collect();
        self.devices = merge(air, around.net)
            .into_iter()
            .map(|InReach { air, announced }| One {
                air: air.map(|one| (one.point, one.families)),
                net: announced,
            })
            .collect();
        self.is_cut = around.is_cut;
    }

    /// Whether there is no device.
    pub(super) fn is_empty(&self) -> bool {
        self.devices.is_empty()
    }

    /// What to say where there is none. `waited`: whether it was listened to for longer already.
    pub(super) fn nothing(&self, waited: bool) -> Failure {
        let air = match &self.adapter {
            Some(adapter) => format!("no network of a receiver is in range of `{adapter}`, and "),
            None => String::new(),
        };
        let latest = wait::window(&self.profiles).map_or(0.0, |window| window.to);
        let help = if self.adapter.is_none() {
            "connect this computer to the network that the device has joined, or give its address \
             to the other commands with --at URL"
                .to_owned()
        } else if waited {
            "see that it has power and that every transmitter with its bind key is off; `linkmend \
             find --all` lists the other networks as well"
                .to_owned()
        } else {
            format!(
                "power it, with every transmitter of its bind key off: its network opens up to {} \
                 later, and `linkmend find --wait {:.0}` listens until it does",
                seconds::exact(latest),
                latest + 30.0
            )
        };
        nobody(
            format!("{air}no device announces itself on a local network"),
            &help,
        )
    }

    /// Says it to a person.
    pub(super) fn say(&self, screen: Screen) {
        let (air, net): (Vec<&One>, Vec<&One>) =
            self.devices.iter().partition(|one| one.air.is_some());
        if let (Some(adapter), false) = (&self.adapter, air.is_empty()) {
            screen.result(
                &Tone::Strong.paint(&format!("networks of their own, heard through {adapter}:")),
            );
            self.say_each(screen, &air);
        }
        if !net.is_empty() {
            screen.result(&Tone::Strong.paint("on a local network:"));
            self.say_each(screen, &net);
        }
        if self.all && !self.others.is_empty() {
            screen.result(&Tone::Strong.paint("other networks:"));
            for point in &self.others {
                screen.hanging("  ", 4, &choose::line(point));
            }
        }
        for note in self.notes() {
            screen.result(&Tone::Careful.paint(&format!("note: {note}")));
        }
    }

    fn say_each(&self, screen: Screen, all: &[&One]) {
        for one in all {
            screen.hanging("  ", 4, &one.line());
            screen.hanging("    ", 4, &self.about(one));
        }
    }

    /// What it is: its families, its serial, the name by which the journal knows it.
    pub(super) fn about(&self, one: &One) -> String {
        let families = one.families().iter().map(|family| family.family.clone());
        let mut all: Vec<String> = families.collect();
        if let Some(serial) = one.net.as_ref().and_then(|net| net.serial.as_ref()) {
            all.push(format!("serial {serial}"));
        }
        if let Some(known) = self.known_as(one) {
            all.push(format!("known as {known}"));
        }
        if let (Some(_), Some(net)) = (&one.air, &one.net) {
            all.push(format!("also on a local network at {}", place(net)));
        }
        all.join(", ")
    }

    /// What is worth a second look.
    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        for alike in &self.alike {
            notes.push(format!(
                "{} networks are called {}: how loud one is does not say which is yours. Power \
                 yours, or switch it off, while `linkmend find --watch` shows what comes and goes.",
                alike.points.len(),
                alike.name
            ));
            if alike.is_suspect() {
                notes.push(format!(
                    "those called {} differ in {}, which receivers of one family do not: one of \
                     them may be a copy.",
                    alike.name,
                    differ(alike).join(" and ")
                ));
            }
        }
        for point in &self.misfits {
            let why = if point.is_2_4_ghz() {
                "is secured otherwise"
            } else {
                "is in another band"
            };
            notes.push(format!(
                "{} is called as a receiver's network and {why}: it is another device's, or a copy.",
                choose::line(point)
            ));
        }
        if self.is_cut {
            notes.push("more devices announce themselves than are listed.".into());
        }
        notes
    }

    fn known_as(&self, one: &One) -> Option<String> {
        let identity = one.identity();
        let same = |row: &&DeviceRow| row.identity.compare(&identity) == Sameness::Same;
        let row = self.known.iter().find(same)?;
        let serial = || row.identity.serial.as_ref();
        row.name.as_ref().or_else(serial).map(ToString::to_string)
    }

    /// The last line of JSON.
    pub(super) fn to_json(&self, error: Option<Fault>) -> FindOut {
        let networks = |points: &[AccessPoint]| -> Vec<NetworkOut> {
            points.iter().map(|point| self.network(point)).collect()
        };
        FindOut {
            format: FORMAT,
            devices: self.devices.iter().map(|one| self.out(one)).collect(),
            alike: self
                .alike
                .iter()
                .map(|alike| AlikeOut {
                    name: alike.name.to_string(),
                    bssids: alike.points.iter().map(|p| p.bssid.to_string()).collect(),
                    differ: differ(alike).into_iter().map(Into::into).collect(),
                })
                .collect(),
            misfits: networks(&self.misfits),
            others: self.all.then(|| networks(&self.others)),
            warnings: self.warnings.clone(),
            error,
        }
    }

    /// One of them as JSON.
    pub(super) fn out(&self, one: &One) -> InReachOut {
        let identity = match (&one.air, one.is_device()) {
            // Of what is no device nobody can say whether it keeps its BSSID.
            (Some((point, _)), false) => Identity {
                bssid: Some(Bssid {
                    mac: point.bssid.0,
                    stable: false,
                }),
                ..Identity::default()
            },
            _ => one.identity(),
        };
        InReachOut {
            families: one.families().iter().map(|f| f.family.clone()).collect(),
            identity: render::identity(&identity),
            known_as: self.known_as(one),
            network: one.air.as_ref().map(|(point, _)| self.network(point)),
            announced: one.net.as_ref().map(announced),
        }
    }

    fn network(&self, point: &AccessPoint) -> NetworkOut {
        let offers = point.offers;
        let words = [
            (offers.open, "open"),
            (offers.psk, "wpa2"),
            (offers.sae, "wpa3"),
            (offers.other, "other"),
        ];
        let offered = words.into_iter().filter(|(is, _)| *is);
        NetworkOut {
            name: (!point.name.is_hidden()).then(|| point.name.to_string()),
            bssid: point.bssid.to_string(),
            signal: point.signal.min(100),
            channel: point.channel(),
            frequency_mhz: point.frequency_mhz,
            security: offered.map(|(_, word)| word.to_owned()).collect(),
            adapter: self
                .adapter
                .as_ref()
                .map(AdapterName::to_string)
                .unwrap_or_default(),
        }
    }
}

fn differ(alike: &Alike) -> Vec<&'static str> {
    let words = [
        (alike.security, "security"),
        (alike.maker, "maker"),
        (alike.band, "band"),
    ];
    let of = words.into_iter().filter(|(is, _)| *is);
    of.map(|(_, word)| word).collect()
}

/// What `--at` takes: not an address that means nothing without an adapter.
fn at(device: &Announced) -> Option<String> {
    let best = device.addresses.first()?;
    let is_of_a_link = match best.ip {
        std::net::IpAddr::V4(_) => false,
        std::net::IpAddr::V6(ip) => ip.is_unicast_link_local(),
    };
    let origin = device.origin().filter(|_| !is_of_a_link)?;
    Some(origin.to_string())
}

/// Where it is, for a person.
fn place(device: &Announced) -> String {
    match (at(device), device.addresses.first()) {
        (Some(at), _) => at,
        (None, Some(address)) => format!("{} through {}", address.ip, address.adapter),
        (None, None) => "nowhere any more".into(),
    }
}

fn announced(device: &Announced) -> AnnouncedOut {
    AnnouncedOut {
        name: device.name.raw().to_owned(),
        at: at(device),
        addresses: device
            .addresses
            .iter()
            .map(|address| AddressOut {
                address: address.ip.to_string(),
                adapter: address.adapter.to_string(),
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        find::mdns::Address,
        journal::DeviceId,
        profile::named,
        terms::{Mac, Role},
        wifi::Offers,
    };

    fn family(name: &str) -> Arc<Profile> {
        Arc::new(named(name).expect("it comes with the program"))
    }

    fn network(profile: &Profile) -> String {
        let network = profile.network.as_ref().expect("it has one");
        network.names[0].replace('*', "3")
    }

    fn point(name: &str, last: u8, offers: Offers) -> AccessPoint {
        AccessPoint {
            name: name.into(),
            bssid: Mac([2, 0, 0, 0, 0, last]),
            signal: 60,
            frequency_mhz: 2437,
            offers,
            heard_s: None,
        }
    }

    fn around(air: Vec<AccessPoint>, net: Vec<Announced>) -> Around {
        Around {
            air,
            net,
            is_cut: false,
            deaf: None,
        }
    }

    const WPA2: Offers = Offers {
        open: false,
        psk: true,
        sae: false,
        other: false,
    };

    fn announced(keel: &Arc<Profile>, last: u8) -> Announced {
        Announced {
            families: vec![Arc::clone(keel)],
            name: "Coot".into(),
            addresses: vec![Address {
                ip: [192, 168, 4, 7].into(),
                adapter: AdapterName::new("eth0"),
            }],
            port: 80,
            serial: None,
            bssid: Some(Mac([2, 0, 0, 0, 0, last])),
        }
    }

    fn listing(known: Vec<DeviceRow>, keel: &Arc<Profile>, found: Around) -> Listing {
        let adapter = Some(AdapterName::new("wlan0"));
        let mut listing = Listing::new(known, true, vec![Arc::clone(keel)], adapter);
        listing.fill(found);
        listing
    }

    #[test]
    fn device_that_is_in_the_air_and_on_a_local_network_stands_once_and_another_beside_it() {
        let keel = family("sample-script");
        let name = network(&keel);
        let air = vec![point(&name, 1, WPA2), point(&name, 2, WPA2)];
        let told = listing(Vec::new(), &keel, around(air, vec![announced(&keel, 2)]));
        let told = told.to_json(None);
        let both: Vec<(bool, bool)> = told
            .devices
            .iter()
            .map(|one| (one.network.is_some(), one.announced.is_some()))
            .collect();
        assert_eq!(both, [(true, false), (true, true)]);
        let place = told.devices[1].announced.as_ref().expect("it is there");
        assert_eq!(place.at.as_deref(), Some("http://192.168.4.7"));
        let bssid = told.devices[1].identity.bssid.as_deref();
        assert_eq!(bssid, Some("02:00:00:00:00:02"));
    }

    #[test]
    fn what_is_no_device_is_told_apart_by_why() {
        let keel = family("sample-script");
        let open = Offers {
            open: true,
            ..Offers::default()
        };
        let air = vec![
            point(&network(&keel), 1, open),
            point("Boathouse", 2, WPA2),
            point("", 3, WPA2),
        ];
        let listing = listing(Vec::new(), &keel, around(air, Vec::new()));
        assert!(listing.is_empty());
        let told = listing.to_json(None);
        assert_eq!(told.misfits[0].bssid, "02:00:00:00:00:01");
        let others = told.others.expect("they were asked for");
        let names: Vec<Option<&str>> = others.iter().map(|one| one.name.as_deref()).collect();
        assert_eq!(names, [Some("Boathouse"), None]);
    }

    #[test]
    fn device_that_the_journal_knows_goes_by_its_name() {
        let keel = family("sample-script");
        let row = DeviceRow {
            id: DeviceId(1),
            identity: Identity {
                bssid: Some(Bssid {
                    mac: [2, 0, 0, 0, 0, 1],
                    stable: true,
                }),
                ..Identity::default()
            },
            undetermined: false,
            family: keel.family.clone(),
            role: Role::Receiver,
            name: Some("Grebe".into()),
            last_seen: jiff::Timestamp::UNIX_EPOCH,
        };
        let name = network(&keel);
        let air = vec![point(&name, 1, WPA2), point(&name, 2, WPA2)];
        let told = listing(vec![row], &keel, around(air, Vec::new())).to_json(None);
        let known: Vec<Option<&str>> = told
            .devices
            .iter()
            .map(|one| one.known_as.as_deref())
            .collect();
        assert_eq!(known, [Some("Grebe"), None]);
    }
}
