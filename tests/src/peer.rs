//! Outside peers: programs in `peers/` that are built on other people's libraries.

use std::ffi::{OsStr, OsString};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;

use anyhow::{Context, Result, ensure};

use crate::bench::Bench;

/// The Python into which `cargo xtask test` has installed the peers' packages.
pub fn peers_python() -> Option<PathBuf> {
    std::env::var_os("ZONDA_PEERS_PYTHON").map(PathBuf::from)
}

/// A Python whose own SQLite reads the record, with or without the peers' packages.
pub fn python() -> Option<&'static Path> {
    static PYTHON: OnceLock<Option<PathBuf>> = OnceLock::new();
    PYTHON
        .get_or_init(|| {
            let python = peers_python().unwrap_or_else(|| "python3".into());
            // STRICT tables came with SQLite 3.37.
            let probe = "import sqlite3; assert sqlite3.sqlite_version_info >= (3, 37)";
            let is_able = Command::new(&python)
                .args(["-c", probe])
                .output()
                .is_ok_and(|output| output.status.success());
            is_able.then_some(python)
        })
        .as_deref()
}

/// The library that shows a program another clock.
pub fn faketime() -> Option<PathBuf> {
    let folders = std::fs::read_dir("/usr/lib").ok()?;
    folders
        .filter_map(|entry| Some(entry.ok()?.path()))
        .map(|folder| folder.join("faketime/libfaketime.so.1"))
        .find(|library| library.exists())
}

/// True where a program is installed that says its version.
pub fn has(program: &str) -> bool {
    let says = |version: &str| {
        let output = Command::new(program).arg(version).output();
        output.is_ok_and(|output| output.status.success())
    };
    says("--version") || says("-v")
}

/// True where the program under test finds its typesetter beside it.
pub fn has_typesetter() -> bool {
    let binary = std::env::var_os("ZONDA_BINARY").map(PathBuf::from);
    binary.is_some_and(|binary| binary.with_file_name("zonda-typeset").is_file())
}

/// Whether the page's checkers by other hands are there.
pub fn has_page_packages() -> bool {
    let page = concat!(env!("CARGO_MANIFEST_DIR"), "/../crates/http/tests/page");
    Path::new(page).join("node_modules/axe-core").is_dir()
}

/// A program in `peers/`.
fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("peers")
        .join(name)
}

/// Runs a script of `peers/` to its end and returns what it printed.
///
/// # Errors
/// It failed; the error carries what it said.
pub fn run(name: &str, arguments: &[&OsStr]) -> Result<String> {
    let python = python().context("no Python")?;
    let output = Command::new(python)
        .arg(script(name))
        .args(arguments)
        .stdin(Stdio::null())
        .output()?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "{name} failed:\n{said}");
    Ok(String::from_utf8(output.stdout)?)
}

/// A peer that serves until it is dropped.
#[derive(Debug)]
pub struct Peer {
    child: Child,
    /// What it said after `ready`, such as its port.
    pub said: String,
}

impl Peer {
    /// Starts a script of `peers/` and waits until it says `ready`.
    ///
    /// # Errors
    /// It ended before.
    pub fn start<A: Into<OsString>>(
        bench: &Bench,
        name: &str,
        arguments: impl IntoIterator<Item = A>,
    ) -> Result<Self> {
        let python = peers_python().context("the outside peers are not installed")?;
        let mut child = Command::new(python)
            .arg(script(name))
            .args(arguments.into_iter().map(Into::into))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(bench.log(name)?)
            .spawn()?;
        let output = child.stdout.take().context("the output is piped")?;
        let mut peer = Self {
            child,
            said: String::new(),
        };
        let mut line = String::new();
        BufReader::new(output).read_line(&mut line)?;
        let said = line.strip_prefix("ready");
        let said = said.with_context(|| format!("{name} said `{line}` instead of `ready`"))?;
        said.trim().clone_into(&mut peer.said);
        Ok(peer)
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
