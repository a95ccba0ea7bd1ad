//! What runs know of the station: its channels, and the configuration in force.

use zonda_config::Config;
use zonda_model::{ChannelName, Period, Quantity};
use zonda_store::{Readable, StoreError};

use crate::station::period_of;

/// A configured channel.
#[derive(Clone, Debug)]
pub(crate) struct SceneChannel {
    pub(crate) name: ChannelName,
    pub(crate) quantity: Quantity,
    pub(crate) period: Period,
}

/// The configured channels, in the order of live samples, and the configuration's hash.
#[derive(Clone, Debug)]
pub(crate) struct Scene {
    channels: Vec<SceneChannel>,
    pub(crate) config: String,
}

impl Scene {
    /// Of a running station.
    pub(crate) fn of(config: &Config) -> Self {
        let channel = |channel: &zonda_config::ChannelPlan| SceneChannel {
            name: channel.name.clone(),
            quantity: channel.quantity,
            period: period_of(config, channel),
        };
        Self {
            channels: config.channels.iter().map(channel).collect(),
            config: config.revision.hash.clone(),
        }
    }

    /// Of a record that nobody records into: what was configured last.
    pub(crate) async fn left(record: &Readable, config: String) -> Result<Self, StoreError> {
        let mut rows = record.channels().await?;
        rows.retain(|row| row.position.is_some());
        rows.sort_by_key(|row| row.position);
        let channels = rows.into_iter().map(|row| SceneChannel {
            name: row.name,
            quantity: row.quantity,
            period: period(row.period_us),
        });
        Ok(Self {
            channels: channels.collect(),
            config,
        })
    }

    pub(crate) fn channels(&self) -> &[SceneChannel] {
        &self.channels
    }

    /// The place of a channel among the live ones.
    pub(crate) fn place(&self, name: &ChannelName) -> Option<usize> {
        self.channels
            .iter()
            .position(|channel| channel.name == *name)
    }
}

/// The record holds no other than what was a period once.
pub(crate) fn period(micros: i64) -> Period {
    let span = std::time::Duration::from_micros(u64::try_from(micros).unwrap_or(0));
    Period::new(span).unwrap_or(Period::SECOND)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Two thermometers and an anemometer, once a second.
    pub(crate) fn scene() -> Scene {
        let channel = |(name, quantity): (&str, Quantity)| SceneChannel {
            name: name.parse().unwrap(),
            quantity,
            period: Period::SECOND,
        };
        let channels = [
            ("Z1", Quantity::Temperature),
            ("Z2", Quantity::Temperature),
            ("exhaust", Quantity::Velocity),
        ];
        Scene {
            channels: channels.map(channel).into(),
            config: "abc".to_owned(),
        }
    }
}
