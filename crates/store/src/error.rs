//! What can go wrong with the file, each with the way out.

use std::path::PathBuf;

/// Why the record cannot be opened. The file is left as it was.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The directory cannot be made or written.
    #[error("the data directory {} cannot be used: {source}", dir.display())]
    Folder {
        /// The directory.
        dir: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A network or user-space file system, where SQLite's locks do not hold.
    #[error("{} is on {kind}, where a record can be damaged without anyone noticing; put `data` on a local disk", dir.display())]
    NotLocal {
        /// The directory.
        dir: PathBuf,
        /// What kind of file system.
        kind: &'static str,
    },
    /// Another daemon has the directory.
    #[error("another daemon (process {holder}) records into {}; stop it, or give this one another `data` directory", dir.display())]
    Taken {
        /// The directory.
        dir: PathBuf,
        /// Its process number, as it wrote it.
        holder: String,
    },
    /// There is no record here.
    #[error("there is no record in {}", dir.display())]
    Nothing {
        /// The directory.
        dir: PathBuf,
    },
    /// Written by a later version.
    #[error("{} was written by a later version of this program (layout {found}, this one knows {known}); use that version, or another `data` directory", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its layout.
        found: i64,
        /// Ours.
        known: i64,
    },
    /// Not a record of ours.
    #[error("{} is not a record of this program: {why}", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What it is.
        why: String,
    },
    /// The file does not hold together.
    #[error("{} is damaged: {why}. It was left as it is; copy it away, and start with an empty `data` directory or a backup", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What SQLite says.
        why: String,
    },
    /// A SQLite that can lose committed data.
    #[error(
        "the SQLite inside is {0}; older than 3.51.3 it can lose committed data, so nothing was opened"
    )]
    OldEngine(String),
    /// Anything else.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Why the record could not be read or written just now.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// SQLite said no.
    #[error("the record: {0}")]
    Sql(#[from] sqlx::Error),
    /// A row that this program would never have written.
    #[error("the record holds a row that makes no sense: {0}")]
    Row(String),
    /// The writer is gone; the daemon is going down.
    #[error("the recorder has ended")]
    Ended,
}
