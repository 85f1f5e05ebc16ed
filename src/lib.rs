//! linkmend: find a radio-control receiver's settings page, say why it does not answer its
//! transmitter, put right what a setting can put right, prove it, and keep it on record.
//!
//! The way goes in one direction, each step a module that can be used alone:
//! [`wifi`] (the host's adapters) → [`find`] (what is there) → [`session`] (talk to one device by one
//! profile) → [`judge`] (what is wrong) → [`change`] (put it right and prove it) → [`journal`] (have it on
//! record), with [`profile`] (how a family behaves) beside them and [`terms`] (the words, as types)
//! below them all. [`cli`], the wizard and the [`report`] are the only modules that talk to a person;
//! none of the others imports them.

pub mod change;
pub mod cli;
pub mod files;
pub mod find;
pub mod journal;
pub mod judge;
pub mod loaners;
pub mod profile;
pub mod report;
pub mod session;
pub mod terms;
pub mod wifi;
mod wizard;
