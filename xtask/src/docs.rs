//! `cargo xtask docs`: the reference pages that are made from the code.
//!
//! What makes and checks them is a test of the crate that knows the most of what they tell: so the check comes
//! with every run of the tests, and no chore has to build the program's crates for itself.

use anyhow::Result;

use crate::Mode;
use crate::shell;

/// Writes or checks every page; true where nothing was out of date.
///
/// # Errors
/// Cargo could not be started.
pub(crate) fn run(mode: Mode) -> Result<bool> {
    let mut pages = shell::cargo();
    pages.args(["test", "--quiet", "--package", "zonda-assess"]);
    pages.args(["--test", "pages", "--", "--nocapture"]);
    if mode == Mode::Write {
        pages.env("WRITE_DOCS", "1");
    }
    shell::succeeds(&mut pages)
}
