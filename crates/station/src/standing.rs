//! The standing of certificates by the day: overdue ones flag every reading from the day after
//! their due date on, by the record's UTC, while the daemon runs.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use zonda_config::ChannelPlan;
use zonda_model::{Quality, Stamp};

/// Microseconds of a day of UTC.
const DAY_US: i64 = 86_400_000_000;

/// What is said of every reading of today.
#[derive(Debug, Default)]
pub(crate) struct Standing {
    /// Days since the epoch.
    day: Option<i64>,
    by_channel: Vec<Quality>,
}

impl Standing {
    /// Looks at the day; true where a new one has begun.
    pub(crate) fn turn(&mut self, utc: Stamp, channels: &[ChannelPlan]) -> bool {
        let day = utc.micros().div_euclid(DAY_US);
        if self.day == Some(day) {
            return false;
        }
        let Some(date) = date_of(utc) else {
            return false;
        };
        self.day = Some(day);
        self.by_channel = channels
            .iter()
            .map(|plan| plan.mapping.standing(date))
            .collect();
        true
    }

    pub(crate) fn of(&self, channel: usize) -> Quality {
        self.by_channel.get(channel).copied().unwrap_or_default()
    }
}

fn date_of(utc: Stamp) -> Option<Date> {
    let stamp = Timestamp::from_microsecond(utc.micros()).ok()?;
    Some(TimeZone::UTC.to_datetime(stamp).date())
}
