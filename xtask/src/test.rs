//! `cargo xtask test`: everything that can be tested on this machine, from nothing.
//!
//! The crates' own tests run first, then the suites in `tests/` against the real binary, with the
//! outside peers installed. Each part runs even where an earlier one failed.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::Result;

use crate::{peers, shell};

/// Runs every test; true where none failed.
///
/// # Errors
/// A peer could not be installed, or the binary could not be built.
pub(crate) fn run() -> Result<bool> {
    let target = shell::target()?;
    let python = peers::install(&target)?;
    let binary = build_binary(&target)?;

    let crates = shell::succeeds(shell::cargo().args([
        "test",
        "--workspace",
        "--exclude",
        "zonda-tests",
        "--no-fail-fast",
    ]))?;
    let disks = is_root()?.then(test_disks).transpose()?.unwrap_or(true);
    let mut suites = shell::cargo();
    suites
        .args(["test", "--package", "zonda-tests"])
        .env("ZONDA_BINARY", binary);
    if let Some(python) = python {
        suites.env("ZONDA_PEERS_PYTHON", python);
    }
    Ok(shell::succeeds(&mut suites)? && crates && disks)
}

/// Tests that mount file systems and cut their power; by themselves they are left out by name.
fn test_disks() -> Result<bool> {
    shell::succeeds(shell::cargo().args([
        "test",
        "--package",
        "zonda-store",
        "--test",
        "disk",
        "--",
        "--ignored",
    ]))
}

fn is_root() -> Result<bool> {
    Ok(shell::output(Command::new("id").arg("-u"))?.trim() == "0")
}

/// The real program that the suites start.
fn build_binary(target: &Path) -> Result<PathBuf> {
    shell::must(shell::cargo().args(["build", "--package", "zonda", "--bin", "zonda"]))?;
    Ok(target.join("debug/zonda"))
}
