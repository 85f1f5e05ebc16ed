//! mock.
