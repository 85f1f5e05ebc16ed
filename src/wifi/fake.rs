//! A made-up air, for tests of whatever stands on [`Wifi`]: no radio, and time is tokio's, so that
//! a test which pauses it never waits. The program itself does not use it.
//!
//! It behaves as the host's services were seen to: a scan takes its time and its list keeps what was
//! heard before, with the time of then; a join leaves what was active first, and one that fails
//! leaves nothing active. It passes the same contract suite as the real ones.

use std::{
    collections::BTreeMap,
    net::{IpAddr, Ipv4Addr},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use async_trait::async_trait;
use secrecy::ExposeSecret;
use tokio::{
    sync::watch,
    time::{Instant, sleep},
};

use super::{
    AccessPoint, Adapter, AdapterName, AdapterState, Addressing, Home, HomeConnection, Join,
    Joined, Key, Link, NetworkName, Offers, Wifi, WifiError,
};
use crate::terms::Mac;

/// What this service calls itself.
const SERVICE: &str = "made-up air";

/// How long a scan takes; about as long as a real one of both bands.
const SCAN: Duration = Duration::from_secs(3);

/// How long a list keeps what is heard no more, in s.
const KEPT_S: f64 = 30.0;

/// How long it takes to be let in, and how long to be given an address.
const ASSOCIATE: Duration = Duration::from_millis(400);
const LEASE: Duration = Duration::from_millis(1500);

/// How long one that does not come about is tried.
const IN_VAIN: Duration = Duration::from_secs(8);

/// A network of the air: what it says of itself, and how it behaves.
#[derive(Debug, Clone)]
pub struct FakePoint {
    /// What is heard of it; when it was heard is reckoned by the air.
    pub point: AccessPoint,
    /// Whether it keeps its name to itself.
    pub hidden: bool,
    /// What it takes; none: it is open.
    pub passphrase: Option<String>,
    /// How many it lets in at a time.
    pub places: usize,
    /// Whether it gives addresses (DHCP).
    pub gives_addresses: bool,
    /// Which one a join of it ends on, where that is another one.
    pub ends_on: Option<Mac>,
}

impl FakePoint {
    /// An access point of channel 6 with WPA2 and this passphrase, or without any.
    pub fn new(name: impl Into<NetworkName>, bssid: Mac, passphrase: Option<&str>) -> Self {
        Self {
            point: AccessPoint {
                name: name.into(),
                bssid,
                signal: 60,
                frequency_mhz: 2437,
                offers: Offers {
                    open: passphrase.is_none(),
                    psk: passphrase.is_some(),
                    ..Offers::default()
                },
                heard_s: None,
            },
            hidden: false,
            passphrase: passphrase.map(ToOwned::to_owned),
            places: 4,
            gives_addresses: true,
            ends_on: None,
        }
    }
}

/// What an adapter is on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum On {
    /// Nothing.
    Nothing,
    /// The host's own connection.
    Home,
    /// What was joined.
    Joined(Mac),
}

/// The air. Clones are handles of the same one.
#[derive(Debug, Clone)]
pub struct FakeAir {
    state: Arc<Mutex<State>>,
    begun: Instant,
    speed: f64,
}

#[derive(Debug)]
struct State {
    adapters: BTreeMap<AdapterName, Card>,
    points: BTreeMap<Mac, Sender>,
    refused: Option<String>,
    scans: u32,
    failing_scans: u32,
    joins: Vec<Mac>,
}

#[derive(Debug)]
struct Sender {
    kind: FakePoint,
    is_open: bool,
    strangers: usize,
}

#[derive(Debug)]
struct Card {
    state: AdapterState,
    home: Option<HomeConnection>,
    on: On,
    link: watch::Sender<Link>,
    air: watch::Sender<Vec<AccessPoint>>,
}

impl Card {
    fn leave(&mut self) {
        self.ends(Link::Down);
    }

    /// It is on nothing; the last word of what it was on is this.
    fn ends(&mut self, last: Link) {
        self.on = On::Nothing;
        self.link.send_replace(last);
        // Whoever holds an end of an earlier join hears nothing of the next one.
        self.link = watch::Sender::new(Link::Down);
    }
}

impl FakeAir {
    /// An air without networks, and a host with these adapters, connected to nothing.
    pub fn new(adapters: &[&str]) -> Self {
        let card = || Card {
            state: AdapterState::Ready,
            home: None,
            on: On::Nothing,
            link: watch::Sender::new(Link::Down),
            air: watch::Sender::new(Vec::new()),
        };
        let state = State {
            adapters: adapters
                .iter()
                .map(|name| (AdapterName::new(*name), card()))
                .collect(),
            points: BTreeMap::new(),
            refused: None,
            scans: 0,
            failing_scans: 0,
            joins: Vec::new(),
        };
        Self {
            state: Arc::new(Mutex::new(state)),
            begun: Instant::now(),
            speed: 1.0,
        }
    }

    /// The same, whose scans and joins take so many times less: for tests whose time is real, since
    /// there are real sockets behind the access points.
    #[must_use]
    pub fn faster(self, speed: f64) -> Self {
        Self { speed, ..self }
    }

    fn takes(&self, time: Duration) -> Duration {
        time.div_f64(self.speed)
    }

    /// Seconds since this computer started, as the air reckons them.
    pub fn now_s(&self) -> f64 {
        // The host was running for a while before the test began.
        1000.0 + self.begun.elapsed().as_secs_f64()
    }

    /// Puts a network there, or another one in its place. It is shut until it is opened.
    pub fn put(&self, kind: FakePoint) -> Mac {
        let bssid = kind.point.bssid;
        let sender = Sender {
            kind,
            is_open: false,
            strangers: 0,
        };
        self.lock().points.insert(bssid, sender);
        bssid
    }

    /// Opens a network; nobody hears of it before the next scan.
    pub fn open(&self, bssid: Mac) {
        if let Some(sender) = self.lock().points.get_mut(&bssid) {
            sender.is_open = true;
        }
    }

    /// Shuts a network without a word, as a device that loses its power.
    pub fn close(&self, bssid: Mac) {
        let mut state = self.lock();
        if let Some(sender) = state.points.get_mut(&bssid) {
            sender.is_open = false;
        }
        for card in state.adapters.values_mut() {
            if card.on == On::Joined(bssid) {
                card.ends(Link::Silent);
            }
        }
    }

    /// Opens a network after this time.
    pub fn open_in(&self, bssid: Mac, after: Duration) {
        let air = self.clone();
        tokio::spawn(async move {
            sleep(after).await;
            air.open(bssid);
        });
    }

    /// Shuts a network after this time.
    pub fn close_in(&self, bssid: Mac, after: Duration) {
        let air = self.clone();
        tokio::spawn(async move {
            sleep(after).await;
            air.close(bssid);
        });
    }

    /// Lets so many others hold a place of a network.
    pub fn let_strangers_in(&self, bssid: Mac, strangers: usize) {
        if let Some(sender) = self.lock().points.get_mut(&bssid) {
            sender.strangers = strangers;
        }
    }

    /// Saves a connection of an adapter's own, and connects it. Its network is always in range.
    pub fn live_at(&self, adapter: &AdapterName, home: HomeConnection) {
        if let Some(card) = self.lock().adapters.get_mut(adapter) {
            card.home = Some(home);
            card.on = On::Home;
        }
    }

    /// Lets the host hop away from what was joined, back to its own network where it has one.
    pub fn hop_away(&self, adapter: &AdapterName) {
        if let Some(card) = self.lock().adapters.get_mut(adapter) {
            card.leave();
            if card.home.is_some() {
                card.on = On::Home;
            }
        }
    }

    /// Changes whether an adapter can be used. One that cannot is on nothing.
    pub fn set_state(&self, adapter: &AdapterName, state: AdapterState) {
        if let Some(card) = self.lock().adapters.get_mut(adapter) {
            card.state = state;
            if state != AdapterState::Ready {
                card.leave();
            }
        }
    }

    /// Pulls an adapter out.
    pub fn unplug(&self, adapter: &AdapterName) {
        if let Some(mut card) = self.lock().adapters.remove(adapter) {
            card.leave();
        }
    }

    /// From now on the person may not do anything, for want of this action; none: everything.
    pub fn refuse(&self, action: Option<&str>) {
        self.lock().refused = action.map(ToOwned::to_owned);
    }

    /// What an adapter is on; nothing, where it is not there.
    pub fn on(&self, adapter: &AdapterName) -> On {
        let state = self.lock();
        let card = state.adapters.get(adapter);
        card.map_or(On::Nothing, |card| card.on.clone())
    }

    /// How many of this host's adapters a network has let in.
    pub fn guests(&self, bssid: Mac) -> usize {
        self.lock().guests(bssid)
    }

    /// The names of all connections that the host keeps.
    pub fn saved(&self) -> Vec<String> {
        let state = self.lock();
        let homes = state
            .adapters
            .values()
            .filter_map(|card| card.home.as_ref());
        homes.map(|home| home.name.clone()).collect()
    }

    /// How many scans were asked for.
    pub fn scans(&self) -> u32 {
        self.lock().scans
    }

    /// The next so many scans come to nothing, in a way that may pass by itself.
    pub fn fail_scans(&self, scans: u32) {
        self.lock().failing_scans = scans;
    }

    /// What was to be joined, in that order, also in vain.
    pub fn joins(&self) -> Vec<Mac> {
        self.lock().joins.clone()
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The end of a join: what holds when the time for it is over.
    fn settle(&self, wish: &Join) -> Result<Joined, WifiError> {
        let mut state = self.lock();
        let bssid = wish.point.bssid;
        let (reached, offers) = state.admits(wish)?;
        let lets = match &wish.key {
            Key::Open => offers.open,
            Key::Wpa2(_) => offers.psk,
            Key::Wpa3(_) => offers.sae,
        };
        if !lets {
            return Err(WifiError::NoWayIn {
                name: wish.point.name.clone(),
                offers: offers.to_string(),
            });
        }
        if reached != bssid {
            return Err(WifiError::JoinedAnother {
                wanted: bssid,
                got: reached,
            });
        }
        let card = state.card(&wish.adapter)?;
        card.on = On::Joined(bssid);
        card.link.send_replace(Link::Up(bssid));
        Ok(Joined {
            adapter: wish.adapter.clone(),
            link: Some(card.link.subscribe()),
            gateway: match wish.addressing {
                Addressing::Dhcp => Some(IpAddr::V4(Ipv4Addr::new(192, 168, 77, 1))),
                Addressing::Static { .. } => None,
            },
        })
    }
}

impl State {
    fn guests(&self, bssid: Mac) -> usize {
        let cards = self.adapters.values();
        cards.filter(|card| card.on == On::Joined(bssid)).count()
    }

    /// The adapter, where it can be used and the person may.
    fn card(&mut self, name: &AdapterName) -> Result<&mut Card, WifiError> {
        let there = || self.adapters.keys().cloned().collect();
        if self.adapters.is_empty() {
            return Err(WifiError::NoAdapter { service: SERVICE });
        }
        if !self.adapters.contains_key(name) {
            return Err(WifiError::OtherAdapters {
                wanted: name.clone(),
                there: there(),
            });
        }
        if let Some(action) = &self.refused {
            return Err(WifiError::NotPermitted {
                what: "use its Wi-Fi",
                action: action.clone(),
            });
        }
        let card = self.adapters.get_mut(name);
        let card = card.ok_or(WifiError::NoAdapter { service: SERVICE })?;
        let adapter = name.clone();
        match card.state {
            AdapterState::Ready => Ok(card),
            AdapterState::SwitchedOff => Err(WifiError::SwitchedOff { adapter }),
            AdapterState::Blocked => Err(WifiError::Blocked { adapter }),
            AdapterState::Unmanaged => Err(WifiError::Unmanaged {
                adapter,
                service: SERVICE,
            }),
            AdapterState::Unavailable => Err(WifiError::Unavailable {
                adapter,
                why: "it is made up so".into(),
            }),
        }
    }

    /// Where a join ends and what that one offers, or why it is not let in.
    fn admits(&self, wish: &Join) -> Result<(Mac, Offers), WifiError> {
        let name = wish.point.name.clone();
        let bssid = wish.point.bssid;
        let there = self.points.get(&bssid).filter(|sender| {
            // A join is on the channel of the wish.
            sender.is_open && sender.kind.point.frequency_mhz == wish.point.frequency_mhz
        });
        let Some(sender) = there else {
            return Err(WifiError::OutOfRange { name, bssid });
        };
        let kind = &sender.kind;
        if kind.point.name != name {
            return Err(WifiError::OutOfRange { name, bssid });
        }
        if let Key::Wpa2(word) | Key::Wpa3(word) = &wish.key
            && let Some(wanted) = &kind.passphrase
            && word.expose_secret() != wanted
        {
            return Err(WifiError::WrongPassphrase { name, bssid });
        }
        if self.guests(bssid) + sender.strangers >= kind.places {
            let why = "it has no place left".into();
            return Err(WifiError::NotLetIn { name, bssid, why });
        }
        if wish.addressing == Addressing::Dhcp && !kind.gives_addresses {
            return Err(WifiError::NoAddress { name, bssid });
        }
        Ok((kind.ends_on.unwrap_or(bssid), kind.point.offers))
    }

    /// What an adapter hears at this moment, with what its list keeps.
    fn hear(&self, kept: &[AccessPoint], hidden: &[NetworkName], now_s: f64) -> Vec<AccessPoint> {
        let open = self.points.values().filter(|sender| sender.is_open);
        let heard = open.map(|Sender { kind, .. }| {
            let mut point = kind.point.clone();
            point.heard_s = Some(now_s);
            if kind.hidden && !hidden.contains(&point.name) {
                point.name = NetworkName::default();
            }
            (point.bssid, point)
        });
        let kept = kept
            .iter()
            .filter(|point| point.heard_s.is_some_and(|at| now_s - at < KEPT_S))
            .map(|point| (point.bssid, point.clone()));
        let all: BTreeMap<Mac, AccessPoint> = kept.chain(heard).collect();
        all.into_values().collect()
    }
}

#[async_trait]
impl Wifi for FakeAir {
    fn name(&self) -> &'static str {
        SERVICE
    }

    async fn adapters(&self) -> Result<Vec<Adapter>, WifiError> {
        let state = self.lock();
        let adapters = state.adapters.iter().map(|(name, card)| Adapter {
            name: name.clone(),
            mac: None,
            state: card.state,
            connected: match &card.on {
                On::Nothing => None,
                On::Home => card.home.as_ref().map(|home| home.name.clone()),
                On::Joined(bssid) => {
                    let sender = state.points.get(bssid);
                    sender.map(|sender| sender.kind.point.name.to_string())
                }
            },
        });
        Ok(adapters.collect())
    }

    async fn scan(
        &self,
        adapter: &AdapterName,
        hidden: &[NetworkName],
    ) -> Result<Vec<AccessPoint>, WifiError> {
        {
            let mut state = self.lock();
            state.card(adapter)?;
            state.scans += 1;
        }
        sleep(self.takes(SCAN)).await;
        let now_s = self.now_s();
        let mut state = self.lock();
        if state.failing_scans > 0 {
            state.failing_scans -= 1;
            return Err(WifiError::Other {
                what: "looking around",
                why: "it is made up so".into(),
            });
        }
        let kept = state.card(adapter)?.air.borrow().clone();
        let heard = state.hear(&kept, hidden, now_s);
        state.card(adapter)?.air.send_replace(heard.clone());
        Ok(heard)
    }

    async fn air(
        &self,
        adapter: &AdapterName,
    ) -> Result<watch::Receiver<Vec<AccessPoint>>, WifiError> {
        Ok(self.lock().card(adapter)?.air.subscribe())
    }

    async fn whereabouts(&self, adapter: &AdapterName) -> Result<Home, WifiError> {
        let mut state = self.lock();
        let card = state.card(adapter)?;
        Ok(Home {
            adapter: adapter.clone(),
            connection: card.home.clone().filter(|_| card.on == On::Home),
        })
    }

    async fn join(&self, wish: &Join) -> Result<Joined, WifiError> {
        {
            let mut state = self.lock();
            state.joins.push(wish.point.bssid);
            state.card(&wish.adapter)?.leave();
        }
        sleep(self.takes(ASSOCIATE)).await;
        if wish.addressing == Addressing::Dhcp {
            sleep(self.takes(LEASE)).await;
        }
        match self.settle(wish) {
            Ok(joined) => Ok(joined),
            Err(error @ (WifiError::NoWayIn { .. } | WifiError::JoinedAnother { .. })) => {
                Err(error)
            }
            Err(_) => {
                // What is not there yet may come while it is tried.
                sleep(self.takes(IN_VAIN)).await;
                self.settle(wish)
            }
        }
    }

    async fn leave(&self, adapter: &AdapterName) -> Result<(), WifiError> {
        let mut state = self.lock();
        let card = state.card(adapter)?;
        if matches!(card.on, On::Joined(_)) {
            card.leave();
        }
        Ok(())
    }

    async fn go_home(&self, home: &Home) -> Result<(), WifiError> {
        {
            let mut state = self.lock();
            let card = state.card(&home.adapter)?;
            if card.on == On::Home {
                return Ok(());
            }
            card.leave();
            if home.connection.is_none() {
                return Ok(());
            }
        }
        sleep(self.takes(ASSOCIATE + LEASE)).await;
        let mut state = self.lock();
        let card = state.card(&home.adapter)?;
        let known = card.home.as_ref().map(|known| &known.id);
        if known != home.connection.as_ref().map(|wanted| &wanted.id) {
            return Err(WifiError::Other {
                what: "going home",
                why: "the host has no such connection any more".into(),
            });
        }
        card.on = On::Home;
        Ok(())
    }
}
