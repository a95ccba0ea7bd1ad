//! The work itself: pieces of samples, each a transaction that says how far it is.

use futures::future::BoxFuture;
use sqlx::{Connection, QueryBuilder, Sqlite, SqliteConnection};
use zonda_model::{Quality, Sample, Stamp};

use super::rows::{
    NewRow, end, event, insert, name, note_done, refuse, refuse_unsigned, rows, seal_row,
    superseded, written,
};
use super::{BadCorrection, Cells, CorrectionEntry, CorrectionRow, UndoEntry};
use crate::error::StoreError;
use crate::job::{Job, Step};
use crate::read::SampleRow;
use crate::recorder::Severity;
use crate::rollup;
use crate::row::{ChannelId, quality_of, sample_of};

/// Samples read for one piece: some 50 ms of work on a small board.
const PIECE: i64 = 1000;

/// A correction under way.
pub(super) struct Correct {
    entry: CorrectionEntry,
    /// Its key, and how far it is; `None` before it is begun.
    under_way: Option<(i64, Stamp)>,
}

impl Correct {
    pub(super) const fn new(entry: CorrectionEntry) -> Self {
        Self {
            entry,
            under_way: None,
        }
    }

    pub(super) fn going_on(row: &CorrectionRow, entry: CorrectionEntry) -> Self {
        Self {
            under_way: Some((row.id, row.done_to)),
            entry,
        }
    }

    async fn next(&mut self, connection: &mut SqliteConnection) -> Result<Step, StoreError> {
        let Some((id, done_to)) = self.under_way else {
            let id = begin(connection, &self.entry).await?;
            self.under_way = Some((id, self.entry.reach().0));
            return Ok(Step::More);
        };
        let done_to = self.piece(connection, id, done_to).await?;
        self.under_way = Some((id, done_to));
        Ok(if done_to < self.entry.reach().1 {
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
        let cells = self.entry.cells;
        // One that was cut short before its first piece stands where its stretch begins.
        let (from, to) = (cells.begin(from), self.entry.reach().1);
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
        let mut limit = PIECE;
        let (page, next) = loop {
            let page = page(&mut transaction, (from, to), &self.entry.channels(), limit).await?;
            match whole_cells(page, limit, to, cells) {
                Some(found) => break found,
                None => limit *= 2,
            }
        };
        let after = worked_out(&page, &self.entry);
        for (before, after) in page.iter().zip(&after) {
            let is_written = self.entry.written.contains(&before.channel);
            if is_written && differs(before, after) {
                keep(&mut transaction, id, before).await?;
                write(&mut transaction, after).await?;
            }
        }
        rollup::make_anew(&mut transaction, from..next).await?;
        let noted = if next >= to {
            self.entry.stretch.1
        } else {
            short_of(self.entry.stretch.1, next)
        };
        note_done(&mut transaction, id, noted).await?;
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
pub(super) struct Undo {
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
    pub(super) const fn new(entry: UndoEntry) -> Self {
        Self {
            entry,
            under_way: None,
        }
    }

    pub(super) fn going_on(row: &CorrectionRow) -> Self {
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
            short_of(now.to, Stamp::from_micros(last))
        };
        let after = Stamp::from_micros(last.saturating_add(1));
        // What is worked out together with the first sample of the stretch may lie before it.
        let first = rows.first().map_or(now.done_to, |row| {
            now.done_to.min(Stamp::from_micros(row.0))
        });
        rollup::make_anew(&mut transaction, first..after).await?;
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

async fn begin(
    connection: &mut SqliteConnection,
    entry: &CorrectionEntry,
) -> Result<i64, StoreError> {
    let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
    refuse_unsigned(&entry.reason, &entry.by)?;
    refuse(&mut transaction, entry).await?;
    let (from, to) = entry.stretch;
    let name = name(&mut transaction, entry.channel).await?;
    let first = page(&mut transaction, (from, to), &[entry.channel], 1).await?;
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

/// How far something is that goes on behind the end of its stretch, for the cells that begin before it:
/// never at the end while anything is left to do.
fn short_of(end: Stamp, done: Stamp) -> Stamp {
    done.min(Stamp::from_micros(end.micros().saturating_sub(1)))
}

/// Samples of a stretch, by time and channel.
async fn page(
    connection: &mut SqliteConnection,
    (from, to): (Stamp, Stamp),
    channels: &[ChannelId],
    limit: i64,
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
    query.push(") ORDER BY at, channel LIMIT ").push_bind(limit);
    let rows = query.build().fetch_all(connection).await?;
    rows.iter().map(sample_of).collect()
}

/// A page without the samples of its last cell, which the next one may go on with; and where that cell
/// begins. `None` where there is no other cell in it.
pub(super) fn whole_cells(
    mut page: Vec<SampleRow>,
    limit: i64,
    to: Stamp,
    cells: Cells,
) -> Option<(Vec<SampleRow>, Stamp)> {
    let is_full = i64::try_from(page.len()).is_ok_and(|rows| rows >= limit);
    let Some(last) = page
        .last()
        .map(|last| cells.begin(last.at))
        .filter(|_| is_full)
    else {
        return Some((page, to));
    };
    page.retain(|row| row.at < last);
    (!page.is_empty()).then_some((page, last))
}

/// The same samples as the rule has them.
pub(super) fn worked_out(page: &[SampleRow], entry: &CorrectionEntry) -> Vec<SampleRow> {
    let mut after = page.to_vec();
    let begin = |row: &SampleRow| entry.cells.begin(row.at);
    for together in after.chunk_by_mut(|one, other| begin(one) == begin(other)) {
        (entry.rule)(together);
    }
    after
}

pub(super) fn differs(before: &SampleRow, after: &SampleRow) -> bool {
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
