//! The house's own chores, one file each: `cargo xtask test | tidy | docs | sqlx`.
//!
//! A chore does by itself what a person on a fresh machine would otherwise have to know. It leaves
//! to cargo what cargo does.

mod docs;
mod peers;
mod shell;
mod sqlx;
mod test;
mod tidy;

use std::process::ExitCode;

use anyhow::Result;

/// Whether to write what is out of date or only to name it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mode {
    /// Write it.
    Write,
    /// Name it.
    Check,
}

const USAGE: &str = "\
The house's chores:

  cargo xtask test             everything: installs the outside peers, then runs every suite
  cargo xtask peers            only installs the outside peers and says where their Python is
  cargo xtask tidy             the house rules: arrows between crates, headers, checked queries
  cargo xtask docs [--check]   writes the reference pages that are made from the code
  cargo xtask sqlx [--check]   writes the offline data of the checked SQL queries

With --check nothing is written; what is out of date is named and the exit code is 1.";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match run(&words) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("xtask: {error:#}");
            ExitCode::FAILURE
        }
    }
}

/// Runs the chore that `words` name; true where all was well.
fn run(words: &[&str]) -> Result<bool> {
    match words {
        ["test"] => test::run(),
        ["peers"] => peers::run(),
        ["tidy"] => tidy::run(),
        ["docs"] => docs::run(Mode::Write),
        ["docs", "--check"] => docs::run(Mode::Check),
        ["sqlx"] => sqlx::run(Mode::Write),
        ["sqlx", "--check"] => sqlx::run(Mode::Check),
        [] | ["help" | "-h" | "--help"] => {
            println!("{USAGE}");
            Ok(true)
        }
        other => anyhow::bail!("no such chore: {}\n\n{USAGE}", other.join(" ")),
    }
}
