//! The program as a person or a script meets it: one binary, one module per command, against
//! simulated receivers on loopback whose true state is read beside the wire.

mod harness;
mod interrupt;
mod kill;
mod resume;
mod unlock;
