//! Devices that have joined a local network, by what they announce there over mDNS (RFC 6762) as a
//! service of DNS-SD (RFC 6763).
//!
//! Each adapter has a responder of its own, so that two networks with the same names and addresses
//! are never taken for one. An announcement is a stranger's word: bounded in number and length, never
//! a reason to write anything, and only a hint where to ask a device who it is.

mod devices;
mod merge;

use std::{
    collections::BTreeMap,
    net::{IpAddr, Ipv4Addr},
    sync::Arc,
    time::Duration,
};

use if_addrs::{Interface, get_if_addrs};
use mdns_sd::{IfKind, ResolvedService, ServiceDaemon, ServiceEvent};
use tokio::{
    sync::mpsc,
    task::JoinSet,
    time::{Instant, timeout, timeout_at},
};

use crate::{
    profile::{Announce, Profile},
    session::Origin,
    terms::{Bssid, Exit, Identity, Mac, Untrusted},
    wifi::AdapterName,
};

use devices::Devices;
pub use merge::{InReach, identity_of, merge};

/// Most devices that are told of one look around; common practice, no source: far more than a shelf
/// of loaners, and few enough to be read.
pub const MOST_DEVICES: usize = 64;
/// Most addresses that are kept of one device.
const MOST_ADDRESSES: usize = 8;
/// Most adapters that are looked through at once.
const MOST_ADAPTERS: usize = 16;
/// How many announcements may wait to be looked at.
const WAITING: usize = 256;
/// How long a responder may take to end.
const END_TIME: Duration = Duration::from_secs(1);
/// The port of RFC 6762.
const PORT: u16 = 5353;

/// An address of a device, and the adapter behind which it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// The address; a link-local one means nothing without the adapter.
    pub ip: IpAddr,
    /// Through which adapter it was announced.
    pub adapter: AdapterName,
}

/// A device that announces itself on a local network.
#[derive(Debug, Clone)]
pub struct Announced {
    /// The families whose rules it fits: one in most cases.
    pub families: Vec<Arc<Profile>>,
    /// What it is called there.
    pub name: Untrusted,
    /// Where it is, the best first: IPv4, then IPv6, those of one link alone at the end.
    pub addresses: Vec<Address>,
    /// The port of its page.
    pub port: u16,
    /// Its serial, where the announcement says it.
    pub serial: Option<Untrusted>,
    /// The BSSID of its own access point, where the announcement says it.
    pub bssid: Option<Mac>,
}

/// Why nobody could be listened to.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MdnsError {
    /// The adapter is not there, or has no address yet.
    #[error("`{adapter}` is connected to no network")]
    NotConnected {
        /// Which.
        adapter: AdapterName,
    },
    /// No adapter at all has an address.
    #[error("this computer is connected to no network")]
    NoNetwork,
    /// The system lets nobody listen.
    #[error("this computer does not let a program listen for devices: {why}")]
    Deaf {
        /// What it says.
        why: String,
    },
}

impl MdnsError {
    /// A stable kebab-case code.
    pub fn code(&self) -> &'static str {
        match self {
            MdnsError::NotConnected { .. } => "adapter-not-connected",
            MdnsError::NoNetwork => "no-network",
            MdnsError::Deaf { .. } => "mdns-failed",
        }
    }

    /// How a run ends that this stops.
    pub fn exit(&self) -> Exit {
        match self {
            MdnsError::NotConnected { .. } | MdnsError::NoNetwork => Exit::NoDevice,
            MdnsError::Deaf { .. } => Exit::Failed,
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<&'static str> {
        match self {
            MdnsError::NotConnected { .. } | MdnsError::NoNetwork => {
                Some("connect it to the network that the device has joined")
            }
            MdnsError::Deaf { .. } => None,
        }
    }
}

impl Announced {
    /// Who it says it is.
    pub fn identity(&self) -> Identity {
        let stable = self.families.iter().all(|f| f.identity.bssid_stable);
        Identity {
            serial: self.serial.clone(),
            bssid: self.bssid.map(|mac| Bssid { mac: mac.0, stable }),
            address: self.origin().map(|origin| origin.to_string()),
        }
    }

    /// Where to talk to it: its best address, through its adapter. With a link-local IPv6 address a
    /// connection needs to be bound to the adapter, which is done on Linux alone.
    pub fn origin(&self) -> Option<Origin> {
        let best = self.addresses.first()?;
        let text = match best.ip {
            IpAddr::V4(ip) => format!("http://{ip}:{}", self.port),
            // In brackets (RFC 3986 section 3.2.2).
            IpAddr::V6(ip) => format!("http://[{ip}]:{}", self.port),
        };
        Some(Origin::parse(&text).ok()?.through(best.adapter.as_str()))
    }
}

/// A look around that goes on. It ends when its time is over, when it is closed, or when it is
/// dropped.
#[derive(Debug)]
pub struct Browse {
    heard: mpsc::Receiver<Heard>,
    deadline: Instant,
    devices: Devices,
    // Before the daemons, whose channels they listen to.
    _tasks: JoinSet<()>,
    daemons: Vec<Daemon>,
}

/// What changed.
#[derive(Debug, Clone)]
pub enum News {
    /// A device announces itself that was not told yet.
    Came(Announced),
    /// A device that was told announces itself no more.
    Went(Announced),
}

/// What one adapter heard.
#[derive(Debug)]
enum Heard {
    /// A device announces itself.
    There {
        /// The whole name of its service, which is its own on that adapter's network.
        instance: String,
        device: Announced,
    },
    /// It says goodbye, or its announcement has run out.
    Gone {
        instance: String,
        adapter: AdapterName,
    },
}

/// Looks for devices of these families that have joined a network of the adapter, or of all adapters
/// but loopback and tunnels, for so long. To be called within a tokio runtime, and after the adapter
/// has its address. Where two adapters of this computer have one and the same IPv4 address, only one of
/// them hears what is announced over IPv4: the system knows the networks apart by that address.
pub fn browse(
    adapter: Option<&AdapterName>,
    profiles: &[Arc<Profile>],
    time: Duration,
) -> Result<Browse, MdnsError> {
    browse_at(PORT, adapter, profiles, time)
}

fn browse_at(
    port: u16,
    adapter: Option<&AdapterName>,
    profiles: &[Arc<Profile>],
    time: Duration,
) -> Result<Browse, MdnsError> {
    let deadline = Instant::now() + time;
    let adapters = adapters(adapter)?;
    let services = services(profiles);
    let (tell, heard) = mpsc::channel(WAITING);
    let mut tasks = JoinSet::new();
    let mut daemons = Vec::new();
    let mut deaf = None;
    for adapter in adapters.iter().filter(|_| !services.is_empty()) {
        match listen(port, adapter, &services, &tell, &mut tasks) {
            Ok(daemon) => daemons.push(daemon),
            Err(error) => deaf = Some(error.to_string()),
        }
    }
    match deaf {
        Some(why) if daemons.is_empty() => return Err(MdnsError::Deaf { why }),
        _ => {}
    }
    Ok(Browse {
        heard,
        deadline,
        devices: Devices::default(),
        _tasks: tasks,
        daemons,
    })
}

impl Browse {
    /// The next device that was not told yet, as soon as it announces itself; none: the time is over,
    /// or there is nothing to listen for. May be dropped and called again; what comes later of a
    /// device that was told, such as another address, shows in [`close`](Self::close).
    pub async fn next(&mut self) -> Option<Announced> {
        loop {
            if let News::Came(new) = self.news().await? {
                return Some(new);
            }
        }
    }

    /// The same, with those that are gone: that said goodbye, or whose announcement has run out. An
    /// unplugged device says nothing, and is gone when its announcement has run out.
    pub async fn news(&mut self) -> Option<News> {
        loop {
            let heard = timeout_at(self.deadline, self.heard.recv()).await;
            if let Some(news) = self.devices.take(heard.ok()??) {
                return Some(news);
            }
        }
    }

    /// Whether any device was left out, [`MOST_DEVICES`] being told already.
    pub fn is_cut(&self) -> bool {
        self.devices.is_cut()
    }

    /// Ends it: all devices that announce themselves at the end, in the order in which they came.
    pub async fn close(mut self) -> Vec<Announced> {
        while let Ok(heard) = self.heard.try_recv() {
            self.devices.take(heard);
        }
        for daemon in std::mem::take(&mut self.daemons) {
            daemon.end().await;
        }
        std::mem::take(&mut self.devices).into_list()
    }
}

/// The responder of one adapter; dropping it ends it.
struct Daemon(ServiceDaemon);

impl Daemon {
    async fn end(self) {
        // One that has ended by itself is as good.
        if let Ok(ended) = self.0.shutdown() {
            let _ = timeout(END_TIME, ended.recv_async()).await;
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.shutdown();
    }
}

impl std::fmt::Debug for Daemon {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Daemon").finish_non_exhaustive()
    }
}

/// The families that each service type may stand for.
type Services = BTreeMap<String, Arc<[(Arc<Profile>, Announce)]>>;

fn services(profiles: &[Arc<Profile>]) -> Services {
    let mut by_type: BTreeMap<String, Vec<_>> = BTreeMap::new();
    for profile in profiles {
        if let Some(announce) = &profile.announce {
            let of_type = by_type.entry(announce.service.clone()).or_default();
            of_type.push((Arc::clone(profile), announce.clone()));
        }
    }
    let by_type = by_type.into_iter();
    by_type.map(|(name, all)| (name, all.into())).collect()
}

/// An adapter by its name, and whether it is this computer's own loop.
struct Through {
    name: AdapterName,
    is_loopback: bool,
}

fn adapters(wanted: Option<&AdapterName>) -> Result<Vec<Through>, MdnsError> {
    let there = get_if_addrs().map_err(|error| MdnsError::Deaf {
        why: error.to_string(),
    })?;
    let fits = |adapter: &Interface| match wanted {
        Some(wanted) => adapter.name == wanted.as_str(),
        // A tunnel has one other end, and it is no receiver.
        None => adapter.is_oper_up() && !adapter.is_loopback() && !adapter.is_p2p(),
    };
    let mut found: Vec<Through> = Vec::new();
    for adapter in there.iter().filter(|adapter| fits(adapter)) {
        let name = AdapterName::new(&adapter.name);
        if found.len() < MOST_ADAPTERS && found.iter().all(|other| other.name != name) {
            found.push(Through {
                name,
                is_loopback: adapter.is_loopback(),
            });
        }
    }
    match wanted {
        _ if !found.is_empty() => Ok(found),
        Some(adapter) => Err(MdnsError::NotConnected {
            adapter: adapter.clone(),
        }),
        None => Err(MdnsError::NoNetwork),
    }
}

/// Starts the responder of an adapter, and a task for each service type that passes on what it hears.
fn listen(
    port: u16,
    adapter: &Through,
    services: &Services,
    tell: &mpsc::Sender<Heard>,
    tasks: &mut JoinSet<()>,
) -> mdns_sd::Result<Daemon> {
    let daemon = Daemon(ServiceDaemon::new_with_port(port)?);
    daemon.0.disable_interface(IfKind::All)?;
    let name = adapter.name.as_str().to_owned();
    daemon.0.enable_interface(IfKind::Name(name))?;
    for (service, families) in services {
        let events = daemon.0.browse(&format!("{service}.local."))?;
        let listener = Listener {
            adapter: adapter.name.clone(),
            is_loopback: adapter.is_loopback,
            suffix: format!(".{service}.local."),
            families: Arc::clone(families),
        };
        let tell = tell.clone();
        tasks.spawn(async move {
            while let Ok(event) = events.recv_async().await {
                if let Some(heard) = listener.hear(event)
                    && tell.send(heard).await.is_err()
                {
                    return;
                }
            }
        });
    }
    Ok(daemon)
}

/// Who listens for one service type through one adapter.
struct Listener {
    adapter: AdapterName,
    is_loopback: bool,
    /// What stands behind the name of an instance.
    suffix: String,
    families: Arc<[(Arc<Profile>, Announce)]>,
}

impl Listener {
    fn hear(&self, event: ServiceEvent) -> Option<Heard> {
        match event {
            ServiceEvent::ServiceResolved(service) => self.there(&service),
            ServiceEvent::ServiceRemoved(_, fullname) => Some(Heard::Gone {
                instance: fullname.to_ascii_lowercase(),
                adapter: self.adapter.clone(),
            }),
            _ => None,
        }
    }

    /// The device that announces itself, if it fits a family and can be reached.
    fn there(&self, service: &ResolvedService) -> Option<Heard> {
        let value = |key: &str| {
            let value = service.txt_properties.get_property_val(key)??;
            std::str::from_utf8(value).ok()
        };
        let mut families = Vec::new();
        let (mut serial, mut bssid) = (None, None);
        for (profile, announce) in self.families.iter() {
            if let Some(marks) = announce.fit(value) {
                families.push(Arc::clone(profile));
                serial = serial.or(marks.serial);
                bssid = bssid.or(marks.bssid);
            }
        }
        let mut addresses: Vec<IpAddr> = service
            .addresses
            .iter()
            .map(mdns_sd::ScopedIp::to_ip_addr)
            .filter(|ip| self.may_be(*ip))
            .collect();
        addresses.sort_by_key(|ip| (rank(*ip), *ip));
        addresses.truncate(MOST_ADDRESSES);
        if families.is_empty() || addresses.is_empty() || service.port == 0 {
            return None;
        }
        let instance = service.fullname.to_ascii_lowercase();
        // The suffix is ASCII, so both names have it in the same place.
        let end = instance.strip_suffix(&self.suffix).map_or(0, str::len);
        Some(Heard::There {
            device: Announced {
                families,
                name: service.fullname.get(..end).unwrap_or_default().into(),
                addresses: addresses
                    .into_iter()
                    .map(|ip| Address {
                        ip,
                        adapter: self.adapter.clone(),
                    })
                    .collect(),
                port: service.port,
                serial,
                bssid,
            },
            instance,
        })
    }

    /// Whether a device behind this adapter can have the address. This computer's own loop is no
    /// place of a device, whatever one says, unless it was asked for.
    fn may_be(&self, ip: IpAddr) -> bool {
        let is_broadcast = ip == IpAddr::V4(Ipv4Addr::BROADCAST);
        !ip.is_unspecified()
            && !ip.is_multicast()
            && !is_broadcast
            && ip.to_canonical().is_loopback() <= self.is_loopback
    }
}

/// The order of addresses: what can be reached in most cases first.
fn rank(ip: IpAddr) -> u8 {
    match ip {
        IpAddr::V4(ip) if !ip.is_link_local() => 0,
        IpAddr::V6(ip) if !ip.is_unicast_link_local() => 1,
        IpAddr::V4(_) => 2,
        IpAddr::V6(_) => 3,
    }
}

#[cfg(test)]
mod tests;
