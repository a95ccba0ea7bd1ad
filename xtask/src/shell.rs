//! Running other programs, and where the workspace is.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context, Result, bail};
use cargo_metadata::MetadataCommand;

/// The workspace's folder.
pub(crate) fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .expect("xtask lies in the workspace's folder")
}

/// The folder that cargo builds into.
///
/// # Errors
/// `cargo metadata` failed.
pub(crate) fn target() -> Result<PathBuf> {
    let metadata = MetadataCommand::new()
        .current_dir(root())
        .no_deps()
        .exec()
        .context("`cargo metadata` failed")?;
    Ok(metadata.target_directory.into_std_path_buf())
}

/// The cargo that called us, set to work in the workspace.
pub(crate) fn cargo() -> Command {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(cargo);
    command.current_dir(root());
    command
}

/// Runs to the end with our output; true where it succeeded.
///
/// # Errors
/// The program could not be started.
pub(crate) fn succeeds(command: &mut Command) -> Result<bool> {
    eprintln!("xtask: {}", words(command));
    let status = command
        .status()
        .with_context(|| format!("could not start `{}`", words(command)))?;
    Ok(status.success())
}

/// Runs to the end with our output.
///
/// # Errors
/// The program could not be started, or it failed.
pub(crate) fn must(command: &mut Command) -> Result<()> {
    if succeeds(command)? {
        return Ok(());
    }
    bail!("`{}` failed", words(command))
}

/// What the program printed.
///
/// # Errors
/// The program could not be started, or it failed.
pub(crate) fn output(command: &mut Command) -> Result<String> {
    let output = command
        .stderr(Stdio::inherit())
        .output()
        .with_context(|| format!("could not start `{}`", words(command)))?;
    if !output.status.success() {
        bail!("`{}` failed", words(command));
    }
    String::from_utf8(output.stdout).context("the output is not UTF-8")
}

/// Where the shell would find this program, or `None`.
pub(crate) fn find_program(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .map(|folder| folder.join(name))
        .find(|program| program.is_file())
}

fn words(command: &Command) -> String {
    std::iter::once(command.get_program())
        .chain(command.get_args())
        .map(|word| word.to_string_lossy())
        .collect::<Vec<_>>()
        .join(" ")
}
