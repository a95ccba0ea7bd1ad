//! How late ticks began: a histogram with four steps an octave, so that the tail of a night is
//! known to a fifth of its value without keeping each tick.

use std::time::Duration;

const STEPS_AN_OCTAVE: usize = 4;
/// 1 µs to 2^32 µs, well over an hour.
const BUCKETS: usize = 33 * STEPS_AN_OCTAVE;

/// How late ticks began, from 1 µs up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lateness {
    counts: [u64; BUCKETS],
    max: Duration,
}

impl Default for Lateness {
    fn default() -> Self {
        Self {
            counts: [0; BUCKETS],
            max: Duration::ZERO,
        }
    }
}

impl Lateness {
    /// Counts one tick.
    pub fn add(&mut self, late: Duration) {
        self.counts[bucket(late)] += 1;
        self.max = self.max.max(late);
    }

    /// Takes the ticks of another line in.
    pub fn merge(&mut self, other: &Self) {
        for (mine, theirs) in self.counts.iter_mut().zip(other.counts) {
            *mine += theirs;
        }
        self.max = self.max.max(other.max);
    }

    /// How many ticks were counted.
    pub fn count(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// The latest.
    pub const fn max(&self) -> Duration {
        self.max
    }

    /// So late, or less, were this many of a thousand ticks: 500 is the median, 999 the last of a
    /// thousand. Never less than the true value, and at most a quarter more.
    pub fn permille(&self, permille: u32) -> Duration {
        let wanted = (self.count() * u64::from(permille.min(1000))).div_ceil(1000);
        let mut seen = 0;
        for (bucket, count) in self.counts.iter().enumerate() {
            seen += count;
            if seen >= wanted && seen > 0 {
                return upper_edge(bucket).min(self.max);
            }
        }
        self.max
    }
}

/// Octave and quarter of an octave (linear within it).
fn bucket(late: Duration) -> usize {
    let micros = u32::try_from(late.as_micros()).unwrap_or(u32::MAX).max(1);
    let octave = micros.ilog2();
    let within = u64::from(micros) << 2 >> octave;
    octave as usize * STEPS_AN_OCTAVE + (usize::try_from(within).unwrap_or(0) & 3)
}

fn upper_edge(bucket: usize) -> Duration {
    let octave = bucket / STEPS_AN_OCTAVE;
    let quarter = (bucket % STEPS_AN_OCTAVE) as u64;
    // Up to the next bucket's first microsecond, exclusive.
    let next = (((5 + quarter) << octave) >> 2).max(2);
    Duration::from_micros(next)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn an_empty_histogram_says_zero() {
        assert_eq!(Lateness::default().permille(999), Duration::ZERO);
    }

    proptest! {
        /// Against the definition of a quantile over the sorted values.
        #[test]
        fn quantiles_are_right_to_a_quarter(late in proptest::collection::vec(0u64..10_000_000, 1..300), permille in 1u32..=1000) {
            let mut histogram = Lateness::default();
            for &micros in &late {
                histogram.add(Duration::from_micros(micros));
            }
            let mut sorted = late.clone();
            sorted.sort_unstable();
            let rank = (late.len() * permille as usize).div_ceil(1000).max(1);
            let exact = Duration::from_micros(sorted[rank - 1]);
            let found = histogram.permille(permille);
            prop_assert!(found >= exact, "{found:?} < {exact:?}");
            prop_assert!(found <= exact.mul_f64(1.25) + Duration::from_micros(2), "{found:?} > {exact:?}");
            prop_assert_eq!(histogram.count(), late.len() as u64);
        }
    }
}
