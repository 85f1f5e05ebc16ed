//! What happens around a receiver: its power, its transmitter, its stored local network, and
//! whether its own network is open for all that.
//!
//! Every turn of the air goes to all who listen in the order in which it happened, however late it
//! was looked at.

use std::time::Duration;

use tokio::sync::mpsc;

use super::World;
use crate::{Air, Fault, Options, Why};

/// The surroundings of the device at the address.
#[derive(Debug)]
pub(crate) struct Radio {
    /// Whether its BSSID is another after every start.
    bssid_changes: bool,
    pub(super) transmitter: bool,
    pub(super) joined: bool,
    /// Until when it listens for its transmitter again, that one having been switched off.
    listening: Option<Duration>,
    /// What was told last; none: nothing yet.
    told: Option<Air>,
    departures: u64,
    listeners: Vec<mpsc::UnboundedSender<Air>>,
}

impl Radio {
    pub(crate) fn new(options: &Options) -> Self {
        Self {
            bssid_changes: options.bssid_changes,
            transmitter: false,
            joined: options.joined,
            listening: None,
            told: None,
            departures: 0,
            listeners: Vec::new(),
        }
    }
}

impl World {
    /// Takes the power of the device at the address, or gives it.
    pub(crate) fn power(&mut self, on: bool, now: Duration) {
        self.settle(now);
        self.back_at = None;
        let index = self.present;
        let power = &mut self.devices[index].power;
        let changed = if on {
            power.power_up(now, &self.family.waits(), self.speed, &mut self.waits)
        } else {
            power.off()
        };
        if changed && on {
            self.started(index);
        }
        if changed {
            // The wait of its start is the only one then.
            self.radio.listening = None;
            self.devices[index].once_more = false;
            let word = if on { "on" } else { "off" };
            self.line(now, &format!("device {index} is switched {word}"));
        }
        self.look_at_air(now);
    }

    /// Takes the power of the device at the address, for a while or for good.
    pub(super) fn lose_power(&mut self, fault: Fault, now: Duration) {
        self.back_at = (fault == Fault::Away).then(|| {
            let waits = self.family.waits();
            let times = 1 + u32::try_from(self.waits.below(3)).unwrap_or(0);
            now + waits.draw(self.speed, &mut self.waits) * times
        });
        self.devices[self.present].power.off();
        let index = self.present;
        self.line(now, &format!("device {index} loses its power"));
        self.look_at_air(now);
    }

    /// Gives the power back to a device that has lost it for a while.
    pub(super) fn give_power_back(&mut self, now: Duration) {
        if let Some(at) = self.back_at.take_if(|at| now >= *at) {
            self.power(true, at);
        }
    }

    /// Switches on or off a transmitter that the device counts as its own.
    pub(crate) fn transmitter(&mut self, on: bool, now: Duration) {
        self.settle(now);
        let changed = self.radio.transmitter != on;
        self.radio.transmitter = on;
        if changed {
            let is_left = !on && self.devices[self.present].power.has_power();
            let waits = self.family.waits();
            self.radio.listening = is_left.then(|| now + waits.draw(self.speed, &mut self.waits));
            let word = if on { "on" } else { "off" };
            self.line(now, &format!("its transmitter is switched {word}"));
        }
        self.look_at_air(now);
    }

    /// Lets the stored local network of the device be there, or not.
    pub(crate) fn joined(&mut self, on: bool, now: Duration) {
        self.settle(now);
        if self.radio.joined != on {
            self.radio.joined = on;
            let word = if on { "there" } else { "gone" };
            self.line(now, &format!("its local network is {word}"));
        }
        self.look_at_air(now);
    }

    /// Tells the present state of the air, and from then on each turn.
    pub(crate) fn listen(&mut self, now: Duration) -> mpsc::UnboundedReceiver<Air> {
        self.settle(now);
        let (tell, told) = mpsc::unbounded_channel();
        // The other end is in hand.
        let _ = tell.send(self.air());
        self.radio.listeners.push(tell);
        told
    }

    /// Whether its network is open.
    pub(crate) fn air(&self) -> Air {
        let device = &self.devices[self.present];
        let closed = match device.power.down() {
            Some(why) if !device.power.has_power() => Some(why),
            _ if self.radio.transmitter => Some(Why::Transmitter),
            Some(why) => Some(why),
            None if self.radio.listening.is_some() => Some(Why::Transmitter),
            None if self.radio.joined => Some(Why::Joined),
            None => None,
        };
        let bssid = device.bssid();
        closed.map_or(Air::Open { bssid }, Air::Closed)
    }

    /// Whether it answers over HTTP, in its own network or in the one that it joined.
    pub(super) fn serves(&self) -> bool {
        serves(self.air())
    }

    /// How often it stopped answering so far.
    pub(crate) fn departures(&self) -> u64 {
        self.radio.departures
    }

    /// When something happens by itself next; right after a look at the state.
    pub(crate) fn due(&self) -> Option<Duration> {
        let power = self.devices[self.present].power.due();
        let others = [self.radio.listening, self.back_at];
        power.into_iter().chain(others.into_iter().flatten()).min()
    }

    /// A device has just been started anew.
    pub(super) fn started(&mut self, index: usize) {
        let device = &mut self.devices[index];
        device.firmware.restarted();
        if self.radio.bssid_changes || std::mem::take(&mut device.renews) {
            device.renew_bssid();
        }
    }

    /// Ends the wait that its transmitter left.
    pub(super) fn stop_listening(&mut self, now: Duration) {
        self.radio.listening.take_if(|until| now >= *until);
    }

    /// Tells the air where it has turned.
    pub(super) fn look_at_air(&mut self, now: Duration) {
        let air = self.air();
        let before = self.radio.told.replace(air);
        if before.is_some_and(serves) && !serves(air) {
            self.radio.departures += 1;
        }
        if before == Some(air) {
            return;
        }
        if before.is_some() {
            let line = match air {
                Air::Open { .. } => "the air is open".to_owned(),
                Air::Closed(why) => format!("the air is closed: {}", why.word()),
            };
            self.line(now, &line);
            self.radio
                .listeners
                .retain(|listener| listener.send(air).is_ok());
        }
    }
}

fn serves(air: Air) -> bool {
    matches!(air, Air::Open { .. } | Air::Closed(Why::Joined))
}
