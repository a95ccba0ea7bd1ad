//! Summaries of 10 s and 10 min, kept as samples come in.
//!
//! A summary is always made from the rows that are stored, by one function, whether the bucket has
//! just filled up, a late sample changed it, or somebody asks for all of them anew: so they cannot
//! differ, and how commits cut the stream cannot matter. They are written once a minute and not with
//! every bucket, because each channel's rows lie on a page of their own (64 channels: 0.4 GB a day
//! into the log in place of 2.2).
//!
//! The *front* of a step is the stamp up to which all its buckets are written. It moves in the
//! transaction that writes them, so nothing has to be made good after a power cut. Whoever reads
//! takes the buckets before the front and samples after it.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::time::Duration;

use futures::TryStreamExt;
use sqlx::{Connection, SqliteConnection};
use zonda_model::quality::Worth;
use zonda_model::{Quality, Sample, Stamp};

use crate::row::{ChannelId, quality_of};

/// The short step, µs; made from samples.
pub(crate) const SHORT_US: i64 = 10_000_000;
/// The long step, µs; made from short ones.
pub(crate) const LONG_US: i64 = 600_000_000;

/// How often the front moves, µs.
const ROUND_US: i64 = 60_000_000;

/// How long a bucket is waited for after it is over: answers that come late and lines that stamp
/// afterwards. A sample that comes later still has its bucket made anew.
const LAG: Duration = Duration::from_secs(5);

/// What stands for the samples of one channel over a stretch.
///
/// Mean, lowest and highest are over the `used` samples: those with a number and no fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Summary {
    pub(crate) count: i64,
    pub(crate) used: i64,
    /// Samples with a number and nothing against it.
    pub(crate) good: i64,
    sum: f64,
    pub(crate) min: Option<f64>,
    pub(crate) max: Option<f64>,
    /// Every flag that was seen.
    pub(crate) flags: Quality,
}

impl Summary {
    /// Of nothing.
    pub(crate) const EMPTY: Self = Self {
        count: 0,
        used: 0,
        good: 0,
        sum: 0.0,
        min: None,
        max: None,
        flags: Quality::empty(),
    };

    pub(crate) fn add(&mut self, value: Option<f64>, quality: Quality) {
        self.count += 1;
        self.flags |= quality;
        let Some(value) = value else { return };
        self.good += i64::from(quality.is_good());
        if quality.worth() == Worth::Fault {
            return;
        }
        self.used += 1;
        self.sum += value;
        self.min = Some(self.min.map_or(value, |min| min.min(value)));
        self.max = Some(self.max.map_or(value, |max| max.max(value)));
    }

    pub(crate) fn merge(&mut self, other: &Self) {
        self.count += other.count;
        self.used += other.used;
        self.good += other.good;
        self.sum += other.sum;
        self.min = self.min.into_iter().chain(other.min).reduce(f64::min);
        self.max = self.max.into_iter().chain(other.max).reduce(f64::max);
        self.flags |= other.flags;
    }

    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples stay far below 2^53"
    )]
    pub(crate) fn mean(&self) -> Option<f64> {
        (self.used > 0).then(|| self.sum / self.used as f64)
    }
}

/// A summary as its row says it.
pub(crate) struct Row {
    pub(crate) channel: i64,
    pub(crate) at: i64,
    pub(crate) count: i64,
    pub(crate) used: i64,
    pub(crate) good: i64,
    pub(crate) mean: Option<f64>,
    pub(crate) min: Option<f64>,
    pub(crate) max: Option<f64>,
    pub(crate) flags: i64,
}

impl Row {
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of samples stay far below 2^53"
    )]
    pub(crate) fn summary(&self) -> Summary {
        Summary {
            count: self.count,
            used: self.used,
            good: self.good,
            sum: self.mean.unwrap_or(0.0) * self.used as f64,
            min: self.min,
            max: self.max,
            flags: quality_of(self.flags),
        }
    }
}

type Buckets = BTreeMap<(i64, i64), Summary>;

/// Makes the buckets anew that a commit's samples changed behind the fronts, and moves the fronts as
/// far as the samples allow. Part of the commit's transaction.
pub(crate) async fn keep_up(
    connection: &mut SqliteConnection,
    samples: &[Sample<ChannelId>],
) -> Result<(), sqlx::Error> {
    let Some(newest) = samples.iter().map(|sample| sample.at).max() else {
        return Ok(());
    };
    let short = match front(&mut *connection, SHORT_US).await? {
        Some(front) => front,
        None => first_front(connection).await?,
    };
    let long = front(&mut *connection, LONG_US).await?;
    let long = long.unwrap_or_else(|| floor(short, LONG_US));
    make_late_anew(connection, samples, (short, long)).await?;
    let target = floor(newest.minus(LAG).micros(), ROUND_US);
    if target > short {
        make_all_short(connection, short..target).await?;
        set_front(connection, SHORT_US, target).await?;
        let target = floor(target, LONG_US).max(long);
        make_all_long(connection, long..target).await?;
        set_front(connection, LONG_US, target).await?;
    }
    Ok(())
}

/// The buckets behind the fronts that samples fall into: they came late.
async fn make_late_anew(
    connection: &mut SqliteConnection,
    samples: &[Sample<ChannelId>],
    (short, long): (i64, i64),
) -> Result<(), sqlx::Error> {
    let late: BTreeSet<i64> = samples
        .iter()
        .map(|sample| sample.at.micros())
        .filter(|at| *at < short)
        .map(|at| floor(at, SHORT_US))
        .collect();
    for at in &late {
        make_short(connection, *at..at + SHORT_US).await?;
    }
    let late: BTreeSet<i64> = late.iter().map(|at| floor(*at, LONG_US)).collect();
    for at in late.range(..long) {
        make_long(connection, *at..at + LONG_US).await?;
    }
    Ok(())
}

/// Makes every summary of a file to which nothing will be added any more.
pub(crate) async fn make_whole(connection: &mut SqliteConnection) -> Result<(), sqlx::Error> {
    let newest: Option<i64> = sqlx::query_scalar("SELECT max(at) FROM sample")
        .fetch_one(&mut *connection)
        .await?;
    let Some(newest) = newest else { return Ok(()) };
    let (from, to) = (
        first_front(connection).await?,
        floor(newest, LONG_US) + LONG_US,
    );
    let mut transaction = connection.begin().await?;
    make_all_short(&mut transaction, from..to).await?;
    make_all_long(&mut transaction, from..to).await?;
    set_front(&mut transaction, SHORT_US, to).await?;
    set_front(&mut transaction, LONG_US, to).await?;
    transaction.commit().await
}

/// Makes every summary of a stretch anew, up to the fronts, in transactions of ten minutes each.
pub(crate) async fn rebuild(
    connection: &mut SqliteConnection,
    range: Range<Stamp>,
) -> Result<(), sqlx::Error> {
    let Some(short) = front(&mut *connection, SHORT_US).await? else {
        return Ok(());
    };
    let long = front(&mut *connection, LONG_US).await?.unwrap_or(i64::MIN);
    let to = range.end.micros().min(short);
    let mut at = floor(range.start.micros(), LONG_US);
    while let Some(next) = first_sample(connection, at, to).await? {
        let slice = floor(next, LONG_US);
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
        clear(&mut transaction, slice..slice + LONG_US).await?;
        make_short(&mut transaction, slice..(slice + LONG_US).min(short)).await?;
        if slice < long {
            make_long(&mut transaction, slice..slice + LONG_US).await?;
        }
        transaction.commit().await?;
        at = slice + LONG_US;
    }
    Ok(())
}

/// Makes the buckets anew that a stretch touches, up to the fronts. Part of the transaction that
/// changed its samples.
pub(crate) async fn make_anew(
    connection: &mut SqliteConnection,
    range: Range<Stamp>,
) -> Result<(), sqlx::Error> {
    let Some(short) = front(&mut *connection, SHORT_US).await? else {
        return Ok(());
    };
    let long = front(&mut *connection, LONG_US).await?.unwrap_or(i64::MIN);
    let (from, to) = (range.start.micros(), range.end.micros().saturating_sub(1));
    let end = floor(to, SHORT_US).saturating_add(SHORT_US).min(short);
    make_all_short(connection, floor(from, SHORT_US)..end).await?;
    let end = floor(to, LONG_US).saturating_add(LONG_US).min(long);
    make_all_long(connection, floor(from, LONG_US)..end).await
}

/// Short buckets of a stretch however long, skipping where there is nothing.
async fn make_all_short(
    connection: &mut SqliteConnection,
    range: Range<i64>,
) -> Result<(), sqlx::Error> {
    let mut at = range.start;
    while let Some(next) = first_sample(connection, at, range.end).await? {
        let slice = floor(next, LONG_US);
        let end = (slice + LONG_US).min(range.end);
        make_short(connection, slice.max(range.start)..end).await?;
        at = end;
    }
    Ok(())
}

/// Long buckets of a stretch however long.
async fn make_all_long(
    connection: &mut SqliteConnection,
    range: Range<i64>,
) -> Result<(), sqlx::Error> {
    let mut at = range.start;
    while let Some(next) = first_sample(connection, at, range.end).await? {
        let slice = floor(next, LONG_US);
        make_long(connection, slice..slice + LONG_US).await?;
        at = slice + LONG_US;
    }
    Ok(())
}

/// Short buckets from samples. The range lies on the grid.
async fn make_short(
    connection: &mut SqliteConnection,
    range: Range<i64>,
) -> Result<(), sqlx::Error> {
    let mut buckets = Buckets::new();
    let mut rows = sqlx::query!(
        "SELECT at, channel, value, flags FROM sample WHERE at >= ? AND at < ? ORDER BY at, channel",
        range.start,
        range.end
    )
    .fetch(&mut *connection);
    while let Some(row) = rows.try_next().await? {
        let key = (row.channel, floor(row.at, SHORT_US));
        buckets
            .entry(key)
            .or_insert(Summary::EMPTY)
            .add(row.value, quality_of(row.flags));
    }
    drop(rows);
    write(connection, SHORT_US, &buckets).await
}

/// Long buckets from short ones. The range lies on the grid.
async fn make_long(
    connection: &mut SqliteConnection,
    range: Range<i64>,
) -> Result<(), sqlx::Error> {
    let mut buckets = Buckets::new();
    let mut rows = sqlx::query_as!(
        Row,
        r#"SELECT rollup.channel, rollup.at, count, used, good, mean, min AS "min: f64", max AS "max: f64", flags
           FROM channel CROSS JOIN rollup ON rollup.channel = channel.id
           WHERE step_us = ? AND rollup.at >= ? AND rollup.at < ? ORDER BY rollup.channel, rollup.at"#,
        SHORT_US,
        range.start,
        range.end
    )
    .fetch(&mut *connection);
    while let Some(row) = rows.try_next().await? {
        buckets
            .entry((row.channel, floor(row.at, LONG_US)))
            .or_insert(Summary::EMPTY)
            .merge(&row.summary());
    }
    drop(rows);
    write(connection, LONG_US, &buckets).await
}

async fn write(
    connection: &mut SqliteConnection,
    step_us: i64,
    buckets: &Buckets,
) -> Result<(), sqlx::Error> {
    for ((channel, at), summary) in buckets {
        let mean = summary.mean();
        let flags = i64::from(summary.flags.bits());
        sqlx::query!(
            "INSERT OR REPLACE INTO rollup (channel, step_us, at, count, used, good, mean, min, max, flags)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            channel,
            step_us,
            at,
            summary.count,
            summary.used,
            summary.good,
            mean,
            summary.min,
            summary.max,
            flags
        )
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

async fn clear(connection: &mut SqliteConnection, range: Range<i64>) -> Result<(), sqlx::Error> {
    sqlx::query!(
        "DELETE FROM rollup WHERE (channel, step_us, at) IN (
             SELECT rollup.channel, step_us, rollup.at FROM channel CROSS JOIN rollup ON rollup.channel = channel.id
             WHERE step_us IN (10000000, 600000000) AND rollup.at >= ? AND rollup.at < ?)",
        range.start,
        range.end
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// The stamp up to which all buckets of a step are written.
pub(crate) async fn front<'c, E>(executor: E, step_us: i64) -> Result<Option<i64>, sqlx::Error>
where
    E: sqlx::Executor<'c, Database = sqlx::Sqlite>,
{
    sqlx::query_scalar!("SELECT at FROM rollup_front WHERE step_us = ?", step_us)
        .fetch_optional(executor)
        .await
}

async fn set_front(
    connection: &mut SqliteConnection,
    step_us: i64,
    at: i64,
) -> Result<(), sqlx::Error> {
    sqlx::query!(
        "INSERT OR REPLACE INTO rollup_front (step_us, at) VALUES (?, ?)",
        step_us,
        at
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// Where a record's fronts begin: before its first sample.
async fn first_front(connection: &mut SqliteConnection) -> Result<i64, sqlx::Error> {
    let first = first_sample(connection, i64::MIN, i64::MAX)
        .await?
        .unwrap_or(0);
    Ok(floor(first, LONG_US))
}

/// The stamp of the first sample in a stretch.
async fn first_sample(
    connection: &mut SqliteConnection,
    from: i64,
    to: i64,
) -> Result<Option<i64>, sqlx::Error> {
    sqlx::query_scalar!(
        "SELECT at FROM sample WHERE at >= ? AND at < ? ORDER BY at LIMIT 1",
        from,
        to
    )
    .fetch_optional(connection)
    .await
}

const fn floor(at: i64, step: i64) -> i64 {
    at.saturating_sub(at.rem_euclid(step))
}
