//! Corrections: a channel's values over a stretch, worked out anew from the stored codes.
//!
//! Codes never change, and what is meant by one is the caller's: a [`Rule`] works values out. Here is
//! what happens to the file. One begins with its row, an event and a link of the seal in one
//! transaction; then come pieces of some hundred samples, each in a transaction of its own with its
//! rollups and with how far the correction is (`done_to`), so that recording never waits for more than
//! one piece; at the end stands another event. Whoever reads meanwhile sees the stretch corrected up
//! to `done_to`. Where the process dies in between, the correction is unfinished: the next start goes
//! on with it ([`Readable::unfinished`]).
//!
//! Values and flags as they were go into `superseded`, and an undo puts them back bit by bit.

mod preview;
mod rows;
mod work;

use std::collections::BTreeSet;

use sqlx::Connection;
use zonda_model::Stamp;

use self::work::{Correct, Undo};
use crate::error::StoreError;
use crate::job::{Job, run_to_end};
use crate::open::Store;
use crate::recorder::Recorder;
use crate::row::ChannelId;
use crate::seal::Rule;

pub use preview::{ChannelPreview, Preview, Side};

/// A correction as it is asked for.
#[derive(Clone)]
pub struct CorrectionEntry {
    /// Whose mapping it is.
    pub channel: ChannelId,
    /// From when on, and up to when (not included), on the record's axis.
    pub stretch: (Stamp, Stamp),
    /// The mapping from there on, as text.
    pub mapping: String,
    /// Why.
    pub reason: String,
    /// Who says so.
    pub by: String,
    /// Now, on the record's axis.
    pub at: Stamp,
    /// Channels whose values or flags may change: the channel, and those that are judged by it.
    pub written: Vec<ChannelId>,
    /// Channels that have to be looked at beside them.
    pub beside: Vec<ChannelId>,
    /// Works out anew what lies in one cell.
    pub rule: Rule,
    /// The samples that are worked out together.
    pub cells: Cells,
}

/// Samples are worked out together where they lie in one cell of a grid on the record's axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cells {
    /// How long a cell is, µs; at least 1.
    pub width_us: i64,
    /// Where one of them begins.
    pub origin: Stamp,
}

impl Cells {
    /// The samples of one time.
    pub const MOMENTS: Self = Self {
        width_us: 1,
        origin: Stamp::from_micros(0),
    };

    /// The begin of the cell in which this is.
    pub const fn begin(self, at: Stamp) -> Stamp {
        let into = (at.micros() - self.origin.micros()).rem_euclid(self.width_us);
        Stamp::from_micros(at.micros() - into)
    }
}

impl std::fmt::Debug for CorrectionEntry {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CorrectionEntry")
            .field("channel", &self.channel)
            .field("stretch", &self.stretch)
            .finish_non_exhaustive()
    }
}

/// The taking back of a correction.
#[derive(Clone, Debug)]
pub struct UndoEntry {
    /// Which.
    pub correction: i64,
    /// Why.
    pub reason: String,
    /// Who says so.
    pub by: String,
    /// Now, on the record's axis.
    pub at: Stamp,
}

/// A correction as the file has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CorrectionRow {
    /// Its key.
    pub id: i64,
    /// When it was asked for.
    pub at: Stamp,
    /// Whose mapping.
    pub channel: ChannelId,
    /// From when on, and up to when.
    pub stretch: (Stamp, Stamp),
    /// The correction that this one takes back.
    pub undoes: Option<i64>,
    /// The one that took this one back.
    pub undone_by: Option<i64>,
    /// The mapping; of an undo nothing.
    pub mapping: String,
    /// Why.
    pub reason: String,
    /// Who said so.
    pub by: String,
    /// Samples before this are done.
    pub done_to: Stamp,
    /// Samples whose earlier value or flags are kept.
    pub superseded: i64,
}

impl CorrectionRow {
    /// True where every sample is done.
    pub fn is_done(&self) -> bool {
        self.done_to >= self.stretch.1
    }

    /// True where it is a correction, and nobody has taken it back.
    pub const fn is_in_force(&self) -> bool {
        self.undoes.is_none() && self.undone_by.is_none()
    }
}

/// Why a correction cannot be made, or not be undone.
#[derive(Debug, thiserror::Error)]
pub enum BadCorrection {
    /// It ends before it begins.
    #[error("the stretch ends at {1}, which is not after its beginning {0}; exchange them")]
    Reversed(Stamp, Stamp),
    /// It begins after everything that is recorded.
    #[error(
        "the stretch begins at {0}, after everything that is recorded; only what is recorded can be corrected"
    )]
    Future(Stamp),
    /// There is nothing to correct.
    #[error("{0} has no samples from {1} to {2}; `zonda export --layout gaps` says why")]
    NoSamples(String, Stamp, Stamp),
    /// No reason was given.
    #[error("say why (--reason): whoever reads the record later has to understand the correction")]
    NoReason,
    /// No name was given.
    #[error("say who corrects (--by): a correction is signed")]
    NoName,
    /// Another one is in force there.
    #[error(
        "correction {id} of {channel} covers {from} to {to} already; undo it first: zonda correct undo {id}"
    )]
    Overlaps {
        /// Which.
        id: i64,
        /// Whose.
        channel: String,
        /// From when on.
        from: Stamp,
        /// Up to when.
        to: Stamp,
    },
    /// There is no such correction.
    #[error("there is no correction {0}; `zonda correct list` shows those that there are")]
    Unknown(i64),
    /// It is itself an undo.
    #[error("{0} takes a correction back and cannot be undone itself; make the correction again")]
    IsUndo(i64),
    /// It is undone already.
    #[error("correction {0} is undone already, by {1}")]
    Undone(i64, i64),
    /// A later one changed the same samples.
    #[error("correction {later} changed some of the same samples after {id}; undo {later} first")]
    Later {
        /// The one to be undone.
        id: i64,
        /// The later one.
        later: i64,
    },
}

impl Recorder {
    /// Corrects, beside the recording. Gives the correction's key when all is done.
    ///
    /// # Errors
    /// [`StoreError::Correction`], the disk fails, or [`StoreError::Ended`]: then the next start goes
    /// on with it.
    pub async fn correct(&self, entry: CorrectionEntry) -> Result<i64, StoreError> {
        self.job(Box::new(Correct::new(entry))).await
    }

    /// Goes on with a correction that was cut short.
    ///
    /// # Errors
    /// As [`correct`](Self::correct).
    pub async fn go_on(
        &self,
        row: &CorrectionRow,
        entry: CorrectionEntry,
    ) -> Result<i64, StoreError> {
        self.job(Box::new(Correct::going_on(row, entry))).await
    }

    /// Takes a correction back. Gives the key of the row that says so.
    ///
    /// # Errors
    /// As [`correct`](Self::correct).
    pub async fn undo(&self, entry: UndoEntry) -> Result<i64, StoreError> {
        self.job(Box::new(Undo::new(entry))).await
    }

    /// Goes on with an undo that was cut short.
    ///
    /// # Errors
    /// As [`correct`](Self::correct).
    pub async fn go_on_undoing(&self, row: &CorrectionRow) -> Result<i64, StoreError> {
        self.job(Box::new(Undo::going_on(row))).await
    }
}

impl Store {
    /// Corrects a record that nobody records into. Gives the correction's key.
    ///
    /// # Errors
    /// A session is being recorded, [`StoreError::Correction`], or the disk fails.
    pub async fn correct(&self, entry: CorrectionEntry) -> Result<i64, StoreError> {
        self.work(&mut Correct::new(entry)).await
    }

    /// Goes on with a correction that was cut short.
    ///
    /// # Errors
    /// As [`correct`](Self::correct).
    pub async fn go_on(
        &self,
        row: &CorrectionRow,
        entry: CorrectionEntry,
    ) -> Result<i64, StoreError> {
        self.work(&mut Correct::going_on(row, entry)).await
    }

    /// Takes a correction back. Gives the key of the row that says so.
    ///
    /// # Errors
    /// As [`correct`](Self::correct).
    pub async fn undo(&self, entry: UndoEntry) -> Result<i64, StoreError> {
        self.work(&mut Undo::new(entry)).await
    }

    /// Goes on with an undo that was cut short.
    ///
    /// # Errors
    /// As [`correct`](Self::correct).
    pub async fn go_on_undoing(&self, row: &CorrectionRow) -> Result<i64, StoreError> {
        self.work(&mut Undo::going_on(row)).await
    }

    async fn work(&self, job: &mut dyn Job) -> Result<i64, StoreError> {
        self.refuse_while_recording()?;
        let mut connection = self.write_connection().await?;
        let done = run_to_end(job, &mut connection).await?;
        connection.close().await?;
        Ok(done)
    }
}

impl CorrectionEntry {
    /// From the begin of the first cell to the end of the last. What is worked out from a sample of the
    /// stretch may lie a little after it, and needs all of its cell.
    const fn reach(&self) -> (Stamp, Stamp) {
        let (from, to) = self.stretch;
        let begin = self.cells.begin(to);
        let end = if begin.micros() < to.micros() {
            Stamp::from_micros(begin.micros() + self.cells.width_us)
        } else {
            to
        };
        (self.cells.begin(from), end)
    }

    /// All that have to be read.
    fn channels(&self) -> Vec<ChannelId> {
        let all: BTreeSet<_> = self.written.iter().chain(&self.beside).copied().collect();
        all.into_iter().collect()
    }
}
