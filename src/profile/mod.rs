//! How a family behaves: data and never code.

pub mod meaning;
pub mod model;
pub mod template;
mod wire;

pub use meaning::{WriteError, raw_number};
pub use model::*;
pub use template::Template;
