//! Means weighted by time, for readings that do not come at even steps.
//!
//! Two definitions, and they differ: t = 0, 10, 30, 40 s with 1, 2, 4, 3 gives 2.75 by straight lines and 2.25
//! by holding each value until the next; the plain mean is 2.5. A report prints which. Nothing is bridged where a sample is missing
//! ([`crate::coverage::is_unbroken`]): that time has no weight.

use zonda_model::{Period, Stamp};

use crate::coverage::is_unbroken;
use crate::sum::Sum;

/// Takes readings in order of time and weighs them by it.
#[derive(Clone, Copy, Debug)]
pub struct TimeWeighted {
    period: Period,
    last: Option<(Stamp, f64)>,
    /// Σ (x_k + x_{k+1})/2·Δt and Σ x_k·Δt and ΣΔt, in seconds.
    lines: Sum,
    held: Sum,
    seconds: Sum,
}

impl TimeWeighted {
    /// For readings that are expected at least once a `period`.
    pub const fn new(period: Period) -> Self {
        Self {
            period,
            last: None,
            lines: Sum::ZERO,
            held: Sum::ZERO,
            seconds: Sum::ZERO,
        }
    }

    /// Takes a used value that is not earlier than the one before (an earlier one has no weight).
    pub fn push(&mut self, at: Stamp, value: f64) {
        if let Some((before, held)) = self.last {
            let span = at.since(before);
            if is_unbroken(span, self.period) {
                let seconds = span.as_secs_f64();
                self.lines.add_product(f64::midpoint(held, value), seconds);
                self.held.add_product(held, seconds);
                self.seconds.add(seconds);
            }
        }
        self.last = Some((at, value));
    }

    /// The time that carries weight, s.
    pub fn seconds(&self) -> f64 {
        self.seconds.value()
    }

    /// Mean along straight lines between readings (trapezoidal rule); `None` where no time carries weight.
    pub fn by_lines(&self) -> Option<f64> {
        (self.seconds() > 0.0).then(|| self.lines.value() / self.seconds())
    }

    /// Mean where each value holds until the next reading; `None` where no time carries weight.
    pub fn by_holding(&self) -> Option<f64> {
        (self.seconds() > 0.0).then(|| self.held.value() / self.seconds())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_has_no_weight() {
        let mut mean = TimeWeighted::new(Period::SECOND);
        for (second, value) in [(0, 1.0), (1, 1.0), (2, 1.0), (3600, 9.0), (3601, 9.0)] {
            mean.push(Stamp::from_millis(second * 1000), value);
        }
        assert!((mean.seconds() - 3.0).abs() < 1e-12);
        assert!((mean.by_lines().unwrap() - 11.0 / 3.0).abs() < 1e-12);
        assert_eq!(TimeWeighted::new(Period::SECOND).by_holding(), None);
    }
}
