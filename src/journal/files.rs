//! Files and folders that only their owner can open, made so before anything is in them.
//!
//! Under `sudo` they are given to the person who called it; else the next run without `sudo` would
//! find its own journal locked away. The journal itself is never opened here once it exists:
//! closing any descriptor of it would drop the POSIX locks that `SQLite` holds in this process
//! (sqlite.org, "How To Corrupt An `SQLite` Database File", section 2.2).

use std::{
    fs::{self, File},
    io,
    path::Path,
};

/// Whom new files are given to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Owner {
    /// User number.
    pub(super) user: u32,
    /// Group number.
    pub(super) group: u32,
}

/// Makes an empty file with mode 0600; one that is there stays as it is.
pub(super) fn make_private(path: &Path, owner: Option<Owner>) -> io::Result<()> {
    match private().write(true).create_new(true).open(path) {
        Ok(file) => {
            give(&file, owner)?;
            file.sync_all()?;
            sync_folder(path.parent().unwrap_or(path))
        }
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(()),
        Err(error) => Err(error),
    }
}

/// Opens a file for reading and writing, with mode 0600 where it is new.
pub(super) fn open_private(path: &Path, owner: Option<Owner>) -> io::Result<File> {
    let file = private()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)?;
    give(&file, owner)?;
    Ok(file)
}

/// Makes a folder with mode 0700, and all that is missing above it.
pub(super) fn make_folder(path: &Path, owner: Option<Owner>) -> io::Result<()> {
    if path.is_dir() {
        return Ok(());
    }
    if let Some(above) = path.parent() {
        make_folder(above, owner)?;
    }
    match make_one_folder(path) {
        Ok(()) => {
            give_folder(path, owner)?;
            path.parent().map_or(Ok(()), sync_folder)
        }
        // Another program may have made it just now; a file of that name is an error.
        Err(_) if path.is_dir() => Ok(()),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            Err(io::ErrorKind::NotADirectory.into())
        }
        Err(error) => Err(error),
    }
}

#[cfg(unix)]
mod modes {
    use std::{
        fs::{self, DirBuilder, File, OpenOptions, Permissions},
        io,
        os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, PermissionsExt},
        path::Path,
    };

    use super::Owner;

    /// Bits that let the group and others in.
    const OTHERS: u32 = 0o077;
    /// Bits that let the group and others write.
    const OTHERS_WRITE: u32 = 0o022;

    pub(super) fn private() -> OpenOptions {
        let mut options = OpenOptions::new();
        options.mode(0o600);
        options
    }

    pub(super) fn make_one_folder(path: &Path) -> io::Result<()> {
        DirBuilder::new().mode(0o700).create(path)
    }

    pub(super) fn give(file: &File, owner: Option<Owner>) -> io::Result<()> {
        match owner {
            Some(owner) => std::os::unix::fs::fchown(file, Some(owner.user), Some(owner.group)),
            None => Ok(()),
        }
    }

    pub(super) fn give_folder(path: &Path, owner: Option<Owner>) -> io::Result<()> {
        match owner {
            Some(owner) => std::os::unix::fs::lchown(path, Some(owner.user), Some(owner.group)),
            None => Ok(()),
        }
    }

    pub(super) fn sync_folder(path: &Path) -> io::Result<()> {
        File::open(path)?.sync_all()
    }

    pub(in crate::journal) fn close_to_others(path: &Path) -> io::Result<()> {
        let mode = fs::metadata(path)?.mode();
        if mode & OTHERS == 0 {
            return Ok(());
        }
        fs::set_permissions(path, Permissions::from_mode(mode & 0o7700))
    }

    pub(in crate::journal) fn others_may_write(path: &Path) -> io::Result<bool> {
        Ok(fs::metadata(path)?.mode() & OTHERS_WRITE != 0)
    }

    pub(in crate::journal) fn disk_is_full(file: &Path) -> bool {
        let folder = file.parent().unwrap_or(file);
        nix::sys::statvfs::statvfs(folder).is_ok_and(|disk| disk.blocks_available() == 0)
    }
}

#[cfg(not(unix))]
mod modes {
    //! Elsewhere a file takes the access list of its folder, and a person's data folder is closed
    //! to other persons by the system.
    use std::{
        fs::{self, File, OpenOptions},
        io,
        path::Path,
    };

    use super::Owner;

    pub(super) fn private() -> OpenOptions {
        OpenOptions::new()
    }

    pub(super) fn make_one_folder(path: &Path) -> io::Result<()> {
        fs::create_dir(path)
    }

    pub(super) fn give(_: &File, _: Option<Owner>) -> io::Result<()> {
        Ok(())
    }

    pub(super) fn give_folder(_: &Path, _: Option<Owner>) -> io::Result<()> {
        Ok(())
    }

    pub(super) fn sync_folder(_: &Path) -> io::Result<()> {
        Ok(())
    }

    pub(in crate::journal) fn close_to_others(_: &Path) -> io::Result<()> {
        Ok(())
    }

    pub(in crate::journal) fn others_may_write(_: &Path) -> io::Result<bool> {
        Ok(false)
    }

    pub(in crate::journal) fn disk_is_full(_: &Path) -> bool {
        false
    }
}

pub(super) use modes::{close_to_others, disk_is_full, others_may_write};
use modes::{give, give_folder, make_one_folder, private, sync_folder};

/// Replaces `to` by `from`, and makes that durable.
pub(super) fn put_in_place(from: &Path, to: &Path) -> io::Result<()> {
    fs::rename(from, to)?;
    sync_folder(to.parent().unwrap_or(to))
}

#[cfg(all(test, unix))]
mod tests {
    use std::os::unix::fs::MetadataExt;

    use super::*;

    #[test]
    fn gives_what_it_makes_to_the_calling_person() {
        let folder = tempfile::tempdir().expect("a folder");
        let ours = fs::metadata(folder.path()).expect("its facts");
        // Root can give away; anybody else can only give to themselves.
        let owner = if ours.uid() == 0 {
            Owner {
                user: 65_534,
                group: 65_534,
            }
        } else {
            Owner {
                user: ours.uid(),
                group: ours.gid(),
            }
        };
        let below = folder.path().join("share/linkmend");
        make_folder(&below, Some(owner)).expect("made");
        make_private(&below.join("journal"), Some(owner)).expect("made");
        drop(open_private(&below.join("lock"), Some(owner)).expect("made"));
        for made in [
            "share",
            "share/linkmend",
            "share/linkmend/journal",
            "share/linkmend/lock",
        ] {
            let facts = fs::symlink_metadata(folder.path().join(made)).expect(made);
            assert_eq!(
                (facts.uid(), facts.gid()),
                (owner.user, owner.group),
                "{made}"
            );
            assert_eq!(facts.mode() & 0o077, 0, "{made}");
        }
    }

    #[test]
    fn file_where_the_folder_should_be_is_no_folder() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("file");
        fs::write(&file, "heron").expect("written");
        let error = make_folder(&file, None).expect_err("a file");
        assert_eq!(error.kind(), io::ErrorKind::NotADirectory);
        let error = make_folder(&file.join("below"), None).expect_err("below a file");
        assert_eq!(error.kind(), io::ErrorKind::NotADirectory);
    }
}
