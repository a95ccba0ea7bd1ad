//! The moving mean: at every reading, the mean of the window of time that ends there.
//!
//! The window is a length of time, not a number of samples, so that a gap makes it thinner, not longer.

use std::collections::VecDeque;
use std::time::Duration;

use zonda_model::Stamp;

use crate::coverage::{between, edge};
use crate::float;
use crate::mean::{MeanRule, PushError};
use crate::reading::{Reading, Tally};
use crate::sum::Sum;

/// The window's mean at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MovingMean {
    /// The end of the window.
    pub at: Stamp,
    /// The mean; `None` where the window is covered less than the rule asks for.
    pub mean: Option<f64>,
    /// How many readings it is of.
    pub count: usize,
    /// The share of the window that readings speak for, 0 to 1.
    pub coverage: f64,
}

/// A window of no length, or longer than the memory kept for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "a moving window of {window:?} cannot be: it is at least one period and at most {READINGS_MAX} periods of {period:?}"
)]
pub struct WindowLength {
    window: Duration,
    period: Duration,
}

/// Periods in the longest window: 16 bytes each, so that a channel holds 1.6 MB at most where readings come once a period.
pub const READINGS_MAX: u32 = 100_000;

/// Takes readings in order of time and says the moving mean at each.
///
/// It holds the readings of one window, which is bounded by their spacing; the oldest leave as time runs on.
#[derive(Clone, Debug)]
pub struct Moving {
    rule: MeanRule,
    window: i64,
    period: i64,
    seen: Option<Stamp>,
    tally: Tally,
    held: VecDeque<(i64, f64)>,
    sum: Sum,
    between: i64,
}

impl Moving {
    /// Over `window`, by `rule`.
    ///
    /// # Errors
    /// [`WindowLength`] for a window below one period or above [`READINGS_MAX`] periods.
    pub fn new(window: Duration, rule: MeanRule) -> Result<Self, WindowLength> {
        let period = rule.period.duration();
        if window < period || window > period * READINGS_MAX {
            return Err(WindowLength { window, period });
        }
        Ok(Self {
            rule,
            window: float::micros(window),
            period: rule.period.micros(),
            seen: None,
            tally: Tally::EMPTY,
            held: VecDeque::new(),
            sum: Sum::ZERO,
            between: 0,
        })
    }

    /// Readings used and left out so far.
    pub const fn tally(&self) -> &Tally {
        &self.tally
    }

    /// Takes a reading and says the mean of the window that ends at it; where the reading itself is left
    /// out, of those before it.
    ///
    /// # Errors
    /// [`PushError::OutOfOrder`] for a reading earlier than the one before; it is not taken.
    pub fn push(&mut self, reading: &Reading) -> Result<MovingMean, PushError> {
        let at = reading.at;
        if let Some(last) = self.seen.filter(|last| at < *last) {
            return Err(PushError::OutOfOrder { at, last });
        }
        self.seen = Some(at);
        if let Some(value) = self.rule.sieve.admit(reading, &mut self.tally) {
            self.enter(at.micros(), value);
        }
        self.leave_until(at.micros().saturating_sub(self.window));
        Ok(self.mean(at))
    }

    fn enter(&mut self, at: i64, value: f64) {
        if let Some((last, _)) = self.held.back() {
            self.between += between(at - last, self.period);
        }
        self.held.push_back((at, value));
        self.sum.add(value);
    }

    fn leave_until(&mut self, end: i64) {
        while let Some((left, value)) = self.held.pop_front_if(|(at, _)| *at <= end) {
            self.sum.add(-value);
            match self.held.front() {
                Some((first, _)) => self.between -= between(first - left, self.period),
                None => self.sum = Sum::ZERO,
            }
        }
    }

    fn mean(&self, at: Stamp) -> MovingMean {
        let count = self.held.len();
        let coverage = self.coverage(at.micros());
        let enough = count > 0 && coverage >= self.rule.coverage_min.share();
        MovingMean {
            at,
            mean: enough.then(|| self.sum.value() / float::len(count)),
            count,
            coverage,
        }
    }

    /// A reading speaks for half a period before and after it, so the window reaches half a period beyond its end.
    fn coverage(&self, at: i64) -> f64 {
        let (Some((first, _)), Some((last, _))) = (self.held.front(), self.held.back()) else {
            return 0.0;
        };
        let half = self.period / 2;
        let lead = edge(first - (at - self.window + half), self.period).max(0);
        let tail = edge(at + half - last, self.period);
        let covered = Duration::from_micros((self.between + lead + tail).unsigned_abs());
        let window = Duration::from_micros(self.window.unsigned_abs());
        (covered.as_secs_f64() / window.as_secs_f64()).min(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_model::Period;

    #[test]
    fn a_window_of_a_year_is_refused_with_a_sentence() {
        let error = Moving::new(
            Duration::from_hours(24 * 365),
            MeanRule::every(Period::SECOND),
        );
        assert_eq!(
            error.unwrap_err().to_string(),
            "a moving window of 31536000s cannot be: it is at least one period and at most 100000 periods of 1s"
        );
    }

    #[test]
    fn after_a_gap_the_old_readings_are_gone() {
        let rule = MeanRule::every(Period::SECOND);
        let mut moving = Moving::new(Duration::from_secs(3), rule).unwrap();
        let mut push = |second: i64, value| {
            moving
                .push(&Reading::good(Stamp::from_millis(second * 1000), value))
                .unwrap()
                .mean
        };
        assert_eq!(push(0, 1.0), None);
        assert_eq!(push(1, 1.0), None);
        assert_eq!(push(2, 4.0), Some(2.0));
        assert_eq!(push(600, 9.0), None);
        assert_eq!(push(601, 9.0), None);
        assert_eq!(push(602, 9.0), Some(9.0));
    }
}
