//! How a family behaves: data and never code.
//!
//! A file is loaded by [`load_file`] or [`load_text`] into a checked [`Profile`], or refused with
//! all of its [`Faults`]; the families that come with the program are [`built_in`]. What must
//! agree between the two ends is a [`System`]. [`meaning`] turns what stands on a page into values
//! and back.

mod announce;
mod builtin;
pub(crate) mod characters;
mod check;
mod check_setting;
pub mod diag;
mod file;
mod format;
mod format_setting;
#[cfg(test)]
mod golden;
mod key_rule;
pub(crate) mod kinds;
pub(crate) mod load;
pub mod meaning;
pub mod model;
mod pattern;
mod round;
pub(crate) mod schema;
pub(crate) mod shape;
pub mod system;
pub mod template;
#[cfg(test)]
mod testing;
pub(crate) mod tree;
mod typed;
mod wire;
pub mod words;

pub use announce::{Announce, Marks};
pub use builtin::{built_in, built_in_systems, named};
pub use diag::{Code, Fault, Faults};
pub use file::{LoadError, load_file};
pub use load::load_text;
pub use meaning::WriteError;
pub use model::*;
pub use pattern::raw_number;
pub use schema::{schema, system_schema};
pub use system::{Agree, Rule, System, load_system};
pub use template::Template;
pub use words::{KeyHash, KeyHow, KeyRule, WordsError};
