//! What strangers write, bent in every way: the readers of pages, JSON, lines, profiles and templates
//! against inputs that nobody thought of.
//!
//! ```text
//! cargo test --test fuzz                                        a second each, the same each time
//! LINKMEND_FUZZ_S=600 cargo test --release --test fuzz page     ten minutes of new inputs
//! LINKMEND_FUZZ_SEED=4711 cargo test --test fuzz page           one input again
//! ```
//!
//! Inputs are made by a structure and then damaged, or are real ones damaged: the pages of
//! `tests/forms`, the families' profiles, the documents of FAMILIES.md. An input that breaks a rule is
//! written to the target folder, with its seed on the screen.

mod corpus;
mod drive;
mod json;
mod lines;
mod mutate;
mod page;
mod profile;
mod template;
