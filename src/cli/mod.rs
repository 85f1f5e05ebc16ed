//! The commands, the prompts and the screen; only the wizard, which goes the same ways, imports it.

pub mod args;
pub(crate) mod ask;
pub(crate) mod bind;
pub(crate) mod bind_mode;
pub(crate) mod changing;
mod completions;
mod consent;
pub(crate) mod context;
pub(crate) mod failure;
mod find;
pub(crate) mod guide;
mod history;
mod host;
mod hygiene;
pub mod loaners;
mod login;
mod man;
mod narrow;
pub(crate) mod profile;
pub(crate) mod read;
pub(crate) mod render;
mod restore;
mod resume;
pub(crate) mod screen;
pub(crate) mod seconds;
mod secret_file;
mod steps;
pub(crate) mod target;
mod terminal;
mod typed;
pub(crate) mod unlock;
mod values;
pub(crate) mod wifi;
mod write;

use std::{
    future::poll_fn,
    panic::{AssertUnwindSafe, catch_unwind},
    pin::pin,
    process::ExitCode,
    task::Poll,
};

use clap::{CommandFactory, Parser};
use tokio::sync::watch;

use args::{Cli, Command};
use context::{Context, Wrote};
use failure::Failure;
use screen::Tone;

use crate::{change::Trouble, terms::Exit};

/// Runs what was typed and gives the exit code of the process.
pub fn main() -> ExitCode {
    hygiene::close_memory();
    match completions::answered() {
        Ok(false) => {}
        Ok(true) => return ExitCode::SUCCESS,
        Err(error) => return usage(&error),
    }
    let typed = match Cli::try_parse() {
        Ok(typed) => typed,
        Err(error) => return usage(&error),
    };
    hygiene::log(typed.output.verbose);
    let terminal = terminal::Guard::new();
    let exit = match tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
    {
        Ok(runtime) => {
            let exit = runtime.block_on(run(typed));
            // A prompt that was left open still waits for a key; it must not hold the end up.
            runtime.shutdown_background();
            exit
        }
        Err(error) => {
            let screen = screen::Screen::new(false, false, typed.output.no_color);
            screen.fault(
                "error:",
                Tone::Bad,
                &format!("the program could not start: {error}"),
            );
            Exit::Failed
        }
    };
    drop(terminal);
    ExitCode::from(exit.code())
}

async fn run(typed: Cli) -> Exit {
    let (tell, stop) = watch::channel(false);
    let wrote = Wrote::default();
    let signals = tokio::spawn(watch_signals(tell, wrote.clone()));
    let context = Context::new(typed.output, stop, wrote);
    let command = async {
        let Some(command) = &typed.command else {
            return without_command(&context).await;
        };
        if command.target().is_some_and(args::Target::is_to_be_joined) {
            context.call_wifi();
        }
        match command {
            Command::Find(typed) => find::run(&context, typed).await,
            Command::Host => context.or_stopped(host::run(&context)).await,
            Command::Read(typed) => context.or_stopped(read::run(&context, typed)).await,
            Command::Unlock(typed) => unlock::run(&context, typed).await,
            Command::Bind(typed) => bind::run(&context, typed).await,
            Command::Write(typed) => write::run(&context, typed).await,
            Command::Restore(typed) => restore::run(&context, typed).await,
            Command::Resume(typed) => resume::run(&context, typed).await,
            Command::History(typed) => context.or_stopped(history::run(&context, typed)).await,
            Command::Loaners(typed) => loaners::run(&context, typed).await,
            Command::Profile(typed) => profile::run(&context, typed),
            Command::Completions(typed) => completions::run(&context, typed),
            Command::Man(typed) => man::run(&context, typed),
        }
    };
    let exit = Box::pin(to_the_end(&context, command)).await;
    signals.abort();
    match screen::lost() {
        Some(why) if exit == Exit::Done => {
            let text = format!("the result could not be written: {why}");
            context.screen.fault("error:", Tone::Bad, &text);
            if context.wrote.is_set() {
                Exit::Unproved
            } else {
                Exit::Failed
            }
        }
        _ => exit,
    }
}

/// Runs a command, says how it ended, and brings this computer back to its own network, however it
/// ended: a fault of this program is told as one, and is no reason to leave a person without.
async fn to_the_end(
    context: &Context,
    command: impl Future<Output = Result<Exit, Failure>>,
) -> Exit {
    let exit = match caught(command).await {
        Some(Ok(exit)) => exit,
        Some(Err(failure)) => failure.say(context.screen),
        None => {
            let exit = if context.wrote.is_set() {
                Exit::Unproved
            } else {
                Exit::Failed
            };
            Failure::Trouble(
                Trouble::new(
                    "program-fault",
                    "a fault of linkmend itself ended this command",
                    Some("`linkmend resume` tells whether something is unfinished"),
                )
                .ending(exit),
            )
            .say(context.screen)
        }
    };
    context.wrote.ended(exit);
    context.way_home.come_home(context.screen).await;
    exit
}

/// What it comes to; none where it panicked, which has been told on stderr.
async fn caught<T>(work: impl Future<Output = T>) -> Option<T> {
    let mut work = pin!(work);
    poll_fn(|waker| {
        // Nothing that a panic may have left in between is looked at again: only the way home is.
        let poll = AssertUnwindSafe(|| work.as_mut().poll(waker));
        match catch_unwind(poll) {
            Ok(poll) => poll.map(Some),
            Err(_) => Poll::Ready(None),
        }
    })
    .await
}

/// Leads a person from one question to the next; where there is nobody to ask, shows the help.
async fn without_command(context: &Context) -> Result<Exit, Failure> {
    let screen = context.screen;
    if screen.json || context.is_quiet() {
        return Err(Failure::usage(
            "without a command there are questions, and no one result to print",
            "give a command, such as `linkmend read`; see `linkmend --help`",
        ));
    }
    if !screen.can_ask() {
        screen::clap_helps(&Cli::command().render_help());
        return Ok(Exit::Usage);
    }
    crate::wizard::run(context).await
}

/// The first Ctrl-C (or SIGTERM) asks for a clean stop; a second one ends the process at once,
/// which the journal survives.
async fn watch_signals(tell: watch::Sender<bool>, wrote: Wrote) {
    use tokio::signal::unix::{SignalKind, signal};
    let (Ok(mut interrupt), Ok(mut terminate)) = (
        signal(SignalKind::interrupt()),
        signal(SignalKind::terminate()),
    ) else {
        return;
    };
    for press in 0.. {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
        if press > 0 {
            terminal::restore();
            std::process::exit(wrote.exit_now().code().into());
        }
        let _ = tell.send(true);
    }
}

/// Clap's own message; with `--json` among the words as the object that scripts wait for.
fn usage(error: &clap::Error) -> ExitCode {
    let asks_for = |option: &str| std::env::args_os().any(|word| word == option);
    let asks_for_json = asks_for("--json");
    if asks_for("--no-color") {
        anstream::ColorChoice::Never.write_global();
    }
    if error.use_stderr() && asks_for_json {
        let screen = screen::Screen::new(true, false, true);
        // Up to the first empty line it says what is wrong, on lines of their own what it names.
        let text = error.to_string();
        let lines = text.lines().map(str::trim);
        let said: Vec<&str> = lines.take_while(|line| !line.is_empty()).collect();
        let said = said.join(" ");
        let message = said.trim_start_matches("error: ");
        Failure::usage(message, "see `linkmend --help`").say(screen);
    } else {
        screen::clap_says(error);
    }
    ExitCode::from(
        if error.use_stderr() {
            Exit::Usage
        } else {
            Exit::Done
        }
        .code(),
    )
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::{
        journal::{DataFolder, Journal},
        wifi::{
            AdapterName, HomeConnection, Wifi,
            fake::{FakeAir, On},
        },
    };

    /// How a command ends.
    type End = fn(&Context) -> Result<Exit, Failure>;

    #[tokio::test(start_paused = true)]
    async fn however_a_command_ends_the_computer_is_home_again_and_the_end_stays_its_own() {
        let top = tempfile::tempdir().expect("a folder");
        let journal = Journal::open(&DataFolder::at(&top.path().join("data"))).expect("opened");
        let adapter = AdapterName::new("wlan0");
        let panics = |context: &Context| {
            context.wrote.set();
            panic!("a fault that is made up");
        };
        let ends: [(End, Exit); 4] = [
            (|_| Ok(Exit::NotAsWanted), Exit::NotAsWanted),
            (|_| Err(Failure::Stopped), Exit::Cancelled),
            (|_| panic!("a fault that is made up"), Exit::Failed),
            (panics, Exit::Unproved),
        ];
        for (end, exit) in ends {
            let air = FakeAir::new(&["wlan0"]);
            let home = HomeConnection {
                id: "uuid of Boathouse".into(),
                name: "Boathouse".into(),
            };
            air.live_at(&adapter, home);
            let wifi: Arc<dyn Wifi> = Arc::new(air.clone());
            let (_tell, stop) = watch::channel(false);
            let context = Context::new(args::Output::default(), stop, Wrote::default());
            let command = async {
                let way = &context.way_home;
                way.remember(&wifi, &journal, &adapter).await?;
                air.set_state(&adapter, crate::wifi::AdapterState::Unavailable);
                air.set_state(&adapter, crate::wifi::AdapterState::Ready);
                assert_eq!(air.on(&adapter), On::Nothing);
                end(&context)
            };
            assert_eq!(to_the_end(&context, command).await, exit);
            assert_eq!(air.on(&adapter), On::Home, "{exit:?}");
            assert_eq!(context.wrote.exit_now(), exit);
            assert_eq!(journal.left_away().await.expect("read"), []);
        }
    }
}
