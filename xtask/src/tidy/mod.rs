//! `cargo xtask tidy`: the house rules that a machine can check.
//!
//! A rule returns its complaints; each names a place, what is wrong and what would be right.
//! Questions (a long file) are printed and do not fail.

mod arrows;
mod files;
mod size;

use anyhow::{Context, Result};
use cargo_metadata::MetadataCommand;

use crate::{Mode, shell, sqlx};

/// Checks every rule; true where nothing was found.
///
/// # Errors
/// The tree could not be read.
pub(crate) fn run() -> Result<bool> {
    let metadata = MetadataCommand::new()
        .current_dir(shell::root())
        .exec()
        .context("`cargo metadata` failed")?;
    let sources = files::sources()?;

    let mut complaints = arrows::check(&metadata)?;
    complaints.extend(files::check_headers(&sources));
    complaints.extend(files::check_purity(&sources));
    for complaint in &complaints {
        println!("tidy: {complaint}");
    }
    for question in size::questions(&sources) {
        println!("tidy: a question, no fault: {question}");
    }
    let queries = sqlx::run(Mode::Check)?;
    println!(
        "tidy: {} source files, {} complaints",
        sources.len(),
        complaints.len()
    );
    Ok(complaints.is_empty() && queries)
}
