//! What the steps of a change that was cut off say about it.

use super::{BootTime, Direction, Since, Snapshot, Step, Wanted, Witness};

/// A change that was cut off, as the journal has it.
#[derive(Debug, Clone, PartialEq)]
pub struct CutOff {
    /// What was there before it.
    pub original: Snapshot,
    /// The mark of the device's start before the last save, and when that was. A restart before
    /// the last save proves nothing of what it wrote.
    pub wrote: Option<(Option<Witness>, BootTime)>,
    /// Where to go now.
    pub direction: Direction,
    /// Since when what is to be put back is not as it was: since this change's own save, where it
    /// was on its way back already.
    pub since: Since,
}

impl CutOff {
    /// From what was kept before the change and its durable steps, of all its runs and in order:
    /// what was cut off, and what the change wants. It goes on the way that it was on last, or was
    /// about to take since it had not taken; to undo, set `direction`. None: nothing can have been written, since each save that was
    /// announced is known not to have left.
    pub fn from_steps(original: Snapshot, steps: &[Step]) -> Option<(Self, Wanted)> {
        let mut wanted = None;
        let mut heading = None;
        let (mut sent, mut announced) = (None, None);
        let mut took = true;
        for step in steps {
            match step {
                Step::Writing {
                    direction,
                    wanted: to,
                    witness,
                    at,
                    ..
                } => {
                    sent = announced.or(sent);
                    announced = Some((witness.clone(), at.clone()));
                    heading = Some(*direction);
                    if *direction == Direction::There {
                        wanted.get_or_insert_with(|| to.clone());
                    }
                }
                Step::Wrote { not_sent: true, .. } => announced = None,
                Step::ReadBack { holds, .. } | Step::Proved { holds, .. } => took = *holds,
                // It did not take and was to be put back, though nothing of that was written yet.
                Step::Planned {
                    direction: Direction::Back,
                    ..
                } if !took => heading = Some(Direction::Back),
                _ => {}
            }
        }
        let direction = heading?;
        let (witness, at) = announced.or(sent)?;
        let cut_off = Self {
            original,
            wrote: Some((witness, at)),
            direction,
            since: match direction {
                Direction::Back => Since::OwnSave,
                Direction::There => Since::Unknown,
            },
        };
        Some((cut_off, wanted.unwrap_or_default()))
    }
}
