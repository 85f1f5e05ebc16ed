//! `linkmend loaners report`: what came of a run, as a page or as a table.

use super::{args::LoanersReport, paper};
use crate::{
    change::Trouble,
    cli::{context::Context, failure::Failure},
    journal::{Archive, RunId},
    report,
    terms::{Exit, output::loaners::ShelfOut},
};

/// Runs the command.
pub(super) fn run(context: &Context, typed: &LoanersReport) -> Result<Exit, Failure> {
    let draw = drawing(typed)?;
    let archive = Archive::open(&context.folder(typed.practiced)?)?;
    let Some(out) = archive.summary(typed.run.map(RunId))? else {
        return Err(none(typed));
    };
    paper::write(&typed.to, &draw(&out))?;
    let path = typed.to.display();
    let line = format!("written `{path}`: run {} over {}", out.run, out.title);
    context.screen.result(&line);
    if context.screen.json {
        context.screen.object(&out);
    }
    Ok(Exit::Done)
}

/// What the end of the file's name asks for.
fn drawing(typed: &LoanersReport) -> Result<fn(&ShelfOut) -> String, Failure> {
    match typed.to.extension().and_then(|end| end.to_str()) {
        Some("html" | "htm") => Ok(paper::page),
        Some("csv") => Ok(report::csv),
        _ => Err(Failure::usage(
            format!("`{}` ends neither in .html nor in .csv", typed.to.display()),
            "a page ends in .html, a table for a spreadsheet in .csv",
        )),
    }
}

fn none(typed: &LoanersReport) -> Failure {
    let (message, help, exit) = match typed.run {
        Some(run) => (
            format!("there is no report of a run {run}: it is not in this journal, or was cut off"),
            "a run says its number at its begin; one that was cut off goes on when it is begun again",
            // As a record or a change of a number that there is not.
            Exit::Usage,
        ),
        None => (
            "no run over a shelf has come to its end yet".to_owned(),
            "`linkmend loaners check FILE` makes one; --practiced looks at practice shelves",
            Exit::Failed,
        ),
    };
    Failure::Trouble(Trouble::new("no-run", message, Some(help)).ending(exit))
}
