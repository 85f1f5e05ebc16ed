//! linkmend.
fn main() {}
