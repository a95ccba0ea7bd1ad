//! What the file knows of channels, their mappings and the configuration.

use sqlx::SqliteConnection;
use zonda_model::{ChannelName, Period, Quantity, Stamp, Unit};

use crate::error::StoreError;
use crate::open::Readable;
use crate::row::ChannelId;

/// A channel as the configuration has it, on its way into the file.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelEntry {
    /// Its name.
    pub name: ChannelName,
    /// What it measures.
    pub quantity: Quantity,
    /// In which unit people speak of it.
    pub unit: Unit,
    /// Its tick.
    pub period: Period,
    /// How its codes become values, as text.
    pub mapping: String,
}

/// A channel as the file has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChannelRow {
    /// Its key.
    pub id: ChannelId,
    /// Its name.
    pub name: ChannelName,
    /// What it measures.
    pub quantity: Quantity,
    /// In which unit people speak of it.
    pub unit: Unit,
    /// Its tick, as of the newest session in which it was configured.
    pub period_us: i64,
}

impl Readable {
    /// All channels that were ever recorded, by key.
    ///
    /// # Errors
    /// The file cannot be read, or holds a word that this version does not know.
    pub async fn channels(&self) -> Result<Vec<ChannelRow>, StoreError> {
        let rows = sqlx::query!(
            r#"SELECT id AS "id!", name, quantity, unit, period_us FROM channel ORDER BY id"#
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let bad = |what: &dyn std::fmt::Display| {
                    StoreError::Row(format!("channel {}: {what}", row.id))
                };
                Ok(ChannelRow {
                    id: ChannelId(row.id),
                    name: row.name.parse().map_err(|error| bad(&error))?,
                    quantity: row.quantity.parse().map_err(|error| bad(&error))?,
                    unit: row.unit.parse().map_err(|error| bad(&error))?,
                    period_us: row.period_us,
                })
            })
            .collect()
    }
}

/// Notes a state of the configuration.
pub(crate) async fn note_revision(
    connection: &mut SqliteConnection,
    hash: &str,
    text: &str,
    at: Stamp,
) -> Result<(), StoreError> {
    let at = at.micros();
    sqlx::query!(
        "INSERT OR IGNORE INTO config_revision (hash, text, first_at) VALUES (?, ?, ?)",
        hash,
        text,
        at
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// Notes a channel, and a new version of its mapping where that has changed. Gives its key.
pub(crate) async fn note_channel(
    connection: &mut SqliteConnection,
    entry: &ChannelEntry,
    config: &str,
    at: Stamp,
) -> Result<ChannelId, StoreError> {
    let (name, quantity, unit, period) = (
        entry.name.as_str(),
        entry.quantity.word(),
        entry.unit.symbol(),
        entry.period.micros(),
    );
    let id = sqlx::query_scalar!(
        r#"INSERT INTO channel (name, quantity, unit, period_us) VALUES (?, ?, ?, ?)
           ON CONFLICT (name) DO UPDATE SET unit = excluded.unit, period_us = excluded.period_us
           RETURNING id AS "id!""#,
        name,
        quantity,
        unit,
        period
    )
    .fetch_one(&mut *connection)
    .await?;
    let known = sqlx::query!(
        "SELECT version, text FROM mapping WHERE channel = ? ORDER BY version DESC LIMIT 1",
        id
    )
    .fetch_optional(&mut *connection)
    .await?;
    let next = match known {
        Some(row) if row.text == entry.mapping => return Ok(ChannelId(id)),
        Some(row) => row.version + 1,
        None => 1,
    };
    let at = at.micros();
    sqlx::query!(
        "INSERT INTO mapping (channel, version, since_at, config, text) VALUES (?, ?, ?, ?, ?)",
        id,
        next,
        at,
        config,
        entry.mapping
    )
    .execute(connection)
    .await?;
    Ok(ChannelId(id))
}
