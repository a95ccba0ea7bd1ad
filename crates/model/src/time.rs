//! Time on the record's axis: stamps in microseconds, and the grid of ticks they are asked for on.

use std::fmt;
use std::time::Duration;

/// A point on the record's time axis: microseconds since 1970-01-01T00:00:00Z.
///
/// The axis follows UTC and never runs backwards; how far it is from UTC is recorded whenever that
/// changes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp(i64);

impl Stamp {
    /// From microseconds since the epoch.
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros)
    }

    /// From milliseconds since the epoch.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis.saturating_mul(1000))
    }

    /// Microseconds since the epoch.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// Milliseconds since the epoch, rounded down.
    pub const fn millis(self) -> i64 {
        self.0.div_euclid(1000)
    }

    /// Seconds since the epoch.
    #[expect(
        clippy::cast_precision_loss,
        reason = "microseconds stay exact until the year 2255"
    )]
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// The time from `earlier` to here, or zero where `earlier` is later.
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_micros(u64::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(0))
    }

    /// This much later; saturates at the end of time.
    pub fn plus(self, span: Duration) -> Self {
        Self(self.0.saturating_add(micros_of(span)))
    }

    /// This much earlier; saturates at the beginning of time.
    pub fn minus(self, span: Duration) -> Self {
        Self(self.0.saturating_sub(micros_of(span)))
    }

    /// The point half-way to `other`.
    pub const fn midpoint(self, other: Self) -> Self {
        Self(i64::midpoint(self.0, other.0))
    }

    /// The last tick of the grid at or before here.
    pub const fn floor(self, period: Period) -> Self {
        Self(self.0 - self.0.rem_euclid(period.0))
    }

    /// The first tick of the grid after here.
    pub const fn next(self, period: Period) -> Self {
        Self(self.floor(period).0.saturating_add(period.0))
    }
}

fn micros_of(span: Duration) -> i64 {
    i64::try_from(span.as_micros()).unwrap_or(i64::MAX)
}

impl fmt::Display for Stamp {
    /// RFC 3339 in UTC with microseconds, such as `2026-11-25T02:10:00.250000Z`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_microsecond(self.0) {
            Ok(stamp) => write!(f, "{stamp:.6}"),
            Err(_) => write!(f, "{} µs", self.0),
        }
    }
}

/// The length of a tick in whole microseconds; never zero.
///
/// Ticks lie on the UTC grid: with 250 ms they are at :00.000, :00.250 and so on, whenever the
/// daemon was started, so that channels on different lines line up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Period(i64);

/// A length of time that cannot be a period.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a period must be between 1 ms and 1 day")]
pub struct BadPeriod;

impl Period {
    /// One second.
    pub const SECOND: Self = Self(1_000_000);
    const MIN: i64 = 1000;
    const MAX: i64 = 86_400_000_000;

    /// # Errors
    /// Shorter than 1 ms or longer than a day.
    pub fn new(span: Duration) -> Result<Self, BadPeriod> {
        match micros_of(span) {
            micros @ Self::MIN..=Self::MAX => Ok(Self(micros)),
            _ => Err(BadPeriod),
        }
    }

    /// Microseconds.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// As a span of time.
    pub const fn duration(self) -> Duration {
        Duration::from_micros(self.0.unsigned_abs())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_stamp_reads_as_rfc_3339() {
        assert_eq!(
            Stamp::from_micros(250_000).to_string(),
            "1970-01-01T00:00:00.250000Z"
        );
        assert_eq!(
            Stamp::from_micros(-1).to_string(),
            "1969-12-31T23:59:59.999999Z"
        );
    }

    #[test]
    fn a_quarter_second_grid_lies_on_the_second() {
        let period = Period::new(Duration::from_millis(250)).unwrap();
        assert_eq!(
            Stamp::from_micros(1_000_001).floor(period),
            Stamp::from_micros(1_000_000)
        );
        assert_eq!(
            Stamp::from_micros(1_000_000).next(period),
            Stamp::from_micros(1_250_000)
        );
        assert!(Period::new(Duration::ZERO).is_err());
    }

    proptest! {
        #[test]
        fn floor_and_next_embrace_every_stamp(at in -4_000_000_000_000_000i64..4_000_000_000_000_000, ms in 1u64..86_400_000) {
            let period = Period::new(Duration::from_millis(ms)).unwrap();
            let at = Stamp::from_micros(at);
            prop_assert!(at.floor(period) <= at && at < at.next(period));
            prop_assert_eq!(at.next(period).since(at.floor(period)), period.duration());
        }
    }
}
