//! The words of the trade as types, below everything else.
//!
//! Nothing here knows a network, a disk or a screen. What is out of range never becomes a
//! [`Value`], what a device says is [`Untrusted`] until somebody escapes it, and every command's
//! JSON is a type in [`output`].

pub mod condition;
pub mod exit;
pub mod identity;
pub mod kind;
pub mod mac;
pub mod name;
pub mod output;
pub mod plan;
pub mod pointer;
pub mod raw;
pub mod snapshot;
pub mod untrusted;
pub mod value;

pub use condition::{Condition, Finding};
pub use exit::Exit;
pub use identity::{Bssid, Identity, Sameness};
pub use kind::{ChoiceOption, Kind, NumberRange, ValueError};
pub use mac::{Mac, MacError};
pub use name::{NameError, PlaceName, RequestName, SaveName, SettingName};
pub use plan::{Overlay, Proof};
pub use pointer::{Pointer, PointerError};
pub use raw::Raw;
pub use snapshot::{Device, Entry, Reading, Role, Snapshot, Witness};
pub use untrusted::Untrusted;
pub use value::Value;
