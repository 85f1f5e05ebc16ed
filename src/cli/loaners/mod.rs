//! `linkmend loaners`: a whole shelf, described in one file.
//!
//! What a run shows: `show` draws, and the rest says what, without a screen: `board` is where
//! each loaner stands, `table` the live table, `lines` a line an event that matters, `summary`
//! the end.

mod add;
mod air;
pub mod args;
mod board;
mod exit;
mod init;
mod keys;
mod lines;
mod misfit;
mod paper;
mod report;
mod run;
mod show;
mod summary;
mod table;

#[cfg(test)]
mod tests;

use super::{context::Context, failure::Failure};
use crate::{loaners, terms::Exit};

/// Runs the command.
pub(super) async fn run(context: &Context, typed: &args::Loaners) -> Result<Exit, Failure> {
    match typed {
        args::Loaners::Init(typed) => init::run(context, typed).await,
        args::Loaners::Add(typed) => add::run(context, typed).await,
        args::Loaners::Check(typed) => run::check(context, typed).await,
        args::Loaners::Reset(typed) => run::reset(context, typed).await,
        args::Loaners::Report(typed) => report::run(context, typed),
        args::Loaners::Schema => {
            context.screen.document(&loaners::schema());
            Ok(Exit::Done)
        }
    }
}
