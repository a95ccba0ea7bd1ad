//! The data directory: a local disk, and ours alone while we write.

use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use nix::fcntl::{Flock, FlockArg};
use nix::sys::statfs::statfs;

use crate::error::OpenError;

/// The file's name within the data directory.
const RECORD: &str = "record.sqlite";
const LOCK: &str = "daemon.lock";

/// Where the record of a data directory is.
pub(crate) fn record_path(dir: &Path) -> PathBuf {
    dir.join(RECORD)
}

/// The right to write into a data directory; given back when dropped.
#[derive(Debug)]
pub(crate) struct Claim {
    _lock: Flock<std::fs::File>,
}

/// Makes the directory and takes the right to write into it.
pub(crate) fn claim(dir: &Path) -> Result<Claim, OpenError> {
    let cannot = |source| OpenError::Folder {
        dir: dir.to_owned(),
        source,
    };
    std::fs::create_dir_all(dir).map_err(cannot)?;
    refuse_remote(dir)?;
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
    let Ok(found) = statfs(dir) else {
        return Ok(());
    };
    let magic = i64::from(found.filesystem_type().0);
    match REMOTE.iter().find(|(remote, _)| *remote == magic) {
        Some((_, kind)) => Err(OpenError::NotLocal {
            dir: dir.to_owned(),
            kind,
        }),
        None => Ok(()),
    }
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
