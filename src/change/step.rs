//! What the journal keeps of a change, step by step: enough for `resume` to know where it stopped.

use serde::{Deserialize, Serialize};

use super::plan::{PlanLine, Wanted};
use crate::terms::{RequestName, SaveName, Witness};

/// A point in time that goes on while the computer sleeps, and the start of the computer that it
/// counts from: two of one start can be compared, others cannot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BootTime {
    /// Seconds since the computer started.
    pub seconds: f64,
    /// Which start: equal until the computer starts again.
    pub boot: String,
}

impl BootTime {
    /// Seconds since an earlier time; none when the computer was started in between.
    pub fn since(&self, earlier: &BootTime) -> Option<f64> {
        (self.boot == earlier.boot).then_some(self.seconds - earlier.seconds)
    }
}

/// Where a leg of a change goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// To what is wanted.
    There,
    /// Back to what was there.
    Back,
}

/// One step of a change. Each is durable before what it announces is done.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// What is to be written; asked for next.
    Planned {
        /// Where to.
        direction: Direction,
        /// Setting by setting.
        lines: Vec<PlanLine>,
    },
    /// The person, or `--yes`, agreed.
    Agreed,
    /// An acting request that writes is sent next.
    Writing {
        /// Where to.
        direction: Direction,
        /// Which save.
        save: SaveName,
        /// All that this leg wants.
        wanted: Wanted,
        /// The mark of the device's start, just before.
        witness: Option<Witness>,
        /// When.
        at: BootTime,
    },
    /// How that request ended.
    Wrote {
        /// Which save.
        save: SaveName,
        /// In words, escaped.
        how: String,
        /// Whether it surely never reached the device.
        not_sent: bool,
    },
    /// What the device showed after a save.
    ReadBack {
        /// Whether it was as it should be.
        holds: bool,
        /// What was not.
        differs: String,
    },
    /// The restart request is sent next, or the restart that a save causes is awaited.
    Restarting,
    /// The wait for the device is over.
    There {
        /// Whether it was seen to be gone in between.
        gone: bool,
        /// Whether it is there.
        there: bool,
    },
    /// A request that writes no setting is sent next, such as the one for bind mode.
    Asking(RequestName),
    /// How that request ended, in words, escaped.
    Asked(String),
    /// What the device showed at the end of a leg.
    Proved {
        /// Whether a restart was witnessed, where one is needed.
        restarted: bool,
        /// Whether it was as it should be.
        holds: bool,
        /// What was not.
        differs: String,
    },
}

impl Step {
    /// Every name that a step of a written change can have, in the order in which they first occur.
    pub const NAMES: [&str; 10] = [
        "planned",
        "agreed",
        "writing",
        "wrote",
        "restarting",
        "there",
        "read-back",
        "planned-back",
        "writing-back",
        "proved",
    ];

    /// The name under which the journal keeps it, and a checkpoint's name in debug builds.
    pub fn name(&self) -> &'static str {
        match self {
            Step::Planned {
                direction: Direction::There,
                ..
            } => "planned",
            Step::Planned {
                direction: Direction::Back,
                ..
            } => "planned-back",
            Step::Agreed => "agreed",
            Step::Writing {
                direction: Direction::There,
                ..
            } => "writing",
            Step::Writing {
                direction: Direction::Back,
                ..
            } => "writing-back",
            Step::Wrote { .. } => "wrote",
            Step::ReadBack { .. } => "read-back",
            Step::Restarting => "restarting",
            Step::There { .. } => "there",
            Step::Asking(_) => "asking",
            Step::Asked(_) => "asked",
            Step::Proved { .. } => "proved",
        }
    }
}
