//! Sessions: what a start finds and leaves in the file.

use std::collections::BTreeSet;
use std::time::Duration;

use sqlx::{Connection, SqliteConnection};
use zonda_model::{Cause, Stamp};

use crate::book::{GapBook, GapEntry};
use crate::commit::insert_gaps;
use crate::error::StoreError;
use crate::name::{ChannelEntry, Known, note_channels, note_revision};
use crate::open::Store;
use crate::rollup;
use crate::row::ChannelId;
use crate::run::NO_BOOT;
use crate::seal::{self, Begin, SealHead};

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
    /// Now, on the record's axis; not before [`Store::newest`].
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
    pub(crate) at: Stamp,
    pub(crate) book: GapBook,
}

impl Start {
    /// The begin of a session in which nobody records: the record is opened for an order.
    pub fn without_recording(self) -> Self {
        Self {
            boot: NO_BOOT.to_owned(),
            ..self
        }
    }
}

impl Store {
    /// The newest time in the record; the axis must go on after it.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn newest(&self) -> Result<Option<Stamp>, StoreError> {
        newest(&mut *self.read().pool().acquire().await?).await
    }

    /// Begins a session: notes configuration and channels, closes what an interrupted session left
    /// open, and opens a gap for the time in which nobody recorded.
    ///
    /// # Errors
    /// A session is being recorded, it would begin before the record ends, the configuration
    /// contradicts the record, or the file cannot be written.
    pub async fn begin(&self, start: &Start) -> Result<Session, StoreError> {
        self.refuse_while_recording()?;
        let mut connection = self.write_connection().await?;
        let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
        let (session, head) = begin(&mut transaction, start).await?;
        transaction.commit().await?;
        connection.close().await?;
        seal::log(&head);
        Ok(session)
    }

    /// Makes the rollups of a stretch anew from its samples: a repair for a file that somebody else
    /// wrote to.
    ///
    /// # Errors
    /// A session is being recorded, or the file cannot be written.
    pub async fn rebuild_rollups(&self, (from, to): (Stamp, Stamp)) -> Result<(), StoreError> {
        self.refuse_while_recording()?;
        let mut connection = self.write_connection().await?;
        rollup::rebuild(&mut connection, from..to).await?;
        connection.close().await?;
        Ok(())
    }
}

async fn begin(
    connection: &mut SqliteConnection,
    start: &Start,
) -> Result<(Session, SealHead), StoreError> {
    let newest = newest(&mut *connection).await?;
    if let Some(newest) = newest.filter(|newest| start.at < *newest) {
        return Err(StoreError::Backwards {
            start: start.at,
            newest,
        });
    }
    let tip = seal::tip(connection, start.at).await?;
    let before = close_last(connection).await?;
    note_revision(connection, &start.config_hash, &start.config_text, start.at).await?;
    let (mappings, known) =
        note_channels(connection, &start.channels, &start.config_hash, start.at).await?;
    let id = insert_session(connection, start).await?;
    let channels: Vec<_> = mappings.iter().map(|(id, _)| ChannelId(*id)).collect();
    let mut book = open_gaps(connection).await?;
    if let Some((alive, _)) = before {
        let configured: BTreeSet<_> = channels.iter().copied().collect();
        let concerned = |channel: &Known| channel.was_in_use || book.open_gap(channel.id).is_some();
        let concerned: Vec<_> = known.into_iter().filter(concerned).collect();
        for channel in concerned {
            let from = first_unrecorded(connection, channel.id, alive).await?;
            let stop = Stop {
                alive,
                from,
                start: start.at,
            };
            open_gap(&mut book, &channel, configured.contains(&channel.id), &stop);
        }
    }
    // In the same transaction: the time between two sessions must not be lost where this one dies
    // before its first commit.
    let gaps = book.take_news();
    insert_gaps(connection, &gaps).await?;
    let begin = Begin {
        session: id,
        start,
        mappings: &mappings,
        gaps: &gaps,
    };
    let tip = seal::seal_begin(connection, tip, &begin).await?;
    let session = Session {
        id,
        channels,
        before,
        at: start.at,
        book,
    };
    Ok((session, tip.head(start.at)))
}

async fn newest(connection: &mut SqliteConnection) -> Result<Option<Stamp>, StoreError> {
    let alive = sqlx::query_scalar!("SELECT max(alive_at) FROM session")
        .fetch_one(&mut *connection)
        .await?;
    let sample = sqlx::query_scalar!("SELECT max(at) FROM sample")
        .fetch_one(&mut *connection)
        .await?;
    Ok(alive.max(sample).map(Stamp::from_micros))
}

async fn insert_session(
    connection: &mut SqliteConnection,
    start: &Start,
) -> Result<i64, StoreError> {
    let at = start.at.micros();
    let done = sqlx::query!(
        "INSERT INTO session (boot, version, config, started_at, alive_at) VALUES (?, ?, ?, ?, ?)",
        start.boot,
        start.version,
        start.config_hash,
        at,
        at
    )
    .execute(connection)
    .await?;
    Ok(done.last_insert_rowid())
}

/// Marks a session that was not ended as interrupted. Gives the time the last one was alive, and
/// whether it ended in order.
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
    Ok(last.map(|row| (Stamp::from_micros(row.alive_at), row.ended_at.is_some())))
}

/// The gaps that are open in the file.
async fn open_gaps(connection: &mut SqliteConnection) -> Result<GapBook, StoreError> {
    let next = sqlx::query_scalar!(r#"SELECT coalesce(max(id), 0) + 1 AS "next!: i64" FROM gap"#)
        .fetch_one(&mut *connection)
        .await?;
    let rows = sqlx::query!(
        "SELECT id, channel, from_at, cause, missed, detail FROM gap WHERE to_at IS NULL"
    )
    .fetch_all(&mut *connection)
    .await?;
    let open = rows
        .into_iter()
        .map(|row| {
            let bad = |error| StoreError::Row(format!("gap {}: {error}", row.id));
            Ok(GapEntry {
                id: row.id,
                channel: ChannelId(row.channel),
                from: Stamp::from_micros(row.from_at),
                to: None,
                cause: row.cause.parse().map_err(bad)?,
                missed: row.missed,
                detail: row.detail,
            })
        })
        .collect::<Result<_, StoreError>>()?;
    Ok(GapBook::new(next, open))
}

/// The time in which nobody recorded.
struct Stop {
    /// When the last session was last alive.
    alive: Stamp,
    /// Where the channel's gap begins.
    from: Stamp,
    /// Now.
    start: Stamp,
}

/// Where the last session ended, or just after the channel's sample at that very time.
async fn first_unrecorded(
    connection: &mut SqliteConnection,
    channel: ChannelId,
    alive: Stamp,
) -> Result<Stamp, StoreError> {
    let at = alive.micros();
    let taken = sqlx::query_scalar!(
        "SELECT count(*) FROM sample WHERE at = ? AND channel = ?",
        at,
        channel.0
    )
    .fetch_one(connection)
    .await?;
    Ok(if taken > 0 {
        alive.plus(Duration::from_micros(1))
    } else {
        alive
    })
}

/// Ends the channel's gap where the last session ended, and opens that of the time since: the daemon
/// was stopped, or the channel is no longer configured.
///
/// How many ticks a stop cost follows from the tick: those on the grid after the last session's last
/// sign of life, up to this start.
fn open_gap(book: &mut GapBook, channel: &Known, is_configured: bool, stop: &Stop) {
    let period = channel.period_us.max(1);
    let ticks_to = |at: Stamp| at.micros().div_euclid(period);
    let missed = (ticks_to(stop.start) - ticks_to(stop.alive)).max(0);
    let (cause, missed, detail) = if is_configured {
        (Cause::DaemonStopped, missed, "the daemon was not running")
    } else {
        (
            Cause::Disabled,
            0,
            "the configuration no longer names the channel",
        )
    };
    match book.open_gap(channel.id) {
        // It did not run long enough in between to hear of the channel: the stop goes on.
        Some(gap) if gap.cause == cause => book.extend(channel.id, missed),
        _ => book.open_at(channel.id, stop.from, cause, missed, detail),
    }
}
