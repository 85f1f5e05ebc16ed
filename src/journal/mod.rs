//! What was read and changed, durable before it is relied on.
//!
//! One `SQLite` file, `journal.sqlite3`, in the person's data folder. [`Journal`] writes it and
//! [`Archive`] reads it, any number at once. What is kept here is what a cut-off change is finished
//! or undone from, so four things hold:
//!
//! - A call that returns has its rows on the disk (write-ahead log, `synchronous=FULL`), and a
//!   call that fails has left nothing of its own. The writer lives on either way.
//! - Nothing is rewritten. Steps and records are appended and ordered by row, since clocks jump in
//!   the field. Only [`Journal::forget`] removes, and then for good.
//! - A journal that is damaged, or of a later program, is refused and not touched.
//! - Secrets stand in it in the clear, since putting back needs them. So the folder and its files
//!   are the person's alone, and what is shown of a secret is [`Journal::fingerprint`].
//!
//! Nothing here talks to a device or a person, and no two programs write one data folder.

mod archive;
mod away;
mod cut_off;
mod device;
mod error;
mod files;
mod fingerprint;
mod folder;
pub mod ledger;
mod lock;
mod rows;
mod schema;
mod shelf;
mod summary;
mod surroundings;
#[cfg(test)]
mod tests;
mod write;
mod writer;

pub use archive::Archive;
pub use away::{AwayId, LeftAway};
pub use cut_off::Unsettled;
pub use error::{Cause, JournalError};
pub use folder::DataFolder;
pub use lock::Holder;
pub use rows::{
    ChangeId, ChangeRow, DeviceId, DeviceRow, Forgotten, Kept, NewChange, RecordFacts, RecordId,
    RecordRow, StepId, StepRow,
};
pub use shelf::{Begun, NewRun, ResultRow, RunId, RunRow, RunState};
pub use writer::Journal;

/// The kind of the step that ends a change, with how it ended.
pub const ENDED: &str = "end";

/// The kind of the step by which a person closed a change that stays unproved.
pub const CLOSED: &str = "closed";

/// The kind of the step that holds what a person said after a change, apart from what was proved.
pub const SAID: &str = "said";
