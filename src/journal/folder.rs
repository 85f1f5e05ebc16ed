//! The person's data folder: where it is, and that it is theirs alone.

use std::path::{Path, PathBuf};

use etcetera::BaseStrategy;

use super::{
    JournalError,
    files::{self, Owner},
    surroundings,
};

/// The journal's file name.
const JOURNAL_FILE: &str = "journal.sqlite3";
/// What this program makes in its data folder. A folder that holds nothing else is its own.
const OUR_NAMES: [&str; 3] = ["lock", "practice", JOURNAL_FILE];

/// A folder that holds one journal. Naming it makes nothing; the first writer does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DataFolder {
    path: PathBuf,
    owner: Option<Owner>,
}

impl DataFolder {
    /// The folder where the person's programs keep their data: `linkmend` below `XDG_DATA_HOME` or
    /// `~/.local/share`, and what is usual on other systems. Under `sudo` it is the folder of the
    /// person who called it.
    pub fn default_for_person() -> Result<Self, JournalError> {
        let owner = owner_under_sudo();
        let data = match owner {
            Some(owner) => data_home_of(owner)?,
            None => etcetera::choose_base_strategy()
                .map_err(|error| JournalError::NoFolder {
                    reason: error.to_string(),
                })?
                .data_dir(),
        };
        Ok(Self {
            path: data.join("linkmend"),
            owner,
        })
    }

    /// A folder that the person named.
    pub fn at(path: &Path) -> Self {
        Self {
            path: std::path::absolute(path).unwrap_or_else(|_| path.to_owned()),
            owner: owner_under_sudo(),
        }
    }

    /// The folder below this one that keeps the journal of practice receivers.
    #[must_use]
    pub fn practice(&self) -> Self {
        Self {
            path: self.path.join("practice"),
            owner: self.owner,
        }
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where its journal is.
    pub(super) fn journal(&self) -> PathBuf {
        self.path.join(JOURNAL_FILE)
    }

    /// Where a new journal is made, before it takes its name.
    pub(super) fn beginning(&self) -> PathBuf {
        self.path.join(format!("{JOURNAL_FILE}.new"))
    }

    /// The copy that is made before a journal is brought to a version.
    pub(super) fn copy_before(&self, version: i64) -> PathBuf {
        self.path.join(format!("{JOURNAL_FILE}.before-v{version}"))
    }

    /// All copies that earlier versions left, and beginnings of such copies.
    pub(super) fn copies(&self) -> Vec<PathBuf> {
        let start = format!("{JOURNAL_FILE}.before-v");
        names_in(&self.path)
            .into_iter()
            .filter(|name| name.starts_with(&start))
            .map(|name| self.path.join(name))
            .collect()
    }

    /// Whom new files are given to, under `sudo`.
    pub(super) fn owner(&self) -> Option<Owner> {
        self.owner
    }

    /// Makes the folder where it is missing, and closes it to others.
    ///
    /// A folder that holds other things too is the person's business (it may be their home or a
    /// shared one): it keeps its mode, and is refused where others may write in it.
    pub(super) fn make(&self) -> Result<(), JournalError> {
        surroundings::check(&self.path)?;
        let failed = |error| JournalError::writing(&self.path, error);
        files::make_folder(&self.path, self.owner).map_err(failed)?;
        if self.is_ours() {
            files::close_to_others(&self.path).map_err(failed)?;
        } else if files::others_may_write(&self.path).map_err(failed)? {
            return Err(JournalError::UnsafeFolder {
                folder: self.path.clone(),
                reason: "others may write in it, and so could replace the journal".into(),
            });
        }
        self.refuse_odd_files()
    }

    /// Refuses a folder in which a file of ours is a link, a pipe or anything else: a link would be
    /// written through, and a pipe never answers.
    pub(super) fn refuse_odd_files(&self) -> Result<(), JournalError> {
        let ours = |name: &String| name == "lock" || name.starts_with(JOURNAL_FILE);
        for name in names_in(&self.path).into_iter().filter(ours) {
            let kind = std::fs::symlink_metadata(self.path.join(&name));
            if kind.is_ok_and(|kind| !kind.is_file()) {
                return Err(JournalError::UnsafeFolder {
                    folder: self.path.clone(),
                    reason: format!("`{name}` in it is no ordinary file"),
                });
            }
        }
        Ok(())
    }

    /// Closes the journal and all files beside it to others, such as one that was copied here.
    pub(super) fn close_journal_to_others(&self) -> Result<(), JournalError> {
        for name in names_in(&self.path) {
            if name.starts_with(JOURNAL_FILE) {
                let path = self.path.join(name);
                files::close_to_others(&path)
                    .map_err(|error| JournalError::writing(&path, error))?;
            }
        }
        Ok(())
    }

    fn is_ours(&self) -> bool {
        names_in(&self.path)
            .iter()
            .all(|name| OUR_NAMES.contains(&name.as_str()) || name.starts_with(JOURNAL_FILE))
    }
}

/// Names that are text; the journal's own always are. A folder that cannot be listed has a name in
/// it that is not ours, so that nothing is concluded from silence.
fn names_in(folder: &Path) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return vec!["?".into()];
    };
    entries
        .map(|entry| {
            entry.map_or_else(
                |_| "?".into(),
                |entry| entry.file_name().to_string_lossy().into_owned(),
            )
        })
        .collect()
}

#[cfg(unix)]
fn owner_under_sudo() -> Option<Owner> {
    caller_of_sudo(nix::unistd::geteuid().is_root(), |name| {
        std::env::var(name).ok()
    })
}

#[cfg(not(unix))]
fn owner_under_sudo() -> Option<Owner> {
    None
}

/// Who called `sudo`, by the variables that it sets (sudo(8), "ENVIRONMENT"). Without root's powers
/// they say nothing.
#[cfg(unix)]
fn caller_of_sudo(root: bool, variable: impl Fn(&str) -> Option<String>) -> Option<Owner> {
    if !root {
        return None;
    }
    let number = |name: &str| variable(name)?.parse::<u32>().ok();
    let user = number("SUDO_UID")?;
    Some(Owner {
        user,
        group: number("SUDO_GID").unwrap_or(user),
    })
}

#[cfg(unix)]
fn data_home_of(person: Owner) -> Result<PathBuf, JournalError> {
    let entry = nix::unistd::User::from_uid(nix::unistd::Uid::from_raw(person.user))
        .ok()
        .flatten();
    match entry {
        Some(entry) => Ok(data_home(&entry.dir, std::env::var_os("XDG_DATA_HOME"))),
        None => Err(JournalError::NoFolder {
            reason: format!("user {}, who called `sudo`, is not known here", person.user),
        }),
    }
}

#[cfg(not(unix))]
fn data_home_of(_: Owner) -> Result<PathBuf, JournalError> {
    Err(JournalError::NoFolder {
        reason: "this system has no `sudo`".into(),
    })
}

/// The data folder of a person by the XDG Base Directory Specification. The variable may be root's
/// own, so it counts only where it lies in the person's home.
#[cfg(unix)]
fn data_home(home: &Path, variable: Option<std::ffi::OsString>) -> PathBuf {
    variable
        .map(PathBuf::from)
        .filter(|path| path.starts_with(home))
        .unwrap_or_else(|| home.join(".local/share"))
}

#[cfg(all(test, unix))]
mod tests {
    use std::{
        fs,
        os::unix::fs::{MetadataExt, PermissionsExt},
    };

    use super::*;
    use crate::journal::Journal;

    fn mode(path: &Path) -> u32 {
        fs::metadata(path).expect("its facts").mode() & 0o777
    }

    #[test]
    fn sudo_uses_the_calling_person_and_only_as_root() {
        let variables = |name: &str| match name {
            "SUDO_UID" => Some("1000".to_owned()),
            "SUDO_GID" => Some("100".to_owned()),
            _ => None,
        };
        let person = Owner {
            user: 1000,
            group: 100,
        };
        assert_eq!(caller_of_sudo(true, variables), Some(person));
        assert_eq!(caller_of_sudo(false, variables), None);
        assert_eq!(caller_of_sudo(true, |_| None), None);
    }

    #[test]
    fn data_home_of_root_is_not_taken_for_the_persons() {
        let home = Path::new("/home/grebe");
        assert_eq!(data_home(home, None), home.join(".local/share"));
        assert_eq!(
            data_home(home, Some("/root/.local/share".into())),
            home.join(".local/share")
        );
        assert_eq!(
            data_home(home, Some("/home/grebe/data".into())),
            home.join("data")
        );
    }

    #[test]
    fn under_sudo_all_files_belong_to_the_calling_person() {
        let top = tempfile::tempdir().expect("a folder");
        let ours = fs::metadata(top.path()).expect("its facts");
        // Root can give away; anybody else can only give to themselves.
        let (user, group) = if ours.uid() == 0 {
            (65_534, 65_534)
        } else {
            (ours.uid(), ours.gid())
        };
        let folder = DataFolder {
            path: top.path().join("data"),
            owner: Some(Owner { user, group }),
        };
        let _journal = Journal::open(&folder).expect("opened");
        let mut made = names_in(folder.path());
        made.sort();
        assert_eq!(
            made,
            [
                "journal.sqlite3",
                "journal.sqlite3-shm",
                "journal.sqlite3-wal",
                "lock"
            ]
        );
        made.push(String::new());
        for name in made {
            let facts = fs::metadata(folder.path().join(&name)).expect("its facts");
            assert_eq!((facts.uid(), facts.gid()), (user, group), "`{name}`");
        }
    }

    #[test]
    fn a_link_or_a_pipe_in_the_place_of_a_file_is_refused_and_left_alone() {
        let top = tempfile::tempdir().expect("a folder");
        let victim = top.path().join("victim");
        fs::write(&victim, "precious").expect("written");
        for name in ["lock", JOURNAL_FILE, "journal.sqlite3-wal"] {
            let path = top.path().join(format!("in-{name}"));
            fs::create_dir(&path).expect("made");
            std::os::unix::fs::symlink(&victim, path.join(name)).expect("linked");
            let folder = DataFolder::at(&path);
            let error = folder.make().expect_err(name);
            assert_eq!(error.code(), "journal-unsafe-folder", "{name}");
            assert!(error.to_string().contains(name), "{error}");
            assert!(crate::journal::Archive::open(&folder).is_err(), "{name}");
        }
        let path = top.path().join("pipe");
        fs::create_dir(&path).expect("made");
        nix::unistd::mkfifo(&path.join(JOURNAL_FILE), nix::sys::stat::Mode::S_IRWXU)
            .expect("a pipe");
        assert!(crate::journal::Archive::open(&DataFolder::at(&path)).is_err());
        let text = fs::read_to_string(&victim).expect("still there");
        assert_eq!((text.as_str(), mode(&victim) & 0o777), ("precious", 0o644));
    }

    #[test]
    fn own_folder_is_closed_to_others() {
        let top = tempfile::tempdir().expect("a folder");
        let folder = DataFolder::at(&top.path().join("data"));
        fs::create_dir(folder.path()).expect("made");
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).expect("set");
        folder.make().expect("made");
        assert_eq!(mode(folder.path()), 0o700);
    }

    #[test]
    fn folder_with_other_things_keeps_its_mode_and_is_refused_where_others_write() {
        let top = tempfile::tempdir().expect("a folder");
        let folder = DataFolder::at(top.path());
        fs::write(top.path().join("letters.txt"), "dear heron").expect("written");
        fs::set_permissions(top.path(), fs::Permissions::from_mode(0o755)).expect("set");
        folder
            .make()
            .expect("readable by others is none of our business");
        assert_eq!(mode(top.path()), 0o755);
        fs::set_permissions(top.path(), fs::Permissions::from_mode(0o777)).expect("set");
        let error = folder.make().expect_err("open to all");
        assert_eq!(error.code(), "journal-unsafe-folder");
        assert_eq!(mode(top.path()), 0o777);
    }
}
