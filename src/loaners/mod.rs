//! A loan shelf: receivers that look alike, checked and reset in one go.
//!
//! The file of a shelf says what each loaner should be: [`load_file`] gives a checked
//! [`shelf::Shelf`] or all faults at once, [`csv`] reads rows that a spreadsheet wrote, [`mod@write`]
//! makes a new file or adds a row to one. [`pairs`] judges bind keys and locks across the shelf,
//! [`draw`] draws what is to be unique. [`schedule`] says in which order, and [`run`] carries it out;
//! what a run tells is in [`crate::terms::output::loaners`]. Nothing here talks to a person.

pub mod csv;
pub mod draw;
mod file;
mod format;
#[cfg(test)]
mod golden;
pub mod pairs;
mod rows;
pub mod run;
pub mod schedule;
pub mod shelf;
#[cfg(test)]
mod testing;
mod wish;
pub mod write;

pub use file::{ShelfError, family, load_file, load_text};
pub use format::schema;
