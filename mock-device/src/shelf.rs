//! A whole shelf of simulated receivers in one process: each with an address, marks, settings and
//! mishaps of its own.
//!
//! What a client is told of them ([`Lent`], [`Shelf::toml`]) is what stands on their stickers; what
//! they really are is told beside the wire ([`Shelf::truth`]).
//!
//! # What a neighbour does, and what a client can guard
//!
//! A request may be answered by a neighbour of the shelf in place of the receiver to whose address it
//! was sent ([`Fault::Neighbour`](crate::Fault::Neighbour)), as happens where all have one network
//! name and one address. A reading shows the neighbour's serial, and so a client can notice. A save
//! or a restart that goes astray carries the token or the cookie of the page that it was made from,
//! which the neighbour never gave out: the receivers of the families that show a serial refuse it.
//! Where neither is so (`sample-script`: no serial, no token) nothing on the wire could be noticed, and
//! no neighbour answers: that a join goes to one BSSID is what guards there. Whatever a receiver did
//! with a request that was meant for another stands in its truth, with
//! [`sent_to`](crate::RequestTruth::sent_to).

use std::{
    io,
    net::SocketAddr,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use tokio::{sync::watch, task::JoinSet, time::Instant};

use crate::{
    Chaos, Family, Scenario, Truth,
    cast::{Cast, Marks},
    connection,
    seed::Seed,
    server::{Options, bind, check_is_loopback, check_speed, invalid},
    world::World,
};

mod birds;
mod condition;
mod list;
mod practice;
mod sockets;
mod truth;

pub use condition::{Condition, Conditions, ConditionsSyntax};
pub use list::Lent;
pub use practice::practice;
pub use truth::{ReceiverTruth, ShelfTruth};

/// Most receivers of a shelf.
pub const MOST: usize = 10_000;

/// The most receivers that can have a slot each: slots are 1 to 40.
pub const MOST_SLOTS: usize = 40;

/// The port of the first receiver where each has one, and the port of all otherwise, is free.
const FREE_PORT: u16 = 0;

/// Where the receivers answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Places {
    /// Each at a loopback address of its own, from 127.1.0.1 on, all at this port; 0 takes a free one.
    /// One socket does for all of them, which hears nothing but loopback. Linux alone has so many
    /// loopback addresses.
    Addresses(u16),
    /// All at 127.0.0.1, each at a free port and on a socket of its own.
    Ports,
}

/// Which transmitters steer the receivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keys {
    /// Each receiver has its own bind key, and needs no model lock: none is wanted.
    OfEach,
    /// All have the bind key of the school, and each is to have a slot of its own, from 1 on.
    OfTheSchool,
}

/// What shelf to simulate.
#[derive(Debug)]
pub struct ShelfOptions {
    /// The family of all receivers.
    pub family: Family,
    /// How many: 1 to [`MOST`].
    pub count: usize,
    /// What they are like.
    pub conditions: Conditions,
    /// Marks, keys, tokens, waits and mishaps follow from it.
    pub seed: u64,
    /// Divides the waits of the family, one of [`SPEEDS`](crate::SPEEDS); none: there are none.
    pub speed: Option<f64>,
    /// Time between the answer to what restarts a receiver and the restart.
    pub pause: Duration,
    /// Where they answer.
    pub places: Places,
    /// Which transmitters steer them.
    pub keys: Keys,
    /// What goes wrong with each of them again and again.
    pub chaos: Option<Chaos>,
    /// Where the truth is told over HTTP: `/` of all of them, `/3` of the third.
    pub truth: Option<SocketAddr>,
}

impl ShelfOptions {
    /// So many locked receivers, each with a bind key and a loopback address of its own, at full length.
    pub fn new(family: Family, count: usize) -> Self {
        Self {
            family,
            count,
            conditions: Conditions::all(Condition::Is(Scenario::Locked)),
            seed: 1,
            speed: Some(1.0),
            pause: Duration::from_millis(300),
            places: Places::Addresses(FREE_PORT),
            keys: Keys::OfEach,
            chaos: None,
            truth: None,
        }
    }
}

/// A shelf that runs until it is stopped or dropped.
#[derive(Debug)]
pub struct Shelf {
    shared: Arc<Shared>,
    title: &'static str,
    keys: Keys,
    truth_address: Option<SocketAddr>,
    tasks: JoinSet<()>,
}

/// Starts a shelf inside the present tokio runtime.
///
/// Errors: `InvalidInput` where there are none, more than [`MOST`], more than [`MOST_SLOTS`] that are to
/// have a slot each, a speed out of [`SPEEDS`](crate::SPEEDS), a condition that the family cannot have,
/// or a truth address that is not loopback; else what binding the addresses gives.
pub async fn start(options: ShelfOptions) -> io::Result<Shelf> {
    check(&options)?;
    let conditions = options.conditions.deal(options.count, options.seed);
    start_with(options, conditions).await
}

async fn start_with(options: ShelfOptions, conditions: Vec<Condition>) -> io::Result<Shelf> {
    let mut slots = Vec::with_capacity(options.count);
    let mut lent = Vec::with_capacity(options.count);
    let marks = Marks::new(options.seed);
    for (index, condition) in conditions.into_iter().enumerate() {
        let (world, row) = put_up(&options, marks, index, condition)?;
        slots.push(Slot::new(world));
        lent.push(row);
    }
    let sockets = sockets::open(options.places, options.count).await?;
    for (row, address) in lent.iter_mut().zip(sockets.addresses()) {
        row.address = address;
    }
    let truth_listener = match options.truth {
        Some(address) => Some(bind(address).await?),
        None => None,
    };
    let truth_address = match &truth_listener {
        Some(listener) => Some(listener.local_addr()?),
        None => None,
    };
    let shared = Arc::new(Shared {
        family: options.family,
        seed: options.seed,
        start: Instant::now(),
        lent,
        slots,
    });
    let mut tasks = JoinSet::new();
    sockets.serve(&shared, &mut tasks);
    if let Some(listener) = truth_listener {
        let shared = Arc::clone(&shared);
        tasks.spawn(connection::tell(listener, move |path| {
            truth::at(&shared, path)
        }));
    }
    Ok(Shelf {
        shared,
        title: "The Tarn Sailing School's loaners",
        keys: options.keys,
        truth_address,
        tasks,
    })
}

fn check(options: &ShelfOptions) -> io::Result<()> {
    let count = options.count;
    if !(1..=MOST).contains(&count) {
        return Err(invalid(format!(
            "a shelf has 1 to {MOST} receivers, not {count}"
        )));
    }
    if options.keys == Keys::OfTheSchool && count > MOST_SLOTS {
        return Err(invalid(format!(
            "with one bind key for all there are {MOST_SLOTS} slots, and {count} receivers are too many"
        )));
    }
    options.speed.map_or(Ok(()), check_speed)?;
    options.truth.map_or(Ok(()), check_is_loopback)
}

/// One receiver and its row.
fn put_up(
    options: &ShelfOptions,
    marks: Marks,
    index: usize,
    condition: Condition,
) -> io::Result<(World, Lent)> {
    let family = options.family;
    let (start, digits) = family.plate();
    let serial = marks.serial(index, start, digits);
    let mut single = Options::new(family, condition.scenario());
    single.seed = Seed::stream(options.seed, &format!("receiver {index}")).next();
    // A number divided by infinity is nothing: without a speed there are no waits.
    single.speed = options.speed.unwrap_or(f64::INFINITY);
    single.pause = options.pause;
    single.faults = condition.faults();
    let is_strange = condition == Condition::Stranger;
    let cast = Cast {
        serial: if is_strange {
            marks.strange(index, start, digits)
        } else {
            serial.clone()
        },
        bssid: marks.bssid(if is_strange { index + MOST } else { index }),
        name: birds::name(index),
        bind_key: (options.keys == Keys::OfTheSchool)
            .then(|| Seed::stream(options.seed, "bind key").bytes()),
        visited: condition == Condition::Visited,
        chaos: options.chaos.clone(),
    };
    let world = World::with(&single, Some(&cast));
    let mut world = world.map_err(|fault| invalid(fault.to_string()))?;
    if condition == Condition::Absent {
        world.power(false, Duration::ZERO);
    }
    let mut slot = None;
    if options.keys == Keys::OfTheSchool {
        slot = u8::try_from(index + 1).ok();
    }
    let row = Lent {
        label: birds::name(index),
        serial: family.shows_serial().then_some(serial),
        bssid: marks.bssid(index),
        // It is known once the sockets are open.
        address: SocketAddr::from(([127, 0, 0, 1], FREE_PORT)),
        condition,
        slot,
    };
    Ok((world, row))
}

impl Shelf {
    /// The rows of the shelf, as its list has them.
    pub fn lent(&self) -> &[Lent] {
        &self.shared.lent
    }

    /// What the receivers are.
    pub fn family(&self) -> Family {
        self.shared.family
    }

    /// Where the truth is told, if it is.
    pub fn truth_address(&self) -> Option<SocketAddr> {
        self.truth_address
    }

    /// What is true now of all of them.
    pub fn truth(&self) -> ShelfTruth {
        truth::of(&self.shared)
    }

    /// What is true now of the one of this index, as of a receiver alone.
    pub fn truth_of(&self, index: usize) -> Option<Truth> {
        let slot = self.shared.slots.get(index)?;
        Some(slot.world().truth(self.shared.now()))
    }

    /// The BSSID of the receiver of this index as it is now.
    pub fn bssid(&self, index: usize) -> Option<[u8; 6]> {
        let slot = self.shared.slots.get(index)?;
        Some(slot.world().bssid(self.shared.now()))
    }

    /// Takes the power of the receiver of this index, or gives it; whether there is one.
    pub fn power(&self, index: usize, on: bool) -> bool {
        self.turn(index, |world, now| world.power(on, now))
    }

    /// Takes its power away and gives it back; whether there is one.
    pub fn power_cycle(&self, index: usize) -> bool {
        self.turn(index, World::power_cycle)
    }

    /// A shelf file of the list: TOML, with each receiver where it answers now.
    pub fn toml(&self) -> String {
        list::toml(self.title, self.shared.family, self.keys, &self.shared.lent)
    }

    /// The same list as CSV by RFC 4180, with a line of names first.
    pub fn csv(&self) -> String {
        list::csv(&self.shared.lent)
    }

    /// Ends it; open connections are closed.
    pub async fn stop(mut self) {
        self.tasks.shutdown().await;
    }

    fn turn(&self, index: usize, by: impl FnOnce(&mut World, Duration)) -> bool {
        let Some(slot) = self.shared.slots.get(index) else {
            return false;
        };
        by(&mut slot.world(), self.shared.now());
        self.shared.keep_time(index);
        true
    }
}

/// One receiver.
#[derive(Debug)]
struct Slot {
    world: Mutex<World>,
    timing: Mutex<Timing>,
}

/// Who waits for what happens to a receiver by itself.
#[derive(Debug, Default)]
struct Timing {
    /// Changes when the device goes, and what is open is reset; only there while something is.
    gone: Option<watch::Sender<()>>,
    /// How often it went, as far as that was told.
    departures: u64,
    /// Until when somebody waits.
    waits: Option<Duration>,
}

impl Slot {
    fn new(world: World) -> Self {
        Self {
            world: Mutex::new(world),
            timing: Mutex::default(),
        }
    }

    /// A panic elsewhere does not make the state wrong: each call leaves it whole.
    fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn timing(&self) -> MutexGuard<'_, Timing> {
        self.timing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Hears when the device goes, from now on.
    fn subscribe(&self) -> watch::Receiver<()> {
        let mut timing = self.timing();
        let gone = timing.gone.get_or_insert_with(|| watch::channel(()).0);
        gone.subscribe()
    }
}

/// What all tasks of a shelf know.
#[derive(Debug)]
struct Shared {
    family: Family,
    seed: u64,
    start: Instant,
    lent: Vec<Lent>,
    slots: Vec<Slot>,
}

impl Shared {
    fn now(&self) -> Duration {
        self.start.elapsed()
    }

    /// Lets happen at its time what a receiver does by itself, and resets what is open whenever it
    /// goes. It takes a task only while there is something to wait for: a shelf is mostly still.
    fn keep_time(self: &Arc<Self>, index: usize) {
        let Some(due) = self.look(index) else {
            return;
        };
        let mut timing = self.slots[index].timing();
        if timing.waits.is_some_and(|waits| waits <= due) {
            return;
        }
        timing.waits = Some(due);
        drop(timing);
        let shared = Arc::clone(self);
        tokio::spawn(async move {
            let mut due = due;
            loop {
                tokio::time::sleep_until(shared.start + due).await;
                {
                    let mut timing = shared.slots[index].timing();
                    // Another one waits for something earlier, and will look at this too.
                    if timing.waits != Some(due) {
                        return;
                    }
                    timing.waits = None;
                }
                // What is due is due, even where the clock of the timer is a little ahead.
                shared.slots[index].world().is_gone(due.max(shared.now()));
                match shared.look(index) {
                    Some(next) => due = next,
                    None => return,
                }
                let mut timing = shared.slots[index].timing();
                if timing.waits.is_some_and(|waits| waits <= due) {
                    return;
                }
                timing.waits = Some(due);
            }
        });
    }

    /// Resets what is open where the device has gone, and says what is due next.
    fn look(&self, index: usize) -> Option<Duration> {
        let slot = &self.slots[index];
        let (due, departures) = {
            let mut world = slot.world();
            // Nobody reads them here.
            world.take_lines();
            (world.due(), world.departures())
        };
        let mut timing = slot.timing();
        let went = std::mem::replace(&mut timing.departures, departures) != departures;
        if went && let Some(gone) = &timing.gone {
            gone.send_replace(());
        }
        timing.gone.take_if(|gone| gone.receiver_count() == 0);
        due
    }
}
