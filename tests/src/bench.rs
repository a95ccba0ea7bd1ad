//! A bench: a folder of one test, with its configuration, record and logs.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use tempfile::TempDir;

/// How much of each log a failure shows.
const LOG_LINES_MAX: usize = 60;

/// A folder of one test; gone with it.
#[derive(Debug)]
pub struct Bench {
    folder: TempDir,
}

impl Bench {
    /// An empty bench.
    ///
    /// # Errors
    /// The folder cannot be made.
    pub fn new() -> Result<Self> {
        let folder = tempfile::Builder::new().prefix("zonda-").tempdir()?;
        Ok(Self { folder })
    }

    /// A path on the bench.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The folder of the record.
    pub fn data(&self) -> PathBuf {
        self.path("data")
    }

    /// Writes a file, such as a configuration.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn write(&self, name: &str, text: &str) -> Result<PathBuf> {
        let path = self.path(name);
        fs::write(&path, text).with_context(|| format!("could not write {}", path.display()))?;
        Ok(path)
    }

    /// A log that is shown where the test fails; appended to.
    ///
    /// # Errors
    /// The file cannot be opened.
    pub fn log(&self, name: &str) -> Result<File> {
        let path = self.path(&format!("{name}.log"));
        File::options()
            .create(true)
            .append(true)
            .open(&path)
            .with_context(|| format!("could not open {}", path.display()))
    }

    /// The ends of all logs.
    pub fn logs(&self) -> String {
        let mut text = String::new();
        let mut paths: Vec<PathBuf> = fs::read_dir(self.folder.path())
            .into_iter()
            .flatten()
            .filter_map(|entry| Some(entry.ok()?.path()))
            .filter(|path| path.extension().is_some_and(|end| end == "log"))
            .collect();
        paths.sort();
        for path in paths {
            let _ = writeln!(text, "--- the end of {}\n{}", path.display(), end_of(&path));
        }
        text
    }
}

fn end_of(path: &Path) -> String {
    let text = fs::read(path).unwrap_or_default();
    let text = String::from_utf8_lossy(&text);
    let lines: Vec<&str> = text.lines().collect();
    lines[lines.len().saturating_sub(LOG_LINES_MAX)..].join("\n")
}
