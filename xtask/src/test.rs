//! `cargo xtask test`: everything that can be tested on this machine, from nothing.
//!
//! The whole workspace is built and tested in one call: each further choice of packages would ask for other
//! features of what they share, and build hundreds of crates once more.

use std::process::Command;

use anyhow::Result;

use crate::{peers, shell};

/// Runs every test; true where none failed.
///
/// # Errors
/// A peer could not be installed, or something did not build.
pub(crate) fn run() -> Result<bool> {
    let target = shell::target()?;
    let python = peers::install(&target)?;
    // The suites start the real programs; cargo hands those only to the tests of their own package.
    shell::must(shell::cargo().args(["build", "--workspace", "--bins", "--tests"]))?;

    let mut tests = shell::cargo();
    tests
        .args(["test", "--workspace", "--no-fail-fast"])
        .env("ZONDA_BINARY", target.join("debug/zonda"));
    if let Some(python) = python {
        tests.env("ZONDA_PEERS_PYTHON", python);
    }
    let tests = shell::succeeds(&mut tests)?;
    Ok(test_disks()? && tests)
}

/// Tests that mount file systems and cut their power, where we may; by themselves they are left out by name.
fn test_disks() -> Result<bool> {
    let is_root = shell::output(Command::new("id").arg("-u"))?.trim() == "0";
    if !is_root {
        return Ok(true);
    }
    let mut disks = shell::cargo();
    disks.args(["test", "--workspace", "--test", "disk", "--", "--ignored"]);
    shell::succeeds(&mut disks)
}
