//! The record: samples, gaps, events, rollups and configuration revisions in one SQLite file.
//!
//! The only crate that knows SQL. One task writes ([`Recorder`]); readers page through by key in
//! short transactions and never make the writer wait. What is recorded is plain rows that any
//! SQLite tool can read in ten years.

mod book;
mod commit;
mod error;
mod folder;
mod history;
mod name;
mod open;
mod read;
mod recorder;
mod rollup;
mod row;
mod session;

pub use error::{OpenError, StoreError};
pub use history::{Bucket, Grid, History, RUNGS};
pub use name::{ChannelEntry, ChannelRow};
pub use open::{Readable, Store};
pub use read::{EventRow, GapRow, Key, SampleRow, SessionRow, Size};
pub use recorder::{Event, Recorder, RecorderOptions, Recording, Severity};
pub use row::ChannelId;
pub use session::{Session, Start};
