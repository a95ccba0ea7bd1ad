//! Where a running daemon listens: written beside the record, read by the other commands.

use std::net::SocketAddr;
use std::path::Path;

use anyhow::Context;

const FILE: &str = "address";

/// Writes the address for others to find.
pub(crate) fn write(dir: &Path, address: SocketAddr) -> std::io::Result<()> {
    std::fs::write(dir.join(FILE), format!("{address}\n"))
}

/// Takes the address away at the end.
pub(crate) fn remove(dir: &Path) {
    // A daemon that was killed leaves it behind too; whoever reads it finds nobody there.
    let _ = std::fs::remove_file(dir.join(FILE));
}

/// Finds the address of the daemon that records into a directory.
pub(crate) fn read(dir: &Path) -> anyhow::Result<SocketAddr> {
    let path = dir.join(FILE);
    let text = std::fs::read_to_string(&path).with_context(|| {
        format!(
            "no daemon runs on {} (there is no {})",
            dir.display(),
            path.display()
        )
    })?;
    text.trim()
        .parse()
        .with_context(|| format!("{} does not hold an address", path.display()))
}
