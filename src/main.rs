//! The thin main.
fn main() {}
