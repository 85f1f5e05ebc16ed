//! A file that is written whole or not at all.
//!
//! It guards against a half of a file after a crash or on a full disk, and against another's work
//! lost: what is there is never written over by [`create`], and by [`replace`] only where it is
//! still what the caller read.

use std::{
    fs::{self, File, Permissions},
    io::{self, Write},
    os::unix::fs::{MetadataExt, PermissionsExt},
    path::{Path, PathBuf},
};

use tempfile::{Builder, NamedTempFile};

/// Why a file was not written. Nothing is changed then.
#[derive(Debug, thiserror::Error)]
pub enum WholeError {
    /// There is something of that name.
    #[error("`{}` is there already", path.display())]
    There {
        /// Which.
        path: PathBuf,
    },
    /// It is not what was read any more.
    #[error("`{}` was changed by somebody else in between", path.display())]
    Changed {
        /// Which.
        path: PathBuf,
    },
    /// The system refused.
    #[error("cannot write `{}`", path.display())]
    Unwritable {
        /// Which.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: io::Error,
    },
}

/// Writes a new file, with the usual rights of one.
///
/// # Errors
/// When there is something of that name, or it cannot be written.
pub fn create(path: &Path, text: &str) -> Result<(), WholeError> {
    create_for(path, text, NEW)
}

/// Writes a new file that its owner alone can read, from its first byte on.
///
/// # Errors
/// As for [`create`].
pub fn create_private(path: &Path, text: &str) -> Result<(), WholeError> {
    create_for(path, text, PRIVATE)
}

fn create_for(path: &Path, text: &str, mode: u32) -> Result<(), WholeError> {
    let failed = |source| WholeError::Unwritable {
        path: path.to_owned(),
        source,
    };
    // Seen first, since the folder may not let us write and that would be told instead.
    if path.symlink_metadata().is_ok() {
        return Err(WholeError::There {
            path: path.to_owned(),
        });
    }
    let file = beside(path, mode, text).map_err(failed)?;
    file.persist_noclobber(path).map_err(|error| {
        if error.error.kind() == io::ErrorKind::AlreadyExists {
            WholeError::There {
                path: path.to_owned(),
            }
        } else {
            failed(error.error)
        }
    })?;
    settle(path).map_err(failed)
}

/// Writes a text in the place of the one that was read, with the same rights. A link stays one.
///
/// # Errors
/// When the file does not hold `read` any more, or it cannot be written.
pub fn replace(path: &Path, read: &str, text: &str) -> Result<(), WholeError> {
    let failed = |source| WholeError::Unwritable {
        path: path.to_owned(),
        source,
    };
    let real = path.canonicalize().map_err(failed)?;
    let mode = fs::metadata(&real).map_err(failed)?.mode() & RIGHTS;
    let file = beside(&real, mode, text).map_err(failed)?;
    // The rights of a new file are narrowed by the umask; these are those of the old one.
    file.as_file()
        .set_permissions(Permissions::from_mode(mode))
        .map_err(failed)?;
    if fs::read(&real).map_err(failed)? != read.as_bytes() {
        return Err(WholeError::Changed {
            path: path.to_owned(),
        });
    }
    file.persist(&real).map_err(|error| failed(error.error))?;
    settle(&real).map_err(failed)
}

/// A file in the same folder, so that a rename puts it in its place; gone when it is dropped.
fn beside(path: &Path, mode: u32, text: &str) -> io::Result<NamedTempFile> {
    let mut file = Builder::new()
        .prefix(".linkmend-")
        .permissions(Permissions::from_mode(mode))
        .tempfile_in(folder(path))?;
    file.write_all(text.as_bytes())?;
    file.as_file().sync_all()?;
    Ok(file)
}

/// The name is on the disk when the folder is.
fn settle(path: &Path) -> io::Result<()> {
    File::open(folder(path))?.sync_all()
}

/// The folder of a file.
pub fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    }
}

/// Rights of a new file, narrowed by the umask (POSIX.1-2017, open).
const NEW: u32 = 0o666;

/// Rights of a file that is its owner's alone.
const PRIVATE: u32 = 0o600;

/// The rights of owner, group and others.
const RIGHTS: u32 = 0o777;

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .expect("a folder")
            .map(|entry| entry.expect("readable").file_name())
            .map(|name| name.to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_new_file_is_written_and_nothing_is_ever_written_over() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("tarn.toml");
        create(&path, "one").expect("written");
        let again = create(&path, "two").expect_err("it is there");
        assert!(matches!(again, WholeError::There { .. }), "{again:?}");
        assert_eq!(fs::read_to_string(&path).expect("read"), "one");
        let nowhere = folder.path().join("dangling.toml");
        symlink("/nonexistent/tarn.toml", &nowhere).expect("a link");
        let link = create(&nowhere, "two").expect_err("a link is something too");
        assert!(matches!(link, WholeError::There { .. }), "{link:?}");
        assert_eq!(names(folder.path()), ["dangling.toml", "tarn.toml"]);
    }

    #[test]
    fn a_private_file_is_its_owners_alone_and_written_over_by_nobody() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("keys.txt");
        create_private(&path, "one").expect("written");
        assert_eq!(fs::metadata(&path).expect("there").mode() & RIGHTS, PRIVATE);
        let again = create_private(&path, "two").expect_err("it is there");
        assert!(matches!(again, WholeError::There { .. }), "{again:?}");
        assert_eq!(fs::read_to_string(&path).expect("read"), "one");
    }

    #[test]
    fn what_is_replaced_keeps_its_rights_and_its_links() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("tarn.toml");
        fs::write(&path, "one").expect("written");
        fs::set_permissions(&path, Permissions::from_mode(0o664)).expect("our own");
        let link = folder.path().join("link.toml");
        symlink("tarn.toml", &link).expect("a link");
        replace(&link, "one", "two").expect("written");
        assert_eq!(fs::read_to_string(&path).expect("read"), "two");
        assert_eq!(fs::metadata(&path).expect("there").mode() & RIGHTS, 0o664);
        assert!(link.is_symlink());
        assert_eq!(names(folder.path()), ["link.toml", "tarn.toml"]);
    }

    #[test]
    fn what_somebody_else_changed_in_between_stays_theirs() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("tarn.toml");
        fs::write(&path, "theirs").expect("written");
        let refused = replace(&path, "one", "two").expect_err("changed");
        assert!(matches!(refused, WholeError::Changed { .. }), "{refused:?}");
        assert_eq!(fs::read_to_string(&path).expect("read"), "theirs");
        assert_eq!(names(folder.path()), ["tarn.toml"]);
    }

    #[test]
    fn a_folder_that_is_not_there_is_told_and_left_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("none/tarn.toml");
        let refused = create(&path, "one").expect_err("no folder");
        let WholeError::Unwritable { source, .. } = refused else {
            panic!("{refused:?}");
        };
        assert_eq!(source.kind(), io::ErrorKind::NotFound);
        assert_eq!(names(folder.path()), Vec::<String>::new());
    }
}
