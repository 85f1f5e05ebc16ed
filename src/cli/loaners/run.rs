//! `linkmend loaners check` and `reset`: from what was typed to a run over the shelf, shown as it
//! goes, and its report.

use std::{collections::BTreeSet, sync::Arc};

use super::{
    air,
    args::{LoanersCheck, LoanersReset, LoanersRun},
    exit::{after_check, after_reset},
    keys, misfit, paper,
    show::Show,
};
use crate::{
    change::Trouble,
    cli::{
        ask, context::Context, failure::Failure, login::LoginFrom, screen::Tone, target, wifi::key,
    },
    journal::{Journal, JournalError, RunRow},
    loaners::{
        self,
        run::{self, Order, Trust, World, under_way},
        shelf::{Loaner, Shelf, Wish, is_only_compared},
    },
    profile::{Profile, Security},
    session::Limits,
    terms::{
        Exit, SettingName, Untrusted, Value,
        output::loaners::{ShelfCommand, ShelfEvent, ShelfLine, ShelfOut, ShelfStep},
    },
};

/// The caution that belongs to every write over a shelf.
const CAUTION: &str = "Propulsion off or propellers removed; powered from USB or a bench supply if it can be; air over \
                       those that wait. Region and power stay as they are.";

/// What belongs to it where a loaner is reached at an address and is to have no local network.
const BY_ADDRESS: &str = "Some are reached at an address. One that is reached through its local network loses that, and \
                          is not proved then; name `local-network` in the file to leave it there.";

/// Runs `check`.
pub(super) async fn check(context: &Context, typed: &LoanersCheck) -> Result<Exit, Failure> {
    let set = Set::begin(context, &typed.run).await?;
    let order = set.order(&typed.run, ShelfCommand::Check)?;
    let out = set.carry_out(context, &typed.run, order).await?;
    Ok(after_check(&out))
}

/// Runs `reset`.
pub(super) async fn reset(context: &Context, typed: &LoanersReset) -> Result<Exit, Failure> {
    let set = Set::begin(context, &typed.run).await?;
    let mut order = set.order(&typed.run, ShelfCommand::Reset)?;
    order.dry_run = typed.writing.dry_run;
    // Simulated loaners end with their process: what was proved of them is gone too.
    if typed.anew || set.simulated.is_some() {
        order.trust = Trust::Nothing;
    }
    let keys_to = typed.keys_to.as_deref();
    if !order.dry_run {
        keys::have_a_way(context, &order, keys_to)?;
        if !typed.writing.yes {
            agree(context, &order, set.simulated.is_some()).await?;
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
    limits: Limits,
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
        let limits = target::limits(&typed.limit)?;
        // The file first: where it is faulty, nothing else matters.
        let (shelf, text, simulated) = match &typed.file {
            Some(file) => {
                let (shelf, text) = loaners::load_file(file).map_err(Failure::shelf)?;
                (shelf, text, None)
            }
            None => practice(context).await?,
        };
        open_agreed(typed, &shelf.profile)?;
        let journal = context.journal(typed.practice).await;
        let journal = journal.map_err(|failure| busy(context, typed, failure))?;
        Ok(Self {
            journal,
            shelf: Arc::new(shelf),
            text,
            limits,
            simulated,
        })
    }

    /// What is to be done. Nobody is asked anything before it makes sense.
    fn order(&self, typed: &LoanersRun, command: ShelfCommand) -> Result<Order, Failure> {
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
        run::sensible(&order).map_err(|trouble| misfit::of_order(trouble, &order))?;
        misfit::adapters(typed, &order)?;
        Ok(order)
    }

    /// Goes over the shelf, and says what came of it.
    async fn carry_out(
        &self,
        context: &Context,
        typed: &LoanersRun,
        mut order: Order,
    ) -> Result<ShelfOut, Failure> {
        let world = self.world(context, typed, &mut order).await?;
        let show = Show::new(context.screen);
        let mut watcher = |line: &ShelfLine| {
            // Putting back is a write too, and may be the first one where a cut-off change is undone.
            if let ShelfEvent::Step {
                step: ShelfStep::Writing | ShelfStep::PuttingBack,
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
        world.limits = self.limits.clone();
        self.simulate(&mut world);
        let needs_air = misfit::needs_air(order);
        // Somebody may be asked here, and may want to stop instead.
        let secrets = self.secrets(context, typed, needs_air, &mut world);
        context.or_stopped(secrets).await?;
        if !needs_air {
            return Ok(world);
        }
        world.open_agreed = open_agreed(typed, profile)?;
        let wifi = context.wifi().await;
        let wifi = wifi.map_err(|error| air::of_shelf(error.into()))?;
        let adapters = context.or_stopped(air::adapters(context, &*wifi, typed));
        order.adapters = adapters.await.map_err(air::of_shelf)?;
        for one in &order.adapters {
            let way = &context.way_home;
            way.remember(&wifi, &self.journal, one).await?;
        }
        world.wifi = Some(wifi);
        Ok(world)
    }

    /// The login and the passphrase of all of them, where there is one.
    async fn secrets(
        &self,
        context: &Context,
        typed: &LoanersRun,
        needs_air: bool,
        world: &mut World,
    ) -> Result<(), Failure> {
        let profile = &self.shelf.profile;
        let login = LoginFrom::typed(typed.login_file.as_deref()).await?;
        world.login = login.credentials(profile, context.screen).await?;
        world.passphrase = key::of_file(typed.passphrase_file.as_deref()).await?;
        if let Some(network) = &profile.network
            && needs_air
            && world.passphrase.is_none()
        {
            world.passphrase = key::of_family(network, context.screen).await?;
        }
        Ok(())
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
    #[expect(
        clippy::unused_self,
        reason = "the same shape as with practice shelves"
    )]
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
    let shelf = loaners::load_text("practice shelf", &text, std::path::Path::new("."))
        .map_err(|faults| Failure::shelf(loaners::ShelfError::Faulty(Box::new(faults))))?;
    context.screen.remark(
        Tone::Careful,
        &format!(
            "PRACTICE: these receivers are simulated in this program and {speed} times faster than \
             the real thing. Nothing real is read or changed. Three of them misbehave. Each run has \
             them anew, as the last course left them."
        ),
    );
    Ok((shelf, text, Some(Arc::new(simulated))))
}

/// The same shelf each time, so that what a person saw once is there again.
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

/// Where another program holds the journal: the run that it is at, if it is at one.
fn busy(context: &Context, typed: &LoanersRun, failure: Failure) -> Failure {
    let Failure::Journal(JournalError::Busy { pid, .. }) = &failure else {
        return failure;
    };
    let folder = context.folder(typed.practice).ok();
    let run = folder.and_then(|folder| under_way(&folder).ok().flatten());
    // One that was cut off is open on record too; whoever holds the journal now is another process.
    let holds = |run: &RunRow| pid.is_none_or(|pid| pid == run.pid);
    let Some(run) = run.filter(holds) else {
        return failure;
    };
    let title = Untrusted::new(run.run.title.as_str());
    let message = format!(
        "a run over `{title}` is under way: run {}, process {}, since {}",
        run.id.0, run.pid, run.began
    );
    let help =
        "wait for its end, or stop it with a Ctrl-C; run again, a reset goes on where it stopped";
    Failure::Trouble(Trouble::new("run-under-way", message, Some(help)).ending(Exit::Refused))
}

/// Whether secrets may go over the open networks of the family: all of them, so as the profile names
/// them.
///
/// # Errors
/// When what was typed is no name of theirs: then something else was meant.
fn open_agreed(typed: &LoanersRun, profile: &Profile) -> Result<bool, Failure> {
    let Some(name) = &typed.open_network else {
        return Ok(false);
    };
    let family = &profile.family;
    let Some(network) = &profile.network else {
        let message = format!("`{name}` is no network of {family}: it opens none");
        return Err(Failure::usage(message, "leave --open-network out"));
    };
    if network.names.contains(name) {
        return Ok(network.security == Security::Open);
    }
    let names: Vec<String> = network.names.iter().map(|one| format!("`{one}`")).collect();
    Err(Failure::usage(
        format!("`{name}` is no network of {family}"),
        format!("give it as the profile has it: {}", names.join(" or ")),
    ))
}

/// Says what would be written, and asks.
async fn agree(context: &Context, order: &Order, simulated: bool) -> Result<(), Failure> {
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
    let all = shelf.loaners.iter();
    let meant: Vec<_> = all.filter(|one| order.takes_part(&one.label)).collect();
    let settings: BTreeSet<&str> = meant
        .iter()
        .flat_map(|one| one.wanted.keys())
        .filter(|name| !is_only_compared(name))
        .map(SettingName::as_str)
        .collect();
    let settings: Vec<&str> = settings.into_iter().collect();
    let asking = screen.asking();
    asking.remark(
        Tone::Plain,
        &format!("It writes these and nothing else: {}.", settings.join(", ")),
    );
    let loses_its_network = |one: &Loaner| {
        let network = one.wanted.get(SettingName::LOCAL_NETWORK);
        one.at.is_some() && network == Some(&Wish::Value(Value::Absent))
    };
    if !simulated && meant.iter().any(|one| loses_its_network(one)) {
        asking.remark(Tone::Careful, BY_ADDRESS);
    }
    asking.remark(Tone::Careful, CAUTION);
    let title = Untrusted::new(shelf.title.as_str());
    let question = match meant[..] {
        [one] => format!(
            "Reset `{}` of \"{title}\"?",
            Untrusted::new(one.label.as_str())
        ),
        _ => format!("Reset {} loaners of \"{title}\"?", meant.len()),
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
