//! What the file knows of channels, their mappings and the configuration.

use std::collections::{BTreeMap, BTreeSet};

use sqlx::SqliteConnection;
use zonda_model::{ChannelName, Period, Quantity, Stamp, Unit};

use crate::error::StoreError;
use crate::open::Readable;
use crate::row::ChannelId;

/// A channel as the configuration has it, on its way into the file.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelEntry {
    /// Its name, unique in the record.
    pub name: ChannelName,
    /// What it measures. A name keeps its quantity for ever.
    pub quantity: Quantity,
    /// In which unit people speak of it; values are stored in the SI unit of the quantity.
    pub unit: Unit,
    /// Its tick.
    pub period: Period,
    /// How its codes become values, as text. One that differs from the last is a new version.
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
    /// Its place in the configuration in force; `None` where that no longer names it.
    pub position: Option<i64>,
}

/// One version of how a channel's codes become values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MappingRow {
    /// Whose.
    pub channel: ChannelId,
    /// Counted from 1 for each channel.
    pub version: i64,
    /// From when on; until the next version's.
    pub since: Stamp,
    /// Hash of the configuration that brought it.
    pub config: String,
    /// The mapping, as text.
    pub text: String,
}

/// A state of the configuration that the record was made under.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RevisionRow {
    /// Its hash.
    pub hash: String,
    /// Its text.
    pub text: String,
    /// When it was first in force. The sessions say when else.
    pub first: Stamp,
}

impl Readable {
    /// All channels that were ever recorded, by key.
    ///
    /// # Errors
    /// The file cannot be read, or holds a word that this version does not know.
    pub async fn channels(&self) -> Result<Vec<ChannelRow>, StoreError> {
        let rows = sqlx::query!(
            "SELECT id, name, quantity, unit, period_us, position FROM channel ORDER BY id"
        )
        .fetch_all(&self.pool())
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
                    position: row.position,
                })
            })
            .collect()
    }

    /// Every version of every mapping, by channel and version.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn mappings(&self) -> Result<Vec<MappingRow>, StoreError> {
        let rows = sqlx::query!(
            "SELECT channel, version, since_at, config, text FROM mapping ORDER BY channel, version"
        )
        .fetch_all(&self.pool())
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| MappingRow {
                channel: ChannelId(row.channel),
                version: row.version,
                since: Stamp::from_micros(row.since_at),
                config: row.config,
                text: row.text,
            })
            .collect())
    }

    /// Every state of the configuration, in the order of their first use.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn revisions(&self) -> Result<Vec<RevisionRow>, StoreError> {
        let rows = sqlx::query!(
            "SELECT hash, text, first_at FROM config_revision ORDER BY first_at, hash"
        )
        .fetch_all(&self.pool())
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| RevisionRow {
                hash: row.hash,
                text: row.text,
                first: Stamp::from_micros(row.first_at),
            })
            .collect())
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
        "INSERT INTO config_revision (hash, text, first_at) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        hash,
        text,
        at
    )
    .execute(connection)
    .await?;
    Ok(())
}

/// A channel as it was before a start.
pub(crate) struct Known {
    pub(crate) id: ChannelId,
    pub(crate) period_us: i64,
    /// Whether the configuration in force named it.
    pub(crate) was_in_use: bool,
}

/// Puts the channels of a configuration in the place of those before. Gives the keys of the new ones,
/// in their order, each with the version of its mapping, and the channels as they were before.
pub(crate) async fn note_channels(
    connection: &mut SqliteConnection,
    entries: &[ChannelEntry],
    config: &str,
    at: Stamp,
) -> Result<(Vec<(i64, i64)>, Vec<Known>), StoreError> {
    let rows = sqlx::query!("SELECT id, name, quantity, period_us, position FROM channel")
        .fetch_all(&mut *connection)
        .await?;
    let before = rows
        .iter()
        .map(|row| Known {
            id: ChannelId(row.id),
            period_us: row.period_us,
            was_in_use: row.position.is_some(),
        })
        .collect();
    let known = rows
        .into_iter()
        .map(|row| (row.name, row.quantity))
        .collect();
    refuse_contradiction(entries, &known)?;
    sqlx::query!("UPDATE channel SET position = NULL")
        .execute(&mut *connection)
        .await?;
    let mut channels = Vec::with_capacity(entries.len());
    for (position, entry) in (0_i64..).zip(entries) {
        let id = note_channel(connection, entry, position).await?;
        let version = note_mapping(connection, id, &entry.mapping, config, at).await?;
        channels.push((id, version));
    }
    Ok((channels, before))
}

fn refuse_contradiction(
    entries: &[ChannelEntry],
    known: &BTreeMap<String, String>,
) -> Result<(), StoreError> {
    let mut seen = BTreeSet::new();
    for entry in entries {
        let name = entry.name.as_str();
        if !seen.insert(name) {
            return Err(StoreError::Twice(name.to_owned()));
        }
        let now = entry.quantity.word();
        if let Some(was) = known.get(name).filter(|was| was.as_str() != now) {
            return Err(StoreError::Quantity {
                name: name.to_owned(),
                was: was.clone(),
                now,
            });
        }
    }
    Ok(())
}

async fn note_channel(
    connection: &mut SqliteConnection,
    entry: &ChannelEntry,
    position: i64,
) -> Result<i64, StoreError> {
    let (name, quantity) = (entry.name.as_str(), entry.quantity.word());
    let (si_unit, unit) = (entry.quantity.si().symbol(), entry.unit.symbol());
    let period = entry.period.micros();
    let id = sqlx::query_scalar!(
        r#"INSERT INTO channel (name, quantity, si_unit, unit, period_us, position) VALUES (?, ?, ?, ?, ?, ?)
           ON CONFLICT (name) DO UPDATE SET unit = excluded.unit, period_us = excluded.period_us, position = excluded.position
           RETURNING id AS "id!""#,
        name,
        quantity,
        si_unit,
        unit,
        period,
        position
    )
    .fetch_one(connection)
    .await?;
    Ok(id)
}

/// Notes a new version of a mapping, if it is one. The version in force.
async fn note_mapping(
    connection: &mut SqliteConnection,
    channel: i64,
    text: &str,
    config: &str,
    at: Stamp,
) -> Result<i64, StoreError> {
    let known = sqlx::query!(
        "SELECT version, text FROM mapping WHERE channel = ? ORDER BY version DESC LIMIT 1",
        channel
    )
    .fetch_optional(&mut *connection)
    .await?;
    let version = match known {
        Some(row) if row.text == text => return Ok(row.version),
        Some(row) => row.version + 1,
        None => 1,
    };
    let at = at.micros();
    sqlx::query!(
        "INSERT INTO mapping (channel, version, since_at, config, text) VALUES (?, ?, ?, ?, ?)",
        channel,
        version,
        at,
        config,
        text
    )
    .execute(connection)
    .await?;
    Ok(version)
}
