//! Corrections as rows: what is there, what speaks against one more, and what the chain covers.

use std::collections::BTreeSet;

use sqlx::SqliteConnection;
use zonda_model::Stamp;

use super::{BadCorrection, CorrectionEntry, CorrectionRow};
use crate::commit;
use crate::error::StoreError;
use crate::open::Readable;
use crate::recorder::{Event, Severity};
use crate::row::ChannelId;
use crate::seal;

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
}

/// A correction is signed; a preview need not be.
pub(super) fn refuse_unsigned(reason: &str, by: &str) -> Result<(), BadCorrection> {
    if reason.trim().is_empty() {
        return Err(BadCorrection::NoReason);
    }
    if by.trim().is_empty() {
        return Err(BadCorrection::NoName);
    }
    Ok(())
}

/// What speaks against a correction.
pub(super) async fn refuse(
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

pub(super) struct NewRow<'a> {
    pub(super) at: Stamp,
    pub(super) channel: ChannelId,
    pub(super) stretch: (Stamp, Stamp),
    pub(super) undoes: Option<i64>,
    pub(super) mapping: &'a str,
    pub(super) reason: &'a str,
    pub(super) by: &'a str,
}

pub(super) async fn insert(
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

pub(super) async fn rows(
    connection: &mut SqliteConnection,
) -> Result<Vec<CorrectionRow>, sqlx::Error> {
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

pub(super) async fn written(
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

pub(super) async fn name(
    connection: &mut SqliteConnection,
    channel: ChannelId,
) -> Result<String, sqlx::Error> {
    let name: Option<String> = sqlx::query_scalar("SELECT name FROM channel WHERE id = ?")
        .bind(channel.0)
        .fetch_optional(connection)
        .await?;
    Ok(name.unwrap_or_else(|| format!("channel {}", channel.0)))
}

/// The end of one: an event with a link of its own.
pub(super) async fn end(
    connection: &mut SqliteConnection,
    channel: ChannelId,
    at: Stamp,
    text: String,
) -> Result<(), StoreError> {
    let name = name(connection, channel).await?;
    let event = event(&name, at, Severity::Info, text);
    seal_entry(connection, None, &event).await
}

pub(super) async fn seal_row(
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

pub(super) fn event(name: &str, at: Stamp, severity: Severity, text: String) -> Event {
    Event {
        at,
        severity,
        kind: "correction".to_owned(),
        subject: name.to_owned(),
        text,
    }
}

pub(super) async fn note_done(
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

pub(super) async fn superseded(
    connection: &mut SqliteConnection,
    id: i64,
) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar("SELECT count(*) FROM superseded WHERE correction = ?")
        .bind(id)
        .fetch_one(connection)
        .await
}
