//! The outside peers of the suites: programs that are not ours, to test against something else
//! than our own echo. Python packages go into `target/venv`, those of the page's tests beside these,
//! both pinned with hashes; the rest comes from Debian where we may install it.
//!
//! What is missing and may not be installed is named with the command that would bring it; the
//! suites that need it then say so themselves and count as ignored, never as passed.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context, Result};

use crate::shell;

/// Debian's packages that suites use, each with a program that it brings.
const DEBIAN: [(&str, &str); 6] = [
    ("faketime", "faketime"),
    ("strace", "strace"),
    ("chromium", "chromium"),
    ("npm", "npm"),
    ("poppler-utils", "pdftotext"),
    ("libreoffice-calc-nogui", "soffice"),
];
/// Where the page's tests have their packages.
const PAGE: &str = "crates/http/tests/page";

/// Installs the peers and says where their Python is; true where it could be had.
///
/// # Errors
/// A download or an installation failed half-way.
pub(crate) fn run() -> Result<bool> {
    let python = install(&shell::target()?)?;
    if let Some(python) = &python {
        println!("ZONDA_PEERS_PYTHON={}", python.display());
    }
    Ok(python.is_some())
}

/// Brings what is missing; the Python of the outside peers, or `None` where it cannot be had.
///
/// # Errors
/// A download or an installation failed half-way.
pub(crate) fn install(target: &Path) -> Result<Option<PathBuf>> {
    let mut wanted: Vec<&str> = DEBIAN
        .into_iter()
        .filter(|(_, program)| shell::find_program(program).is_none())
        .map(|(package, _)| package)
        .collect();
    if !has_venv() {
        wanted.extend(["python3", "python3-venv"]);
    }
    if !wanted.is_empty() {
        install_debian(&wanted)?;
    }
    install_page()?;
    if !has_venv() {
        eprintln!(
            "xtask: python3 with its venv module is missing; the outside suites are left out"
        );
        return Ok(None);
    }
    install_python(target).map(Some)
}

/// A Python that can make an environment with pip in it; Debian ships `venv` without `ensurepip`.
fn has_venv() -> bool {
    Command::new("python3")
        .args(["-c", "import venv, ensurepip"])
        .output()
        .is_ok_and(|output| output.status.success())
}

fn install_debian(packages: &[&str]) -> Result<()> {
    let command = format!("apt-get install {}", packages.join(" "));
    let is_root = shell::output(Command::new("id").arg("-u"))?.trim() == "0";
    if !is_root || shell::find_program("apt-get").is_none() {
        eprintln!(
            "xtask: missing: {}. On Debian: {command}",
            packages.join(", ")
        );
        return Ok(());
    }
    let apt = || {
        let mut apt = Command::new("apt-get");
        apt.env("DEBIAN_FRONTEND", "noninteractive").arg("-qq");
        apt
    };
    shell::must(apt().arg("update"))?;
    shell::must(
        apt()
            .args(["install", "--yes", "--no-install-recommends"])
            .args(packages),
    )
}

/// Makes `node_modules` for the page's tests, or keeps those that were made from the same lock file.
fn install_page() -> Result<()> {
    let folder = shell::root().join(PAGE);
    let lock = folder.join("package-lock.json");
    let wanted = fs::read(&lock).with_context(|| format!("could not read {}", lock.display()))?;
    let installed = folder.join("node_modules/installed-lock.json");
    if fs::read(&installed).is_ok_and(|text| text == wanted) {
        return Ok(());
    }
    if shell::find_program("npm").is_none() {
        eprintln!("xtask: npm is missing; the page is not looked through for accessibility");
        return Ok(());
    }
    shell::must(
        Command::new("npm")
            .args(["ci", "--ignore-scripts", "--no-audit", "--no-fund"])
            .current_dir(&folder),
    )?;
    fs::write(&installed, wanted)?;
    Ok(())
}

/// Makes `target/venv`, or keeps the one that was made from the same requirements.
fn install_python(target: &Path) -> Result<PathBuf> {
    let venv = target.join("venv");
    let python = venv.join("bin/python");
    let requirements = shell::root().join("tests/peers/requirements.txt");
    let wanted = fs::read(&requirements)
        .with_context(|| format!("could not read {}", requirements.display()))?;
    let installed = venv.join("installed-requirements.txt");
    if fs::read(&installed).is_ok_and(|text| text == wanted) {
        return Ok(python);
    }
    shell::must(
        Command::new("python3")
            .args(["-m", "venv", "--clear"])
            .arg(&venv),
    )?;
    shell::must(
        Command::new(&python)
            .args([
                "-m",
                "pip",
                "install",
                "--quiet",
                "--disable-pip-version-check",
            ])
            // One package, a single module, is published as source only.
            .args(["--require-hashes", "--only-binary=:all:"])
            .args(["--no-binary=psychrolib", "--requirement"])
            .arg(&requirements),
    )?;
    fs::write(&installed, wanted)?;
    Ok(python)
}
