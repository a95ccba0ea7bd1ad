//! How much of a stretch the samples speak for.
//!
//! A sample speaks for the time up to the next one, but never across a gap: an interval longer than
//! 1.5 periods means that a sample is missing in between, and then each end speaks for half a
//! period only. Counting samples instead would let a device that answers twice as fast hide an hour
//! without answers. The factor 1.5 is common practice, no source.

use std::time::Duration;

use zonda_model::{Period, Stamp};

use crate::float;
use crate::stretch::Stretch;

/// The share of a stretch for which there must be good samples; otherwise a result is refused.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct CoverageMin(f64);

/// A number that is no share.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("a least coverage of {0} cannot be: it is a share above 0 and at most 1, such as 0.9")]
pub struct BadShare(pub f64);

impl CoverageMin {
    /// Nine tenths; common practice, no source.
    pub const DEFAULT: Self = Self(0.9);

    /// # Errors
    /// [`BadShare`] outside (0, 1].
    pub fn new(share: f64) -> Result<Self, BadShare> {
        if share > 0.0 && share <= 1.0 {
            Ok(Self(share))
        } else {
            Err(BadShare(share))
        }
    }

    /// The share.
    pub const fn share(self) -> f64 {
        self.0
    }
}

/// True where no sample is missing between two that are `interval` apart: up to 1.5 periods.
pub fn is_unbroken(interval: Duration, period: Period) -> bool {
    is_short(float::micros(interval), period.micros())
}

const fn is_short(interval: i64, period: i64) -> bool {
    interval <= period + period / 2
}

/// What an interval between two samples is covered by them.
pub(crate) const fn between(interval: i64, period: i64) -> i64 {
    if is_short(interval, period) {
        interval
    } else {
        period
    }
}

/// What is covered from the edge of a stretch to the sample next to it.
pub(crate) const fn edge(span: i64, period: i64) -> i64 {
    if span <= period { span } else { period / 2 }
}

/// Time that samples speak for, gathered sample by sample; parts can be joined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Covered {
    period: i64,
    ends: Option<(Stamp, Stamp)>,
    between: i64,
    longest: i64,
}

impl Covered {
    pub(crate) const fn new(period: Period) -> Self {
        Self {
            period: period.micros(),
            ends: None,
            between: 0,
            longest: 0,
        }
    }

    /// Takes a sample that is not earlier than the one before. True where it follows that one unbroken.
    pub(crate) fn push(&mut self, at: Stamp) -> bool {
        let Some((first, last)) = self.ends else {
            self.ends = Some((at, at));
            return false;
        };
        self.ends = Some((first, at));
        self.bridge(at.micros() - last.micros())
    }

    /// Joins what comes later. True where its first sample follows the last one here unbroken.
    pub(crate) fn join(&mut self, later: &Self) -> bool {
        let (Some((first, last)), Some((next, end))) = (self.ends, later.ends) else {
            if self.ends.is_none() {
                *self = *later;
            }
            return false;
        };
        self.ends = Some((first, end));
        self.between += later.between;
        self.longest = self.longest.max(later.longest);
        self.bridge(next.micros() - last.micros())
    }

    fn bridge(&mut self, interval: i64) -> bool {
        self.longest = self.longest.max(interval);
        self.between += between(interval, self.period);
        is_short(interval, self.period)
    }

    /// The share of `stretch`, in which all samples lie, that they speak for: 0 to 1.
    pub(crate) fn share(&self, stretch: Stretch) -> f64 {
        let Some((first, last)) = self.ends else {
            return 0.0;
        };
        let lead = edge(float::micros(first.since(stretch.from())), self.period);
        let tail = edge(float::micros(stretch.to().since(last)), self.period);
        let whole = Duration::from_micros((self.between + lead + tail).unsigned_abs());
        (whole.as_secs_f64() / stretch.length().as_secs_f64()).min(1.0)
    }

    /// The longest time within `stretch` without a sample.
    pub(crate) fn longest_gap(&self, stretch: Stretch) -> Duration {
        let Some((first, last)) = self.ends else {
            return stretch.length();
        };
        let inside = Duration::from_micros(self.longest.unsigned_abs());
        inside
            .max(first.since(stretch.from()))
            .max(stretch.to().since(last))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute() -> Stretch {
        Stretch::new(Stamp::from_millis(0), Stamp::from_millis(60_000)).unwrap()
    }

    fn share(millis: impl IntoIterator<Item = i64>) -> f64 {
        let mut covered = Covered::new(Period::SECOND);
        for at in millis {
            covered.push(Stamp::from_millis(at));
        }
        covered.share(minute())
    }

    #[test]
    fn a_sample_a_second_covers_all_wherever_it_lies_in_its_second() {
        for offset in [0, 3, 500, 999] {
            let share = share((0..60).map(|k| k * 1000 + offset));
            assert!((share - 1.0).abs() < 1e-12, "{offset}: {share}");
        }
    }

    #[test]
    fn what_is_missing_is_not_covered() {
        let half = share((0..60).filter(|k| *k < 30).map(|k| k * 1000));
        assert!((half - 29.5 / 60.0).abs() < 1e-12, "{half}");
        let with_hole = share((0..60).filter(|k| !(20..30).contains(k)).map(|k| k * 1000));
        assert!((with_hole - 50.0 / 60.0).abs() < 1e-12, "{with_hole}");
        assert!(share([]).abs() < 1e-12);
    }

    #[test]
    fn a_device_that_answers_twice_as_fast_does_not_hide_half_a_minute_of_silence() {
        let share = share((0..60).map(|k| k * 500));
        assert!(share < 0.51, "{share}");
    }

    #[test]
    fn the_longest_gap_may_lie_at_the_edge() {
        let mut covered = Covered::new(Period::SECOND);
        assert_eq!(covered.longest_gap(minute()), Duration::from_mins(1));
        covered.push(Stamp::from_millis(10_000));
        covered.push(Stamp::from_millis(25_000));
        assert_eq!(covered.longest_gap(minute()), Duration::from_secs(35));
    }

    #[test]
    fn a_share_of_ninety_is_refused_with_a_sentence() {
        assert_eq!(
            CoverageMin::new(90.0).unwrap_err().to_string(),
            "a least coverage of 90 cannot be: it is a share above 0 and at most 1, such as 0.9"
        );
    }
}
