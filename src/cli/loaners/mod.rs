//! `linkmend loaners`: a whole shelf.
//!
//! What it shows: [`show`] draws, and the rest says what, without a screen: [`board`] is where each
//! loaner stands, [`table`] the live table, [`lines`] a line an event that matters, [`summary`] the end.

mod board;
mod lines;
pub(crate) mod show;
mod summary;
mod table;

#[cfg(test)]
mod tests;
