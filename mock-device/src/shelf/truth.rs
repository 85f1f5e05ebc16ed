//! What is true of a shelf, told beside the simulated wire.

use std::net::SocketAddr;

use serde::Serialize;

use super::{Lent, Shared};
use crate::{Family, Truth};

/// The true state of a shelf.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ShelfTruth {
    /// Always 1.
    pub format: u32,
    /// What they are.
    pub family: Family,
    /// What all of it follows from.
    pub seed: u64,
    /// The receivers, in the order of the list.
    pub receivers: Vec<ReceiverTruth>,
}

/// The true state of one receiver of a shelf.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReceiverTruth {
    /// Its row of the list. Its device may be another one: see `truth`.
    pub row: Lent,
    /// Where it answers.
    pub address: SocketAddr,
    /// What is true of it, as of a receiver alone. The first device is the one that stands there.
    pub truth: Truth,
}

/// What is told over HTTP: of all, or of one.
#[derive(Debug, Serialize)]
#[serde(untagged)]
pub(super) enum Told {
    /// Of all of them.
    All(ShelfTruth),
    /// Of one.
    One(Box<ReceiverTruth>),
}

/// What is told at a path: of all at `/`, of the third at `/3`.
pub(super) fn at(shared: &Shared, path: &str) -> Option<Told> {
    match path.strip_prefix('/')? {
        "" => Some(Told::All(of(shared))),
        number => {
            let index = number.parse::<usize>().ok()?.checked_sub(1)?;
            let one = (index < shared.slots.len()).then(|| one(shared, index))?;
            Some(Told::One(Box::new(one)))
        }
    }
}

/// The truth of all of them, one after another: a client that is at work meanwhile is not stopped.
pub(super) fn of(shared: &Shared) -> ShelfTruth {
    ShelfTruth {
        format: 1,
        family: shared.family,
        seed: shared.seed,
        receivers: (0..shared.slots.len())
            .map(|index| one(shared, index))
            .collect(),
    }
}

fn one(shared: &Shared, index: usize) -> ReceiverTruth {
    let row = shared.lent[index].clone();
    ReceiverTruth {
        address: row.address,
        row,
        truth: shared.slots[index].world().truth(shared.now()),
    }
}
