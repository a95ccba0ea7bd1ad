//! Least-squares lines through a window that slides along samples, and the course that they smooth.

use std::time::Duration;

use zonda_model::Stamp;

use crate::float;
use crate::sum::Sum;

/// A used sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sample {
    pub(crate) at: Stamp,
    pub(crate) value: f64,
    /// False after a gap, and for the first.
    pub(crate) follows: bool,
}

/// At each sample, the least-squares line through those within half the span of it.
///
/// Cleveland, *Robust locally weighted regression and smoothing scatterplots*, J. Amer. Statist. Assoc. 74 (1979), with
/// equal weights and without the robustness.
pub(crate) fn smooth(samples: &[Sample], span: Duration) -> Vec<f64> {
    if span.is_zero() {
        return samples.iter().map(|sample| sample.value).collect();
    }
    let half = span / 2;
    let mut line = Line::new(samples[0].at);
    let (mut first, mut next) = (0, 0);
    let value = |sample: &Sample| {
        while let Some(later) = samples
            .get(next)
            .filter(|later| later.at.since(sample.at) <= half)
        {
            line.add(*later);
            next += 1;
        }
        while sample.at.since(samples[first].at) > half {
            line.remove(samples[first]);
            first += 1;
        }
        line.at(sample.at)
    };
    samples.iter().map(value).collect()
}

/// Below this Σ(t − t̄)², in s², times are the same; two samples a millisecond apart have 5·10⁻⁷.
const SAME_TIME: f64 = 1e-9;

/// A least-squares line through a sliding window.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    origin: Stamp,
    pub(crate) count: u64,
    times: Sum,
    squares: Sum,
    values: Sum,
    products: Sum,
}

impl Line {
    pub(crate) const fn new(origin: Stamp) -> Self {
        Self {
            origin,
            count: 0,
            times: Sum::ZERO,
            squares: Sum::ZERO,
            values: Sum::ZERO,
            products: Sum::ZERO,
        }
    }

    pub(crate) fn add(&mut self, sample: Sample) {
        self.count += 1;
        self.put(sample, 1.0);
    }

    pub(crate) fn remove(&mut self, sample: Sample) {
        self.count -= 1;
        self.put(sample, -1.0);
    }

    fn put(&mut self, Sample { at, value, .. }: Sample, sign: f64) {
        let time = at.since(self.origin).as_secs_f64();
        self.times.add(sign * time);
        self.squares.add_product(sign * time, time);
        self.values.add(sign * value);
        self.products.add_product(sign * time, value);
    }

    fn at(&self, at: Stamp) -> f64 {
        let (time, value) = self.middle();
        let beside = at.since(self.origin).as_secs_f64() - time;
        self.slope()
            .map_or(value, |slope| slope.mul_add(beside, value))
    }

    fn middle(&self) -> (f64, f64) {
        let n = float::count(self.count);
        (self.times.value() / n, self.values.value() / n)
    }

    pub(crate) fn slope(&self) -> Option<f64> {
        let n = float::count(self.count);
        let (time, value) = self.middle();
        let times = (self.times, time);
        let spread = self.squares.cross_centred(times, times, n);
        let both = self.products.cross_centred(times, (self.values, value), n);
        (spread > SAME_TIME).then(|| both / spread)
    }
}
