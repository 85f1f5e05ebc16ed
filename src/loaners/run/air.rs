//! Loaners that are reached over Wi-Fi: who is in range, joining the one that an adapter was granted
//! for, and giving the adapter back while it restarts.
//!
//! A loaner is known in the air by its BSSID: from its row, from the journal, or since it was looked
//! at in this run. What is known by its serial alone, or opens another BSSID after each start, is
//! joined, asked who it is, and left as it was where it is nobody's row.

use std::{
    collections::{BTreeMap, BTreeSet, HashMap},
    rc::Rc,
    sync::Arc,
    time::Duration,
};

use tokio::{
    sync::{Mutex, OwnedMutexGuard, oneshot},
    task::JoinSet,
    time::{Instant, sleep, timeout_at},
};

use super::{
    Order,
    earlier::KnownDevices,
    night::{Message, Shared},
    one::{Ended, Link, Visit},
    told::Told,
    way::{LoanerReach, Now},
};
use crate::{
    change::{
        Trouble, out, over_session,
        over_wifi::Way,
        ports::{Back, Clock, Reach, Wait},
    },
    find::{
        self, FindError,
        air::{self, Sightings},
    },
    loaners::{
        schedule::{Schedule, Stage},
        shelf::Loaner,
    },
    profile::{Network, Security},
    session::{Alive, Harvest, Origin, Session},
    terms::{
        Bssid, Exit, Identity, Mac, Sameness,
        output::loaners::{ShelfEvent, ShelfStep, StrangerOut},
    },
    wifi::{AccessPoint, AdapterName, Addressing, Join, Joined, Key, NetworkName, WifiError},
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
    point: u64,
    /// None: it could not be joined or read.
    identity: Option<Identity>,
    /// The visit that it goes on with; none: it is nobody who is to be visited.
    pub(super) answer: oneshot::Sender<Option<Visit>>,
}

/// An adapter for one visit.
pub(super) struct Grant {
    adapter: AdapterName,
    point: AccessPoint,
    /// Held as long as the adapter is used, also by a scan.
    lock: Arc<Mutex<()>>,
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
    scans: bool,
    scanned_s: Option<f64>,
    gone: bool,
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
                    scans: false,
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
        let Some(wifi) = &shared.world.wifi else {
            return;
        };
        for number in schedule.idle() {
            let adapter = &mut self.adapters[number];
            let due = adapter
                .scanned_s
                .is_none_or(|at| now_s - at >= SCAN_EVERY_S / shared.world.speed);
            if adapter.scans || adapter.gone || !due {
                continue;
            }
            adapter.scans = true;
            adapter.scanned_s = Some(now_s);
            let (wifi, name) = (Arc::clone(wifi), adapter.name.clone());
            let lock = Arc::clone(&adapter.lock);
            let shared = Rc::clone(shared);
            tasks.spawn_local(async move {
                let _held = lock.lock().await;
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
            });
        }
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
            .filter(|adapter| !adapter.scans && !adapter.gone)
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
    pub(super) fn grant(&self, loaner: usize, adapter: usize) -> Option<Grant> {
        let point = self.points.get(self.mac_of.get(&loaner)?)?;
        Some(self.granted(point.clone(), adapter))
    }

    /// An adapter for a look at an access point.
    pub(super) fn grant_point(&self, point: u64, adapter: usize) -> Option<Grant> {
        let point = self.points.get(&mac_of(point))?;
        Some(self.granted(point.clone(), adapter))
    }

    fn granted(&self, point: AccessPoint, adapter: usize) -> Grant {
        let adapter = &self.adapters[adapter];
        Grant {
            adapter: adapter.name.clone(),
            point,
            lock: Arc::clone(&adapter.lock),
        }
    }

    /// Takes what was heard, and tells what is new.
    pub(super) fn hears(
        &mut self,
        heard: Heard,
        schedule: &mut Schedule,
        shared: &Shared,
        now_s: f64,
    ) -> Vec<ShelfEvent> {
        match heard {
            Heard::List {
                adapter,
                list,
                scan_s,
            } => {
                let adapter = &mut self.adapters[adapter];
                adapter.scans &= scan_s.is_none();
                adapter.heard.hear(&list, scan_s);
            }
            Heard::Deaf { adapter } => self.adapters[adapter].scans = false,
            Heard::Gone { adapter } => {
                self.adapters[adapter].gone = true;
                self.adapters[adapter].scans = false;
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

    fn is_there(
        &mut self,
        mac: Mac,
        schedule: &mut Schedule,
        shared: &Shared,
        now_s: f64,
    ) -> Option<ShelfEvent> {
        let point = self.points.get(&mac)?;
        let Some(loaner) = self.loaner_of.get(&mac).copied() else {
            if !self.nameless.is_empty() {
                schedule.heard_unknown(number_of(mac), now_s);
                return None;
            }
            return self.stranger(mac, None, shared);
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
        (before != after && after == Stage::InRange).then(|| ShelfEvent::Step {
            loaner: shared.label(loaner).to_owned(),
            step: ShelfStep::InRange,
            adapter: None,
            signal: Some(point.signal),
            until_s: None,
        })
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

/// Shortest time from the begin of one scan to that of the next, in s. Some versions of the host's
/// service refuse a second one for about 5 s (seen by others, no source that could be named).
const SCAN_EVERY_S: f64 = 5.0;

/// By how much the time may be late at which an access point was heard, in s: some of the host's
/// lists keep whole seconds.
const ROUNDED_UP_S: f64 = 1.0;

/// How long an adapter is held to see a loaner go for its restart, in s, where the loaner's own mark
/// tells of the restart anyway. No source.
const HOLD_S: f64 = 2.0;

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

/// A first visit through an adapter.
pub(super) async fn first(visit: Visit, grant: Option<Grant>) {
    let link = match grant {
        Some(grant) => {
            visit.told.heard(grant.point.signal);
            let held = Arc::clone(&grant.lock).lock_owned().await;
            visit.told.through(Some(grant.adapter.as_str()));
            visit.told.step(ShelfStep::Joining, None);
            let entered = visit.shared.or_stopped(enter(&visit.shared, &grant)).await;
            entered.and_then(|entered| match entered {
                Ok(entered) => Ok(link(&visit, entered, held)),
                Err(trouble) => Err(Ended::failed(trouble)),
            })
        }
        None => Err(Ended::failed(Trouble::new(
            "no-network",
            "its network is not heard any more",
            Some("power it alone and try again"),
        ))),
    };
    let (out, tried) = visit.serve(link).await;
    // Where nobody listens any more the run is over.
    let ended = Message::Ended(visit.loaner, Box::new(out), tried);
    let _ = visit.shared.send.send(ended);
}

/// A look at somebody of whom nobody knows who it is. It goes on as a visit where it is a loaner.
pub(super) async fn look(shared: Rc<Shared>, point: u64, grant: Option<Grant>) {
    let mut found: Option<(Entered, Harvest, OwnedMutexGuard<()>)> = None;
    if let Some(grant) = &grant {
        let held = Arc::clone(&grant.lock).lock_owned().await;
        let looked = shared.or_stopped(async {
            let entered = enter(&shared, grant).await?;
            let harvest = entered.now.session().read().await;
            let harvest = harvest.map_err(|error| over_session::trouble(&error))?;
            Ok::<_, Trouble>((entered, harvest))
        });
        match looked.await {
            Ok(Ok((entered, harvest))) => found = Some((entered, harvest, held)),
            Ok(Err(trouble)) => tracing::debug!(message = %trouble.message, "a look"),
            Err(_) => {}
        }
    }
    let (answer, answered) = oneshot::channel();
    let identity = found
        .as_ref()
        .map(|(_, harvest, _)| harvest.snapshot.device.identity.clone());
    let looked = Looked {
        point,
        identity,
        answer,
    };
    let _ = shared.send.send(Message::Looked(looked));
    let Ok(Some(visit)) = answered.await else {
        return;
    };
    let Some((entered, harvest, held)) = found else {
        return;
    };
    if let Some(grant) = &grant {
        visit.told.through(Some(grant.adapter.as_str()));
        visit.told.heard(grant.point.signal);
        visit.told.step(ShelfStep::Reading, None);
    }
    let mut link = link(&visit, entered, held);
    link.harvest = Some(harvest);
    let (out, tried) = visit.serve(Ok(link)).await;
    let ended = Message::Ended(visit.loaner, Box::new(out), tried);
    let _ = visit.shared.send.send(ended);
}

fn link(visit: &Visit, entered: Entered, held: OwnedMutexGuard<()>) -> Link {
    Link {
        now: entered.now.clone(),
        open: entered.open,
        harvest: None,
        reach: LoanerReach::Air(Box::new(AirReach {
            shared: Rc::clone(&visit.shared),
            loaner: visit.loaner,
            told: visit.told.clone(),
            now: entered.now,
            way: entered.way,
            held: Some(held),
        })),
    }
}

/// What was joined, and the session over it.
struct Entered {
    now: Now,
    way: Way,
    open: Option<NetworkName>,
}

/// Joins it, and opens a session with what answers there.
async fn enter(shared: &Shared, grant: &Grant) -> Result<Entered, Trouble> {
    let profile = &shared.order.shelf.profile;
    let (Some(wifi), Some(network)) = (&shared.world.wifi, &profile.network) else {
        return Err(Trouble::new(
            "no-network",
            "the profile does not say how its network is joined",
            Some("see `linkmend profile show`"),
        ));
    };
    let key = key(shared, network)?;
    let mut addressing = air::quick(network);
    loop {
        let wish = Join {
            adapter: grant.adapter.clone(),
            point: grant.point.clone(),
            key: key.clone(),
            addressing,
        };
        let joined = wifi
            .join(&wish)
            .await
            .map_err(|error| wifi_trouble(&error))?;
        match answers(shared, &wish, &joined).await {
            // Some access points hear nobody who did not ask for an address.
            Err(FindError::NobodyThere { .. }) if addressing != Addressing::Dhcp => {
                addressing = Addressing::Dhcp;
            }
            Err(error) => return Err(find_trouble(&error)),
            Ok((session, way)) => {
                let is_open = network.security == Security::Open;
                return Ok(Entered {
                    now: Now::new(let_in(shared, session)),
                    way,
                    open: is_open.then(|| grant.point.name.clone()),
                });
            }
        }
    }
}

fn key(shared: &Shared, network: &Network) -> Result<Key, Trouble> {
    if network.security == Security::Open {
        return Ok(Key::Open);
    }
    let given = shared.world.passphrase.as_ref();
    let Some(passphrase) = given.or(network.passphrase.as_ref()).cloned() else {
        return Err(Trouble::new(
            "passphrase-missing",
            "its network has a passphrase that the profile does not know",
            Some(
                "put it alone into a file that you alone can read, and give --passphrase-file FILE",
            ),
        )
        .ending(Exit::Usage));
    };
    Ok(match network.security {
        Security::Wpa3 => Key::Wpa3(passphrase),
        Security::Open | Security::Wpa2 => Key::Wpa2(passphrase),
    })
}

async fn answers(
    shared: &Shared,
    wish: &Join,
    joined: &Joined,
) -> Result<(Session, Way), FindError> {
    let profile = &shared.order.shelf.profile;
    let profiles = [profile.clone()];
    let limits = &shared.world.limits;
    let mut nobody = FindError::NoProfiles;
    for address in air::addresses(&profiles, joined.gateway) {
        let Ok(origin) = Origin::of(address) else {
            continue;
        };
        let origin = shared
            .world
            .origin(origin, joined.adapter.as_str(), wish.point.bssid);
        let way = Way::new(wish.point.clone(), joined);
        match find::at(&origin, &profiles, limits).await {
            Err(error @ FindError::NobodyThere { .. }) => nobody = error,
            Err(error) => return Err(error),
            Ok(found) => {
                let fetched = found.into_iter().next().map(|found| found.fetched);
                let session = Session::new(origin, profile.clone(), limits.clone(), way.bssid());
                let Ok(session) = session else { continue };
                let session = session.knowing(fetched.unwrap_or_default());
                return Ok((session.standing(way.footing()), way));
            }
        }
    }
    Err(nobody)
}

/// The same session with the login of the shelf, where its family asks for one.
pub(super) fn let_in(shared: &Shared, session: Session) -> Session {
    match &shared.world.login {
        Some(login) => session.letting_in(login.clone()),
        None => session,
    }
}

/// The way back to a loaner over Wi-Fi. While it restarts its adapter serves others.
pub(super) struct AirReach {
    shared: Rc<Shared>,
    loaner: usize,
    told: Told,
    now: Now,
    way: Way,
    held: Option<OwnedMutexGuard<()>>,
}

impl Reach for AirReach {
    async fn again(&mut self, wait: &Wait) -> Back {
        let begun = Instant::now();
        let deadline = begun + Duration::from_secs_f64(wait.deadline_s.max(0.0));
        let mut gone = match &self.held {
            Some(_) => self.leaves(wait).await,
            None => false,
        };
        loop {
            self.held = None;
            self.told.step(ShelfStep::Restarting, None);
            self.told.through(None);
            let Some(grant) = self.granted(deadline).await else {
                return Back { gone, there: false };
            };
            let held = Arc::clone(&grant.lock).lock_owned().await;
            self.told.through(Some(grant.adapter.as_str()));
            self.told.heard(grant.point.signal);
            self.told.step(ShelfStep::Joining, None);
            match enter(&self.shared, &grant).await {
                Ok(entered) => {
                    self.now.set(entered.now.session());
                    self.way = entered.way;
                    self.held = Some(held);
                    return Back { gone, there: true };
                }
                Err(trouble) => {
                    tracing::debug!(message = %trouble.message, "joining it again");
                    // A network that was there and cannot be joined may have gone once more.
                    gone |= trouble.code == "out-of-range";
                    if Instant::now() >= deadline {
                        return Back { gone, there: false };
                    }
                }
            }
        }
    }
}

impl AirReach {
    /// Waits a while for it to go, and says whether it was seen to.
    async fn leaves(&self, wait: &Wait) -> bool {
        let hold_s = if wait.mark.is_some() {
            wait.leave_s.min(HOLD_S)
        } else {
            wait.leave_s
        };
        let begun = Instant::now();
        let until = begun + Duration::from_secs_f64((hold_s / self.shared.world.speed).max(0.0));
        let session = self.now.session();
        while Instant::now() < until {
            if !self.way.is_up() {
                // A host may hop away; what no scan hears any more is gone.
                return wait.mark.is_none() && self.is_away().await;
            }
            if let Ok(look) = timeout_at(until, session.look()).await
                && look.alive == Alive::Gone
                && self.way.is_up()
            {
                return true;
            }
            sleep(Duration::from_millis(50)).await;
        }
        !self.way.is_up() && wait.mark.is_none() && self.is_away().await
    }

    /// Whether a scan that begins now hears others and not it.
    async fn is_away(&self) -> bool {
        let Some(wifi) = &self.shared.world.wifi else {
            return false;
        };
        let Some(adapter) = self.now.session().origin().adapter().map(AdapterName::new) else {
            return false;
        };
        let begin_s = self.shared.world.clock.now().seconds.floor() + ROUNDED_UP_S;
        sleep(Duration::from_secs_f64(
            (begin_s - self.shared.world.clock.now().seconds).max(0.0),
        ))
        .await;
        let bssid = self.way.point().bssid;
        match wifi.scan(&adapter, &[]).await {
            // A list without anything may be that of an adapter that hears nothing.
            Ok(list) if list.is_empty() => false,
            Ok(list) => !list
                .iter()
                .any(|one| one.bssid == bssid && one.heard_s.is_none_or(|at| at >= begin_s)),
            Err(_) => false,
        }
    }

    /// Gives its adapter back and waits until one is granted for it again; none: it did not come
    /// back in time, or no adapter is left.
    async fn granted(&self, deadline: Instant) -> Option<Grant> {
        self.shared.back.borrow_mut().remove(&self.loaner);
        let (grant, mut granted) = oneshot::channel();
        self.shared
            .send
            .send(Message::LetGo(self.loaner, grant))
            .ok()?;
        if let Ok(granted) = timeout_at(deadline, &mut granted).await {
            return granted.ok();
        }
        // It is there, and others are served before it.
        if self.shared.back.borrow().contains(&self.loaner) {
            return granted.await.ok();
        }
        None
    }
}

/// A trouble of the search for a device.
pub(super) fn find_trouble(error: &FindError) -> Trouble {
    Trouble {
        code: error.code().into(),
        message: error.to_string(),
        help: error.help(),
        exit: error.exit(),
    }
}

fn wifi_trouble(error: &WifiError) -> Trouble {
    Trouble {
        code: error.code().into(),
        message: error.to_string(),
        help: error.help(),
        exit: error.exit(),
    }
}
