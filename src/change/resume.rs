//! From the steps that the journal kept to where a cut-off change stands.

use super::{
    machine::CutOff,
    step::{Direction, Step},
};
use crate::terms::Snapshot;

/// Where a cut-off change stands; none when nothing of it ever left for the device.
///
/// The mark is that of the last acting request, since only a restart after it proves anything. A
/// request whose end is not on record counts as sent.
pub fn cut_off(original: &Snapshot, steps: &[Step], undo: bool) -> Option<CutOff> {
    let mut last = None;
    let mut earlier = None;
    for step in steps {
        match step {
            Step::Writing {
                direction,
                witness,
                at,
                ..
            } => {
                earlier = last.replace((*direction, (witness.clone(), at.clone())));
            }
            Step::Wrote { not_sent: true, .. } => last = earlier.take(),
            _ => {}
        }
    }
    let (direction, mark) = last?;
    Some(CutOff {
        original: original.clone(),
        wrote: Some(mark),
        direction: if undo { Direction::Back } else { direction },
    })
}
