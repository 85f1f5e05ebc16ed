//! The report on a run over a shelf: a page to read and print, and a list for a spreadsheet.
//!
//! Both are drawn from [`ShelfOut`](crate::terms::output::loaners::ShelfOut) alone; nothing is asked and
//! nothing printed here. It guards against a report that looks better than the run was: what is not
//! proved stands before what is, a result is told by a sign and a word beside its colour, and text of
//! a device is escaped in whichever place it stands.

mod changes;
mod csv;
mod glance;
mod open;
mod page;
mod sign;
mod signals;
mod timeline;
pub(crate) mod words;

#[cfg(test)]
pub(crate) mod testing;

pub use csv::csv;
pub use page::html;
