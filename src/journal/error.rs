//! Why the journal could not be used, and what a person can do about it.
//!
//! Every error can be cloned, since one failed group commit answers many callers.

use std::{
    error::Error,
    fmt, io,
    path::{Path, PathBuf},
    sync::Arc,
};

use rusqlite::ErrorCode;

use super::files;
use crate::terms::Exit;

/// What lies below an error, shared by all who were waiting for the same commit.
#[derive(Clone)]
pub struct Cause(Arc<dyn Error + Send + Sync>);

impl fmt::Debug for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl Error for Cause {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        self.0.source()
    }
}

/// Why something could not be kept or read.
#[derive(Debug, Clone, thiserror::Error)]
pub enum JournalError {
    /// The person has no home that could hold a data folder.
    #[error("no data folder: {reason}")]
    NoFolder {
        /// Why none was found.
        reason: String,
    },
    /// The folder or a file in it may not be written: permissions, or a disk mounted read-only.
    #[error("`{path}` is not writable: {cause}")]
    FolderNotWritable {
        /// The folder or the file.
        path: PathBuf,
        /// What the system said.
        #[source]
        cause: Cause,
    },
    /// The journal is there and may not be read.
    #[error("the journal `{file}` is not readable")]
    NotReadable {
        /// The journal.
        file: PathBuf,
        /// What the system said.
        #[source]
        cause: Cause,
    },
    /// The disk, or the person's share of it, is full.
    #[error("no space left for the journal `{file}`")]
    Full {
        /// The journal.
        file: PathBuf,
        /// What the system said.
        #[source]
        cause: Cause,
    },
    /// A later program made this journal.
    #[error(
        "the journal `{file}` has version {found}, this program knows no version after {known}"
    )]
    Newer {
        /// The journal.
        file: PathBuf,
        /// Its version.
        found: i64,
        /// The last version that this program knows.
        known: i64,
    },
    /// The file is no sound journal.
    #[error("the journal `{file}` is damaged: {detail}")]
    Damaged {
        /// The journal.
        file: PathBuf,
        /// What was found.
        detail: String,
    },
    /// Another program writes this data folder now.
    #[error("the data folder `{folder}` is in use{}", by(*.pid))]
    Busy {
        /// The folder.
        folder: PathBuf,
        /// The process that holds it, where it could be told.
        pid: Option<u32>,
    },
    /// A write-ahead log would not be safe there, or others could change the journal.
    #[error("the journal cannot be kept in `{folder}`: {reason}")]
    UnsafeFolder {
        /// The folder.
        folder: PathBuf,
        /// What is unsafe about it.
        reason: String,
    },
    /// Reading or writing failed in another way.
    #[error("the journal failed at `{path}`: {cause}")]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        #[source]
        cause: Cause,
    },
    /// There is no record, change or device of this number.
    #[error("the journal holds no {what} `{number}`")]
    Unknown {
        /// `record`, `change` or `device`.
        what: &'static str,
        /// Its number.
        number: i64,
    },
    /// The change has ended already.
    #[error("change `{change}` has ended as {outcome}")]
    Ended {
        /// The change's number.
        change: i64,
        /// How it ended.
        outcome: String,
    },
    /// The writer is gone, which is a fault of this program.
    #[error("the journal's writer has stopped")]
    Stopped,
}

impl JournalError {
    /// A stable kebab-case code, for scripts.
    pub fn code(&self) -> &'static str {
        match self {
            Self::NoFolder { .. } => "journal-no-folder",
            Self::FolderNotWritable { .. } => "journal-folder-not-writable",
            Self::NotReadable { .. } => "journal-not-readable",
            Self::Full { .. } => "journal-full",
            Self::Newer { .. } => "journal-newer",
            Self::Damaged { .. } => "journal-damaged",
            Self::Busy { .. } => "journal-busy",
            Self::UnsafeFolder { .. } => "journal-unsafe-folder",
            Self::Io { .. } => "journal-io",
            Self::Unknown { .. } => "journal-unknown-entry",
            Self::Ended { .. } => "journal-change-ended",
            Self::Stopped => "journal-stopped",
        }
    }

    /// How a run ends that this stops before anything was written.
    pub fn exit(&self) -> Exit {
        match self {
            Self::Busy { .. } | Self::UnsafeFolder { .. } => Exit::Refused,
            Self::NoFolder { .. }
            | Self::FolderNotWritable { .. }
            | Self::NotReadable { .. }
            | Self::Full { .. }
            | Self::Newer { .. }
            | Self::Damaged { .. }
            | Self::Io { .. }
            | Self::Unknown { .. }
            | Self::Ended { .. }
            | Self::Stopped => Exit::Failed,
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<String> {
        let elsewhere = "name a folder on a disk of this computer with `--data-dir`";
        Some(match self {
            Self::NoFolder { .. } => "name a data folder with `--data-dir`".into(),
            Self::FolderNotWritable { .. } => {
                "make it writable for yourself, or name another folder with `--data-dir`".into()
            }
            Self::NotReadable { .. } => {
                "it belongs to somebody else: run as the person whose journal it is, or name another folder with `--data-dir`".into()
            }
            Self::Full { .. } => {
                "make room on that disk and run the command again; what was kept before is intact".into()
            }
            Self::Newer { .. } => {
                "use the newer linkmend, or begin another journal with `--data-dir`; this one was not touched".into()
            }
            Self::Damaged { file, .. } => format!(
                "it was not touched; move it aside, with `{name}-wal` where there is one, and a new one is begun; a copy from before an upgrade, `{name}.before-v…`, can be put in its place",
                name = file.file_name().unwrap_or_default().display(),
            ),
            Self::Busy { .. } => {
                "wait until the other linkmend has ended; `history` works meanwhile".into()
            }
            Self::UnsafeFolder { .. } => elsewhere.into(),
            Self::Io { .. } => format!("check that disk, or {elsewhere}"),
            Self::Unknown { .. } => "`linkmend history` shows what there is".into(),
            Self::Ended { .. } => return None,
            Self::Stopped => "run the command again, and report this as a fault of linkmend".into(),
        })
    }

    /// An error of the file system while `path` was made or changed.
    pub(super) fn writing(path: &Path, error: io::Error) -> Self {
        let path = path.to_owned();
        let kind = error.kind();
        let cause = Cause(Arc::new(error));
        match kind {
            io::ErrorKind::PermissionDenied
            | io::ErrorKind::ReadOnlyFilesystem
            | io::ErrorKind::NotADirectory => Self::FolderNotWritable { path, cause },
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                Self::Full { file: path, cause }
            }
            _ => Self::Io { path, cause },
        }
    }

    /// An error of the file system while `path` was read.
    pub(super) fn reading(path: &Path, error: io::Error) -> Self {
        if error.kind() == io::ErrorKind::PermissionDenied {
            Self::NotReadable {
                file: path.to_owned(),
                cause: Cause(Arc::new(error)),
            }
        } else {
            Self::Io {
                path: path.to_owned(),
                cause: Cause(Arc::new(error)),
            }
        }
    }

    /// An error of `SQLite` while the journal `file` was read or written.
    ///
    /// A full disk shows as `SQLITE_FULL` where a page is appended, and as a plain I/O error where
    /// the shared memory beside the log is enlarged; so an I/O error is looked at twice.
    pub(super) fn sqlite(file: &Path, error: rusqlite::Error) -> Self {
        let path = file.to_owned();
        let code = error.sqlite_error_code();
        let cause = Cause(Arc::new(error));
        match code {
            Some(ErrorCode::DiskFull) => Self::Full { file: path, cause },
            Some(ErrorCode::SystemIoFailure) if files::disk_is_full(file) => {
                Self::Full { file: path, cause }
            }
            Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
                Self::FolderNotWritable { path, cause }
            }
            Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => Self::Damaged {
                file: path,
                detail: cause.to_string(),
            },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy {
                folder: file.parent().unwrap_or(file).to_owned(),
                pid: None,
            },
            _ => Self::Io { path, cause },
        }
    }
}

fn by(pid: Option<u32>) -> String {
    pid.map_or_else(
        || " by another program".into(),
        |pid| format!(" by another linkmend, process {pid}"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn full_disk_is_told_from_one_that_may_not_be_written() {
        let at = Path::new("/nowhere/journal.sqlite3");
        let code = |kind: io::ErrorKind| JournalError::writing(at, kind.into()).code();
        assert_eq!(code(io::ErrorKind::StorageFull), "journal-full");
        assert_eq!(code(io::ErrorKind::QuotaExceeded), "journal-full");
        assert_eq!(
            code(io::ErrorKind::ReadOnlyFilesystem),
            "journal-folder-not-writable"
        );
        assert_eq!(
            code(io::ErrorKind::PermissionDenied),
            "journal-folder-not-writable"
        );
        assert_eq!(code(io::ErrorKind::Interrupted), "journal-io");
    }

    #[test]
    fn message_names_the_process_that_holds_the_folder() {
        let busy = JournalError::Busy {
            folder: "/somewhere".into(),
            pid: Some(4711),
        };
        assert_eq!(
            busy.to_string(),
            "the data folder `/somewhere` is in use by another linkmend, process 4711"
        );
    }
}
