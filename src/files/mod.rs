//! Files of the person: read within bounds, and written whole or not at all.
//!
//! Nothing here knows what stands in a file. The journal keeps its own.

pub mod secret;
pub mod text;
pub mod whole;
