//! The demo's night, played once for all the suites: each works on a copy of its own.

use std::fs;
use std::sync::Mutex;

use anyhow::{Context, Result, anyhow};
use tempfile::TempDir;

use crate::bench::Bench;
use crate::daemon;

/// The program's own demo, ended as soon as its night stands.
pub const DEMO: [&str; 5] = ["demo", "--for", "1s", "--listen", "127.0.0.1:0"];

/// The folder with the night; `None` until somebody needs it.
static PLAYED: Mutex<Option<TempDir>> = Mutex::new(None);

/// Puts a record that begins with the demo's night into the bench's data folder, as the demo left it.
///
/// # Errors
/// The demo fails, or the record cannot be copied.
pub fn copy(bench: &Bench) -> Result<()> {
    let mut played = PLAYED
        .lock()
        .map_err(|_| anyhow!("the night failed before"))?;
    let played = match &mut *played {
        Some(folder) => folder,
        none => none.insert(play()?),
    };
    let data = bench.data();
    fs::create_dir_all(&data)?;
    for entry in fs::read_dir(played.path())? {
        let entry = entry?;
        if entry.file_type()?.is_file() {
            fs::copy(entry.path(), data.join(entry.file_name()))?;
        }
    }
    // The demo's file says where its record is.
    let config = data.join("oven.toml");
    let moved = fs::read_to_string(&config)?
        .replace(&*played.path().to_string_lossy(), &data.to_string_lossy());
    fs::write(&config, moved)?;
    Ok(())
}

/// Removes the played night: statics outlive a folder that is to be gone with the tests.
///
/// # Errors
/// The folder cannot be removed.
pub fn clear() -> Result<()> {
    let played = PLAYED.lock().ok().and_then(|mut played| played.take());
    played.map_or(Ok(()), |folder| {
        folder.close().context("the night's folder")
    })
}

fn play() -> Result<TempDir> {
    let folder = tempfile::Builder::new().prefix("zonda-night-").tempdir()?;
    daemon::on(folder.path(), &DEMO)?.done()?;
    Ok(folder)
}
