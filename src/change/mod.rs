//! Put a setting right and prove it: the one place that writes.
//!
//! Read in this order: [`plan`] (what is to be written), [`machine`] (what happens in which order,
//! as pure code; `leg` is one way of the device, there or back, and `stop` the words with which it
//! ends early), [`compare`] (whether it took, and whether anything else moved), [`driver`] (carries
//! it out), [`ports`] (what the driver needs from the world), [`over_session`], [`over_wifi`],
//! [`by_hand`] and [`clock`] (the world as it is), [`step`] (what the journal keeps, so that `resume` knows), [`report`] (how it
//! ended), [`checkpoint`] (where tests cut the power), [`out`] (all of it as JSON), [`secrets`] (which secret
//! a change sends).
//!
//! The words: a *place* is where a raw thing stands in an answer, a *row* says which raw things mean
//! which value, an *overlay* is what is to stand at which place instead, a *save* is one acting
//! request that writes places, a *leg* is the saves and the restart that lead there or back, and a
//! *mark* (or *witness*) is what tells one start of the device from the next.
//!
//! What holds, and is tested: nothing is written before what was there is durable; nothing is
//! written to a device other than the one that was read; "done" is said only of what was read
//! back, after a witnessed restart where the family restarts; a change that does not take is put
//! back, once, and that is proved as well.

pub mod bind_mode;
pub mod by_hand;
pub mod checkpoint;
pub mod clock;
pub mod compare;
pub mod driver;
mod leg;
pub mod machine;
pub mod out;
pub mod over_session;
pub mod over_wifi;
pub mod plan;
pub mod ports;
pub mod report;
pub mod secrets;
pub mod step;
mod stop;
#[cfg(test)]
pub(crate) mod testing;

pub use machine::{Action, CutOff, Event, Machine, Options, Unfinished};
pub use plan::{Plan, PlanLine, PlannedSave, Wanted};
pub use report::{Line, Report, Trouble};
pub use step::{BootTime, Direction, Step};
