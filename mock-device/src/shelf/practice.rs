//! The shelf to practise on: the school's twenty-four, on the evening before a course.

use std::{io, time::Duration};

use super::{Condition, Keys, Places, Shelf, ShelfOptions, start_with};
use crate::{Family, Scenario, server::check_speed};

/// How many loaners the school has.
const LOANERS: usize = 24;

/// What its last visitors left, in the order of the list. Three misbehave.
fn condition(index: usize) -> Condition {
    match index {
        // It says that it has saved, and keeps its old lock.
        4 => Condition::Is(Scenario::LockReturns),
        // Nobody finds it.
        13 => Condition::Absent,
        // A visitor took the wrong one home, and left his own.
        19 => Condition::Stranger,
        // As the last course had them: without a lock, all steered by one transmitter.
        2 | 9 | 16 | 22 => Condition::Is(Scenario::Healthy),
        1 | 8 | 15 => Condition::Visited,
        _ => Condition::Is(Scenario::Locked),
    }
}

/// Starts twenty-four `sample-form` receivers named after water birds, each on a port of its own, all
/// with the school's bind key and each to have a slot of its own. Most are locked to slot 7 or not at
/// all. Three misbehave: one keeps its old lock although it says that it has saved, one never appears,
/// and in the place of one stands somebody else's. `speed` divides their waits and is one of
/// [`SPEEDS`](crate::SPEEDS).
///
/// Errors: as of [`start`](super::start).
pub async fn practice(seed: u64, speed: f64) -> io::Result<Shelf> {
    check_speed(speed)?;
    let mut options = ShelfOptions::new(Family::SampleForm, LOANERS);
    options.seed = seed;
    options.speed = Some(speed);
    options.pause = Duration::from_millis(300)
        .div_f64(speed.max(1.0))
        .max(SHORTEST_PAUSE);
    options.places = Places::Ports;
    options.keys = Keys::OfTheSchool;
    let mut shelf = start_with(options, (0..LOANERS).map(condition).collect()).await?;
    shelf.title = "Practice shelf of the Tarn Sailing School";
    Ok(shelf)
}

/// As soon as a restart can follow its answer without hurrying it.
const SHORTEST_PAUSE: Duration = Duration::from_millis(2);
