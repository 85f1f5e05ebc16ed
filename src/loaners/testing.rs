//! A sound small shelf, and its family, for the tests of this folder.

use std::sync::LazyLock;

use crate::profile::{Profile, named};

/// Loaded once for all cases of a test.
pub(super) static FAMILY: LazyLock<Profile> =
    LazyLock::new(|| named("sample-form").expect("it comes with the program"));

/// Three loaners of a built-in family.
pub(super) const SMALL: &str = include_str!("../../tests/loaners/ok/small.toml");
