//! The program as a person or a script meets it: one binary, one module per command, against
//! simulated receivers on loopback whose true state is read beside the wire.

mod browser;
mod claims;
mod harness;
mod interrupt;
mod kill;
mod read;
mod relay;
mod resume;
mod unlock;
