//! Everything that is simulated, apart from the sockets: the devices, who is at the address, and
//! what the scenario makes of each request.
//!
//! Time is handed in, counted from the start of the simulation. Whatever is due by then happens
//! first, so the state is right whenever it is looked at and nothing here needs a timer.

use std::{
    collections::{HashMap, VecDeque},
    time::Duration,
};

use crate::{
    Announcement, Family, Options, Scenario, Why,
    cast::Cast,
    device::{Device, Works},
    family::{Kind, Outcome, UnknownWord, login},
    fault::Fault,
    hooks::{Hooks, Keeps, RestartHook, Swap},
    http::{Answer, Parsed, Reply, Request},
    plan::Plan,
    power::{Power, Restart, Turn},
    seed::Seed,
    settings::{LOCKED_SLOT, Settings},
    truth::{FaultTruth, REQUESTS, RequestTruth, Truth},
    wire,
};

/// How long after a request a restart in the middle of its answer begins: long enough for half of
/// the answer to be on its way.
const MIDWAY: Duration = Duration::from_millis(20);

use mishaps::EARLY;
use radio::Radio;

/// The simulated world.
#[derive(Debug)]
pub(crate) struct World {
    family: Family,
    scenario: Scenario,
    hooks: Hooks,
    speed: f64,
    pause: Duration,
    waits: Seed,
    devices: Vec<Device>,
    present: usize,
    swapped: bool,
    /// The answers of the first reading that were asked for so far.
    read: Vec<&'static str>,
    faults: Plan,
    /// How many requests came to its own address.
    own: u64,
    /// How many requests more a neighbour gets.
    handed: u8,
    /// When it has its power back, which it lost for a while.
    back_at: Option<Duration>,
    /// How many requests more the lookalike gets.
    lookalike: u8,
    /// The last answer to each request that was asked, for those that come once more.
    earlier: HashMap<(String, String), Answer>,
    radio: Radio,
    requests: VecDeque<RequestTruth>,
    count: u64,
    lines: Vec<String>,
}

/// A request, for the log and the truth; nobody's if it is none.
#[derive(Debug, Clone, Copy, Default)]
struct Asked<'a> {
    method: &'a str,
    path: &'a str,
    device: usize,
    carried_out: bool,
    sent_to: Option<&'a str>,
    got_by: Option<&'a str>,
}

/// What a family cannot be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Unfit {
    /// It has no such firmware.
    #[error("firmware of `{family}`: {fault}")]
    Firmware {
        /// Which family.
        family: Family,
        /// What was wanted, and what there is.
        #[source]
        fault: UnknownWord,
    },
    /// The scenario makes no sense for it.
    #[error("`{family}` cannot be `{scenario}`: it has nothing of the kind")]
    Scenario {
        /// Which family.
        family: Family,
        /// Which scenario.
        scenario: Scenario,
    },
    /// There is none beside it, or one that could not be told from it.
    #[error("`neighbour` is a fault of a shelf whose receivers show a serial")]
    Neighbour,
}

/// What the server is to do about a request.
#[derive(Debug)]
pub(crate) enum Handled {
    /// The device is gone: reset the connection.
    Gone,
    /// Send this; what is due may be another thing than before.
    Answer(Answer),
}

impl World {
    /// A world as it is wanted.
    ///
    /// Errors: a firmware or a scenario that the family does not have.
    pub(crate) fn new(options: &Options) -> Result<Self, Unfit> {
        Self::with(options, None)
    }

    /// A world around a receiver of a shelf.
    ///
    /// Errors: as [`World::new`].
    pub(crate) fn with(options: &Options, cast: Option<&Cast>) -> Result<Self, Unfit> {
        let (family, scenario) = (options.family, options.scenario);
        let works = family
            .version(options.firmware.as_deref())
            .map_err(|fault| Unfit::Firmware { family, fault })?;
        if !scenario.suits(family) {
            return Err(Unfit::Scenario { family, scenario });
        }
        let hooks = scenario.hooks();
        let lookalike = options
            .faults
            .iter()
            .any(|planned| planned.fault == Fault::Lookalike);
        let neighbour = options
            .faults
            .iter()
            .any(|planned| planned.fault == Fault::Neighbour);
        if neighbour && (cast.is_none() || !family.shows_serial()) {
            return Err(Unfit::Neighbour);
        }
        let works = Works::new(options.seed, family, works, &hooks);
        let mut devices = works.make(match (hooks.swap, lookalike) {
            (_, true) => 3,
            (Some(_), false) => 2,
            (None, false) => 1,
        });
        if hooks.swap.is_none() && lookalike {
            devices.remove(1);
        }
        if let Some(cast) = cast {
            devices[0] = works.cast(cast);
        }
        let mut waits = Seed::stream(options.seed, "waits");
        if options.from_cold {
            devices[0].power = Power::cold(&family.waits(), options.speed, &mut waits);
        }
        Ok(Self {
            family: options.family,
            scenario: options.scenario,
            hooks,
            speed: options.speed,
            pause: options.pause,
            waits,
            devices,
            present: 0,
            swapped: false,
            read: Vec::new(),
            faults: Plan::new(
                &options.faults,
                cast.and_then(|cast| mishaps::draws(cast, options)),
            ),
            own: 0,
            handed: 0,
            back_at: None,
            lookalike: 0,
            earlier: HashMap::new(),
            radio: Radio::new(options),
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
        !self.serves()
    }

    /// Whether a connection is reset as soon as it is made: nobody is there, or refuses it.
    pub(crate) fn turns_away(&mut self, now: Duration) -> bool {
        self.is_gone(now) || self.refuses(now)
    }

    /// The BSSID of the device that answers, or is to answer, at the address.
    pub(crate) fn bssid(&mut self, now: Duration) -> [u8; 6] {
        self.settle(now);
        self.devices[self.present].bssid()
    }

    /// What the device at the address announces on a local network.
    pub(crate) fn announcement(&mut self, now: Duration) -> Announcement {
        self.settle(now);
        self.devices[self.present].announcement()
    }

    /// Whether a fault refuses a connection. It counts as a request, of nobody.
    fn refuses(&mut self, now: Duration) -> bool {
        self.faults.draw(self.count + 1, self.own + 1);
        let due = self
            .faults
            .due(self.count + 1, |fault| fault == Fault::Refuse);
        self.own += u64::from(due.is_some());
        if due.is_some() {
            self.remember(now, &Asked::default(), None, due, "refused");
        }
        due.is_some()
    }

    /// Lets the device at the address answer a request.
    pub(crate) fn handle(&mut self, request: &Request, now: Duration) -> Handled {
        if self.is_gone(now) {
            return Handled::Gone;
        }
        let number = self.count + 1;
        self.own += 1;
        self.faults.draw(number, self.own);
        let asked = Asked::of(request, self.present);
        if self.lookalike > 0 {
            self.lookalike -= 1;
            return self.handle_by_lookalike(request, asked, now);
        }
        if let Some(fault) = self.faults.due(number, |fault| EARLY.contains(&fault)) {
            return self.instead(fault, request, asked, now);
        }
        self.carry_out(request, asked, now)
    }

    /// Lets the device at the address answer a request that nothing has come between.
    fn carry_out(&mut self, request: &Request, mut asked: Asked<'_>, now: Duration) -> Handled {
        let number = self.count + 1;
        let hooks = self.hooks;
        let device = &mut self.devices[self.present];
        let before = device.settings.clone();
        let mut outcome = device.ask(request, &hooks, now);
        outcome = kept(hooks.keeps, outcome, &before, &mut device.settings);
        let key = (request.method.clone(), request.path.clone());
        let lock = |settings: &Settings| (settings.locked, settings.slot);
        let about = About {
            has_earlier: self.earlier.contains_key(&key),
            lock_changed: lock(&before) != lock(&device.settings),
        };
        let fault = match asked.sent_to {
            // Whatever is drawn for a receiver happens to what is sent to it.
            Some(_) => None,
            None => self.faults.due(number, |fault| {
                !EARLY.contains(&fault) && can_happen(fault, &outcome, about)
            }),
        };
        let kind = match fault {
            Some(Fault::HalfKept) => {
                device.settings.keep_half(outcome.fields, &before);
                outcome.kind
            }
            Some(Fault::HalfLost) => {
                device
                    .settings
                    .keep_half(outcome.fields, &Settings::factory());
                outcome.kind
            }
            Some(Fault::NotKept) => {
                device.settings.clone_from(&before);
                Kind::Other
            }
            _ => outcome.kind,
        };
        device.count(kind, number);
        device.once_more |= fault == Some(Fault::DoubleRestart);
        device.renews |= fault == Some(Fault::OtherBssid);
        if fault == Some(Fault::OldLock) {
            device.old_lock = Some(lock(&before));
        }
        let restart = match (outcome.restarts, fault, hooks.restart) {
            (_, Some(Fault::RestartMidway), _) => self.restart(now + MIDWAY),
            (false, ..) | (true, Some(Fault::LostRestart), _) | (true, _, RestartHook::Lost) => {
                None
            }
            (true, _, RestartHook::Usual) => self.restart(now + self.pause),
            (true, _, RestartHook::BeforeAnswer) => self.restart(now),
        };
        asked.carried_out = matches!(kind, Kind::Saved | Kind::Broken | Kind::Met)
            || (restart.is_some() && outcome.restarts);
        let answer = wire::answer(&hooks, &outcome, &request.path);
        // Pages are large, and a shelf of them is larger.
        let earlier = if self.faults.may_bring(Fault::Stale) || fault == Some(Fault::Stale) {
            self.earlier.insert(key, answer.clone())
        } else {
            None
        };
        let answer = match fault {
            Some(fault) => wire::faulty(answer, earlier, fault),
            None => answer,
        };
        let note = remark(&hooks, &outcome);
        self.remember(now, &asked, answer.status, fault, &note);
        if outcome.kind == Kind::Reading
            && self.has_read_all(&request.path)
            && hooks.swap == Some(Swap::AfterReading)
        {
            self.swap(now);
        }
        self.settle(now);
        Handled::Answer(answer)
    }

    /// Answers whatever came.
    pub(crate) fn handle_parsed(&mut self, parsed: &Parsed, now: Duration) -> Handled {
        match parsed {
            Parsed::Whole(request) => self.handle(request, now),
            Parsed::Bad(status, reason) => self.handle_bad(*status, reason, now),
            Parsed::Part => Handled::Gone,
        }
    }

    /// Answers what is no request.
    pub(crate) fn handle_bad(&mut self, status: u16, reason: &str, now: Duration) -> Handled {
        if self.is_gone(now) {
            return Handled::Gone;
        }
        self.remember(now, &Asked::default(), Some(status), None, reason);
        Handled::Answer(Reply::text(status, reason).whole())
    }

    /// What is true now.
    pub(crate) fn truth(&mut self, now: Duration) -> Truth {
        self.settle(now);
        let devices = self.devices.iter().enumerate();
        let serves = self.serves();
        let devices = devices.map(|(index, device)| device.truth(index == self.present && serves));
        let faults = self.faults.all().map(|(fault, happened)| FaultTruth {
            fault: fault.to_string(),
            happened,
        });
        Truth {
            format: 1,
            family: self.family,
            scenario: self.scenario,
            speed: self.speed,
            present: self.present,
            powered: self.devices[self.present].power.has_power(),
            transmitter: self.radio.transmitter,
            joined: self.radio.joined,
            air: self.air(),
            devices: devices.collect(),
            faults: faults.collect(),
            requests: self.requests.iter().cloned().collect(),
        }
    }

    /// The lines for the log since the last call.
    pub(crate) fn take_lines(&mut self) -> Vec<String> {
        std::mem::take(&mut self.lines)
    }

    /// Restarts the device at the address, unless that is under way.
    pub(crate) fn power_cycle(&mut self, now: Duration) {
        self.settle(now);
        self.restart_by(now, Why::Power);
        self.settle(now);
    }

    fn restart(&mut self, at: Duration) -> Option<Restart> {
        self.restart_by(at, Why::Restart)
    }

    fn restart_by(&mut self, at: Duration, cause: Why) -> Option<Restart> {
        let waits = self.family.waits();
        self.devices[self.present]
            .power
            .restart(at, cause, &waits, self.speed, &mut self.waits)
    }

    /// Makes happen what is due.
    fn settle(&mut self, now: Duration) {
        self.give_power_back(now);
        let index = self.present;
        while let Some(turn) = self.devices[index].power.turn(now) {
            let device = &mut self.devices[index];
            match turn {
                Turn::Gone => {
                    self.started(index);
                    self.line(now, &format!("device {index} restarts"));
                }
                Turn::Back(restart) => {
                    if self.hooks.lock_returns {
                        device.settings.locked = true;
                        device.settings.slot = LOCKED_SLOT;
                        device.note(self.count);
                    }
                    if let Some((locked, slot)) = device.old_lock.take() {
                        device.settings.locked = locked;
                        device.settings.slot = slot;
                        device.note(self.count);
                    }
                    let once_more = std::mem::replace(&mut device.once_more, false);
                    let seconds = restart.gone().as_secs_f64();
                    self.line(
                        now,
                        &format!("device {index} is back, {seconds:.1} s awake"),
                    );
                    let is_restart = self.devices[index].power.boots() > 0;
                    if is_restart && self.hooks.swap == Some(Swap::AtReturn) && self.swap(now) {
                        // Whoever put it there powered it up when the first one went.
                        self.devices[self.present].power.count_from(restart.at);
                        break;
                    }
                    if once_more {
                        self.restart(restart.until + self.pause);
                    }
                }
            }
            self.look_at_air(now);
        }
        self.stop_listening(now);
        self.look_at_air(now);
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
        asked: &Asked<'_>,
        answer: Option<u16>,
        fault: Option<Fault>,
        note: &str,
    ) {
        self.count += 1;
        let status = answer.map_or_else(|| "none".to_owned(), |status| status.to_string());
        let happened = fault.map_or_else(String::new, |fault| format!(" [{fault}]"));
        self.line(
            now,
            &format!(
                "request {} to device {}: {} {} answer {status}{happened} {}",
                self.count,
                asked.device,
                asked.method.escape_debug(),
                asked.path.escape_debug(),
                note.escape_debug()
            ),
        );
        if self.requests.len() == REQUESTS {
            self.requests.pop_front();
        }
        self.requests.push_back(RequestTruth {
            number: self.count,
            method: asked.method.to_owned(),
            path: asked.path.to_owned(),
            acts: !matches!(asked.method, "" | "GET" | "HEAD") && asked.path != login::PATH,
            carried_out: asked.carried_out,
            fault: fault.map(|fault| fault.to_string()),
            device: asked.device,
            answer,
            note: note.to_owned(),
            sent_to: asked.sent_to.map(str::to_owned),
            got_by: asked.got_by.map(str::to_owned),
        });
    }

    fn line(&mut self, now: Duration, text: &str) {
        let line = format!("{:.3} {}", now.as_secs_f64(), text.trim_end());
        self.lines.push(line);
    }
}

/// What is left of a good save where the scenario keeps less than all of it.
fn kept(keeps: Keeps, outcome: Outcome, before: &Settings, settings: &mut Settings) -> Outcome {
    let (status, text) = match keeps {
        _ if outcome.kind != Kind::Saved => return outcome,
        Keeps::All => return outcome,
        Keeps::Nothing => {
            settings.clone_from(before);
            (507, "Not kept: no room.")
        }
        Keeps::Half => {
            settings.keep_half(outcome.fields, before);
            (500, "Something went wrong.")
        }
    };
    let kind = match keeps {
        Keeps::Half => Kind::Broken,
        Keeps::All | Keeps::Nothing => Kind::Refused,
    };
    Outcome::new(kind, outcome.reply.instead(status, text), text)
}

impl<'a> Asked<'a> {
    fn of(request: &'a Request, device: usize) -> Self {
        Self {
            method: &request.method,
            path: &request.path,
            device,
            ..Self::default()
        }
    }
}

/// What else some faults need.
#[derive(Debug, Clone, Copy)]
struct About {
    /// Whether there is an earlier answer to the same request.
    has_earlier: bool,
    /// Whether the lock is another one than before.
    lock_changed: bool,
}

/// Whether a fault can happen to a request of which this came.
fn can_happen(fault: Fault, outcome: &Outcome, about: About) -> bool {
    match fault {
        Fault::HalfKept | Fault::HalfLost | Fault::NotKept => outcome.kind == Kind::Saved,
        Fault::OldLock => outcome.kind == Kind::Saved && about.lock_changed,
        Fault::LostRestart | Fault::DoubleRestart | Fault::OtherBssid => outcome.restarts,
        Fault::Stale => about.has_earlier,
        Fault::Refuse | Fault::Neighbour => false,
        _ => true,
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

mod mishaps;
mod radio;

#[cfg(test)]
mod air;
#[cfg(test)]
mod faults;
#[cfg(test)]
mod tests;
