//! Sessions: what a start finds and leaves in the file.

use std::collections::BTreeMap;

use sqlx::{Connection, SqliteConnection};
use zonda_model::{Cause, Stamp};

use crate::book::{GapBook, GapEntry};
use crate::error::StoreError;
use crate::name::{ChannelEntry, note_channel, note_revision};
use crate::open::Store;
use crate::rollup::Rollups;
use crate::row::ChannelId;

/// What a start tells the file.
#[derive(Clone, Debug)]
pub struct Start {
    /// The kernel's boot id.
    pub boot: String,
    /// The program's version.
    pub version: String,
    /// Hash of the configuration.
    pub config_hash: String,
    /// Its text.
    pub config_text: String,
    /// The channels, in the order of the configuration.
    pub channels: Vec<ChannelEntry>,
    /// Now, on the record's axis.
    pub at: Stamp,
}

/// A session that has begun.
#[derive(Debug)]
pub struct Session {
    /// Its key.
    pub id: i64,
    /// Keys of the channels, in the order of the configuration.
    pub channels: Vec<ChannelId>,
    /// When the session before this one was last known to be alive, and whether it ended in order.
    pub before: Option<(Stamp, bool)>,
    pub(crate) book: GapBook,
    pub(crate) rollups: Rollups,
    pub(crate) next_event: i64,
}

impl Store {
    /// The newest time in the record; the axis must go on after it.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn newest(&self) -> Result<Option<Stamp>, StoreError> {
        let pool = &self.read().pool;
        let alive = sqlx::query_scalar!("SELECT max(alive_at) FROM session")
            .fetch_one(pool)
            .await?;
        let sample = sqlx::query_scalar!("SELECT max(at) FROM sample")
            .fetch_one(pool)
            .await?;
        Ok(alive.max(sample).map(Stamp::from_micros))
    }

    /// Begins a session: notes configuration and channels, closes what an interrupted session left
    /// open, and opens a gap for the time in which nobody recorded.
    ///
    /// # Errors
    /// The file cannot be written.
    pub async fn begin(&self, start: &Start) -> Result<Session, StoreError> {
        let mut connection = self.write_connection().await?;
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
        let session = begin(&mut transaction, start).await?;
        transaction.commit().await?;
        connection.close().await?;
        Ok(session)
    }
}

async fn begin(connection: &mut SqliteConnection, start: &Start) -> Result<Session, StoreError> {
    note_revision(connection, &start.config_hash, &start.config_text, start.at).await?;
    let before = close_last(connection).await?;
    let mut channels = Vec::new();
    for entry in &start.channels {
        channels.push(note_channel(connection, entry, &start.config_hash, start.at).await?);
    }
    let at = start.at.micros();
    let id = sqlx::query!(
        "INSERT INTO session (boot, version, config, started_at, alive_at) VALUES (?, ?, ?, ?, ?)",
        start.boot,
        start.version,
        start.config_hash,
        at,
        at
    )
    .execute(&mut *connection)
    .await?
    .last_insert_rowid();
    let book = reopen_gaps(connection, start, &channels, before.map(|(alive, _)| alive)).await?;
    let rollups = match before {
        Some((alive, _)) => crate::commit::rebuild_rollups(connection, alive).await?,
        None => Rollups::default(),
    };
    let next_event =
        sqlx::query_scalar!(r#"SELECT coalesce(max(id), 0) + 1 AS "next!: i64" FROM event"#)
            .fetch_one(&mut *connection)
            .await?;
    Ok(Session {
        id,
        channels,
        before,
        book,
        rollups,
        next_event,
    })
}

/// Marks a session that was not ended as interrupted. Gives the time the last one was alive.
async fn close_last(
    connection: &mut SqliteConnection,
) -> Result<Option<(Stamp, bool)>, StoreError> {
    let last = sqlx::query!("SELECT alive_at, ended_at FROM session ORDER BY id DESC LIMIT 1")
        .fetch_optional(&mut *connection)
        .await?;
    sqlx::query!(
        "UPDATE session SET ended_at = alive_at, ended = 'interrupted' WHERE ended_at IS NULL"
    )
    .execute(&mut *connection)
    .await?;
    Ok(last.map(|row| {
        (
            Stamp::from_micros(row.ended_at.unwrap_or(row.alive_at)),
            row.ended_at.is_some(),
        )
    }))
}

/// Ends the gaps of the last session where it ended, and opens those of the time since: the daemon
/// was stopped, or the channel is no longer configured.
async fn reopen_gaps(
    connection: &mut SqliteConnection,
    start: &Start,
    channels: &[ChannelId],
    alive: Option<Stamp>,
) -> Result<GapBook, StoreError> {
    let next = sqlx::query_scalar!(r#"SELECT coalesce(max(id), 0) + 1 AS "next!: i64" FROM gap"#)
        .fetch_one(&mut *connection)
        .await?;
    let rows = sqlx::query!(
        "SELECT id, channel, from_at, cause, missed, detail FROM gap WHERE to_at IS NULL"
    )
    .fetch_all(&mut *connection)
    .await?;
    let mut open = Vec::new();
    for row in rows {
        let cause = row
            .cause
            .parse()
            .map_err(|error| StoreError::Row(format!("gap {}: {error}", row.id)))?;
        open.push(GapEntry {
            id: row.id,
            channel: ChannelId(row.channel),
            from: Stamp::from_micros(row.from_at),
            to: None,
            cause,
            missed: row.missed,
            detail: row.detail,
        });
    }
    let known = sqlx::query!(r#"SELECT id AS "id!", period_us FROM channel"#)
        .fetch_all(&mut *connection)
        .await?;
    let periods: BTreeMap<ChannelId, i64> = known
        .iter()
        .map(|row| (ChannelId(row.id), row.period_us.max(1)))
        .collect();
    for gap in &mut open {
        // The count of an open gap may be behind (see the gap book); what is missing follows from its length.
        if let (Some(alive), Some(period)) = (alive, periods.get(&gap.channel)) {
            gap.missed = gap
                .missed
                .max((alive.micros() - gap.from.micros()) / period);
        }
    }
    let seen = channels_seen(connection).await?;
    let mut book = GapBook::new(next, open);
    let Some(alive) = alive else { return Ok(book) };
    for (channel, period) in periods.iter().filter(|(channel, _)| seen.contains(channel)) {
        let is_configured = channels.contains(channel);
        let cause = if is_configured {
            Cause::DaemonStopped
        } else {
            Cause::Disabled
        };
        let goes_on = book
            .open_gap(*channel)
            .is_some_and(|gap| gap.cause == Cause::Disabled && !is_configured);
        if !goes_on {
            let missed = if is_configured {
                (start.at.micros() - alive.micros()).max(0) / period
            } else {
                0
            };
            book.open_at(*channel, alive, cause, missed, "");
        }
    }
    Ok(book)
}

/// Channels that were part of the record before this start.
async fn channels_seen(connection: &mut SqliteConnection) -> Result<Vec<ChannelId>, StoreError> {
    let rows = sqlx::query_scalar!(
        r#"SELECT id AS "id!" FROM channel c
           WHERE EXISTS (SELECT 1 FROM rollup r WHERE r.channel = c.id) OR EXISTS (SELECT 1 FROM gap g WHERE g.channel = c.id)
              OR EXISTS (SELECT 1 FROM mapping m WHERE m.channel = c.id AND m.since_at < (SELECT max(started_at) FROM session))"#
    )
    .fetch_all(connection)
    .await?;
    Ok(rows.into_iter().map(ChannelId).collect())
}
