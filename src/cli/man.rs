//! `linkmend man`: the manual, made from what `--help` says.
//!
//! ```text
//! $ linkmend man | man -l -
//! $ linkmend man ~/.local/share/man/man1 && man linkmend-unlock
//! ```

use std::{fs, io, path::Path};

use clap::{Command, CommandFactory};
use clap_mangen::Man;

use super::{args, context::Context, failure::Failure};
use crate::{change::Trouble, terms::Exit};

/// The section of programs.
const SECTION: &str = "1";

/// Runs the command.
pub(super) fn run(context: &Context, typed: &args::Man) -> Result<Exit, Failure> {
    let mut pages = Vec::new();
    let mut root = args::Cli::command();
    root.build();
    collect(&root, "linkmend", &mut pages).map_err(|error| failed("the manual", &error))?;
    let Some(folder) = &typed.folder else {
        let page = pages.into_iter().next().map(|(_, page)| page);
        context.screen.text(&page.unwrap_or_default());
        return Ok(Exit::Done);
    };
    let shown = |path: &Path| crate::terms::Untrusted::new(path.display().to_string()).to_string();
    fs::create_dir_all(folder).map_err(|error| failed(&shown(folder), &error))?;
    for (name, page) in &pages {
        let file = folder.join(format!("{name}.{SECTION}"));
        fs::write(&file, page).map_err(|error| failed(&shown(&file), &error))?;
    }
    context.screen.result(&format!(
        "{} pages written to {}",
        pages.len(),
        shown(folder)
    ));
    Ok(Exit::Done)
}

/// One page for a command and each below it.
fn collect(command: &Command, name: &str, pages: &mut Vec<(String, String)>) -> io::Result<()> {
    let page = Man::new(command.clone().display_name(name.to_owned()))
        .title(name.to_uppercase())
        .section(SECTION)
        .manual("linkmend")
        // A date would make each build another page.
        .date("")
        .source(format!("linkmend {}", env!("CARGO_PKG_VERSION")));
    let mut bytes = Vec::new();
    page.render(&mut bytes)?;
    pages.push((
        name.to_owned(),
        String::from_utf8_lossy(&bytes).into_owned(),
    ));
    for inner in command.get_subcommands() {
        collect(inner, &format!("{name}-{}", inner.get_name()), pages)?;
    }
    Ok(())
}

fn failed(what: &str, error: &io::Error) -> Failure {
    Failure::Trouble(Trouble::new(
        "man-not-written",
        format!("`{what}` could not be written: {error}"),
        Some("give a folder that you may write in, or none to print the page"),
    ))
}
