//! A run over a shelf: carries out what the schedule says, one `change` a loaner.
//!
//! It decides nothing of the order ([`schedule`](super::schedule)) and nothing of a change
//! ([`crate::change`]); it brings the two together, puts on record how each loaner ended, and tells
//! whoever watches. What it guards against: a write to a loaner that is not the one of its row, a
//! second run over the same shelf, and a list at the end that says more than what is known.
//!
//! All of it runs on one thread. A session lives as long as its loaner is under way, so that memory
//! does not grow with the shelf but for what is told of each.

mod air;
mod begin;
mod drawn;
mod earlier;
mod enter;
mod findings;
mod here;
mod night;
mod one;
mod outs;
mod reach;
mod settle;
#[cfg(all(test, feature = "practice"))]
mod tests;
mod told;
mod way;

use std::{collections::BTreeSet, path::PathBuf, sync::Arc};

use secrecy::SecretString;
use tokio::sync::watch;

pub use drawn::{draw, wants_unique};
pub use earlier::{Trust, under_way};

use super::shelf::{Loaner, Shelf};
use crate::{
    change::{
        BootTime, Trouble,
        clock::SystemClock,
        ports::{Answer, Clock, Consent, Question},
    },
    journal::Journal,
    session::{BssidNow, Credentials, Limits, Origin, no_bssid},
    terms::{
        Exit, Mac, Untrusted,
        output::loaners::{ShelfCommand, ShelfLine, ShelfOut},
    },
    wifi::{AdapterName, Wifi},
};

/// The command by which the changes of a run stand in the journal.
pub const COMMAND: &str = "loaners reset";

/// What is to be done.
#[derive(Debug, Clone)]
pub struct Order {
    /// The shelf, as its file describes it.
    pub shelf: Arc<Shelf>,
    /// The file's whole text: whether it changed since an earlier run is told by it.
    pub text: String,
    /// Where the file is; looked at once more at the end, whether it changed meanwhile. None: there
    /// is no file.
    pub path: Option<PathBuf>,
    /// Read and compare, or write.
    pub command: ShelfCommand,
    /// Only these, by label; none: all.
    pub only: Option<BTreeSet<String>>,
    /// Say what would be written, and write nothing.
    pub dry_run: bool,
    /// Which results of earlier runs count.
    pub trust: Trust,
    /// The adapters that may be used. The caller has put on record what they are connected to, and
    /// takes them home afterwards.
    pub adapters: Vec<AdapterName>,
    /// How many of the loaners that need no adapter are under way at once; at least 1.
    pub at_once: usize,
    /// How many may be powered at once; at least 1.
    pub powered: usize,
    /// After how many failed loaners no other is begun; none: never.
    pub stop_after: Option<usize>,
}

impl Order {
    /// Whether a loaner is one of those that are meant.
    pub fn takes_part(&self, label: &str) -> bool {
        self.only.as_ref().is_none_or(|only| only.contains(label))
    }

    /// The whole shelf, on the usual terms.
    pub fn new(shelf: Arc<Shelf>, text: String, command: ShelfCommand) -> Self {
        Self {
            shelf,
            text,
            path: None,
            command,
            only: None,
            dry_run: false,
            trust: Trust::CutOff,
            adapters: Vec::new(),
            at_once: AT_ONCE,
            powered: POWERED,
            stop_after: None,
        }
    }
}

/// How many loaners that need no adapter are under way at once, unless said otherwise. No source:
/// enough that the journal's commits are shared, few enough for a small access point between.
pub const AT_ONCE: usize = 32;

/// How many may be powered at once, unless said otherwise. No source: as many as one adapter keeps
/// up with where a loaner waits for a minute twice and a session takes 20 s.
pub const POWERED: usize = 8;

/// What a run needs of the world.
#[derive(Clone)]
pub struct World {
    /// The record.
    pub journal: Journal,
    /// The host's Wi-Fi, where there are rows without an address.
    pub wifi: Option<Arc<dyn Wifi>>,
    /// The bounds of each session.
    pub limits: Limits,
    /// The login of all loaners, where their family asks for one.
    pub login: Option<Credentials>,
    /// The passphrase of all their networks; none: the one that the profile knows.
    pub passphrase: Option<SecretString>,
    /// Whether the person agreed that secrets go over an open network.
    pub open_agreed: bool,
    /// The network behind the address of a row; a practice receiver makes one up.
    pub bssid: Arc<dyn Fn(&Loaner) -> BssidNow>,
    /// Where the device behind an access point answers, where that is not its family's address: in a
    /// made-up air the BSSID leads to a simulated one.
    pub behind: Option<Behind>,
    /// Whether the loaners are simulated.
    pub simulated: bool,
    /// How many times faster than the real thing they restart; 1, unless they are simulated.
    pub speed: f64,
    /// The computer's time.
    pub clock: SharedClock,
    /// Becomes true when the person wants to stop.
    pub stop: watch::Receiver<bool>,
}

impl World {
    /// Real loaners on this computer, without Wi-Fi and without a login.
    pub fn new(journal: Journal, stop: watch::Receiver<bool>) -> Self {
        Self {
            journal,
            wifi: None,
            limits: Limits::default(),
            login: None,
            passphrase: None,
            open_agreed: false,
            bssid: Arc::new(|_| no_bssid()),
            behind: None,
            simulated: false,
            speed: 1.0,
            clock: SharedClock::system(),
            stop,
        }
    }
}

/// Gives the origin of the device behind an access point.
pub type Behind = Arc<dyn Fn(Mac) -> Option<Origin>>;

/// A clock that all of a run look at.
#[derive(Clone)]
pub struct SharedClock(Arc<dyn Clock + Send + Sync>);

impl SharedClock {
    /// This computer's.
    pub fn system() -> Self {
        Self(Arc::new(SystemClock::new()))
    }

    /// Another one.
    pub fn of(clock: impl Clock + Send + Sync + 'static) -> Self {
        Self(Arc::new(clock))
    }
}

impl Clock for SharedClock {
    fn now(&self) -> BootTime {
        self.0.now()
    }
}

/// Who is told what happens, as it happens.
pub trait Watcher {
    /// This happened.
    fn line(&mut self, line: &ShelfLine);
}

impl<F: FnMut(&ShelfLine)> Watcher for F {
    fn line(&mut self, line: &ShelfLine) {
        self(line);
    }
}

/// Carries a run out. The person has agreed to all that it writes; what local rules set (another
/// region, a higher power) is told and never written, since that takes the new value typed.
///
/// What is to be unique is drawn before ([`draw`]), so that it can be handed to somebody first: a
/// loaner of which a value is missing is refused.
///
/// It ends by itself, and soon after `stop` became true: what is under way goes on to where it can
/// be left. Dropped instead, it leaves what a killed process leaves, for the next run to finish.
///
/// # Errors
/// When nothing was begun: another run over the shelf is under way, the journal fails, or the order
/// does not make sense. What happens to a loaner is told of that loaner.
pub async fn run(
    order: Order,
    world: World,
    watcher: &mut dyn Watcher,
) -> Result<ShelfOut, Trouble> {
    sensible(&order)?;
    reachable(&order, &world)?;
    let night = begin::begin(order, world).await?;
    let local = tokio::task::LocalSet::new();
    local.run_until(night.go(watcher)).await
}

/// Whether an order makes sense by itself, whatever the world is like.
///
/// # Errors
/// When the shelf is empty, or somebody is named who is not on it.
pub fn sensible(order: &Order) -> Result<(), Trouble> {
    let all = &order.shelf.loaners;
    if all.is_empty() {
        return usage(
            "shelf-empty",
            format!("`{}` has no loaners", order.shelf.title),
            "give each loaner a row in the file",
        );
    }
    let labels: BTreeSet<&str> = all.iter().map(|loaner| loaner.label.as_str()).collect();
    let named = order.only.iter().flatten().map(String::as_str);
    let unknown: Vec<String> = named
        .filter(|label| !labels.contains(label))
        .map(|label| format!("`{}`", Untrusted::new(label)))
        .collect();
    if unknown.is_empty() {
        return Ok(());
    }
    usage(
        "no-such-loaner",
        format!(
            "no loaner of `{}` is called {}",
            order.shelf.title,
            unknown.join(" or ")
        ),
        "write the label as it stands in the file",
    )
}

fn usage(code: &str, message: String, help: &str) -> Result<(), Trouble> {
    Err(Trouble::new(code, message, Some(help)).ending(Exit::Usage))
}

/// What a row needs that is not there.
fn reachable(order: &Order, world: &World) -> Result<(), Trouble> {
    let takes_part = |loaner: &&Loaner| order.takes_part(&loaner.label);
    let mut needs_air = order.shelf.loaners.iter().filter(takes_part);
    let no_way = order.adapters.is_empty() || world.wifi.is_none();
    if no_way && let Some(loaner) = needs_air.find(|loaner| loaner.at.is_none()) {
        return usage(
            "no-adapter",
            format!(
                "`{}` has no address, and there is no Wi-Fi adapter to reach it through",
                loaner.label
            ),
            "`linkmend host` says what this computer can do",
        );
    }
    Ok(())
}

/// The person agreed to the whole shelf before; what local rules set is agreed to by typing its new
/// value, and nobody types here.
#[derive(Debug, Clone, Copy)]
struct Agreed;

impl Consent for Agreed {
    async fn ask(&mut self, question: &Question) -> Answer {
        match question {
            Question::Write { by_rules: None, .. } => Answer::Yes,
            Question::Write {
                by_rules: Some(line),
                ..
            } => Answer::Nobody(format!("local rules set `{}`", line.setting)),
            Question::OnlyAddress(_) | Question::BindMode => {
                Answer::Nobody("a run over a shelf asks nobody".into())
            }
        }
    }
}
