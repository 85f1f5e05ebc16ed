//! Talk to one device by one profile: read all of it, send one save.
pub mod page;
