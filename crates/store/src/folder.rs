//! The data directory: a local disk, and ours alone while we write.

use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use nix::fcntl::{Flock, FlockArg};
use nix::sys::statfs::statfs;

use crate::error::OpenError;

/// The file's name within the data directory.
const RECORD: &str = "record.sqlite";
const LOCK: &str = "daemon.lock";

/// Where the write-ahead log of a record is.
pub(crate) fn log_path(dir: &Path) -> PathBuf {
    let mut log = record_path(dir).into_os_string();
    log.push("-wal");
    log.into()
}

/// Where the record of a data directory is. A run that was cut out is a file of its own.
pub(crate) fn record_path(dir: &Path) -> PathBuf {
    if dir.is_file() {
        return dir.to_owned();
    }
    dir.join(RECORD)
}

/// The right to write into a data directory; given back when dropped.
#[derive(Debug)]
pub(crate) struct Claim {
    _lock: Flock<std::fs::File>,
}

/// Makes the directory and takes the right to write into it. The kernel gives it back when the process
/// ends, however it ends.
pub(crate) fn claim(dir: &Path, any_file_system: bool) -> Result<Claim, OpenError> {
    let cannot = |source| OpenError::Folder {
        dir: dir.to_owned(),
        source,
    };
    std::fs::create_dir_all(dir).map_err(cannot)?;
    if !any_file_system {
        refuse_remote(dir)?;
    }
    let file = std::fs::OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(dir.join(LOCK))
        .map_err(cannot)?;
    match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
        Ok(mut lock) => {
            write_holder(&mut lock).map_err(cannot)?;
            Ok(Claim { _lock: lock })
        }
        Err((mut file, _)) => {
            let mut holder = String::new();
            // Only for the message; an unreadable number is told as unknown.
            let _ = file.read_to_string(&mut holder);
            let holder = if holder.trim().is_empty() {
                "unknown".to_owned()
            } else {
                holder.trim().to_owned()
            };
            Err(OpenError::Taken {
                dir: dir.to_owned(),
                holder,
            })
        }
    }
}

fn write_holder(file: &mut std::fs::File) -> std::io::Result<()> {
    file.set_len(0)?;
    file.rewind()?;
    // On a full disk the lock still holds; it only lacks its holder's number.
    let _ = writeln!(file, "{}", std::process::id());
    Ok(())
}

/// File systems whose locks or syncs are not what SQLite needs, by their magic numbers (`statfs(2)`).
const REMOTE: &[(i64, &str)] = &[
    (0x6969, "a network file system (NFS)"),
    (0x517B, "a network file system (SMB)"),
    (0xFF53_4D42, "a network file system (CIFS)"),
    (0xFE53_4D42, "a network file system (SMB)"),
    (0x0102_1997, "a shared folder of a virtual machine (9p)"),
    (0x6573_5546, "a user-space file system (FUSE)"),
    (0x5346_414F, "a network file system (AFS)"),
    (0x00C3_6400, "a network file system (Ceph)"),
];

fn refuse_remote(dir: &Path) -> Result<(), OpenError> {
    let found = statfs(dir).map_err(|errno| OpenError::Folder {
        dir: dir.to_owned(),
        source: errno.into(),
    })?;
    #[allow(
        clippy::useless_conversion,
        reason = "the word has 32 bits on a 32-bit machine"
    )]
    let magic = i64::from(found.filesystem_type().0) & 0xFFFF_FFFF;
    match remote(magic) {
        Some(kind) => Err(OpenError::NotLocal {
            dir: dir.to_owned(),
            kind,
        }),
        None => Ok(()),
    }
}

fn remote(magic: i64) -> Option<&'static str> {
    let found = REMOTE.iter().find(|(remote, _)| *remote == magic);
    found.map(|(_, kind)| *kind)
}

/// Bytes free for us on the disk of the directory, and the disk's size.
pub(crate) fn space(dir: &Path) -> Option<(u64, u64)> {
    let found = nix::sys::statvfs::statvfs(dir).ok()?;
    Some((
        found
            .blocks_available()
            .saturating_mul(found.fragment_size()),
        found.blocks().saturating_mul(found.fragment_size()),
    ))
}

/// Bytes free on the disk of a directory, or of the nearest one above it that exists; `None` where
/// the system does not say.
pub fn free_space(dir: &Path) -> Option<u64> {
    let there = std::path::absolute(dir).ok()?;
    let there = there.ancestors().find(|dir| dir.exists())?;
    space(there).map(|(free, _)| free)
}

/// Whether a file could be put into the directory.
pub(crate) fn is_writable(dir: &Path) -> bool {
    nix::unistd::access(dir, nix::unistd::AccessFlags::W_OK).is_ok()
}

/// Size of a file; zero where there is none.
pub(crate) fn bytes(path: &Path) -> u64 {
    std::fs::metadata(path).map_or(0, |meta| meta.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers as in the kernel's `linux/magic.h`.
    #[test]
    fn file_systems_are_known_by_their_number() {
        assert!(remote(0x6969).is_some_and(|kind| kind.contains("NFS")));
        assert!(remote(0x6573_5546).is_some_and(|kind| kind.contains("FUSE")));
        for local in [0xEF53, 0x0102_1994, 0x5846_5342, 0x9123_683E] {
            assert_eq!(remote(local), None, "{local:#x}"); // ext4, tmpfs, xfs, btrfs
        }
    }
}
