//! One simulation on its socket: it accepts, asks the world for each answer, and resets what is open
//! when the device restarts.
//!
//! The address stays bound for the whole life of a simulation. While the device is gone each
//! connection is reset as soon as it is accepted, so a client sees a device that is not there and
//! never somebody else's server.

use std::{
    fmt, io,
    io::Write,
    net::{IpAddr, Ipv4Addr, SocketAddr},
    ops::RangeInclusive,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use tokio::{
    net::TcpListener,
    sync::{Notify, mpsc, watch},
    task::JoinSet,
    time::{Instant, sleep, sleep_until},
};

use crate::{
    Air, Announcement, Family, Faults, Scenario, Truth,
    connection::{self, ACCEPT_AGAIN},
    http::Parsed,
    world::{Handled, World},
};

/// What a simulation can be sped up or slowed down by.
pub const SPEEDS: RangeInclusive<f64> = 0.01..=100_000.0;

/// What to simulate, and where.
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a wish of its own, and any of them may go with any other"
)]
pub struct Options {
    /// Which family.
    pub family: Family,
    /// What is wrong with it.
    pub scenario: Scenario,
    /// The version of its firmware, one of [`Family::versions`]; none: the usual one.
    pub firmware: Option<String>,
    /// What goes wrong besides, once each.
    pub faults: Faults,
    /// Names, marks, keys, tokens and waits follow from it.
    pub seed: u64,
    /// The waits of the family are divided by this, and so is the part of an uptime that is the
    /// wait; all other time is real. One of [`SPEEDS`].
    pub speed: f64,
    /// Whether it is powered up when the simulation starts: its uptime counts from then, and its
    /// network opens after the wait of its family. Otherwise it has been on for 83 s and is open.
    pub from_cold: bool,
    /// Whether the local network that it has stored is there when the simulation starts; see
    /// [`Running::joined`].
    pub joined: bool,
    /// Whether its BSSID is another after every start, whatever its family does.
    pub bssid_changes: bool,
    /// Time between the answer to what restarts the device and the restart. No wait of the
    /// family's, and not divided: 0.3 s in FAMILIES.md.
    pub pause: Duration,
    /// Where it answers; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Where the truth is told to any GET over HTTP, if it is to be.
    pub truth: Option<SocketAddr>,
    /// Whether addresses other than loopback will do.
    pub listen_anywhere: bool,
    /// Gets a line for each request and each restart.
    pub log: Option<Box<dyn Write + Send>>,
}

impl Options {
    /// A receiver on a free loopback port, at full length.
    pub fn new(family: Family, scenario: Scenario) -> Self {
        Self {
            family,
            scenario,
            firmware: None,
            faults: Faults::default(),
            seed: 1,
            speed: 1.0,
            from_cold: false,
            joined: false,
            bssid_changes: false,
            pause: Duration::from_millis(300),
            listen: SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 0),
            truth: None,
            listen_anywhere: false,
            log: None,
        }
    }
}

/// The log is a stranger's writer, and is left out.
impl fmt::Debug for Options {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Options")
            .field("family", &self.family)
            .field("scenario", &self.scenario)
            .field("firmware", &self.firmware)
            .field("faults", &self.faults)
            .field("seed", &self.seed)
            .field("speed", &self.speed)
            .field("from_cold", &self.from_cold)
            .field("joined", &self.joined)
            .field("bssid_changes", &self.bssid_changes)
            .field("pause", &self.pause)
            .field("listen", &self.listen)
            .field("truth", &self.truth)
            .field("listen_anywhere", &self.listen_anywhere)
            .finish_non_exhaustive()
    }
}

/// A simulation that runs until it is stopped or dropped.
#[derive(Debug)]
pub struct Running {
    shared: Arc<Shared>,
    address: SocketAddr,
    truth_address: Option<SocketAddr>,
    tasks: JoinSet<()>,
}

/// Starts a simulation inside the present tokio runtime.
///
/// Errors: `InvalidInput` where the speed is out of [`SPEEDS`], the family has no such firmware or
/// scenario, or an address is not loopback without `listen_anywhere`; else what binding the address gives.
pub async fn start(options: Options) -> io::Result<Running> {
    check_speed(options.speed)?;
    for address in [Some(options.listen), options.truth].into_iter().flatten() {
        if !options.listen_anywhere {
            check_is_loopback(address)?;
        }
    }
    let world = World::new(&options).map_err(|fault| invalid(fault.to_string()))?;
    let listener = bind(options.listen).await?;
    let address = listener.local_addr()?;
    let truth_listener = match options.truth {
        Some(address) => Some(bind(address).await?),
        None => None,
    };
    let truth_address = truth_listener
        .as_ref()
        .map(TcpListener::local_addr)
        .transpose()?;
    let (gone, _) = watch::channel(());
    let shared = Arc::new(Shared {
        world: Mutex::new(world),
        start: Instant::now(),
        gone,
        planned: Notify::new(),
        log: Mutex::new(options.log),
    });
    let mut tasks = JoinSet::new();
    tasks.spawn(accept(listener, Arc::clone(&shared)));
    tasks.spawn(keep_time(Arc::clone(&shared)));
    if let Some(listener) = truth_listener {
        let shared = Arc::clone(&shared);
        tasks.spawn(connection::tell(listener, move |_| {
            Some(shared.world().truth(shared.now()))
        }));
    }
    Ok(Running {
        shared,
        address,
        truth_address,
        tasks,
    })
}

impl Running {
    /// Where the device answers.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Where the truth is told, if it is.
    pub fn truth_address(&self) -> Option<SocketAddr> {
        self.truth_address
    }

    /// The BSSID of the device that answers, or is about to be back, at the address.
    pub fn bssid(&self) -> [u8; 6] {
        let now = self.shared.now();
        self.shared.world().bssid(now)
    }

    /// Who is let in, and by which word, where the family has a login.
    pub fn login(&self) -> Option<(String, String)> {
        let (user, word) = self.shared.world().family().login()?;
        Some((user.to_owned(), word.to_owned()))
    }

    /// What is true now.
    pub fn truth(&self) -> Truth {
        let now = self.shared.now();
        self.shared.world().truth(now)
    }

    /// Takes the power away and gives it back, as a hand does: the device restarts at once, whatever
    /// its scenario does of a restart that is asked for. Nothing happens while it is gone already.
    pub fn power_cycle(&self) {
        self.turn(World::power_cycle);
    }

    /// Takes the power of the device at the address, or gives it: its network opens after the wait of
    /// its family then, as after a restart. Safe to repeat.
    pub fn power(&self, on: bool) {
        self.turn(|world, now| world.power(on, now));
    }

    /// Switches on or off a transmitter that the device counts as its own, locked or not. While one
    /// is on, it answers nowhere and its network is closed; afterwards it waits anew. Safe to repeat.
    pub fn transmitter(&self, on: bool) {
        self.turn(|world, now| world.transmitter(on, now));
    }

    /// Lets the local network that the device has stored be there, or not: while it is there, the
    /// device answers in it once its wait is over, and its own network is closed. Safe to repeat.
    pub fn joined(&self, on: bool) {
        self.turn(|world, now| world.joined(on, now));
    }

    /// What the device announces of itself while it has joined a local network.
    pub fn announcement(&self) -> Announcement {
        let now = self.shared.now();
        self.shared.world().announcement(now)
    }

    /// Whether the network of the device is open: first how it is now, and from then on each turn,
    /// none left out. It ends with the simulation.
    pub fn air(&self) -> mpsc::UnboundedReceiver<Air> {
        let now = self.shared.now();
        self.shared.world().listen(now)
    }

    /// Ends it; open connections are closed.
    pub async fn stop(mut self) {
        self.tasks.shutdown().await;
    }

    fn turn(&self, by: impl FnOnce(&mut World, Duration)) {
        let now = self.shared.now();
        by(&mut self.shared.world(), now);
        self.shared.planned.notify_one();
    }
}

/// Errors: `InvalidInput` where it is out of [`SPEEDS`].
pub(crate) fn check_speed(speed: f64) -> io::Result<()> {
    if SPEEDS.contains(&speed) {
        return Ok(());
    }
    Err(invalid(format!(
        "speed `{speed}` is not between {} and {}",
        SPEEDS.start(),
        SPEEDS.end()
    )))
}

/// Errors: `InvalidInput` where others than this computer reach it.
pub(crate) fn check_is_loopback(address: SocketAddr) -> io::Result<()> {
    if address.ip().is_loopback() {
        return Ok(());
    }
    Err(invalid(format!(
        "`{address}` is not a loopback address, and this is a toy for one computer"
    )))
}

pub(crate) async fn bind(address: SocketAddr) -> io::Result<TcpListener> {
    let listener = TcpListener::bind(address).await;
    listener.map_err(|fault| {
        io::Error::new(
            fault.kind(),
            format!("cannot listen on `{address}`: {fault}"),
        )
    })
}

struct Shared {
    world: Mutex<World>,
    start: Instant,
    /// Changes when the device goes, and every connection is reset.
    gone: watch::Sender<()>,
    /// What is due next may be another thing than before.
    planned: Notify,
    log: Mutex<Option<Box<dyn Write + Send>>>,
}

impl fmt::Debug for Shared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Shared").finish_non_exhaustive()
    }
}

impl Shared {
    fn now(&self) -> Duration {
        self.start.elapsed()
    }

    /// A panic elsewhere does not make the state wrong: each call leaves it whole.
    fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets the world answer, and what is due then be waited for.
    fn answer(&self, parsed: &Parsed) -> Handled {
        let handled = self.world().handle_parsed(parsed, self.now());
        self.write_log();
        self.planned.notify_one();
        handled
    }

    /// Writes what has come up for the log. A log that cannot be written stops nothing.
    fn write_log(&self) {
        let mut log = self.log.lock().unwrap_or_else(PoisonError::into_inner);
        let lines = self.world().take_lines();
        if let Some(log) = log.as_mut() {
            for line in lines {
                // At once, so that nothing else that goes to the same place comes in between.
                let _ = log.write_all(format!("{line}\n").as_bytes());
            }
            let _ = log.flush();
        }
    }
}

async fn accept(listener: TcpListener, shared: Arc<Shared>) {
    // The tasks of a simulation end with this set, which ends with the simulation.
    let mut tasks = JoinSet::new();
    loop {
        let accepted = listener.accept().await;
        while tasks.try_join_next().is_some() {}
        match accepted {
            Ok((stream, _)) => {
                let answering = Arc::clone(&shared);
                connection::take_in(
                    stream,
                    &mut tasks,
                    || shared.gone.subscribe(),
                    || shared.world().turns_away(shared.now()),
                    move |parsed| answering.answer(&parsed),
                );
            }
            // A connection that broke before it was accepted, or too many open files.
            Err(_) => sleep(ACCEPT_AGAIN).await,
        }
    }
}

/// Lets happen at its time what nobody asks for, and resets what is open whenever the device goes.
async fn keep_time(shared: Arc<Shared>) {
    let mut departures = 0;
    // What is due is due, even where the clock of the timer is a little ahead of the other.
    let mut now = shared.now();
    loop {
        let (due, gone) = {
            let mut world = shared.world();
            // Looking makes happen what is due.
            world.is_gone(now.max(shared.now()));
            (world.due(), world.departures())
        };
        if std::mem::replace(&mut departures, gone) != gone {
            shared.gone.send_replace(());
        }
        shared.write_log();
        tokio::select! {
            () = until(due, &shared) => now = due.unwrap_or_default(),
            () = shared.planned.notified() => {}
        }
    }
}

/// Until a time of the simulation; for ever where there is none.
async fn until(due: Option<Duration>, shared: &Shared) {
    match due {
        Some(due) => sleep_until(shared.start + due).await,
        None => std::future::pending().await,
    }
}

pub(crate) fn invalid(message: String) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, message)
}
