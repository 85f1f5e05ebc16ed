//! `linkmend loaners`: a whole shelf, described in one file.

pub mod args;
mod init;

use super::{context::Context, failure::Failure};
use crate::{loaners, terms::Exit};

/// Runs the command.
pub(super) fn run(context: &Context, typed: &args::Loaners) -> Result<Exit, Failure> {
    match typed {
        args::Loaners::Init(typed) => init::run(context, typed),
        args::Loaners::Schema => {
            context.screen.document(&loaners::schema());
            Ok(Exit::Done)
        }
    }
}
