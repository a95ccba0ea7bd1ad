//! `cargo xtask sqlx`: the offline data in `.sqlx`, against which the SQL queries are checked where
//! no database is at hand, that is, at every ordinary build.
//!
//! It is made by compiling the store once against an empty record with every migration applied.
//! The macros write one file a query then. Python's SQLite lays the empty record out, so that no
//! tool has to be installed for it.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::SystemTime;

use anyhow::{Context, Result};

use crate::Mode;
use crate::shell;

/// Applies SQL files, in order, to a new database.
const LAY_OUT: &str = "\
import sqlite3, sys
database = sqlite3.connect(sys.argv[1])
for path in sys.argv[2:]:
    database.executescript(open(path, encoding='utf-8').read())
database.close()
";

/// Writes or checks the data; true where nothing was out of date.
///
/// # Errors
/// A query is wrong, or the data cannot be written.
pub(crate) fn run(mode: Mode) -> Result<bool> {
    let kept = shell::root().join(".sqlx");
    let fresh = prepare()?;
    let (before, now) = (read(&kept)?, read(&fresh)?);
    if before == now {
        return Ok(true);
    }
    if mode == Mode::Check {
        println!("sqlx: .sqlx is out of date; run `cargo xtask sqlx`");
        return Ok(false);
    }
    fs::create_dir_all(&kept)?;
    for name in before.keys().filter(|name| !now.contains_key(*name)) {
        fs::remove_file(kept.join(name))?;
    }
    for (name, text) in &now {
        fs::write(kept.join(name), text)?;
    }
    println!("sqlx: wrote {} queries to .sqlx", now.len());
    Ok(true)
}

/// Compiles the store against an empty record; the folder with what the macros wrote.
fn prepare() -> Result<PathBuf> {
    let work = shell::target()?.join("sqlx");
    let queries = work.join("queries");
    let database = work.join("record.db");
    if work.exists() {
        fs::remove_dir_all(&work)?;
    }
    fs::create_dir_all(&queries)?;
    let mut layout = Command::new("python3");
    layout
        .args(["-c", LAY_OUT])
        .arg(&database)
        .args(migrations()?);
    shell::output(&mut layout).context("the empty record needs python3")?;

    let store = shell::root().join("crates/store/src/lib.rs");
    as_if_changed(&store, || {
        shell::output(
            shell::cargo()
                .args(["check", "--quiet", "--package", "zonda-store", "--lib"])
                .env("DATABASE_URL", format!("sqlite://{}", database.display()))
                .env("SQLX_OFFLINE", "false")
                .env("SQLX_OFFLINE_DIR", &queries),
        )
    })?;
    Ok(queries)
}

fn migrations() -> Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(shell::root().join("migrations"))? {
        files.push(entry?.path());
    }
    files.sort();
    Ok(files)
}

/// Does `work` while this file looks new to cargo, and not after: other builds stay fresh.
fn as_if_changed<T>(file: &Path, work: impl FnOnce() -> Result<T>) -> Result<T> {
    let handle = File::options().append(true).open(file)?;
    let before = handle.metadata()?.modified()?;
    handle.set_modified(SystemTime::now())?;
    let result = work();
    handle.set_modified(before)?;
    result
}

/// The files of a folder by name; none where there is no folder.
fn read(folder: &Path) -> Result<BTreeMap<OsString, String>> {
    let mut files = BTreeMap::new();
    if !folder.exists() {
        return Ok(files);
    }
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default().to_owned();
        files.insert(name, fs::read_to_string(&path)?);
    }
    Ok(files)
}
