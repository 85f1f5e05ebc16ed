//! What was typed for a run and does not fit its shelf, told before anybody is asked.

use super::args::LoanersRun;
use crate::{
    change::Trouble,
    cli::failure::Failure,
    loaners::{
        run::Order,
        shelf::{Loaner, Shelf},
    },
    terms::{Untrusted, name::nearest},
};

/// Why an order does not make sense, with those that were probably meant by labels of nobody.
pub(super) fn of_order(trouble: Trouble, order: &Order) -> Failure {
    let shelf = &order.shelf;
    let mut meant: Vec<String> = Vec::new();
    for label in order.only.iter().flatten() {
        if !shelf.loaners.iter().any(|one| one.label == *label)
            && let Some(near) = near(shelf, label)
        {
            meant.push(format!("`{}`", Untrusted::new(near)));
        }
    }
    if meant.is_empty() {
        return Failure::Trouble(trouble);
    }
    let meant = format!("did you mean {}?", meant.join(" and "));
    let help = trouble
        .help
        .map_or_else(|| meant.clone(), |help| format!("{meant} {help}"));
    Failure::Trouble(Trouble {
        help: Some(help),
        ..trouble
    })
}

/// The label that was probably meant. No two are alike but for their case.
fn near<'a>(shelf: &'a Shelf, typed: &str) -> Option<&'a str> {
    let typed = typed.to_lowercase();
    let small: Vec<String> = shelf
        .loaners
        .iter()
        .map(|one| one.label.to_lowercase())
        .collect();
    let near = nearest(small.iter().map(String::as_str), &typed)?;
    let at = small.iter().position(|label| label == near)?;
    Some(&shelf.loaners[at].label)
}

/// Whether any loaner of a run has to be joined.
pub(super) fn needs_air(order: &Order) -> bool {
    let by_air = |one: &Loaner| one.at.is_none() && order.takes_part(&one.label);
    order.shelf.loaners.iter().any(by_air)
}

/// Refuses adapters for a run that uses none, as `--adapter` beside `--at` is refused: they would have
/// no say in the way that its requests go.
pub(super) fn adapters(typed: &LoanersRun, order: &Order) -> Result<(), Failure> {
    let option = match (typed.adapter.first(), typed.adapters) {
        (Some(name), _) => format!("--adapter {}", Untrusted::new(name.as_str())),
        (None, Some(most)) => format!("--adapters {most}"),
        (None, None) => return Ok(()),
    };
    if needs_air(order) {
        return Ok(());
    }
    Err(Failure::usage(
        format!("`{option}` would not be used: each of these loaners has its address (`at`)"),
        "leave it out; without its `at` a loaner's own network is joined",
    ))
}
