//! One program a data folder at a time where it writes.
//!
//! An advisory lock that the system drops when the process ends, however it ends; so there is no
//! stale lock to clear away. The file stays: deleting it would let two programs lock two files of
//! one name.

use std::{
    fs::{File, TryLockError},
    io::{Read, Write},
};

use super::{DataFolder, JournalError, files};

/// The held lock; dropping it lets the next program in.
#[derive(Debug)]
pub(super) struct FolderLock {
    _file: File,
}

impl FolderLock {
    /// Takes the lock of a folder, or says who holds it. Never waits.
    pub(super) fn take(folder: &DataFolder) -> Result<Self, JournalError> {
        let path = folder.path().join("lock");
        let mut file = files::open_private(&path, folder.owner())
            .map_err(|error| JournalError::writing(&path, error))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(JournalError::Busy {
                    folder: folder.path().to_owned(),
                    pid: holder(&mut file),
                });
            }
            Err(TryLockError::Error(error)) => return Err(JournalError::writing(&path, error)),
        }
        // The number is a courtesy to whoever finds the folder busy, so a full disk is no reason to
        // give up here: the journal will say so itself.
        let _ = file
            .set_len(0)
            .and_then(|()| writeln!(file, "{}", std::process::id()));
        Ok(Self { _file: file })
    }
}

/// A program that holds a journal to write it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Holder {
    /// Its process, where it could be read.
    pub pid: Option<u32>,
}

impl DataFolder {
    /// Who writes this folder's journal now; none: nobody does.
    ///
    /// The lock is shared for that moment, and a program that begins just then finds the folder busy:
    /// so this is only asked where something is open.
    pub fn holder(&self) -> Option<Holder> {
        // Without such a file nobody ever wrote here.
        let mut file = File::open(self.path().join("lock")).ok()?;
        match file.try_lock_shared() {
            Err(TryLockError::WouldBlock) => Some(Holder {
                pid: holder(&mut file),
            }),
            _ => None,
        }
    }
}

fn holder(file: &mut File) -> Option<u32> {
    let mut text = String::new();
    file.take(16).read_to_string(&mut text).ok()?;
    text.trim().parse().ok()
}
