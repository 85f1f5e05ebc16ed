//! `linkmend loaners check` and `reset`: from what was typed to a run over the shelf, shown as it
//! goes, and its report.

use std::{path::Path, sync::Arc};

use super::{
    args::{LoanersCheck, LoanersReset, LoanersRun},
    keys, paper,
    show::Show,
};
use crate::{
    change::Trouble,
    cli::{
        ask,
        context::Context,
        failure::Failure,
        login::LoginFrom,
        screen::Tone,
        target,
        wifi::{adapter, key},
    },
    journal::{Journal, JournalError},
    loaners::{
        self,
        run::{self, Order, Trust, World, under_way},
        shelf::{Shelf, is_only_compared},
    },
    profile::Security,
    terms::{
        Exit, SettingName, Untrusted,
        output::loaners::{LoanerResult, ShelfCommand, ShelfEvent, ShelfLine, ShelfOut, ShelfStep},
    },
    wifi::{AdapterName, Wifi, host::one_at_a_time},
};

/// The caution that belongs to every write over a shelf.
const CAUTION: &str = "Propulsion off or propellers removed; powered from USB or a bench supply if it can be; air over \
                       those that wait. Region and power stay as they are.";

/// Runs `check`.
pub(super) async fn check(context: &Context, typed: &LoanersCheck) -> Result<Exit, Failure> {
    let set = Set::begin(context, &typed.run).await?;
    let order = set.order(&typed.run, ShelfCommand::Check);
    let out = set.carry_out(context, &typed.run, order).await?;
    Ok(after_check(&out))
}

/// Runs `reset`.
pub(super) async fn reset(context: &Context, typed: &LoanersReset) -> Result<Exit, Failure> {
    let set = Set::begin(context, &typed.run).await?;
    let mut order = set.order(&typed.run, ShelfCommand::Reset);
    order.dry_run = typed.writing.dry_run;
    if typed.anew {
        order.trust = Trust::Nothing;
    }
    let keys_to = typed.keys_to.as_deref();
    if !order.dry_run {
        keys::have_a_way(context, &order, keys_to)?;
        if !typed.writing.yes {
            agree(context, &order).await?;
        }
    }
    // A dry run draws too: what it says is what is written then.
    let drawn = run::draw(&order, &set.journal);
    let drawn = drawn.await.map_err(Failure::Trouble)?;
    if !order.dry_run {
        keys::hand_over(context, &order, &drawn, keys_to).await?;
    }
    let out = set.carry_out(context, &typed.run, order).await?;
    Ok(after_reset(&out))
}

/// A shelf that may be gone over.
struct Set {
    journal: Journal,
    shelf: Arc<Shelf>,
    text: String,
    simulated: Simulated,
}

/// The practice shelf, where it is one; it serves as long as it is held.
#[cfg(feature = "practice")]
type Simulated = Option<Arc<mock_device::shelf::Shelf>>;
/// There is none in this build.
#[cfg(not(feature = "practice"))]
type Simulated = Option<std::convert::Infallible>;

impl Set {
    /// Reads the file, or puts up the practice shelf, and opens the journal.
    async fn begin(context: &Context, typed: &LoanersRun) -> Result<Self, Failure> {
        // The file first: where it is faulty, nothing else matters.
        let (shelf, text, simulated) = match &typed.file {
            Some(file) => {
                let (shelf, text) = loaners::load_file(file).map_err(Failure::shelf)?;
                (shelf, text, None)
            }
            None => practice(context).await?,
        };
        let journal = match context.journal(typed.practice).await {
            Err(Failure::Journal(JournalError::Busy { .. })) => return Err(busy(context, typed)?),
            journal => journal?,
        };
        Ok(Self {
            journal,
            shelf: Arc::new(shelf),
            text,
            simulated,
        })
    }

    fn order(&self, typed: &LoanersRun, command: ShelfCommand) -> Order {
        let mut order = Order::new(Arc::clone(&self.shelf), self.text.clone(), command);
        order.path.clone_from(&typed.file);
        if !typed.only.is_empty() {
            order.only = Some(typed.only.iter().cloned().collect());
        }
        if let Some(powered) = typed.powered {
            order.powered = powered.into();
            order.at_once = order.at_once.min(powered.into());
        }
        order.stop_after = typed.stop_after.map(Into::into);
        order
    }

    /// Goes over the shelf, and says what came of it.
    async fn carry_out(
        &self,
        context: &Context,
        typed: &LoanersRun,
        mut order: Order,
    ) -> Result<ShelfOut, Failure> {
        let world = self.world(context, typed, &mut order).await?;
        let show = Show::new(context.screen, world.speed);
        let mut watcher = |line: &ShelfLine| {
            if let ShelfEvent::Step {
                step: ShelfStep::Writing,
                ..
            } = &line.event
            {
                context.wrote.set();
            }
            show.event(line);
        };
        let out = match run::run(order, world, &mut watcher).await {
            Ok(out) => out,
            Err(trouble) => {
                drop(show);
                return Err(Failure::Trouble(trouble));
            }
        };
        let kept = self.journal.keep_summary(&out).await;
        let data = context.folder(typed.practice)?;
        let paper = paper::keep(data.path(), &out);
        show.end(&out);
        if let Err(error) = kept {
            tracing::warn!(%error, "the summary is not on record");
        }
        match paper {
            Ok(path) => context
                .screen
                .step("report", Tone::Plain, &path.display().to_string()),
            Err(failure) => {
                let text = failure.to_string();
                context.screen.fault("warning:", Tone::Careful, &text);
            }
        }
        Ok(out)
    }

    async fn world(
        &self,
        context: &Context,
        typed: &LoanersRun,
        order: &mut Order,
    ) -> Result<World, Failure> {
        let profile = &self.shelf.profile;
        let mut world = World::new(self.journal.clone(), context.stop.clone());
        world.limits = target::limits(&typed.limit)?;
        self.simulate(&mut world);
        let login = LoginFrom::typed(typed.login_file.as_deref()).await?;
        world.login = login.credentials(profile, context.screen).await?;
        let takes_part =
            |label: &String| order.only.as_ref().is_none_or(|only| only.contains(label));
        let by_air = |one: &loaners::shelf::Loaner| one.at.is_none() && takes_part(&one.label);
        if !self.shelf.loaners.iter().any(by_air) {
            return Ok(world);
        }
        let network = profile.network.as_ref();
        let is_open = network.is_some_and(|network| network.security == Security::Open);
        // All of the family's networks, so as the profile names them.
        let agreed = |network: &crate::profile::Network| {
            let names = &network.names;
            let name = typed.open_network.as_ref();
            name.is_some_and(|name| names.contains(name))
        };
        world.open_agreed = is_open && network.is_some_and(agreed);
        world.passphrase = key::of_file(typed.passphrase_file.as_deref()).await?;
        if let Some(network) = network
            && world.passphrase.is_none()
        {
            world.passphrase = key::of_family(network, context.screen).await?;
        }
        let wifi = crate::wifi::service().await?;
        order.adapters = adapters(context, &*wifi, typed).await?;
        for one in &order.adapters {
            let way = &context.way_home;
            way.remember(&wifi, &self.journal, one).await?;
        }
        world.wifi = Some(wifi);
        Ok(world)
    }

    #[cfg(feature = "practice")]
    fn simulate(&self, world: &mut World) {
        let Some(simulated) = &self.simulated else {
            return;
        };
        world.simulated = true;
        world.speed = target::PRACTICE_SPEED;
        let simulated = Arc::clone(simulated);
        world.bssid = Arc::new(move |loaner| {
            let at = loaner.at.as_ref().map(ToString::to_string);
            let index = simulated.lent().iter().position(|one| Some(one.at()) == at);
            let simulated = Arc::clone(&simulated);
            Arc::new(move || index.and_then(|index| simulated.bssid(index)))
        });
    }

    #[cfg(not(feature = "practice"))]
    fn simulate(&self, _world: &mut World) {}
}

/// The simulated shelf of the sailing school.
#[cfg(feature = "practice")]
async fn practice(context: &Context) -> Result<(Shelf, String, Simulated), Failure> {
    let speed = target::PRACTICE_SPEED;
    let simulated = mock_device::shelf::practice(SEED, speed).await;
    let simulated = simulated.map_err(|error| {
        let message = format!("the practice shelf could not be put up: {error}");
        Failure::Trouble(Trouble::new("practice-failed", message, None))
    })?;
    let text = simulated.toml();
    let shelf = loaners::load_text("practice shelf", &text, Path::new("."))
        .map_err(|faults| Failure::shelf(loaners::ShelfError::Faulty(Box::new(faults))))?;
    context.screen.remark(
        Tone::Careful,
        &format!(
            "PRACTICE: these receivers are simulated in this program and {speed} times faster than \
             the real thing. Nothing real is read or changed. Three of them misbehave."
        ),
    );
    Ok((shelf, text, Some(Arc::new(simulated))))
}

/// The same shelf each time, so that a second run finds what the first has left on record.
#[cfg(feature = "practice")]
const SEED: u64 = 1;

#[cfg(not(feature = "practice"))]
#[expect(
    clippy::unused_async,
    reason = "the same shape as with practice shelves"
)]
async fn practice(_context: &Context) -> Result<(Shelf, String, Simulated), Failure> {
    Err(Failure::usage(
        "this build has no practice shelf",
        "build it with the feature `practice`",
    ))
}

/// Another program holds the journal: the run that it is at, where it is at one.
fn busy(context: &Context, typed: &LoanersRun) -> Result<Failure, Failure> {
    let folder = context.folder(typed.practice)?;
    Ok(match under_way(&folder)? {
        Some(run) => Failure::Trouble(
            Trouble::new(
                "run-under-way",
                format!(
                    "a run over `{}` is under way: run {}, process {}, since {}",
                    Untrusted::new(run.run.title.as_str()),
                    run.id.0,
                    run.pid,
                    run.began
                ),
                Some("wait for its end, or stop it with Ctrl-C; this one goes on where it stops"),
            )
            .ending(Exit::Refused),
        ),
        None => Failure::Trouble(
            Trouble::new(
                "journal-busy",
                "another linkmend is at work and holds the journal",
                Some("wait for its end"),
            )
            .ending(Exit::Refused),
        ),
    })
}

/// The adapters that may be used: those that were named, or all that can be used.
async fn adapters(
    context: &Context,
    wifi: &dyn Wifi,
    typed: &LoanersRun,
) -> Result<Vec<AdapterName>, Failure> {
    let mut chosen = Vec::new();
    for name in &typed.adapter {
        let one = adapter::choose(wifi, Some(name)).await?;
        if !chosen.contains(&one) {
            chosen.push(one);
        }
    }
    if chosen.is_empty() {
        chosen = adapter::usable_ones(wifi).await?;
    }
    if let Some(most) = typed.adapters {
        chosen.truncate(most.into());
    }
    if let Some(command) = one_at_a_time(&chosen) {
        chosen.truncate(1);
        context.screen.remark(
            Tone::Careful,
            &format!(
                "One adapter at a time: with strict `rp_filter` the second one's answers are \
                 dropped. To use several: {command}"
            ),
        );
    }
    Ok(chosen)
}

/// Says what would be written, and asks.
async fn agree(context: &Context, order: &Order) -> Result<(), Failure> {
    let screen = context.screen;
    if !screen.can_ask() {
        return Err(Failure::Trouble(
            Trouble::new(
                "no-consent",
                "a reset writes to every loaner, and nobody is there to agree",
                Some("give --yes, or --dry-run to see what it would write"),
            )
            .ending(Exit::Refused),
        ));
    }
    let shelf = &order.shelf;
    let takes_part = |label: &String| order.only.as_ref().is_none_or(|only| only.contains(label));
    let count = shelf.loaners.iter().filter(|one| takes_part(&one.label));
    let count = count.count();
    let mut settings: Vec<&str> = shelf
        .loaners
        .iter()
        .flat_map(|one| one.wanted.keys())
        .filter(|name| !is_only_compared(name))
        .map(SettingName::as_str)
        .collect();
    settings.sort_unstable();
    settings.dedup();
    let asking = screen.asking();
    asking.remark(
        Tone::Plain,
        &format!(
            "It writes what the file names and nothing else: {}.",
            settings.join(", ")
        ),
    );
    asking.remark(Tone::Careful, CAUTION);
    let title = Untrusted::new(shelf.title.as_str());
    let of = if count == 1 { "1 loaner" } else { "loaners" };
    let question = match count {
        1 => format!("Reset {of} of \"{title}\"?"),
        many => format!("Reset {many} {of} of \"{title}\"?"),
    };
    let agreed = context
        .or_stopped(async {
            ask::confirm(question).await.map_err(|error| {
                let message = format!("the terminal does not answer: {error}");
                Failure::Trouble(Trouble::new("no-terminal", message, None).ending(Exit::Refused))
            })
        })
        .await?;
    if agreed {
        return Ok(());
    }
    Err(Failure::Trouble(
        Trouble::new("no-consent", "you did not agree; nothing was written", None)
            .ending(Exit::Refused),
    ))
}

/// 0 where all are as the file wants them.
fn after_check(out: &ShelfOut) -> Exit {
    let fine = out.findings.is_empty()
        && out
            .loaners
            .iter()
            .all(|one| one.result == LoanerResult::AsWanted);
    match (&out.error, fine) {
        (Some(error), _) if error.code == Failure::Stopped.fault().code => Exit::Cancelled,
        (_, true) => Exit::Done,
        (_, false) => Exit::NotAsWanted,
    }
}

/// 0 where all are as the file wants them, else the gravest of the loaners.
fn after_reset(out: &ShelfOut) -> Exit {
    let any =
        |results: &[LoanerResult]| out.loaners.iter().any(|one| results.contains(&one.result));
    let was_stopped = out
        .error
        .as_ref()
        .is_some_and(|error| error.code == Failure::Stopped.fault().code);
    let wrote = any(&[
        LoanerResult::Done,
        LoanerResult::PutBack,
        LoanerResult::Unproved,
    ]);
    if any(&[LoanerResult::Unproved]) || was_stopped && wrote {
        Exit::Unproved
    } else if was_stopped {
        Exit::Cancelled
    } else if any(&[LoanerResult::PutBack]) {
        Exit::PutBack
    } else if any(&[LoanerResult::Refused]) {
        Exit::Refused
    } else if any(&[LoanerResult::Failed, LoanerResult::NotTried]) {
        Exit::Failed
    } else if any(&[LoanerResult::Missing]) {
        Exit::NoDevice
    } else {
        Exit::Done
    }
}
