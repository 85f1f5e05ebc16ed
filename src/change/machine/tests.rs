//! The machine in a world that misbehaves, and with events that make no sense.

mod examples;
mod nonsense;
mod resuming;
mod rules;
mod worlds;

use std::sync::Arc;

use super::*;
use crate::change::testing::{Family, Script, World, options};

/// Makes the family's change in a world with this script.
fn change(family: &Family, script: Script) -> (Report, World) {
    let mut world = World::new(family, script);
    let report = world.run(machine(family)).expect("nothing cuts it off");
    (report, world)
}

/// A new change of the family.
fn machine(family: &Family) -> Machine {
    Machine::new(
        Arc::clone(&family.profile),
        family.wanted.clone(),
        options(),
    )
}
