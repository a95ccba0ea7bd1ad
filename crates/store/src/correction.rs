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

use std::collections::{BTreeMap, BTreeSet};

use futures::future::BoxFuture;
use sqlx::{Connection, QueryBuilder, Sqlite, SqliteConnection};
use zonda_model::{Quality, Sample, Stamp};

use crate::error::StoreError;
use crate::job::{Job, Step, run_to_end};
use crate::open::{Readable, Store};
use crate::read::SampleRow;
use crate::recorder::{Event, Recorder, Severity};
use crate::row::{ChannelId, quality_of, sample_of};
use crate::seal::{self, Rule};
use crate::{commit, rollup};

/// Samples read for one piece: some 50 ms of work on a small board.
const PIECE: i64 = 1000;

/// Samples read at once for a preview.
const PAGE: i64 = 50_000;

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
    /// Works out anew.
    pub rule: Rule,
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

/// What a correction would do.
#[derive(Clone, Debug, PartialEq)]
pub struct Preview {
    /// The channel itself first, then those that are judged by it and would change.
    pub channels: Vec<ChannelPreview>,
}

/// What it would do to one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelPreview {
    /// Which.
    pub channel: ChannelId,
    /// Samples in the stretch.
    pub samples: u64,
    /// Those whose value or flags would change.
    pub changed: u64,
    /// As it is.
    pub before: Side,
    /// As it would be.
    pub after: Side,
}

/// A channel over the stretch, before or after.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Side {
    /// The first value, SI.
    pub first: Option<f64>,
    /// The last value, SI.
    pub last: Option<f64>,
    /// The lowest, SI.
    pub min: Option<f64>,
    /// The highest, SI.
    pub max: Option<f64>,
    sum: f64,
    /// Samples with a value.
    pub values: u64,
    /// Samples with each flag, and those with nothing against them under the empty set.
    pub flags: BTreeMap<u32, u64>,
}

impl Side {
    fn add(&mut self, sample: &SampleRow) {
        for (_, flag) in sample.quality.iter_names() {
            *self.flags.entry(flag.bits()).or_default() += 1;
        }
        if sample.quality.is_good() {
            *self.flags.entry(0).or_default() += 1;
        }
        let Some(value) = sample.value else { return };
        self.first.get_or_insert(value);
        self.last = Some(value);
        self.min = Some(self.min.map_or(value, |min| min.min(value)));
        self.max = Some(self.max.map_or(value, |max| max.max(value)));
        self.sum += value;
        self.values += 1;
    }

    /// The mean of the values, SI.
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples stay far below 2^53"
    )]
    pub fn mean(&self) -> Option<f64> {
        (self.values > 0).then(|| self.sum / self.values as f64)
    }
}

impl Readable {
    /// Every correction, in the order in which they were made.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn corrections(&self) -> Result<Vec<CorrectionRow>, StoreError> {
        let mut connection = self.pool().acquire().await?;
        Ok(rows(&mut connection).await?)
    }

    /// Corrections in force that changed samples of a channel in a stretch, also where they are of
    /// another channel by which this one is judged. What was worked out from those samples before the
    /// correction's `at` is outdated.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn corrections_touching(
        &self,
        channel: ChannelId,
        (from, to): (Stamp, Stamp),
    ) -> Result<Vec<CorrectionRow>, StoreError> {
        let touching: BTreeSet<i64> = sqlx::query_scalar::<_, i64>(
            "SELECT id FROM correction JOIN corrected_channel ON correction = id
             WHERE corrected_channel.channel = ? AND from_at < ? AND to_at > ?",
        )
        .bind(channel.0)
        .bind(to.micros())
        .bind(from.micros())
        .fetch_all(&self.pool())
        .await?
        .into_iter()
        .collect();
        let mut rows = self.corrections().await?;
        rows.retain(|row| touching.contains(&row.id));
        Ok(rows)
    }

    /// Corrections and undos that were cut short, oldest first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn unfinished(&self) -> Result<Vec<CorrectionRow>, StoreError> {
        let mut rows = self.corrections().await?;
        rows.retain(|row| !row.is_done() && row.undone_by.is_none());
        Ok(rows)
    }

    /// What a correction would do, and what speaks against it. Changes nothing.
    ///
    /// # Errors
    /// [`StoreError::Correction`], or the file cannot be read.
    pub async fn preview(&self, entry: &CorrectionEntry) -> Result<Preview, StoreError> {
        let mut connection = self.pool().acquire().await?;
        refuse(&mut connection, entry).await?;
        drop(connection);
        let channels = entry.channels();
        let of = |channel: &ChannelId| ChannelPreview {
            channel: *channel,
            samples: 0,
            changed: 0,
            before: Side::default(),
            after: Side::default(),
        };
        let mut previews: Vec<_> = entry.written.iter().map(of).collect();
        let mut from = entry.stretch.0;
        while from < entry.stretch.1 {
            let page = self
                .samples((from, entry.stretch.1), Some(&channels), None, PAGE)
                .await?;
            let (page, next) = whole_times(page, PAGE, entry.stretch.1);
            let after = worked_out(&page, &entry.rule);
            for (before, after) in page.iter().zip(&after) {
                let found = previews
                    .iter_mut()
                    .find(|one| one.channel == before.channel);
                let Some(preview) = found else { continue };
                preview.samples += 1;
                preview.changed += u64::from(differs(before, after));
                preview.before.add(before);
                preview.after.add(after);
            }
            from = next;
        }
        if previews.first().is_none_or(|own| own.samples == 0) {
            let mut connection = self.pool().acquire().await?;
            let name = name(&mut connection, entry.channel).await?;
            let (from, to) = entry.stretch;
            return Err(BadCorrection::NoSamples(name, from, to).into());
        }
        let own = entry.channel;
        previews.retain(|one| one.channel == own || one.changed > 0);
        Ok(Preview { channels: previews })
    }
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
    /// All that have to be read.
    fn channels(&self) -> Vec<ChannelId> {
        let all: BTreeSet<_> = self.written.iter().chain(&self.beside).copied().collect();
        all.into_iter().collect()
    }
}

/// A correction under way.
struct Correct {
    entry: CorrectionEntry,
    /// Its key, and how far it is; `None` before it is begun.
    under_way: Option<(i64, Stamp)>,
}

impl Correct {
    const fn new(entry: CorrectionEntry) -> Self {
        Self {
            entry,
            under_way: None,
        }
    }

    fn going_on(row: &CorrectionRow, entry: CorrectionEntry) -> Self {
        Self {
            under_way: Some((row.id, row.done_to)),
            entry,
        }
    }

    async fn next(&mut self, connection: &mut SqliteConnection) -> Result<Step, StoreError> {
        let Some((id, done_to)) = self.under_way else {
            let id = begin(connection, &self.entry).await?;
            self.under_way = Some((id, self.entry.stretch.0));
            return Ok(Step::More);
        };
        let done_to = self.piece(connection, id, done_to).await?;
        self.under_way = Some((id, done_to));
        Ok(if done_to < self.entry.stretch.1 {
            Step::More
        } else {
            Step::Done(id)
        })
    }

    /// Corrects some samples from `from` on; up to when.
    async fn piece(
        &self,
        connection: &mut SqliteConnection,
        id: i64,
        from: Stamp,
    ) -> Result<Stamp, StoreError> {
        let to = self.entry.stretch.1;
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
        let page = page(&mut transaction, (from, to), &self.entry.channels()).await?;
        let (page, next) = whole_times(page, PIECE, to);
        let after = worked_out(&page, &self.entry.rule);
        for (before, after) in page.iter().zip(&after) {
            let is_written = self.entry.written.contains(&before.channel);
            if is_written && differs(before, after) {
                keep(&mut transaction, id, before).await?;
                write(&mut transaction, after).await?;
            }
        }
        rollup::make_anew(&mut transaction, from..next).await?;
        note_done(&mut transaction, id, next).await?;
        if next >= to {
            let changed = superseded(&mut transaction, id).await?;
            let text = format!(
                "correction {id} is done: {changed} samples have another value or other flags"
            );
            end(&mut transaction, self.entry.channel, self.entry.at, text).await?;
        }
        transaction.commit().await?;
        Ok(next)
    }
}

impl Job for Correct {
    fn step<'a>(
        &'a mut self,
        connection: &'a mut SqliteConnection,
    ) -> BoxFuture<'a, Result<Step, StoreError>> {
        Box::pin(self.next(connection))
    }
}

/// An undo under way.
struct Undo {
    entry: UndoEntry,
    under_way: Option<UnderWay>,
}

#[derive(Clone, Copy)]
struct UnderWay {
    id: i64,
    channel: ChannelId,
    done_to: Stamp,
    to: Stamp,
}

impl Undo {
    const fn new(entry: UndoEntry) -> Self {
        Self {
            entry,
            under_way: None,
        }
    }

    fn going_on(row: &CorrectionRow) -> Self {
        Self {
            entry: UndoEntry {
                correction: row.undoes.unwrap_or_default(),
                reason: row.reason.clone(),
                by: row.by.clone(),
                at: row.at,
            },
            under_way: Some(UnderWay {
                id: row.id,
                channel: row.channel,
                done_to: row.done_to,
                to: row.stretch.1,
            }),
        }
    }

    async fn next(&mut self, connection: &mut SqliteConnection) -> Result<Step, StoreError> {
        let Some(now) = self.under_way else {
            self.under_way = Some(begin_undo(connection, &self.entry).await?);
            return Ok(Step::More);
        };
        let done_to = self.piece(connection, now).await?;
        self.under_way = Some(UnderWay { done_to, ..now });
        Ok(if done_to < now.to {
            Step::More
        } else {
            Step::Done(now.id)
        })
    }

    /// Puts some samples back.
    async fn piece(
        &self,
        connection: &mut SqliteConnection,
        now: UnderWay,
    ) -> Result<Stamp, StoreError> {
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
        let rows: Vec<(i64, i64, Option<f64>, i64)> = sqlx::query_as(
            "SELECT at, channel, value, flags FROM superseded WHERE correction = ? ORDER BY at, channel LIMIT ?",
        )
        .bind(self.entry.correction)
        .bind(PIECE)
        .fetch_all(&mut *transaction)
        .await?;
        let is_last = i64::try_from(rows.len()).unwrap_or(i64::MAX) < PIECE;
        for (at, channel, value, flags) in &rows {
            let sample = Sample {
                at: Stamp::from_micros(*at),
                channel: ChannelId(*channel),
                code: None,
                value: *value,
                quality: quality_of(*flags),
            };
            write(&mut transaction, &sample).await?;
            sqlx::query("DELETE FROM superseded WHERE correction = ? AND at = ? AND channel = ?")
                .bind(self.entry.correction)
                .bind(at)
                .bind(channel)
                .execute(&mut *transaction)
                .await?;
        }
        let last = rows.last().map_or(now.done_to.micros(), |row| row.0);
        let next = if is_last {
            now.to
        } else {
            Stamp::from_micros(last)
        };
        let after = Stamp::from_micros(last.saturating_add(1));
        rollup::make_anew(&mut transaction, now.done_to..after).await?;
        note_done(&mut transaction, now.id, next).await?;
        if is_last {
            let text = format!(
                "correction {} is undone: values and flags are as they were",
                self.entry.correction
            );
            end(&mut transaction, now.channel, self.entry.at, text).await?;
        }
        transaction.commit().await?;
        Ok(next)
    }
}

impl Job for Undo {
    fn step<'a>(
        &'a mut self,
        connection: &'a mut SqliteConnection,
    ) -> BoxFuture<'a, Result<Step, StoreError>> {
        Box::pin(self.next(connection))
    }
}

/// A correction is signed; a preview need not be.
fn refuse_unsigned(reason: &str, by: &str) -> Result<(), BadCorrection> {
    if reason.trim().is_empty() {
        return Err(BadCorrection::NoReason);
    }
    if by.trim().is_empty() {
        return Err(BadCorrection::NoName);
    }
    Ok(())
}

/// What speaks against a correction.
async fn refuse(
    connection: &mut SqliteConnection,
    entry: &CorrectionEntry,
) -> Result<(), StoreError> {
    let (from, to) = entry.stretch;
    if from >= to {
        return Err(BadCorrection::Reversed(from, to).into());
    }
    let newest: Option<i64> = sqlx::query_scalar("SELECT max(at) FROM sample")
        .fetch_one(&mut *connection)
        .await?;
    if newest.is_none_or(|newest| from.micros() > newest) {
        return Err(BadCorrection::Future(from).into());
    }
    for row in rows(connection).await? {
        let meets = row.stretch.0 < to && from < row.stretch.1;
        if row.is_in_force() && row.channel == entry.channel && meets {
            let channel = name(connection, row.channel).await?;
            return Err(BadCorrection::Overlaps {
                id: row.id,
                channel,
                from: row.stretch.0,
                to: row.stretch.1,
            }
            .into());
        }
    }
    Ok(())
}

async fn begin(
    connection: &mut SqliteConnection,
    entry: &CorrectionEntry,
) -> Result<i64, StoreError> {
    let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
    refuse_unsigned(&entry.reason, &entry.by)?;
    refuse(&mut transaction, entry).await?;
    let (from, to) = entry.stretch;
    let name = name(&mut transaction, entry.channel).await?;
    let first = page(&mut transaction, (from, to), &[entry.channel]).await?;
    if first.is_empty() {
        return Err(BadCorrection::NoSamples(name, from, to).into());
    }
    let row = NewRow {
        at: entry.at,
        channel: entry.channel,
        stretch: entry.stretch,
        undoes: None,
        mapping: &entry.mapping,
        reason: &entry.reason,
        by: &entry.by,
    };
    let id = insert(&mut transaction, &row, &entry.written).await?;
    let text = format!(
        "correction {id}: the values of {name} from {from} to {to} follow another mapping; {} ({})",
        entry.reason, entry.by
    );
    seal_row(
        &mut transaction,
        id,
        event(&name, entry.at, Severity::Warning, text),
    )
    .await?;
    transaction.commit().await?;
    Ok(id)
}

async fn begin_undo(
    connection: &mut SqliteConnection,
    entry: &UndoEntry,
) -> Result<UnderWay, StoreError> {
    let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
    let id = entry.correction;
    let rows = rows(&mut transaction).await?;
    let undone = rows
        .iter()
        .find(|row| row.id == id)
        .ok_or(BadCorrection::Unknown(id))?;
    refuse_unsigned(&entry.reason, &entry.by)?;
    if undone.undoes.is_some() {
        return Err(BadCorrection::IsUndo(id).into());
    }
    if let Some(by) = undone.undone_by {
        return Err(BadCorrection::Undone(id, by).into());
    }
    let channels = written(&mut transaction, id).await?;
    for later in rows.iter().filter(|row| row.id > id && row.is_in_force()) {
        let meets = later.stretch.0 < undone.stretch.1 && undone.stretch.0 < later.stretch.1;
        let theirs = written(&mut transaction, later.id).await?;
        if meets && theirs.iter().any(|channel| channels.contains(channel)) {
            return Err(BadCorrection::Later {
                id,
                later: later.id,
            }
            .into());
        }
    }
    let row = NewRow {
        at: entry.at,
        channel: undone.channel,
        stretch: undone.stretch,
        undoes: Some(id),
        mapping: "",
        reason: &entry.reason,
        by: &entry.by,
    };
    let new = insert(&mut transaction, &row, &channels).await?;
    let name = name(&mut transaction, undone.channel).await?;
    let text = format!(
        "correction {id} of {name} is taken back by {new}; {} ({})",
        entry.reason, entry.by
    );
    seal_row(
        &mut transaction,
        new,
        event(&name, entry.at, Severity::Warning, text),
    )
    .await?;
    transaction.commit().await?;
    Ok(UnderWay {
        id: new,
        channel: undone.channel,
        done_to: undone.stretch.0,
        to: undone.stretch.1,
    })
}

struct NewRow<'a> {
    at: Stamp,
    channel: ChannelId,
    stretch: (Stamp, Stamp),
    undoes: Option<i64>,
    mapping: &'a str,
    reason: &'a str,
    by: &'a str,
}

async fn insert(
    connection: &mut SqliteConnection,
    row: &NewRow<'_>,
    written: &[ChannelId],
) -> Result<i64, StoreError> {
    let (from, to) = (row.stretch.0.micros(), row.stretch.1.micros());
    let done = sqlx::query(
        "INSERT INTO correction (at, channel, from_at, to_at, undoes, mapping, reason, by_whom, done_to)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )
    .bind(row.at.micros())
    .bind(row.channel.0)
    .bind(from)
    .bind(to)
    .bind(row.undoes)
    .bind(row.mapping)
    .bind(row.reason)
    .bind(row.by)
    .bind(from)
    .execute(&mut *connection)
    .await?;
    let id = done.last_insert_rowid();
    for channel in written {
        sqlx::query("INSERT INTO corrected_channel (correction, channel) VALUES (?, ?)")
            .bind(id)
            .bind(channel.0)
            .execute(&mut *connection)
            .await?;
    }
    Ok(id)
}

async fn rows(connection: &mut SqliteConnection) -> Result<Vec<CorrectionRow>, sqlx::Error> {
    let rows = sqlx::query!(
        r#"SELECT id AS "id!", at, channel, from_at, to_at, undoes, mapping, reason, by_whom, done_to,
                  (SELECT id FROM correction AS other WHERE other.undoes = correction.id) AS "undone_by: i64",
                  (SELECT count(*) FROM superseded WHERE superseded.correction = correction.id) AS "superseded!: i64"
           FROM correction ORDER BY id"#
    )
    .fetch_all(connection)
    .await?;
    let row = rows.into_iter().map(|row| CorrectionRow {
        id: row.id,
        at: Stamp::from_micros(row.at),
        channel: ChannelId(row.channel),
        stretch: (
            Stamp::from_micros(row.from_at),
            Stamp::from_micros(row.to_at),
        ),
        undoes: row.undoes,
        undone_by: row.undone_by,
        mapping: row.mapping,
        reason: row.reason,
        by: row.by_whom,
        done_to: Stamp::from_micros(row.done_to),
        superseded: row.superseded,
    });
    Ok(row.collect())
}

async fn written(
    connection: &mut SqliteConnection,
    id: i64,
) -> Result<Vec<ChannelId>, sqlx::Error> {
    let rows: Vec<i64> = sqlx::query_scalar(
        "SELECT channel FROM corrected_channel WHERE correction = ? ORDER BY channel",
    )
    .bind(id)
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(ChannelId).collect())
}

async fn name(
    connection: &mut SqliteConnection,
    channel: ChannelId,
) -> Result<String, sqlx::Error> {
    let name: Option<String> = sqlx::query_scalar("SELECT name FROM channel WHERE id = ?")
        .bind(channel.0)
        .fetch_optional(connection)
        .await?;
    Ok(name.unwrap_or_else(|| format!("channel {}", channel.0)))
}

fn event(name: &str, at: Stamp, severity: Severity, text: String) -> Event {
    Event {
        at,
        severity,
        kind: "correction".to_owned(),
        subject: name.to_owned(),
        text,
    }
}

/// The end of one: an event with a link of its own.
async fn end(
    connection: &mut SqliteConnection,
    channel: ChannelId,
    at: Stamp,
    text: String,
) -> Result<(), StoreError> {
    let name = name(connection, channel).await?;
    let event = event(&name, at, Severity::Info, text);
    seal_entry(connection, None, &event).await
}

async fn seal_row(
    connection: &mut SqliteConnection,
    id: i64,
    event: Event,
) -> Result<(), StoreError> {
    seal_entry(connection, Some(id), &event).await
}

async fn seal_entry(
    connection: &mut SqliteConnection,
    correction: Option<i64>,
    event: &Event,
) -> Result<(), StoreError> {
    let tip = seal::tip(connection, event.at).await?;
    let events = commit::insert_events(connection, std::slice::from_ref(event)).await?;
    seal::seal_correction(connection, tip, correction, &events, event.at).await?;
    Ok(())
}

/// Samples of a stretch, by time and channel.
async fn page(
    connection: &mut SqliteConnection,
    (from, to): (Stamp, Stamp),
    channels: &[ChannelId],
) -> Result<Vec<SampleRow>, sqlx::Error> {
    let mut query = QueryBuilder::<Sqlite>::new(
        "SELECT at, channel, code, value, flags FROM sample WHERE at >= ",
    );
    query
        .push_bind(from.micros())
        .push(" AND at < ")
        .push_bind(to.micros());
    query.push(" AND channel IN (");
    let mut list = query.separated(", ");
    for channel in channels {
        list.push_bind(channel.0);
    }
    query.push(") ORDER BY at, channel LIMIT ").push_bind(PIECE);
    let rows = query.build().fetch_all(connection).await?;
    rows.iter().map(sample_of).collect()
}

/// A page without the samples of its last time, which the next one may go on with; and where it does.
fn whole_times(mut page: Vec<SampleRow>, limit: i64, to: Stamp) -> (Vec<SampleRow>, Stamp) {
    let is_full = i64::try_from(page.len()).is_ok_and(|rows| rows >= limit);
    let Some(last) = page.last().map(|last| last.at).filter(|_| is_full) else {
        return (page, to);
    };
    page.retain(|row| row.at < last);
    (page, last)
}

/// The same samples as the rule has them.
fn worked_out(page: &[SampleRow], rule: &Rule) -> Vec<SampleRow> {
    let mut after = page.to_vec();
    for together in after.chunk_by_mut(|one, other| one.at == other.at) {
        rule(together);
    }
    after
}

fn differs(before: &SampleRow, after: &SampleRow) -> bool {
    before.value.map(f64::to_bits) != after.value.map(f64::to_bits)
        || before.quality != after.quality
}

async fn keep(
    connection: &mut SqliteConnection,
    id: i64,
    before: &SampleRow,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO superseded (correction, at, channel, value, flags) VALUES (?, ?, ?, ?, ?)",
    )
    .bind(id)
    .bind(before.at.micros())
    .bind(before.channel.0)
    .bind(before.value)
    .bind(i64::from(before.quality.bits()))
    .execute(connection)
    .await?;
    Ok(())
}

/// A value that is not finite is none, as everywhere on the way into the file.
async fn write(connection: &mut SqliteConnection, after: &SampleRow) -> Result<(), sqlx::Error> {
    let value = after
        .value
        .filter(|value| value.is_finite())
        .map(|value| value + 0.0);
    let lost = value.is_some() != after.value.is_some();
    let quality = if lost {
        after.quality | Quality::NO_NUMBER
    } else {
        after.quality
    };
    sqlx::query("UPDATE sample SET value = ?, flags = ? WHERE at = ? AND channel = ?")
        .bind(value)
        .bind(i64::from(quality.bits()))
        .bind(after.at.micros())
        .bind(after.channel.0)
        .execute(connection)
        .await?;
    Ok(())
}

async fn note_done(
    connection: &mut SqliteConnection,
    id: i64,
    to: Stamp,
) -> Result<(), sqlx::Error> {
    sqlx::query("UPDATE correction SET done_to = ? WHERE id = ?")
        .bind(to.micros())
        .bind(id)
        .execute(connection)
        .await?;
    Ok(())
}

async fn superseded(connection: &mut SqliteConnection, id: i64) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar("SELECT count(*) FROM superseded WHERE correction = ?")
        .bind(id)
        .fetch_one(connection)
        .await
}
