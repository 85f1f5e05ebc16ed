//! Whether a write-ahead log is safe where the journal shall lie.
//!
//! The log's index is memory shared by all programs that have the journal open, which a network
//! file system does not give (sqlite.org/wal.html, "all processes using a database must be on the
//! same host computer"). A tool that copies a folder to other computers takes journal and log at
//! two different moments, and hands the secrets on.

use std::path::{Path, PathBuf};

use super::JournalError;

/// What a sync tool leaves in the folder that it copies, with what a person calls that (names from
/// memory of what such tools leave behind, no source).
const SYNC_MARKS: [(&str, &str); 4] = [
    (".stfolder", "Syncthing"),
    (".dropbox.cache", "Dropbox"),
    (".nextcloudsync.log", "Nextcloud"),
    (".owncloudsync.log", "ownCloud"),
];

/// Refuses a folder, made or not yet made, where the journal could be torn or copied away.
pub(super) fn check(folder: &Path) -> Result<(), JournalError> {
    let refuse = |reason: String| {
        Err(JournalError::UnsafeFolder {
            folder: folder.to_owned(),
            reason,
        })
    };
    if let Some(kind) = network_file_system(nearest_made(folder)) {
        return refuse(format!(
            "it is on a network file system ({kind}), where a write-ahead log is not safe"
        ));
    }
    if let Some((tool, place)) = synced_by(folder) {
        return refuse(format!(
            "`{}` is copied to other computers by {tool}, which tears a write-ahead log and spreads its secrets",
            place.display()
        ));
    }
    Ok(())
}

fn nearest_made(folder: &Path) -> &Path {
    folder
        .ancestors()
        .find(|place| place.exists())
        .unwrap_or(folder)
}

fn synced_by(folder: &Path) -> Option<(&'static str, PathBuf)> {
    folder.ancestors().find_map(|place| {
        SYNC_MARKS
            .iter()
            .find(|(mark, _)| place.join(mark).symlink_metadata().is_ok())
            .map(|(_, tool)| (*tool, place.to_owned()))
    })
}

#[cfg(target_os = "linux")]
fn network_file_system(place: &Path) -> Option<&'static str> {
    let kind = nix::sys::statfs::statfs(place).ok()?.filesystem_type().0;
    // The kernel's magic numbers have 32 bits; the C type is wider here and there.
    u32::try_from(i128::from(kind) & 0xFFFF_FFFF)
        .ok()
        .and_then(name_of_network_kind)
}

#[cfg(not(target_os = "linux"))]
fn network_file_system(_: &Path) -> Option<&'static str> {
    None
}

/// Magic numbers of statfs(2) and the kernel's `include/uapi/linux/magic.h`. FUSE is among them
/// since most of what is mounted through it is another computer's disk (sshfs, cloud drives).
#[cfg(target_os = "linux")]
fn name_of_network_kind(magic: u32) -> Option<&'static str> {
    Some(match magic {
        0x0000_6969 => "NFS",
        0x0000_517B | 0xFF53_4D42 | 0xFE53_4D42 => "SMB",
        0x0102_1997 => "9p",
        0x6573_5546 => "FUSE",
        0x5346_414F | 0x6B41_4653 => "AFS",
        0x00C3_6400 => "Ceph",
        0x7375_7245 => "Coda",
        0x0BD0_0BD0 => "Lustre",
        0x0116_1970 => "GFS2",
        0x7461_636F => "OCFS2",
        0x786F_4256 => "a virtual machine's shared folder",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folder_below_a_synced_one_is_refused_though_it_is_not_made_yet() {
        let top = tempfile::tempdir().expect("a folder");
        let below = top.path().join("data/linkmend");
        assert!(check(&below).is_ok());
        std::fs::create_dir(top.path().join(".stfolder")).expect("made");
        let error = check(&below).expect_err("synced");
        assert_eq!(error.code(), "journal-unsafe-folder");
        assert!(error.to_string().contains("Syncthing"), "{error}");
        assert!(!top.path().join("data").exists(), "nothing was made");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn network_file_systems_are_known_by_the_numbers_of_statfs() {
        use nix::sys::statfs;
        let name = |kind: statfs::FsType| {
            u32::try_from(i128::from(kind.0) & 0xFFFF_FFFF)
                .ok()
                .and_then(name_of_network_kind)
        };
        assert_eq!(name(statfs::NFS_SUPER_MAGIC), Some("NFS"));
        assert_eq!(name(statfs::SMB_SUPER_MAGIC), Some("SMB"));
        assert_eq!(name(statfs::FUSE_SUPER_MAGIC), Some("FUSE"));
        assert_eq!(name(statfs::AFS_SUPER_MAGIC), Some("AFS"));
        assert_eq!(name(statfs::CODA_SUPER_MAGIC), Some("Coda"));
        assert_eq!(name(statfs::EXT4_SUPER_MAGIC), None);
        assert_eq!(name(statfs::TMPFS_MAGIC), None);
        assert_eq!(name(statfs::BTRFS_SUPER_MAGIC), None);
    }
}
