//! One commit: everything in hand goes into the file in one transaction, or nothing does.
//!
//! A commit may be repeated: after an error nobody knows whether it reached the disk. Every row has
//! a key that was given before, so that a second time changes nothing.

use std::fmt::Write;
use std::sync::LazyLock;

use sqlx::sqlite::SqliteRow;
use sqlx::{Connection, Row, SqliteConnection, TypeInfo, ValueRef};
use zonda_model::{Code, Quality, Sample, Stamp};

use crate::book::GapEntry;
use crate::error::StoreError;
use crate::recorder::Event;
use crate::rollup::{RollupRow, Rollups, STEPS_US, bucket};
use crate::row::ChannelId;

/// A change of how far the axis is from UTC.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct ClockRow {
    pub(crate) at: Stamp,
    pub(crate) axis_minus_utc_us: i64,
    pub(crate) cause: String,
}

/// What goes into the file in one transaction.
#[derive(Debug, Default)]
pub(crate) struct Batch {
    pub(crate) samples: Vec<Sample<ChannelId>>,
    pub(crate) rollups: Vec<RollupRow>,
    pub(crate) gaps: Vec<GapEntry>,
    pub(crate) events: Vec<(i64, Event)>,
    pub(crate) clocks: Vec<ClockRow>,
    /// The session, and the time it is known to be alive.
    pub(crate) alive: (i64, Stamp),
    /// True for the last batch of an orderly end.
    pub(crate) is_last: bool,
    /// True where an earlier try may have reached the disk.
    pub(crate) is_repeated: bool,
}

/// How many rows one statement inserts: some 500 are as fast as raw stepping.
const CHUNKS: [usize; 4] = [500, 50, 5, 1];

static INSERTS: LazyLock<[String; 4]> = LazyLock::new(|| {
    CHUNKS.map(|rows| {
        let mut text =
            String::from("INSERT OR IGNORE INTO sample (at, channel, code, value, flags) VALUES ");
        for row in 0..rows {
            // Writing into a String cannot fail.
            let _ = write!(text, "{}(?,?,?,?,?)", if row == 0 { "" } else { "," });
        }
        text
    })
});

pub(crate) async fn commit(
    connection: &mut SqliteConnection,
    batch: &Batch,
) -> Result<(), StoreError> {
    let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
    insert_samples(&mut transaction, batch).await?;
    for row in &batch.rollups {
        upsert_rollup(&mut transaction, row).await?;
    }
    for gap in &batch.gaps {
        let (channel, from, to, cause) = (
            gap.channel.0,
            gap.from.micros(),
            gap.to.map(Stamp::micros),
            gap.cause.word(),
        );
        sqlx::query!(
            "INSERT INTO gap (id, channel, from_at, to_at, cause, missed, detail) VALUES (?, ?, ?, ?, ?, ?, ?)
             ON CONFLICT (id) DO UPDATE SET to_at = excluded.to_at, missed = excluded.missed",
            gap.id,
            channel,
            from,
            to,
            cause,
            gap.missed,
            gap.detail
        )
        .execute(&mut *transaction)
        .await?;
    }
    for (id, event) in &batch.events {
        let (at, severity) = (event.at.micros(), event.severity.word());
        sqlx::query!("INSERT OR IGNORE INTO event (id, at, severity, kind, subject, text) VALUES (?, ?, ?, ?, ?, ?)", id, at, severity, event.kind, event.subject, event.text)
            .execute(&mut *transaction)
            .await?;
    }
    for clock in &batch.clocks {
        let at = clock.at.micros();
        sqlx::query!(
            "INSERT OR REPLACE INTO clock (at, axis_minus_utc_us, cause) VALUES (?, ?, ?)",
            at,
            clock.axis_minus_utc_us,
            clock.cause
        )
        .execute(&mut *transaction)
        .await?;
    }
    let (session, alive) = (batch.alive.0, batch.alive.1.micros());
    let ended = batch.is_last.then_some(alive);
    let how = batch.is_last.then_some("stopped");
    sqlx::query!(
        "UPDATE session SET alive_at = ?, ended_at = ?, ended = ? WHERE id = ?",
        alive,
        ended,
        how,
        session
    )
    .execute(&mut *transaction)
    .await?;
    transaction.commit().await?;
    Ok(())
}

async fn insert_samples(
    connection: &mut SqliteConnection,
    batch: &Batch,
) -> Result<(), StoreError> {
    let mut rest = batch.samples.as_slice();
    let mut stored = 0;
    for (rows, text) in CHUNKS.into_iter().zip(INSERTS.iter()) {
        while rest.len() >= rows {
            let (chunk, after) = rest.split_at(rows);
            let mut query = sqlx::query(text.as_str());
            for sample in chunk {
                query = query.bind(sample.at.micros()).bind(sample.channel.0);
                query = match sample.code {
                    Some(Code::Count(count)) => query.bind(count),
                    Some(Code::Number(number)) => query.bind(number),
                    None => query.bind(None::<i64>),
                };
                query = query
                    .bind(sample.value)
                    .bind(i64::from(sample.quality.bits()));
            }
            stored += query.execute(&mut *connection).await?.rows_affected();
            rest = after;
        }
    }
    let expected = batch.samples.len() as u64;
    if stored != expected && !batch.is_repeated {
        // The recorder gives every sample of a channel a time of its own, so only a bug gets here.
        tracing::error!(
            lost = expected - stored,
            "samples with the key of an older sample were not stored"
        );
        debug_assert_eq!(stored, expected, "two samples of one channel share a time");
    }
    Ok(())
}

async fn upsert_rollup(
    connection: &mut SqliteConnection,
    row: &RollupRow,
) -> Result<(), StoreError> {
    let (channel, at, mean, flags) = (
        row.channel.0,
        row.at.micros(),
        row.summary.mean(),
        i64::from(row.summary.flags.bits()),
    );
    let summary = &row.summary;
    sqlx::query!(
        "INSERT OR REPLACE INTO rollup (channel, step_us, at, count, valued, good, mean, min, max, flags) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        channel,
        row.step_us,
        at,
        summary.count,
        summary.valued,
        summary.good,
        mean,
        summary.min,
        summary.max,
        flags
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// Makes the rollups anew from the bucket that holds `from` to the end of the record. Gives the
/// buckets that are still open.
pub(crate) async fn rebuild_rollups(
    connection: &mut SqliteConnection,
    from: Stamp,
) -> Result<Rollups, StoreError> {
    const PAGE: i64 = 10_000;
    let begin = STEPS_US
        .map(|step| bucket(from, step))
        .into_iter()
        .min()
        .unwrap_or(from)
        .micros();
    sqlx::query!("DELETE FROM rollup WHERE at >= ?", begin)
        .execute(&mut *connection)
        .await?;
    let mut rollups = Rollups::default();
    let mut after = (begin, i64::MIN);
    loop {
        let rows = sqlx::query("SELECT at, channel, code, value, flags FROM sample WHERE (at, channel) > (?, ?) ORDER BY at, channel LIMIT ?")
            .bind(after.0)
            .bind(after.1)
            .bind(PAGE)
            .fetch_all(&mut *connection)
            .await?;
        for row in &rows {
            let sample = sample_of(row)?;
            after = (sample.at.micros(), sample.channel.0);
            rollups.add(&sample);
        }
        for row in rollups.take_finished() {
            upsert_rollup(connection, &row).await?;
        }
        if rows.is_empty() {
            break;
        }
    }
    for row in rollups.all() {
        upsert_rollup(connection, &row).await?;
    }
    Ok(rollups)
}

/// Reads `at, channel, code, value, flags`.
pub(crate) fn sample_of(row: &SqliteRow) -> Result<Sample<ChannelId>, StoreError> {
    let code = row.try_get_raw(2)?;
    let code = match code.type_info().name() {
        "INTEGER" => Some(Code::Count(row.try_get(2)?)),
        "REAL" => Some(Code::Number(row.try_get(2)?)),
        _ => None,
    };
    Ok(Sample {
        at: Stamp::from_micros(row.try_get(0)?),
        channel: ChannelId(row.try_get(1)?),
        code,
        value: row.try_get(3)?,
        quality: quality_of(row.try_get(4)?),
    })
}

/// Flags of a later version than ours are kept as they are, not dropped.
pub(crate) fn quality_of(flags: i64) -> Quality {
    Quality::from_bits_retain(u32::try_from(flags).unwrap_or(0))
}
