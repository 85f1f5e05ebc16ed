//! Loaners that are reached over Wi-Fi: who is in range, and which adapter is granted for whom.
//!
//! A loaner is known in the air by its BSSID: from its row, from the journal, or since it was looked
//! at in this run. What is known by its serial alone, or opens another BSSID after each start, is
//! joined, asked who it is, and left as it was where it is nobody's row.

use std::{
    collections::{BTreeMap, BTreeSet, HashMap},
    rc::Rc,
    sync::Arc,
};

use tokio::{
    sync::{Mutex, oneshot},
    task::{AbortHandle, JoinSet},
};

use super::{
    Order,
    earlier::KnownDevices,
    night::{Message, Shared},
    one::Visit,
};
use crate::{
    change::out,
    find::air::{self, Sightings},
    loaners::{
        schedule::{Schedule, Stage},
        shelf::Loaner,
    },
    terms::{
        Bssid, Identity, Mac, Sameness,
        output::loaners::{ShelfEvent, ShelfStep, StrangerOut},
    },
    wifi::{AccessPoint, AdapterName},
};

/// What was heard.
pub(super) enum Heard {
    /// What is in range of an adapter. `scan_s`: when the scan began, in s since this computer
    /// started; none: the list merely changed.
    List {
        adapter: usize,
        list: Vec<AccessPoint>,
        scan_s: Option<f64>,
    },
    /// A scan failed.
    Deaf { adapter: usize },
    /// The adapter cannot be used any more.
    Gone { adapter: usize },
}

/// Who an access point turned out to be.
pub(super) struct Looked {
    pub(super) point: u64,
    /// None: it could not be joined or read.
    pub(super) identity: Option<Identity>,
    /// The visit that it goes on with; none: it is nobody who is to be visited.
    pub(super) answer: oneshot::Sender<Option<Visit>>,
}

/// An adapter for one visit.
pub(super) struct Grant {
    /// Its place among the adapters of the run.
    number: usize,
    pub(super) adapter: AdapterName,
    pub(super) point: AccessPoint,
    /// Held as long as the adapter is used, also by a scan.
    pub(super) lock: Arc<Mutex<()>>,
}

impl Grant {
    /// The adapter failed by itself, whoever was to be joined: it is used no more.
    pub(super) fn give_up(&self, shared: &Shared) {
        let gone = Heard::Gone {
            adapter: self.number,
        };
        // Where nobody listens any more the run is over.
        let _ = shared.send.send(Message::Air(gone));
    }
}

/// The air as the run hears it.
pub(super) struct Air {
    adapters: Vec<Adapter>,
    loaner_of: HashMap<Mac, usize>,
    mac_of: HashMap<usize, Mac>,
    points: HashMap<Mac, AccessPoint>,
    there: BTreeSet<Mac>,
    /// Since when those that restart count as gone, in s since this computer started.
    away_s: HashMap<usize, f64>,
    strangers: BTreeMap<Mac, StrangerOut>,
    /// Those that take part and whose BSSID is not known.
    nameless: BTreeSet<usize>,
}

struct Adapter {
    name: AdapterName,
    lock: Arc<Mutex<()>>,
    heard: Sightings,
    /// The scan that is under way.
    scan: Option<AbortHandle>,
    scanned_s: Option<f64>,
    gone: bool,
}

impl Adapter {
    /// Ends a scan that is under way; what it will have heard is told all the same.
    fn stop_scan(&mut self) {
        if let Some(scan) = self.scan.take() {
            scan.abort();
        }
    }
}

impl Air {
    /// Nothing was heard yet.
    pub(super) fn new<'a>(
        order: &Order,
        known: &KnownDevices<'_>,
        loaners: impl Iterator<Item = &'a Loaner>,
    ) -> Self {
        let stable = order.shelf.profile.identity.bssid_stable;
        let mut air = Self {
            adapters: order
                .adapters
                .iter()
                .map(|name| Adapter {
                    name: name.clone(),
                    lock: Arc::default(),
                    heard: Sightings::new(),
                    scan: None,
                    scanned_s: None,
                    gone: false,
                })
                .collect(),
            loaner_of: HashMap::new(),
            mac_of: HashMap::new(),
            points: HashMap::new(),
            there: BTreeSet::new(),
            away_s: HashMap::new(),
            strangers: BTreeMap::new(),
            nameless: BTreeSet::new(),
        };
        for (number, loaner) in loaners.enumerate() {
            if loaner.at.is_some() {
                continue;
            }
            let mac = loaner.mark.bssid.or_else(|| known.bssid(loaner));
            match mac.filter(|_| stable) {
                Some(mac) => air.is_at(number, mac),
                None => {
                    air.nameless.insert(number);
                }
            }
        }
        air
    }

    fn is_at(&mut self, loaner: usize, mac: Mac) {
        if let Some(old) = self.mac_of.insert(loaner, mac) {
            self.loaner_of.remove(&old);
        }
        self.loaner_of.insert(mac, loaner);
    }

    /// Whether no adapter is left.
    pub(super) fn is_gone(&self) -> bool {
        self.adapters.iter().all(|adapter| adapter.gone)
    }

    /// Who was there and in no row.
    pub(super) fn strangers(&self) -> Vec<StrangerOut> {
        self.strangers.values().cloned().collect()
    }

    /// Listens to what each adapter hears by itself.
    pub(super) fn listen(&self, shared: &Rc<Shared>, tasks: &mut JoinSet<()>) {
        let Some(wifi) = &shared.world.wifi else {
            return;
        };
        for (number, adapter) in self.adapters.iter().enumerate() {
            let (wifi, name) = (Arc::clone(wifi), adapter.name.clone());
            let send = shared.send.clone();
            tasks.spawn_local(async move {
                match wifi.air(&name).await {
                    Ok(mut air) => {
                        while air.changed().await.is_ok() {
                            let list = air.borrow_and_update().clone();
                            let heard = Heard::List {
                                adapter: number,
                                list,
                                scan_s: None,
                            };
                            if send.send(Message::Air(heard)).is_err() {
                                return;
                            }
                        }
                    }
                    Err(error) => tracing::debug!(%error, "listening"),
                }
                // Where nobody listens any more the run is over.
                let _ = send.send(Message::Air(Heard::Gone { adapter: number }));
            });
        }
    }

    /// Lets the adapters that have nothing to do scan, where somebody is waited for.
    pub(super) fn scan(
        &mut self,
        shared: &Rc<Shared>,
        schedule: &Schedule,
        tasks: &mut JoinSet<()>,
    ) {
        let now_s = shared.since.s();
        if !schedule.listens() {
            return;
        }
        for number in schedule.idle() {
            let adapter = &self.adapters[number];
            let due = adapter
                .scanned_s
                .is_none_or(|at| now_s - at >= SCAN_EVERY_S / shared.world.speed);
            if adapter.scan.is_none() && !adapter.gone && due {
                self.look_around(number, shared, tasks);
            }
        }
    }

    /// Lets an adapter scan from now on, whatever it did.
    pub(super) fn look_around(
        &mut self,
        number: usize,
        shared: &Rc<Shared>,
        tasks: &mut JoinSet<()>,
    ) {
        let Some(wifi) = &shared.world.wifi else {
            return;
        };
        let adapter = &mut self.adapters[number];
        adapter.stop_scan();
        adapter.scanned_s = Some(shared.since.s());
        let (wifi, name) = (Arc::clone(wifi), adapter.name.clone());
        let lock = Arc::clone(&adapter.lock);
        let shared = Rc::clone(shared);
        adapter.scan = Some(tasks.spawn_local(async move {
            let _held = lock.lock().await;
            // What was joined is done with, and a host that is on something scans more seldom.
            if let Err(error) = wifi.leave(&name).await {
                tracing::debug!(%error, "leaving");
            }
            let scan_s = Some(shared.world.clock_s());
            let hidden = air::whole_names(std::slice::from_ref(&shared.order.shelf.profile));
            let heard = match wifi.scan(&name, &hidden).await {
                Ok(list) => Heard::List {
                    adapter: number,
                    list,
                    scan_s,
                },
                Err(error) => {
                    tracing::debug!(%error, "a scan");
                    Heard::Deaf { adapter: number }
                }
            };
            let _ = shared.send.send(Message::Air(heard));
        }));
    }

    /// When the next scan is due, in s since the run began; none: nobody is waited for.
    pub(super) fn scan_s(&self, schedule: &Schedule, speed: f64, now_s: f64) -> Option<f64> {
        if !schedule.listens() {
            return None;
        }
        let idle = schedule
            .idle()
            .into_iter()
            .map(|number| &self.adapters[number]);
        let due = idle
            .filter(|adapter| adapter.scan.is_none() && !adapter.gone)
            .map(|adapter| {
                adapter
                    .scanned_s
                    .map_or(now_s, |at| at + SCAN_EVERY_S / speed)
            });
        due.reduce(f64::min)
    }

    /// A loaner restarts from now on: what was heard before is no sign of it.
    pub(super) fn let_go(&mut self, loaner: usize, clock_s: f64) {
        self.away_s.insert(loaner, clock_s);
    }

    /// An adapter for a loaner that was heard.
    pub(super) fn grant(&mut self, loaner: usize, adapter: usize) -> Option<Grant> {
        let point = self.points.get(self.mac_of.get(&loaner)?)?;
        Some(self.granted(point.clone(), adapter))
    }

    /// An adapter for a look at an access point.
    pub(super) fn grant_point(&mut self, point: u64, adapter: usize) -> Option<Grant> {
        let point = self.points.get(&mac_of(point))?;
        Some(self.granted(point.clone(), adapter))
    }

    fn granted(&mut self, point: AccessPoint, adapter: usize) -> Grant {
        let number = adapter;
        let adapter = &mut self.adapters[number];
        // Whoever is in range need not wait until all others were listened for.
        adapter.stop_scan();
        Grant {
            number,
            adapter: adapter.name.clone(),
            point,
            lock: Arc::clone(&adapter.lock),
        }
    }

    /// Takes what was heard, and tells what is new, with the loaner that came in range.
    pub(super) fn hears(
        &mut self,
        heard: Heard,
        schedule: &mut Schedule,
        shared: &Shared,
        now_s: f64,
    ) -> Vec<(Option<usize>, ShelfEvent)> {
        match heard {
            Heard::List {
                adapter,
                list,
                scan_s,
            } => {
                if let Some(begin_s) = scan_s {
                    self.went(&list, begin_s, schedule, shared);
                    self.adapters[adapter].scan = None;
                    schedule.looked_around(adapter);
                }
                self.adapters[adapter].heard.hear(&list, scan_s);
            }
            Heard::Deaf { adapter } => {
                self.adapters[adapter].scan = None;
                schedule.looked_around(adapter);
            }
            Heard::Gone { adapter } => {
                self.adapters[adapter].gone = true;
                self.adapters[adapter].stop_scan();
                schedule.looked_around(adapter);
                schedule.adapter_gone(adapter);
            }
        }
        let all: Vec<AccessPoint> = self
            .adapters
            .iter()
            .filter(|adapter| !adapter.gone)
            .flat_map(|adapter| adapter.heard.there())
            .collect();
        let profiles = std::slice::from_ref(&shared.order.shelf.profile);
        let mut there = BTreeSet::new();
        let mut told = Vec::new();
        for candidate in air::candidates(&all, profiles) {
            let mac = candidate.point.bssid;
            there.insert(mac);
            let is_newer = self
                .points
                .get(&mac)
                .is_none_or(|known| known.heard_s <= candidate.point.heard_s);
            if is_newer {
                self.points.insert(mac, candidate.point);
            }
        }
        for mac in &there {
            told.extend(self.is_there(*mac, schedule, shared, now_s));
        }
        for mac in self.there.difference(&there) {
            if let Some(loaner) = self.loaner_of.get(mac) {
                schedule.unheard(*loaner, now_s);
            } else {
                schedule.unheard_unknown(number_of(*mac));
                schedule.look_again(number_of(*mac));
            }
        }
        self.there = there;
        told
    }

    /// Notes those that restart and that a whole scan since they went did not hear.
    fn went(&self, list: &[AccessPoint], begin_s: f64, schedule: &mut Schedule, shared: &Shared) {
        for (loaner, away_s) in &self.away_s {
            let Some(bssid) = self.mac_of.get(loaner) else {
                continue;
            };
            // A scan that the host had begun before may be the one that ended: whoever was heard
            // since it went is there.
            let sure_s = away_s + ROUNDED_UP_S / shared.world.speed;
            if begin_s >= sure_s
                && schedule.stage(*loaner) == Stage::Restarting
                && air::is_not_among(list, *bssid, sure_s)
            {
                shared.went.borrow_mut().insert(*loaner);
                schedule.missed(*loaner);
            }
        }
    }

    fn is_there(
        &mut self,
        mac: Mac,
        schedule: &mut Schedule,
        shared: &Shared,
        now_s: f64,
    ) -> Option<(Option<usize>, ShelfEvent)> {
        let point = self.points.get(&mac)?;
        let Some(loaner) = self.loaner_of.get(&mac).copied() else {
            if !self.nameless.is_empty() {
                schedule.heard_unknown(number_of(mac), now_s);
                return None;
            }
            let stranger = self.stranger(mac, None, shared)?;
            return Some((None, stranger));
        };
        let before = schedule.stage(loaner);
        if before == Stage::Restarting {
            let away_s = self.away_s.get(&loaner).copied().unwrap_or_default();
            // What was heard before it went says nothing of its return.
            if point
                .heard_s
                .is_some_and(|at| at <= away_s + ROUNDED_UP_S / shared.world.speed)
            {
                return None;
            }
            shared.back.borrow_mut().insert(loaner);
        }
        schedule.heard(loaner, now_s);
        let after = schedule.stage(loaner);
        let event = ShelfEvent::Step {
            loaner: shared.label(loaner).to_owned(),
            step: ShelfStep::InRange,
            adapter: None,
            signal: Some(point.signal),
            until_s: None,
        };
        (before != after && after == Stage::InRange).then_some((Some(loaner), event))
    }

    /// Notes somebody who is in no row; told once.
    fn stranger(
        &mut self,
        mac: Mac,
        identity: Option<&Identity>,
        shared: &Shared,
    ) -> Option<ShelfEvent> {
        let point = self.points.get(&mac)?;
        let stable = shared.order.shelf.profile.identity.bssid_stable;
        let seen = Identity {
            serial: identity.and_then(|identity| identity.serial.clone()),
            bssid: Some(Bssid { mac: mac.0, stable }),
            address: None,
        };
        let stranger = StrangerOut {
            identity: out::identity(&seen),
            name: Some(point.name.to_string()),
            signal: Some(point.signal),
        };
        if self.strangers.insert(mac, stranger.clone()).is_some() {
            return None;
        }
        Some(ShelfEvent::Stranger(stranger))
    }

    /// Takes who an access point turned out to be. Gives the loaner that the visit goes on with.
    pub(super) fn looked(
        &mut self,
        looked: &Looked,
        schedule: &mut Schedule,
        shared: &Shared,
        now_s: f64,
    ) -> (Option<usize>, Vec<ShelfEvent>) {
        let Some(identity) = &looked.identity else {
            schedule.turned_out(looked.point, None, now_s);
            return (None, Vec::new());
        };
        let mac = mac_of(looked.point);
        let stable = shared.order.shelf.profile.identity.bssid_stable;
        let mut rows = shared.order.shelf.loaners.iter();
        let is_it = |row: &Loaner| row.mark.identity(stable).compare(identity) == Sameness::Same;
        let Some(loaner) = rows.position(is_it) else {
            schedule.turned_out(looked.point, None, now_s);
            let told = self.stranger(mac, Some(identity), shared);
            return (None, told.into_iter().collect());
        };
        self.is_at(loaner, mac);
        if stable {
            self.nameless.remove(&loaner);
        }
        let goes_on = schedule.turned_out(looked.point, Some(loaner), now_s);
        if !goes_on && schedule.stage(loaner) == Stage::Restarting {
            // It is back with another BSSID, and whoever began with it goes on.
            shared.back.borrow_mut().insert(loaner);
            schedule.heard(loaner, now_s);
        }
        (goes_on.then_some(loaner), Vec::new())
    }
}

/// Shortest time from the begin of one scan to that of the next, in s: about as long as one of both
/// bands takes. No source.
const SCAN_EVERY_S: f64 = 3.0;

/// By how much the time may be late at which an access point was heard, in s: some of the host's
/// lists keep whole seconds.
pub(super) const ROUNDED_UP_S: f64 = 1.0;

/// An access point as a number.
fn number_of(mac: Mac) -> u64 {
    mac.0
        .iter()
        .fold(0, |number, byte| (number << 8) | u64::from(*byte))
}

fn mac_of(number: u64) -> Mac {
    let [_, _, mac @ ..] = number.to_be_bytes();
    Mac(mac)
}
