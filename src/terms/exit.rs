//! How a run ends, as a number that scripts can trust.

/// Every way in which a command ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Done, nothing to do, or read.
    Done,
    /// Failed; nothing was written.
    Failed,
    /// Wrong usage, or a faulty profile or file.
    Usage,
    /// No device found.
    NoDevice,
    /// Not healthy or not as wanted, where that was asked.
    NotAsWanted,
    /// The change did not take, and what was there is back, proved.
    PutBack,
    /// Refused; nothing was written.
    Refused,
    /// Unproved or unfinished.
    Unproved,
    /// Ctrl-C before any write.
    Cancelled,
}

impl Exit {
    /// The exit code of the process.
    pub fn code(self) -> u8 {
        match self {
            Exit::Done => 0,
            Exit::Failed => 1,
            Exit::Usage => 2,
            Exit::NoDevice => 3,
            Exit::NotAsWanted => 4,
            Exit::PutBack => 5,
            Exit::Refused => 6,
            Exit::Unproved => 7,
            Exit::Cancelled => 130,
        }
    }
}
