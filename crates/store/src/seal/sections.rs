//! What a link covers beside samples, read from the file and added in the order of the sections.

use sqlx::SqliteConnection;

use super::bytes::{Bytes, Fronts, Link, entry, kind, unpacked, unpacked_keys};
use super::verdict::Covered;

/// Key, channel, begin, cause, detail. Texts are read as bytes: a forged one need not be UTF-8.
type GapBegun = (i64, i64, i64, Vec<u8>, Vec<u8>);
/// Key, time, severity, kind, subject, text.
type EventTold = (i64, i64, Vec<u8>, Vec<u8>, Vec<u8>, Vec<u8>);
/// Boot, version, hash and text of the configuration.
type SessionBegun = (Vec<u8>, Vec<u8>, Vec<u8>, Vec<u8>);

/// Whether the session ended in order with this commit.
pub(super) async fn has_ended(
    connection: &mut SqliteConnection,
    link: &Link,
) -> Result<bool, sqlx::Error> {
    if link.kind != kind::COMMIT {
        return Ok(false);
    }
    let ended: Option<i64> = sqlx::query_scalar(
        "SELECT id FROM session WHERE id = ? AND batch = ? AND ended = 'stopped'",
    )
    .bind(link.session)
    .bind(link.batch)
    .fetch_optional(connection)
    .await?;
    Ok(ended.is_some())
}

/// Adds everything after the samples.
pub(super) async fn add(
    connection: &mut SqliteConnection,
    bytes: &mut Bytes,
    link: &Link,
    from: &Fronts,
    covered: &mut Covered,
) -> Result<(), sqlx::Error> {
    if link.kind == kind::START {
        return Ok(());
    }
    gaps(connection, bytes, (from.gap, link.to.gap), covered).await?;
    gap_ends(connection, bytes, link).await?;
    events(connection, bytes, (from.event, link.to.event), covered).await?;
    clocks(connection, bytes, (from.clock, link.to.clock), covered).await?;
    match link.kind {
        kind::SESSION => session(connection, bytes, link, covered).await,
        kind::ENTRY => entries(connection, bytes, link, covered).await,
        _ => Ok(()),
    }
}

/// The keys of a section, `from` excluded and `to` included; `None` where there are none.
fn keys((from, to): (Option<i64>, Option<i64>)) -> Option<(i64, i64)> {
    let to = to?;
    (from != Some(to)).then_some((from.map_or(i64::MIN, |from| from.saturating_add(1)), to))
}

async fn gaps(
    connection: &mut SqliteConnection,
    bytes: &mut Bytes,
    range: (Option<i64>, Option<i64>),
    covered: &mut Covered,
) -> Result<(), sqlx::Error> {
    let Some((from, to)) = keys(range) else {
        bytes.count(0);
        return Ok(());
    };
    let rows: Vec<GapBegun> = sqlx::query_as(
        "SELECT id, channel, from_at, cause, detail FROM gap WHERE id BETWEEN ? AND ? ORDER BY id",
    )
    .bind(from)
    .bind(to)
    .fetch_all(connection)
    .await?;
    bytes.count(rows.len());
    covered.gaps += rows.len() as u64;
    for (id, channel, from, cause, detail) in &rows {
        bytes.opened(*id, *channel, *from, [cause, detail]);
    }
    Ok(())
}

async fn gap_ends(
    connection: &mut SqliteConnection,
    bytes: &mut Bytes,
    link: &Link,
) -> Result<(), sqlx::Error> {
    let keys = unpacked_keys(link.closed.as_deref());
    bytes.count(keys.len());
    for id in keys {
        let row: Option<(Option<i64>, i64)> =
            sqlx::query_as("SELECT to_at, missed FROM gap WHERE id = ?")
                .bind(id)
                .fetch_optional(&mut *connection)
                .await?;
        if let Some((to, missed)) = row {
            bytes.closed(id, to, missed);
        }
    }
    Ok(())
}

async fn events(
    connection: &mut SqliteConnection,
    bytes: &mut Bytes,
    range: (Option<i64>, Option<i64>),
    covered: &mut Covered,
) -> Result<(), sqlx::Error> {
    let Some((from, to)) = keys(range) else {
        bytes.count(0);
        return Ok(());
    };
    let rows: Vec<EventTold> = sqlx::query_as(
        "SELECT id, at, severity, kind, subject, text FROM event WHERE id BETWEEN ? AND ? ORDER BY id",
    )
    .bind(from)
    .bind(to)
    .fetch_all(connection)
    .await?;
    bytes.count(rows.len());
    covered.events += rows.len() as u64;
    for (id, at, severity, kind, subject, text) in &rows {
        bytes.event(*id, *at, [severity, kind, subject, text]);
    }
    Ok(())
}

async fn clocks(
    connection: &mut SqliteConnection,
    bytes: &mut Bytes,
    range: (Option<i64>, Option<i64>),
    covered: &mut Covered,
) -> Result<(), sqlx::Error> {
    let Some((from, to)) = keys(range) else {
        bytes.count(0);
        return Ok(());
    };
    let rows: Vec<(i64, i64, i64, Vec<u8>)> = sqlx::query_as(
        "SELECT id, at, axis_minus_utc_us, cause FROM clock WHERE id BETWEEN ? AND ? ORDER BY id",
    )
    .bind(from)
    .bind(to)
    .fetch_all(connection)
    .await?;
    bytes.count(rows.len());
    covered.clocks += rows.len() as u64;
    for (id, at, ahead, cause) in &rows {
        bytes.clock(*id, *at, *ahead, cause);
    }
    Ok(())
}

/// The session with its configuration, and the channels with their mappings.
async fn session(
    connection: &mut SqliteConnection,
    bytes: &mut Bytes,
    link: &Link,
    covered: &mut Covered,
) -> Result<(), sqlx::Error> {
    let row: Option<SessionBegun> = sqlx::query_as(
        "SELECT boot, version, config, text FROM session JOIN config_revision ON hash = config WHERE id = ?",
    )
    .bind(link.session)
    .fetch_optional(&mut *connection)
    .await?;
    if let Some((boot, version, hash, text)) = &row {
        bytes.session([boot, version, hash, text]);
        covered.sessions += 1;
    }
    super::channels(connection, &unpacked(link.named.as_deref()), bytes).await
}

async fn entries(
    connection: &mut SqliteConnection,
    bytes: &mut Bytes,
    link: &Link,
    covered: &mut Covered,
) -> Result<(), sqlx::Error> {
    for (table, id) in unpacked(link.named.as_deref()) {
        if table == entry::CORRECTION {
            covered.corrections += 1;
            super::correction(connection, id, bytes).await?;
        }
    }
    Ok(())
}
