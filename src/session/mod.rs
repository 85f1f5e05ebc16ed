//! Talk to one device by one profile: read all of it, send one save.

pub mod http;
pub mod json;
pub mod limits;
pub mod lines;
pub mod origin;
pub mod page;
pub mod pointer;
#[cfg(test)]
mod testing;

pub use http::HttpError;
pub use limits::{Limit, LimitError, Limits};
pub use origin::{Origin, OriginError};
