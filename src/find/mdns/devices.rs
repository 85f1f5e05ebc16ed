//! The devices that were heard so far: which announcements are of one device, and how many are kept.
//!
//! What might be two devices stays two: a copycat must not hide behind the one whose serial it says.

use super::{Announced, Heard, MOST_ADDRESSES, MOST_DEVICES, News, rank};
use crate::wifi::AdapterName;

/// In the order in which they came.
#[derive(Debug, Default)]
pub(super) struct Devices {
    known: Vec<Known>,
    is_cut: bool,
}

#[derive(Debug)]
struct Known {
    device: Announced,
    /// The services that announce it, each by the adapter it was heard through and its whole name.
    instances: Vec<(AdapterName, String)>,
}

impl Devices {
    /// Takes in what was heard; what it changes: a device that was not known, or one that is gone.
    pub(super) fn take(&mut self, heard: Heard) -> Option<News> {
        match heard {
            Heard::There { instance, device } => {
                let new = self.there(instance, device)?;
                Some(News::Came(new.clone()))
            }
            Heard::Gone { instance, adapter } => self.gone(&(adapter, instance)).map(News::Went),
        }
    }

    /// Whether there were more.
    pub(super) fn is_cut(&self) -> bool {
        self.is_cut
    }

    pub(super) fn into_list(self) -> Vec<Announced> {
        self.known.into_iter().map(|known| known.device).collect()
    }

    fn there(&mut self, instance: String, device: Announced) -> Option<&Announced> {
        let adapter = device.addresses.first()?.adapter.clone();
        let place = (adapter, instance);
        if let Some(known) = self.known.iter_mut().find(|k| k.is(&place, &device)) {
            known.learn(place, device);
            return None;
        }
        if self.known.len() >= MOST_DEVICES {
            self.is_cut = true;
            return None;
        }
        self.known.push(Known {
            device,
            instances: vec![place],
        });
        self.known.last().map(|known| &known.device)
    }

    /// The device that nothing announces any more. One goodbye ends one instance, and with it one
    /// device at most.
    fn gone(&mut self, place: &(AdapterName, String)) -> Option<Announced> {
        let last = |known: &Known| known.instances == [place.clone()];
        if let Some(at) = self.known.iter().position(last) {
            return Some(self.known.remove(at).device);
        }
        for known in &mut self.known {
            known.instances.retain(|instance| instance != place);
            let still = |adapter: &AdapterName| known.instances.iter().any(|(a, _)| a == adapter);
            known
                .device
                .addresses
                .retain(|address| still(&address.adapter));
        }
        None
    }
}

impl Known {
    /// Whether an announcement is of this device: the same service on the same network; another
    /// service of the same family at one of its addresses; or the same serial on another network.
    fn is(&self, place: &(AdapterName, String), device: &Announced) -> bool {
        if self.instances.contains(place) {
            return true;
        }
        let family = |announced: &Announced| announced.families.first().map(|f| f.family.clone());
        if family(&self.device) != family(device) {
            return false;
        }
        let here = self
            .instances
            .iter()
            .any(|(adapter, _)| *adapter == place.0);
        let serials = (&self.device.serial, &device.serial);
        match serials {
            (Some(a), Some(b)) if a != b => false,
            (Some(_), Some(_)) if !here => true,
            _ => {
                let known = &self.device.addresses;
                device
                    .addresses
                    .iter()
                    .any(|address| known.contains(address))
            }
        }
    }

    /// What an announcement says takes the place of what was known through its adapter.
    fn learn(&mut self, place: (AdapterName, String), device: Announced) {
        let known = &mut self.device;
        let is_only = self
            .instances
            .iter()
            .all(|(adapter, _)| *adapter == place.0);
        if is_only {
            known.port = device.port;
            known.name = device.name;
            known.families = device.families;
        }
        if self.instances == [place.clone()] {
            known.addresses.clear();
        }
        for address in device.addresses {
            if !known.addresses.contains(&address) {
                known.addresses.push(address);
            }
        }
        known.addresses.sort_by_key(|address| rank(address.ip));
        known.addresses.truncate(MOST_ADDRESSES);
        known.serial = device.serial.or(known.serial.take());
        known.bssid = device.bssid.or(known.bssid.take());
        if !self.instances.contains(&place) {
            self.instances.push(place);
        }
    }
}
