//! Everything that is simulated, apart from the sockets: the devices, who is at the address, and
//! what the scenario makes of each request.
//!
//! Time is handed in, counted from the start of the simulation. Whatever is due by then happens
//! first, so the state is right whenever it is looked at and nothing here needs a timer.

use std::{collections::VecDeque, time::Duration};

use crate::{
    Family, Options, Scenario,
    family::{Context, Firmware, Kind, Outcome, UnknownWord, form, login, script},
    http::{Answer, Piece, Reply, Request},
    power::{Power, Restart, Turn},
    scenario::{Hooks, RestartHook, Swap, Wire},
    seed::Seed,
    settings::{LOCKED_SLOT, Settings, two_names},
    truth::{DeviceTruth, REQUESTS, RequestTruth, Truth},
};

/// The simulated world.
#[derive(Debug)]
pub(crate) struct World {
    family: Family,
    scenario: Scenario,
    /// The version of the firmware.
    works: &'static str,
    hooks: Hooks,
    speed: f64,
    pause: Duration,
    waits: Seed,
    devices: Vec<Device>,
    present: usize,
    swapped: bool,
    /// The answers of the first reading that were asked for so far.
    read: Vec<&'static str>,
    requests: VecDeque<RequestTruth>,
    count: u64,
    lines: Vec<String>,
}

#[derive(Debug)]
struct Device {
    serial: String,
    bssid: [u8; 6],
    begun: u64,
    settings: Settings,
    firmware: Firmware,
    power: Power,
    saves: u64,
    refused: u64,
}

/// What the server is to do about a request.
#[derive(Debug)]
pub(crate) enum Handled {
    /// The device is gone: reset the connection.
    Gone,
    /// Send this, and be ready for a restart.
    Answer(Answer, Option<Restart>),
}

impl World {
    /// A world as it is wanted.
    ///
    /// Errors: a firmware that the family does not have.
    pub(crate) fn new(options: &Options) -> Result<Self, UnknownWord> {
        let works = options.family.version(options.firmware.as_deref())?;
        let hooks = options.scenario.hooks();
        let stream = |purpose: &str| Seed::stream(options.seed, purpose);
        let bind_key = stream("bind key").bytes();
        let names = two_names(&mut stream("names"));
        let mut marks = stream("marks");
        let plates = plates(options.family, &mut marks);
        let count = if hooks.swap.is_some() { 2 } else { 1 };
        let devices = (0..count)
            .map(|index| {
                let mut bssid = marks.bytes::<6>();
                // Locally administered, one station (IEEE 802); the last bit keeps two apart.
                bssid[0] = 2;
                bssid[5] = (bssid[5] & 0xfe) | u8::from(index == 1);
                let firmware = match options.family {
                    Family::SampleForm => {
                        Firmware::Form(form::Form::new(stream(&format!("tokens {index}"))))
                    }
                    Family::SampleScript => {
                        Firmware::Script(script::Script::new(stream(&format!("volts {index}"))))
                    }
                    Family::SampleLogin => Firmware::Login(login::Login::new(
                        stream(&format!("tokens {index}")),
                        stream(&format!("passes {index}")),
                    )),
                };
                Device {
                    serial: plates[index].clone(),
                    bssid,
                    begun: 5 + u64::from(bssid[1] % 32),
                    settings: Settings::lent(names[index], bind_key, &hooks),
                    firmware,
                    power: Power::on(),
                    saves: 0,
                    refused: 0,
                }
            })
            .collect();
        Ok(Self {
            family: options.family,
            scenario: options.scenario,
            works,
            hooks,
            speed: options.speed,
            pause: options.pause,
            waits: stream("waits"),
            devices,
            present: 0,
            swapped: false,
            read: Vec::new(),
            requests: VecDeque::new(),
            count: 0,
            lines: Vec::new(),
        })
    }

    /// The family of its devices.
    pub(crate) fn family(&self) -> Family {
        self.family
    }

    /// Whether nobody answers at the address.
    pub(crate) fn is_gone(&mut self, now: Duration) -> bool {
        self.settle(now);
        !self.devices[self.present].power.is_up()
    }

    /// The BSSID of the device that answers, or is to answer, at the address.
    pub(crate) fn bssid(&mut self, now: Duration) -> [u8; 6] {
        self.settle(now);
        self.devices[self.present].bssid
    }

    /// Lets the device at the address answer a request.
    pub(crate) fn handle(&mut self, request: &Request, now: Duration) -> Handled {
        if self.is_gone(now) {
            return Handled::Gone;
        }
        let index = self.present;
        let hooks = self.hooks;
        let device = &mut self.devices[index];
        let context = Context {
            serial: &device.serial,
            awake: device.power.awake(now),
            begun: device.begun + device.power.boots(),
            works: self.works,
            hooks: &hooks,
        };
        let outcome = device
            .firmware
            .handle(&mut device.settings, &context, request);
        match outcome.kind {
            Kind::Saved => device.saves += 1,
            Kind::Refused => device.refused += 1,
            Kind::Reading | Kind::Met | Kind::Other => {}
        }
        let restart = match (outcome.restarts, hooks.restart) {
            (false, _) | (true, RestartHook::Lost) => None,
            (true, RestartHook::Usual) => self.restart(now + self.pause),
            (true, RestartHook::BeforeAnswer) => self.restart(now),
        };
        let answer = on_the_wire(&hooks, &outcome);
        let note = remark(&hooks, &outcome);
        self.remember(now, &request.method, &request.path, answer.status, note);
        if outcome.kind == Kind::Reading
            && self.has_read_all(&request.path)
            && hooks.swap == Some(Swap::AfterReading)
        {
            self.swap(now);
        }
        self.settle(now);
        Handled::Answer(answer, restart)
    }

    /// Answers what is no request.
    pub(crate) fn handle_bad(&mut self, status: u16, reason: &str, now: Duration) -> Handled {
        if self.is_gone(now) {
            return Handled::Gone;
        }
        self.remember(now, "", "", Some(status), reason.to_owned());
        Handled::Answer(Reply::text(status, reason).whole(), None)
    }

    /// What is true now.
    pub(crate) fn truth(&mut self, now: Duration) -> Truth {
        self.settle(now);
        let devices = self
            .devices
            .iter()
            .enumerate()
            .map(|(index, device)| DeviceTruth {
                serial: self.family.shows_serial().then(|| device.serial.clone()),
                bssid: mac(device.bssid),
                settings: device.settings.truth(self.family, self.works),
                unmapped: device.settings.unmapped(self.family),
                meets: device.firmware.meets(),
                boots: device.power.boots(),
                saves: device.saves,
                refused: device.refused,
                up: index == self.present && device.power.is_up(),
            });
        Truth {
            format: 1,
            family: self.family,
            scenario: self.scenario,
            speed: self.speed,
            present: self.present,
            devices: devices.collect(),
            requests: self.requests.iter().cloned().collect(),
        }
    }

    /// The lines for the log since the last call.
    pub(crate) fn take_lines(&mut self) -> Vec<String> {
        std::mem::take(&mut self.lines)
    }

    fn restart(&mut self, at: Duration) -> Option<Restart> {
        let waits = self.family.waits();
        self.devices[self.present]
            .power
            .restart(at, &waits, self.speed, &mut self.waits)
    }

    /// Makes happen what is due.
    fn settle(&mut self, now: Duration) {
        let index = self.present;
        while let Some(turn) = self.devices[index].power.turn(now) {
            let device = &mut self.devices[index];
            match turn {
                Turn::Gone => {
                    device.firmware.restarted();
                    self.line(now, &format!("device {index} restarts"));
                }
                Turn::Back(restart) => {
                    if self.hooks.lock_returns {
                        device.settings.locked = true;
                        device.settings.slot = LOCKED_SLOT;
                    }
                    let seconds = restart.gone().as_secs_f64();
                    self.line(
                        now,
                        &format!("device {index} is back, {seconds:.1} s awake"),
                    );
                    if self.hooks.swap == Some(Swap::AtReturn) && self.swap(now) {
                        // Whoever put it there powered it up when the first one went.
                        self.devices[self.present].power.count_from(restart.at);
                        return;
                    }
                }
            }
        }
    }

    /// Whether every answer that holds settings was asked for, this one included.
    fn has_read_all(&mut self, path: &str) -> bool {
        let all = self.family.readings();
        if let Some(known) = all.iter().find(|known| **known == path)
            && !self.read.contains(known)
        {
            self.read.push(known);
        }
        self.read.len() == all.len()
    }

    /// Puts the other device at the address, once.
    fn swap(&mut self, now: Duration) -> bool {
        let first_time = !std::mem::replace(&mut self.swapped, true);
        if first_time {
            self.present = 1;
            self.line(now, "device 1 answers at the address now");
        }
        first_time
    }

    fn remember(
        &mut self,
        now: Duration,
        method: &str,
        path: &str,
        answer: Option<u16>,
        note: String,
    ) {
        self.count += 1;
        let status = answer.map_or_else(|| "none".to_owned(), |status| status.to_string());
        self.line(
            now,
            &format!(
                "request {} to device {}: {} {} answer {status} {}",
                self.count,
                self.present,
                method.escape_debug(),
                path.escape_debug(),
                note.escape_debug()
            ),
        );
        if self.requests.len() == REQUESTS {
            self.requests.pop_front();
        }
        self.requests.push_back(RequestTruth {
            number: self.count,
            method: method.to_owned(),
            path: path.to_owned(),
            acts: !matches!(method, "" | "GET" | "HEAD") && path != login::PATH,
            device: self.present,
            answer,
            note,
        });
    }

    fn line(&mut self, now: Duration, text: &str) {
        let line = format!("{:.3} {}", now.as_secs_f64(), text.trim_end());
        self.lines.push(line);
    }
}

/// What the scenario makes of an answer.
fn on_the_wire(hooks: &Hooks, outcome: &Outcome) -> Answer {
    if outcome.restarts && hooks.restart == RestartHook::BeforeAnswer {
        return Answer::reset();
    }
    let wire = match outcome.kind {
        Kind::Reading => hooks.reading,
        Kind::Saved => hooks.save,
        Kind::Met | Kind::Refused | Kind::Other => Wire::Whole,
    };
    match wire {
        Wire::Whole => outcome.reply.whole(),
        Wire::Cut => outcome.reply.half(),
        Wire::Stalled => outcome.reply.half().then(Piece::Stall),
        Wire::Silent => Answer::silent(),
    }
}

fn remark(hooks: &Hooks, outcome: &Outcome) -> String {
    let more = match (outcome.restarts, hooks.restart) {
        (true, RestartHook::Lost) => "; the restart is lost",
        (true, RestartHook::BeforeAnswer) => "; restarts before the answer",
        _ => "",
    };
    format!("{}{more}", outcome.note)
}

/// Two serials as the family writes them, never the same.
fn plates(family: Family, marks: &mut Seed) -> [String; 2] {
    let (start, digits) = match family {
        Family::SampleForm | Family::SampleScript => ("TD-", 5),
        Family::SampleLogin => ("TM-", 4),
    };
    let count = 10_usize.pow(digits);
    let first = marks.below(count);
    let second = (first + 1 + marks.below(count - 1)) % count;
    let width = digits as usize;
    [first, second].map(|number| format!("{start}{number:0width$}"))
}

/// Colon-separated lower-case hexadecimal.
pub(crate) fn mac(bytes: [u8; 6]) -> String {
    bytes.map(|byte| format!("{byte:02x}")).join(":")
}

#[cfg(test)]
mod tests;
