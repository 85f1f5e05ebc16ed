//! How a family behaves: data and never code.

pub mod model;
pub mod template;

pub use model::*;
pub use template::Template;
