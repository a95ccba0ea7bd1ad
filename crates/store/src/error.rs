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
    /// Written by an earlier version, and opened for reading only: bringing it up to date is writing.
    #[error("{} was written by an earlier version of this program (layout {found}, this one reads {known}); start the daemon on it once, or on a copy, to bring it up to date", path.display())]
    Older {
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
    /// A run that was cut out of a record, which ended when it was.
    #[error("{} holds one run that was cut out of a record, and nothing is recorded into it; give the daemon another `data` directory", path.display())]
    CutOut {
        /// The file.
        path: PathBuf,
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
        "the SQLite inside is {0}; older than 3.51.3 it can lose committed data, so nothing was opened (a fault of the build: libsqlite3-sys must be 0.37)"
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
    #[error("the record: {}", said(.0))]
    Sql(#[from] sqlx::Error),
    /// SQLite said no while samples were read in bulk.
    #[error("the record: {}", said_in_bulk(.0))]
    Bulk(#[from] rusqlite::Error),
    /// A row that this program would never have written.
    #[error("the record holds a row that makes no sense: {0}")]
    Row(String),
    /// A configuration gives a known channel another quantity: its old values would change their meaning.
    #[error(
        "the channel {name} is recorded as {was} and cannot become {now}; give the new channel another name"
    )]
    Quantity {
        /// The channel.
        name: String,
        /// What it was recorded as.
        was: String,
        /// What the configuration says.
        now: &'static str,
    },
    /// A configuration names a channel twice.
    #[error("the configuration names the channel {0} twice")]
    Twice(String),
    /// A session would begin before what is recorded already ends.
    #[error(
        "the session would begin at {start}, but the record goes to {newest}; the axis must go on after that"
    )]
    Backwards {
        /// When it would begin.
        start: zonda_model::Stamp,
        /// The newest time in the record.
        newest: zonda_model::Stamp,
    },
    /// A recorder of this record is at work.
    #[error("the record is being written already; end that session first")]
    Recording,
    /// A correction that cannot be made.
    #[error(transparent)]
    Correction(#[from] crate::correction::BadCorrection),
    /// Much work waits already.
    #[error("the recorder has much to do already; try again in a minute")]
    Busy,
    /// The writer is gone; the daemon is going down.
    #[error("the recorder has ended")]
    Ended,
}

/// What SQLite says, in its words and with its code, without the library's in front.
fn said(error: &sqlx::Error) -> String {
    match error.as_database_error() {
        Some(said) => match said.code() {
            Some(code) => format!("{} (SQLite {code})", said.message()),
            None => said.message().to_owned(),
        },
        None => error.to_string(),
    }
}

/// The same of the other library.
fn said_in_bulk(error: &rusqlite::Error) -> String {
    match error.sqlite_error() {
        Some(code) => format!("{error} (SQLite {})", code.extended_code),
        None => error.to_string(),
    }
}
