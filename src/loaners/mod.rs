//! A loan shelf: receivers that look alike, checked and reset in one go.
//!
//! The file of a shelf says what each loaner should be ([`shelf`]); what a run tells is in
//! [`crate::terms::output::loaners`]. Nothing here talks to a person.

pub mod run;
pub mod schedule;
pub mod shelf;
