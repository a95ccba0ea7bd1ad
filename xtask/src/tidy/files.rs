//! Rules about source files: each opens by saying what it is for, and the pure crates ask no clock.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use super::arrows::PURE;
use crate::shell;

/// A Rust file of ours.
#[derive(Debug)]
pub(crate) struct Source {
    /// Its path in the workspace.
    pub(crate) path: PathBuf,
    /// Its text.
    pub(crate) text: String,
}

impl Source {
    /// The lines before the file's own tests, with their numbers; none where the whole file is tests.
    pub(crate) fn lines(&self) -> impl Iterator<Item = (usize, &str)> {
        let is_tests = self.path.components().any(|part| {
            matches!(
                part.as_os_str().to_str(),
                Some("tests" | "benches" | "tests.rs")
            )
        });
        let lines: Vec<&str> = self.text.lines().collect();
        let end = lines
            .windows(2)
            .position(|pair| pair[0] == "#[cfg(test)]" && pair[1].starts_with("mod "))
            .unwrap_or(lines.len());
        let end = if is_tests { 0 } else { end };
        lines
            .into_iter()
            .take(end)
            .enumerate()
            .map(|(index, line)| (index + 1, line))
    }

    /// True where the line says nothing to the compiler.
    pub(crate) fn is_prose(line: &str) -> bool {
        let line = line.trim_start();
        line.is_empty() || line.starts_with("//")
    }
}

/// Folders with source of ours.
const FOLDERS: [&str; 3] = ["crates", "tests", "xtask"];

/// Every Rust file of ours.
pub(crate) fn sources() -> Result<Vec<Source>> {
    let mut sources = Vec::new();
    for folder in FOLDERS {
        collect(&shell::root().join(folder), &mut sources)?;
    }
    sources.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(sources)
}

fn collect(folder: &Path, sources: &mut Vec<Source>) -> Result<()> {
    let context = || format!("could not read {}", folder.display());
    for entry in fs::read_dir(folder).with_context(context)? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default();
        if path.is_dir() && name != "target" && name != "node_modules" {
            collect(&path, sources)?;
        } else if path.extension().is_some_and(|end| end == "rs") {
            let text = fs::read_to_string(&path)
                .with_context(|| format!("could not read {}", path.display()))?;
            let path = path.strip_prefix(shell::root())?.to_owned();
            sources.push(Source { path, text });
        }
    }
    Ok(())
}

/// Complaints about files that do not open by saying what they are for.
pub(crate) fn check_headers(sources: &[Source]) -> Vec<String> {
    sources
        .iter()
        .filter(|source| {
            let header = source
                .text
                .lines()
                .next()
                .and_then(|line| line.strip_prefix("//!"));
            header.is_none_or(|words| words.trim().is_empty())
        })
        .map(|source| {
            format!(
                "{} must open with a `//!` header: what it is for, and what it leaves to others",
                source.path.display()
            )
        })
        .collect()
}

/// Words by which a pure crate would reach for the world outside.
const REACHES: [&str; 10] = [
    "SystemTime",
    "Instant::now",
    "Timestamp::now",
    "Zoned::now",
    "ZonedDateTime::now",
    "std::fs",
    "std::env",
    "std::process",
    "std::thread",
    "async fn",
];

/// Complaints about pure crates that ask a clock, a file or a runtime.
pub(crate) fn check_purity(sources: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for source in sources.iter().filter(|source| is_pure(&source.path)) {
        for (number, line) in source.lines().filter(|(_, line)| !Source::is_prose(line)) {
            if let Some(word) = REACHES.iter().find(|word| line.contains(**word)) {
                complaints.push(format!(
                    "{}:{number} uses {word}; a pure crate has no I/O, no clock, no async",
                    source.path.display()
                ));
            }
        }
    }
    complaints
}

fn is_pure(path: &Path) -> bool {
    PURE.iter().any(|name| {
        let folder = name.trim_start_matches("zonda-");
        path.starts_with(Path::new("crates").join(folder).join("src"))
    })
}
