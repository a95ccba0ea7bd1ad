//! `cargo xtask test`: everything that can be tested on this machine, from nothing.
//!
//! The crates' own tests run first, then the suites in `tests/` against the real binary, with the
//! outside peers installed. Each part runs even where an earlier one failed.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::Result;

use crate::{peers, shell};

/// The program that sets reports as PDF; the suites look for it beside the other.
const TYPESETTER: &str = "zonda-typeset";

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
        "--exclude",
        TYPESETTER,
        "--no-fail-fast",
    ]))?;
    let typesetter = shell::succeeds(shell::cargo().args(["test", "--package", TYPESETTER]))?;
    let disks = is_root()?.then(test_disks).transpose()?.unwrap_or(true);
    let mut suites = shell::cargo();
    suites
        .args(["test", "--package", "zonda-tests"])
        .env("ZONDA_BINARY", binary);
    if let Some(python) = python {
        suites.env("ZONDA_PEERS_PYTHON", python);
    }
    Ok(shell::succeeds(&mut suites)? && crates && typesetter && disks)
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

/// The real programs that the suites start, both in one folder; where the first of them is.
fn build_binary(target: &Path) -> Result<PathBuf> {
    shell::must(shell::cargo().args(["build", "--package", "zonda", "--bin", "zonda"]))?;
    // By itself, here and wherever it is tested: with others it would want them built once more.
    shell::must(shell::cargo().args(["build", "--package", TYPESETTER]))?;
    Ok(target.join("debug/zonda"))
}
