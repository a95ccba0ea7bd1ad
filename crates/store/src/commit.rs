//! One commit: a batch goes into the file in one transaction with its seal, all of it or nothing, and
//! exactly once.

use std::borrow::Cow;
use std::time::{Duration, Instant};

use sqlx::{Connection, SqliteConnection};
use zonda_model::{Sample, Stamp};

use crate::book::GapEntry;
use crate::engine;
use crate::error::StoreError;
use crate::insert::{self, NotInserted};
use crate::loop_check::{self, LoopCheckEntry};
use crate::recorder::Event;
use crate::rollup;
use crate::row::ChannelId;
use crate::run::{self, RunChange};
use crate::seal::{self, Commit};

/// A change of how far the axis is from UTC.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct ClockRow {
    pub(crate) at: Stamp,
    pub(crate) axis_minus_utc_us: i64,
    pub(crate) cause: String,
}

/// What goes into the file in one transaction.
#[derive(Debug)]
pub(crate) struct Batch {
    pub(crate) session: i64,
    /// Counted from 1 in each session.
    pub(crate) number: i64,
    pub(crate) samples: Vec<Sample<ChannelId>>,
    pub(crate) gaps: Vec<GapEntry>,
    pub(crate) events: Vec<Event>,
    pub(crate) clocks: Vec<ClockRow>,
    pub(crate) runs: Vec<RunChange>,
    pub(crate) loop_checks: Vec<LoopCheckEntry>,
    /// The time the session is known to be alive: nothing in this batch or an earlier one is later.
    pub(crate) alive: Stamp,
    /// True for the last batch of an orderly end.
    pub(crate) is_last: bool,
}

/// What a commit did.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Committed {
    /// Samples that were stored at a later microsecond.
    pub(crate) nudged: u64,
    pub(crate) took: Duration,
    /// True where much in the log waits to be folded into the file.
    pub(crate) is_log_long: bool,
}

/// Where samples go.
#[derive(Clone, Copy)]
enum Placing {
    /// Each at its time. Fails as a whole where one of the places is taken.
    AsStamped,
    /// Each at the first free microsecond from its time on.
    AtFree,
}

/// Stores a batch. When this returns, it is on the disk.
///
/// A commit that reported an error may have reached the disk all the same. So every commit leaves its
/// number with its session, and a batch that is there already is not stored a second time.
pub(crate) async fn commit(
    connection: &mut SqliteConnection,
    batch: &Batch,
) -> Result<Committed, StoreError> {
    let began = Instant::now();
    let nudged = match store(connection, batch, Placing::AsStamped).await {
        Err(NotInserted::Taken) => store(connection, batch, Placing::AtFree).await,
        other => other,
    };
    let nudged = nudged.map_err(|refused| match refused {
        NotInserted::Sql(error) => StoreError::Sql(error),
        NotInserted::Taken => StoreError::Row("no microsecond was free for a sample".to_owned()),
    })?;
    Ok(Committed {
        nudged,
        took: began.elapsed(),
        is_log_long: engine::is_log_long(connection).await,
    })
}

async fn store(
    connection: &mut SqliteConnection,
    batch: &Batch,
    placing: Placing,
) -> Result<u64, NotInserted> {
    let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
    if stored_batch(&mut transaction, batch.session).await? >= batch.number {
        transaction.rollback().await?;
        return Ok(0);
    }
    let tip = seal::tip(&mut transaction, batch.alive).await?;
    let (samples, nudged) = match insert_samples(&mut transaction, &batch.samples, placing).await {
        Ok(placed) => placed,
        Err(refused) => {
            transaction.rollback().await?;
            return Err(refused);
        }
    };
    insert_gaps(&mut transaction, &batch.gaps).await?;
    run::insert_runs(&mut transaction, &batch.runs).await?;
    loop_check::insert_loop_checks(&mut transaction, &batch.loop_checks).await?;
    let commit = Commit {
        session: batch.session,
        batch: batch.number,
        at: batch.alive,
        is_last: batch.is_last,
        samples: &samples,
        gaps: &batch.gaps,
        events: insert_events(&mut transaction, &batch.events).await?,
        clocks: insert_clocks(&mut transaction, &batch.clocks).await?,
    };
    note_alive(&mut transaction, batch).await?;
    let tip = seal::seal_commit(&mut transaction, tip, &commit).await?;
    transaction.commit().await?;
    if batch.is_last {
        seal::log(&tip.head(batch.alive));
    }
    Ok(nudged)
}

async fn stored_batch(connection: &mut SqliteConnection, session: i64) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar!("SELECT batch FROM session WHERE id = ?", session)
        .fetch_one(connection)
        .await
}

/// The samples as they were placed, and how many at a later microsecond.
async fn insert_samples<'a>(
    connection: &mut SqliteConnection,
    samples: &'a [Sample<ChannelId>],
    placing: Placing,
) -> Result<(Cow<'a, [Sample<ChannelId>]>, u64), NotInserted> {
    match placing {
        Placing::AsStamped => {
            insert::insert(connection, samples).await?;
            rollup::keep_up(connection, samples).await?;
            Ok((samples.into(), 0))
        }
        Placing::AtFree => {
            let (placed, nudged) = insert::insert_at_free(connection, samples).await?;
            rollup::keep_up(connection, &placed).await?;
            Ok((placed.into(), nudged))
        }
    }
}

/// Gaps as they stand; one that is there already has grown or ended.
pub(crate) async fn insert_gaps(
    connection: &mut SqliteConnection,
    gaps: &[GapEntry],
) -> Result<(), sqlx::Error> {
    for gap in gaps {
        let (channel, cause) = (gap.channel.0, gap.cause.word());
        let (from, to) = (gap.from.micros(), gap.to.map(Stamp::micros));
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
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

/// The events with their keys.
pub(crate) async fn insert_events<'a>(
    connection: &mut SqliteConnection,
    events: &'a [Event],
) -> Result<Vec<(i64, &'a Event)>, sqlx::Error> {
    let mut stored = Vec::with_capacity(events.len());
    for event in events {
        let (at, severity) = (event.at.micros(), event.severity.word());
        let done = sqlx::query!(
            "INSERT INTO event (at, severity, kind, subject, text) VALUES (?, ?, ?, ?, ?)",
            at,
            severity,
            event.kind,
            event.subject,
            event.text
        )
        .execute(&mut *connection)
        .await?;
        stored.push((done.last_insert_rowid(), event));
    }
    Ok(stored)
}

/// The rows with their keys.
async fn insert_clocks<'a>(
    connection: &mut SqliteConnection,
    clocks: &'a [ClockRow],
) -> Result<Vec<(i64, &'a ClockRow)>, sqlx::Error> {
    let mut stored = Vec::with_capacity(clocks.len());
    for clock in clocks {
        let at = clock.at.micros();
        let done = sqlx::query!(
            "INSERT INTO clock (at, axis_minus_utc_us, cause) VALUES (?, ?, ?)",
            at,
            clock.axis_minus_utc_us,
            clock.cause
        )
        .execute(&mut *connection)
        .await?;
        stored.push((done.last_insert_rowid(), clock));
    }
    Ok(stored)
}

async fn note_alive(connection: &mut SqliteConnection, batch: &Batch) -> Result<(), sqlx::Error> {
    let alive = batch.alive.micros();
    let ended = batch.is_last.then_some(alive);
    let how = batch.is_last.then_some("stopped");
    sqlx::query!(
        "UPDATE session SET alive_at = ?, batch = ?, ended_at = ?, ended = ? WHERE id = ?",
        alive,
        batch.number,
        ended,
        how,
        batch.session
    )
    .execute(connection)
    .await?;
    Ok(())
}
