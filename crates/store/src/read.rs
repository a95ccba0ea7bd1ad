//! Reading: pages by key, each in a short transaction of its own.

use std::time::Duration;

use sqlx::{QueryBuilder, Row as _, Sqlite};
use zonda_model::run::Stretch;
use zonda_model::{Cause, Quality, Sample, Stamp};

use crate::bulk::Page;
use crate::error::StoreError;
use crate::folder;
use crate::open::Readable;
use crate::row::{ChannelId, sample_of};

/// A stored sample.
pub type SampleRow = Sample<ChannelId>;

/// Where a page of samples ended: the next one goes on after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Key {
    /// Time.
    pub at: Stamp,
    /// Channel.
    pub channel: ChannelId,
}

/// A stored gap.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GapRow {
    /// Its key.
    pub id: i64,
    /// The channel.
    pub channel: ChannelId,
    /// The first tick without a sample.
    pub from: Stamp,
    /// The first sample after it; `None` while the gap is open.
    pub to: Option<Stamp>,
    /// Why.
    pub cause: Cause,
    /// Ticks without a sample. Of `daemon_stopped` worked out from the tick, otherwise counted.
    pub missed: i64,
    /// One sentence, or nothing.
    pub detail: String,
}

/// A stored event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventRow {
    /// Its key; later events have higher ones.
    pub id: i64,
    /// When.
    pub at: Stamp,
    /// `info`, `warning` or `alarm`.
    pub severity: String,
    /// A word for machines.
    pub kind: String,
    /// What it is about.
    pub subject: String,
    /// One sentence.
    pub text: String,
}

/// One time that the daemon ran.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionRow {
    /// Its key.
    pub id: i64,
    /// The program's version.
    pub version: String,
    /// Hash of the configuration.
    pub config: String,
    /// When it began.
    pub started: Stamp,
    /// When it was last known to be alive.
    pub alive: Stamp,
    /// When it ended; `None` while it runs.
    pub ended: Option<Stamp>,
    /// `stopped` or `interrupted`.
    pub how: Option<String>,
}

/// Sizes, in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// The record.
    pub record: u64,
    /// The write-ahead log beside it.
    pub log: u64,
    /// Free on its disk.
    pub free: u64,
    /// The whole disk.
    pub disk: u64,
}

impl Readable {
    /// A page of samples with `from ≤ at < to`, by time and then channel, after `after`. All channels,
    /// or those given. An empty page is the end.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn samples(
        &self,
        (from, to): (Stamp, Stamp),
        channels: Option<&[ChannelId]>,
        after: Option<Key>,
        limit: i64,
    ) -> Result<Vec<SampleRow>, StoreError> {
        let channels = channels.map(<[ChannelId]>::to_vec);
        let page = Page {
            range: (from, to),
            channels,
            after,
            limit,
        };
        self.bulk().read(page).await
    }

    /// The latest sample of each of these channels, not older than `since`; channels without one are
    /// left out.
    ///
    /// The bound is needed: the record lies by time, and the last word of a channel that fell silent
    /// a month ago would be looked for through the whole month.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn latest(
        &self,
        channels: &[ChannelId],
        since: Stamp,
    ) -> Result<Vec<SampleRow>, StoreError> {
        const LATEST: &str = "SELECT at, channel, code, value, flags FROM sample
             WHERE channel = ? AND at >= ? ORDER BY at DESC LIMIT 1";
        let mut latest = Vec::with_capacity(channels.len());
        for channel in channels {
            let query = sqlx::query(LATEST).bind(channel.0).bind(since.micros());
            if let Some(row) = query.fetch_optional(&self.pool()).await? {
                latest.push(sample_of(&row)?);
            }
        }
        Ok(latest)
    }

    /// How many samples there are with `from ≤ at < to`.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn count_samples(&self, (from, to): (Stamp, Stamp)) -> Result<i64, StoreError> {
        let (from, to) = (from.micros(), to.micros());
        Ok(sqlx::query_scalar!(
            "SELECT count(*) FROM sample WHERE at >= ? AND at < ?",
            from,
            to
        )
        .fetch_one(&self.pool())
        .await?)
    }

    /// True where any sample of these channels with `from ≤ at < to` has this flag.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn has_flag(
        &self,
        (from, to): (Stamp, Stamp),
        channels: &[ChannelId],
        flag: Quality,
    ) -> Result<bool, StoreError> {
        let mut query =
            QueryBuilder::<Sqlite>::new("SELECT EXISTS (SELECT 1 FROM sample WHERE at >= ");
        query
            .push_bind(from.micros())
            .push(" AND at < ")
            .push_bind(to.micros())
            .push(" AND flags & ")
            .push_bind(i64::from(flag.bits()))
            .push(" <> 0 AND channel IN (");
        let mut list = query.separated(", ");
        for channel in channels {
            list.push_bind(channel.0);
        }
        query.push("))");
        Ok(query.build_query_scalar().fetch_one(&self.pool()).await?)
    }

    /// The times of the first and the last sample.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn extent(&self) -> Result<Option<(Stamp, Stamp)>, StoreError> {
        let first = sqlx::query_scalar!("SELECT min(at) FROM sample")
            .fetch_one(&self.pool())
            .await?;
        let last = sqlx::query_scalar!("SELECT max(at) FROM sample")
            .fetch_one(&self.pool())
            .await?;
        Ok(first
            .zip(last)
            .map(|(first, last)| (Stamp::from_micros(first), Stamp::from_micros(last))))
    }

    /// Gaps that touch `from ≤ t < to`, by their beginning, after the key `after`.
    ///
    /// # Errors
    /// The file cannot be read, or holds a cause that this version does not know.
    pub async fn gaps(
        &self,
        (from, to): (Stamp, Stamp),
        after: Option<(Stamp, i64)>,
        limit: i64,
    ) -> Result<Vec<GapRow>, StoreError> {
        let (from, to) = (from.micros(), to.micros());
        let (after_at, after_id) = after.map_or((i64::MIN, 0), |(at, id)| (at.micros(), id));
        let rows = sqlx::query!(
            "SELECT id, channel, from_at, to_at, cause, missed, detail FROM gap
             WHERE from_at < ? AND (to_at IS NULL OR to_at > ?) AND (from_at, id) > (?, ?) ORDER BY from_at, id LIMIT ?",
            to,
            from,
            after_at,
            after_id,
            limit
        )
        .fetch_all(&self.pool())
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(GapRow {
                    id: row.id,
                    channel: ChannelId(row.channel),
                    from: Stamp::from_micros(row.from_at),
                    to: row.to_at.map(Stamp::from_micros),
                    cause: row
                        .cause
                        .parse()
                        .map_err(|error| StoreError::Row(format!("gap {}: {error}", row.id)))?,
                    missed: row.missed,
                    detail: row.detail,
                })
            })
            .collect()
    }

    /// The newest events with keys below `before`, newest first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn events(
        &self,
        before: Option<i64>,
        limit: i64,
    ) -> Result<Vec<EventRow>, StoreError> {
        let before = before.unwrap_or(i64::MAX);
        let rows = sqlx::query!("SELECT id, at, severity, kind, subject, text FROM event WHERE id < ? ORDER BY id DESC LIMIT ?", before, limit).fetch_all(&self.pool()).await?;
        Ok(rows
            .into_iter()
            .map(|row| EventRow {
                id: row.id,
                at: Stamp::from_micros(row.at),
                severity: row.severity,
                kind: row.kind,
                subject: row.subject,
                text: row.text,
            })
            .collect())
    }

    /// Events with `from ≤ at < to`, the oldest first, at most `limit`.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn events_within(
        &self,
        stretch: Stretch,
        limit: i64,
    ) -> Result<Vec<EventRow>, StoreError> {
        let rows = sqlx::query(
            "SELECT id, at, severity, kind, subject, text FROM event WHERE at >= ? AND at < ? ORDER BY at, id LIMIT ?",
        )
        .bind(stretch.from.micros())
        .bind(stretch.to.micros())
        .bind(limit)
        .fetch_all(&self.pool())
        .await?;
        rows.iter()
            .map(|row| {
                Ok(EventRow {
                    id: row.try_get(0)?,
                    at: Stamp::from_micros(row.try_get(1)?),
                    severity: row.try_get(2)?,
                    kind: row.try_get(3)?,
                    subject: row.try_get(4)?,
                    text: row.try_get(5)?,
                })
            })
            .collect()
    }

    /// The newest sessions, newest first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn sessions(&self, limit: i64) -> Result<Vec<SessionRow>, StoreError> {
        let rows = sqlx::query!("SELECT id, version, config, started_at, alive_at, ended_at, ended FROM session ORDER BY id DESC LIMIT ?", limit).fetch_all(&self.pool()).await?;
        Ok(rows
            .into_iter()
            .map(|row| SessionRow {
                id: row.id,
                version: row.version,
                config: row.config,
                started: Stamp::from_micros(row.started_at),
                alive: Stamp::from_micros(row.alive_at),
                ended: row.ended_at.map(Stamp::from_micros),
                how: row.ended,
            })
            .collect())
    }

    /// How far the axis is from UTC: from each time on, axis − UTC in µs. Empty where they never differed.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn clock(&self) -> Result<Vec<(Stamp, i64)>, StoreError> {
        // Of rows with one `at` the last one knows best: SQLite takes the others from the row of the max.
        let rows = sqlx::query!(
            r#"SELECT at AS "at!", axis_minus_utc_us AS "axis_minus_utc_us!", max(id) AS "id: i64" FROM clock GROUP BY at ORDER BY at"#
        )
            .fetch_all(&self.pool())
            .await?;
        Ok(rows
            .into_iter()
            .map(|row| (Stamp::from_micros(row.at), row.axis_minus_utc_us))
            .collect())
    }

    /// Sizes of the file, its log and the disk.
    pub fn size(&self) -> Size {
        let (free, disk) = folder::space(self.dir()).unwrap_or((0, 0));
        Size {
            record: folder::bytes(&folder::record_path(self.dir())),
            log: folder::bytes(&folder::log_path(self.dir())),
            free,
            disk,
        }
    }

    /// By how many bytes a day the record grows, at the pace of the last hour of samples. `None` in a
    /// record without any.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn growth_per_day(&self) -> Result<Option<i64>, StoreError> {
        /// A row takes 32 bytes, its share of the rollups 2 at one sample a second (measured).
        const ROW_BYTES: i64 = 34;
        const HOUR: Duration = Duration::from_hours(1);
        let Some((first, last)) = self.extent().await? else {
            return Ok(None);
        };
        let from = first.max(last.minus(HOUR));
        let span_us = last.micros() - from.micros();
        let count = self.count_samples((from, last)).await?;
        let per_hour = (count * ROW_BYTES).saturating_mul(3_600_000_000);
        Ok(per_hour.checked_div(span_us).map(|bytes| bytes * 24))
    }

    /// How many samples the seal covers: all but those from before there was one.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn sealed_samples(&self) -> Result<i64, StoreError> {
        let sum: Option<i64> = sqlx::query_scalar("SELECT sum(samples) FROM seal")
            .fetch_one(&self.pool())
            .await?;
        Ok(sum.unwrap_or(0))
    }

    /// True where the file answers a read.
    pub async fn answers(&self) -> bool {
        sqlx::query_scalar::<_, i64>("SELECT 1")
            .fetch_one(&self.pool())
            .await
            .is_ok()
    }
}
