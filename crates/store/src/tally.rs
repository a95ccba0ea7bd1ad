//! What a stretch holds, channel by channel and quality by quality: counts, sums, extremes.

use sqlx::{QueryBuilder, Row, Sqlite};
use zonda_model::run::Stretch;
use zonda_model::{Quality, Stamp};

use crate::error::StoreError;
use crate::open::Readable;
use crate::read::{EventRow, Key};
use crate::row::{ChannelId, quality_of};

/// The samples of one channel that have the same quality. Values are SI.
#[derive(Clone, Debug, PartialEq)]
pub struct TallyRow {
    /// The channel.
    pub channel: ChannelId,
    /// The quality that they have in common.
    pub quality: Quality,
    /// How many there are.
    pub count: i64,
    /// How many of them have a value.
    pub values: i64,
    /// The mean of those.
    pub mean: Option<f64>,
    /// The sum of the squares of their distances from it.
    pub squares: Option<f64>,
    /// The lowest value.
    pub min: Option<f64>,
    /// The highest value.
    pub max: Option<f64>,
    /// The first one.
    pub first: Stamp,
    /// The last one.
    pub last: Stamp,
}

impl Readable {
    /// What these channels have with `from ≤ at < to`, by channel and then quality.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn tallies(
        &self,
        channels: &[ChannelId],
        stretch: Stretch,
    ) -> Result<Vec<TallyRow>, StoreError> {
        // The distances are taken from a value of the channel itself: squares of bare values would
        // lose the digits in which a temperature of 200 °C moves.
        let mut query = QueryBuilder::<Sqlite>::new(
            "WITH base (id, value) AS MATERIALIZED (
                 SELECT id, coalesce((SELECT value FROM sample WHERE channel = id AND value IS NOT NULL AND at >= ",
        );
        query
            .push_bind(stretch.from.micros())
            .push(" AND at < ")
            .push_bind(stretch.to.micros())
            .push(" ORDER BY at LIMIT 1), 0.0) FROM channel WHERE id IN (");
        push_list(&mut query, channels);
        query
            .push(
                ")) SELECT sample.channel, flags, count(*), count(sample.value), avg(sample.value - base.value),
                        sum((sample.value - base.value) * (sample.value - base.value)),
                        min(sample.value), max(sample.value), min(at), max(at), base.value
                 FROM sample JOIN base ON base.id = sample.channel WHERE at >= ",
            )
            .push_bind(stretch.from.micros())
            .push(" AND at < ")
            .push_bind(stretch.to.micros())
            .push(" GROUP BY sample.channel, flags ORDER BY sample.channel, flags");
        let rows = query.build().fetch_all(&self.pool()).await?;
        rows.iter()
            .map(|row| {
                let base: f64 = row.try_get(10)?;
                let offset: Option<f64> = row.try_get(4)?;
                let values: i64 = row.try_get(3)?;
                let about_base: Option<f64> = row.try_get(5)?;
                Ok(TallyRow {
                    channel: ChannelId(row.try_get(0)?),
                    quality: quality_of(row.try_get(1)?),
                    count: row.try_get(2)?,
                    values,
                    mean: offset.map(|offset| base + offset),
                    squares: about_base
                        .zip(offset)
                        .map(|(sum, offset)| about_mean(sum, offset, values)),
                    min: row.try_get(6)?,
                    max: row.try_get(7)?,
                    first: Stamp::from_micros(row.try_get(8)?),
                    last: Stamp::from_micros(row.try_get(9)?),
                })
            })
            .collect()
    }

    /// A page of the samples of these channels with `from ≤ at < to` that have a flag which is not among
    /// `but`, by time and then channel, after `after`: only when, of which channel and how flagged. An
    /// empty page is the end.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn flagged(
        &self,
        channels: &[ChannelId],
        stretch: Stretch,
        but: Quality,
        after: Option<Key>,
        limit: i64,
    ) -> Result<Vec<(Key, Quality)>, StoreError> {
        let after = after.unwrap_or(Key {
            at: Stamp::from_micros(stretch.from.micros().saturating_sub(1)),
            channel: ChannelId(i64::MAX),
        });
        let mut query = QueryBuilder::<Sqlite>::new(
            "SELECT at, channel, flags FROM sample WHERE (at, channel) > (",
        );
        query
            .push_bind(after.at.micros())
            .push(", ")
            .push_bind(after.channel.0)
            .push(") AND at < ")
            .push_bind(stretch.to.micros())
            .push(" AND (flags & ~")
            .push_bind(i64::from(but.bits()))
            .push(") <> 0 AND channel IN (");
        push_list(&mut query, channels);
        query.push(") ORDER BY at, channel LIMIT ").push_bind(limit);
        let rows = query.build().fetch_all(&self.pool()).await?;
        let read = |row: &sqlx::sqlite::SqliteRow| {
            let key = Key {
                at: Stamp::from_micros(row.try_get(0)?),
                channel: ChannelId(row.try_get(1)?),
            };
            Ok((key, quality_of(row.try_get(2)?)))
        };
        rows.iter().map(read).collect()
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
}

/// Squares about the mean, from those about a base that it is `offset` away from.
#[expect(clippy::cast_precision_loss, reason = "a count of samples")]
fn about_mean(sum: f64, offset: f64, values: i64) -> f64 {
    (sum - values as f64 * offset * offset).max(0.0)
}

fn push_list(query: &mut QueryBuilder<Sqlite>, channels: &[ChannelId]) {
    let mut list = query.separated(", ");
    for channel in channels {
        list.push_bind(channel.0);
    }
}
