//! The record: samples, gaps, events, rollups and configuration revisions in one SQLite file.
//!
//! The only crate that knows SQL. What is recorded is plain rows that any SQLite tool can read in
//! ten years; the migrations say what each column means.
//!
//! - [`Store`] is a record that this process alone may write. [`Store::begin`] starts a [`Session`],
//!   one run of the daemon, and [`Recorder::start`] the one task that writes it. Whoever measures
//!   holds a clone of the [`Recorder`] and hands over samples, missed ticks and events.
//! - [`Readable`] answers every question, also of a record that another process writes. It reads in
//!   short transactions and never makes the writer wait.
//!
//! Left to others: the clock (every time is handed in, on the record's axis, see
//! [`zonda_model::Stamp`]), the meaning of codes (a mapping is the caller's text), retention, and
//! what to do about a full disk beyond holding on, saying so, and going on when there is room.

mod backup;
mod book;
mod bulk;
mod commit;
mod correction;
mod cut_out;
mod engine;
mod error;
mod folder;
mod hand;
mod history;
mod insert;
mod job;
mod loop_check;
mod name;
mod open;
mod read;
mod recorder;
mod rollup;
mod row;
mod run;
mod schema;
mod seal;
mod session;
mod token;
mod writer;

pub use backup::{Backup, BackupError};
pub use correction::{
    BadCorrection, Cells, ChannelPreview, CorrectionEntry, CorrectionRow, Preview, Side, UndoEntry,
};
pub use cut_out::{CutAsk, CutOut};
pub use error::{OpenError, StoreError};
pub use folder::free_space;
pub use history::{Bucket, Grid, History, RUNGS};
pub use loop_check::{LoopCheckEntry, LoopCheckRow, LoopPoint};
pub use name::{ChannelEntry, ChannelRow, MappingRow, RevisionRow};
pub use open::{OpenOptions, Readable, Store};
pub use read::{EventRow, GapRow, Key, SampleRow, SessionRow, Size};
pub use recorder::{Event, Recorder, RecorderOptions, Recording, Severity, Stalled};
pub use row::ChannelId;
pub use run::{
    EvaluationEntry, Field, NoteEntry, ReachedEntry, RunChange, RunEntry, RunPage, RunRow,
    StepEntry, TraverseEntry, TraverseStep, WordEntry,
};
pub use seal::{
    Ask, Covered, Covers, Fault, Flaw, MAPPED, Progress, Rule, SealHead, Verdict, Watch,
};
pub use session::{Session, Start};
pub use token::{Role, Secret, Token, TokenError, Tokens};
