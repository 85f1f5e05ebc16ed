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
pub(crate) mod guide;
mod history;
mod hygiene;
mod login;
mod man;
mod narrow;
mod profile;
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

use std::process::ExitCode;

use clap::{CommandFactory, Parser};
use tokio::sync::watch;

use args::{Cli, Command};
use context::{Context, Wrote};
use failure::Failure;
use screen::Tone;

use crate::terms::Exit;

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
        match command {
            Command::Read(typed) => context.or_stopped(read::run(&context, typed)).await,
            Command::Unlock(typed) => unlock::run(&context, typed).await,
            Command::Bind(typed) => bind::run(&context, typed).await,
            Command::Write(typed) => write::run(&context, typed).await,
            Command::Restore(typed) => restore::run(&context, typed).await,
            Command::Resume(typed) => resume::run(&context, typed).await,
            Command::History(typed) => context.or_stopped(history::run(&context, typed)).await,
            Command::Profile(typed) => profile::run(&context, typed),
            Command::Completions(typed) => completions::run(&context, typed),
            Command::Man(typed) => man::run(&context, typed),
        }
    };
    let exit = match command.await {
        Ok(exit) => exit,
        Err(failure) => failure.say(context.screen),
    };
    context.way_home.come_home(context.screen).await;
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
            let exit = if wrote.is_set() {
                Exit::Unproved
            } else {
                Exit::Cancelled
            };
            std::process::exit(exit.code().into());
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
