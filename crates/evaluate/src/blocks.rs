//! Means over blocks of time, and from them the uncertainty of the mean of them all.
//!
//! Blocks lie on the grid of multiples of their width since the epoch. There are at most
//! [`BLOCKS_MAX`]; when time runs on, two and two become one. How wide they are depends on the first
//! and the last sample only, so that parts can be joined without a trace.
//!
//! The uncertainty sums the autocovariances of the block means as far as they are believed: pairs of
//! neighbouring lags until the first pair that is not positive, none larger than the one before
//! (Geyer, *Practical Markov chain Monte Carlo*, Statist. Sci. 7 (1992), initial monotone sequence). What the estimated
//! mean takes out of them is put back to first order (Wolff, *Monte Carlo errors with less errors*,
//! Comput. Phys. Commun. 156 (2004), eq. 49). Unlike the formula with the lag-one correlation alone it stays
//! right where slow waves carry fast noise, which is what an oven's air looks like.

use zonda_model::{Period, Stamp};

use crate::float;
use crate::sum::Sum;

/// At 24 bytes each 24 KiB a channel; enough that a correlation time of 1/100 of the stretch spans ten.
pub(crate) const BLOCKS_MAX: i64 = 1024;

/// Fewer blocks than this say nothing about correlation.
const BLOCKS_MIN: usize = 8;

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Block {
    count: u64,
    sum: Sum,
}

impl Block {
    fn join(&mut self, other: Self) {
        self.count += other.count;
        self.sum.join(other.sum);
    }
}

/// Blocks of one channel, in order of time without holes between indices.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Blocks {
    period: i64,
    /// A block is `period << shift` wide.
    shift: u32,
    /// Index of the first block.
    first: i64,
    row: Vec<Block>,
    /// Where the last block ends, µs.
    end: i64,
}

impl Blocks {
    pub(crate) const fn new(period: Period) -> Self {
        Self {
            period: period.micros(),
            shift: 0,
            first: 0,
            row: Vec::new(),
            end: i64::MIN,
        }
    }

    /// Takes a value that is not earlier than the one before.
    pub(crate) fn push(&mut self, at: Stamp, value: f64) {
        if at.micros() >= self.end {
            self.reach(at);
        }
        if let Some(block) = self.row.last_mut() {
            block.count += 1;
            block.sum.add(value);
        }
    }

    /// Joins what comes later.
    pub(crate) fn join(&mut self, mut later: Self) {
        if later.row.is_empty() {
            return;
        }
        if self.row.is_empty() {
            *self = later;
            return;
        }
        self.coarsen(later.shift);
        later.coarsen(self.shift);
        while later.last() - self.first >= BLOCKS_MAX {
            self.coarsen(self.shift + 1);
            later.coarsen(self.shift);
        }
        self.extend(later.last());
        for (index, block) in (later.first..).zip(&later.row) {
            self.row[place(index, self.first)].join(*block);
        }
    }

    /// The variance of `mean`, the mean of all values; `None` where there are too few blocks.
    pub(crate) fn variance_of_mean(&self, mean: f64) -> Option<f64> {
        let present = self.row.iter().filter(|block| block.count > 0).count();
        if present < BLOCKS_MIN {
            return None;
        }
        let n = float::len(present);
        let total: u64 = self.row.iter().map(|block| block.count).sum();
        let usual = float::count(total) / n;
        // A block's share of the error of the mean; an absent block has none.
        let shares: Vec<f64> = self
            .row
            .iter()
            .map(|block| (block.sum.value() - float::count(block.count) * mean) / usual)
            .collect();
        let (sum, lags) = monotone_sequence(|lag| autocovariance(&shares, lag) / n, shares.len());
        Some(sum / n * (1.0 + float::len(2 * lags + 1) / n))
    }

    fn reach(&mut self, at: Stamp) {
        if self.row.is_empty() {
            self.first = self.index(at);
        }
        while self.index(at) - self.first >= BLOCKS_MAX {
            self.coarsen(self.shift + 1);
        }
        self.extend(self.index(at));
    }

    fn index(&self, at: Stamp) -> i64 {
        at.micros().div_euclid(self.period << self.shift)
    }

    fn last(&self) -> i64 {
        self.first + i64::try_from(self.row.len()).unwrap_or(i64::MAX) - 1
    }

    fn extend(&mut self, last: i64) {
        self.row
            .resize(place(last, self.first) + 1, Block::default());
        self.end = (last + 1) * (self.period << self.shift);
    }

    fn coarsen(&mut self, shift: u32) {
        let steps = shift.saturating_sub(self.shift);
        if steps == 0 {
            return;
        }
        let first = self.first >> steps;
        let mut wider = vec![Block::default(); place(self.last() >> steps, first) + 1];
        for (index, block) in (self.first..).zip(&self.row) {
            wider[place(index >> steps, first)].join(*block);
        }
        self.shift = shift;
        self.first = first;
        self.row = wider;
        self.extend(self.last());
    }
}

/// Where the block `index` lies behind `first`, which is not later.
fn place(index: i64, first: i64) -> usize {
    usize::try_from(index - first).expect("blocks come in order of time")
}

/// Σ d_i d_{i+lag}.
fn autocovariance(shares: &[f64], lag: usize) -> f64 {
    shares.iter().zip(&shares[lag..]).map(|(a, b)| a * b).sum()
}

/// γ₀ + 2·Σγ_k over the initial monotone sequence of positive pairs, and the last lag in it.
fn monotone_sequence(covariance: impl Fn(usize) -> f64, lags: usize) -> (f64, usize) {
    let mut sum = -covariance(0);
    let mut before = f64::INFINITY;
    let mut last = 0;
    for lag in (0..lags.saturating_sub(1)).step_by(2) {
        let pair = (covariance(lag) + covariance(lag + 1)).min(before);
        if pair <= 0.0 {
            break;
        }
        sum += 2.0 * pair;
        before = pair;
        last = lag + 1;
    }
    (sum.max(0.0), last)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn blocks(seconds: impl IntoIterator<Item = i64>) -> Blocks {
        let mut blocks = Blocks::new(Period::SECOND);
        for at in seconds {
            blocks.push(Stamp::from_millis(at * 1000), 1.0);
        }
        blocks
    }

    #[test]
    fn two_and_two_become_one() {
        let all = blocks(0..3000);
        assert_eq!(all.shift, 2);
        assert_eq!(all.row.len(), 750);
        assert!(all.row.iter().all(|block| block.count == 4));
    }

    #[test]
    fn a_year_of_silence_does_not_grow_memory() {
        let all = blocks([0, 1, 31_536_000]);
        assert!(all.row.len() <= 1024);
        let counts: u64 = all.row.iter().map(|block| block.count).sum();
        assert_eq!(counts, 3);
    }

    proptest! {
        #[test]
        fn parts_join_without_a_trace(
            steps in prop::collection::vec(0i64..40, 1..400),
            start in -5000i64..5000,
            cut in 0usize..400,
        ) {
            let seconds: Vec<i64> = steps.iter().scan(start, |at, step| { *at += step; Some(*at) }).collect();
            let cut = cut.min(seconds.len());
            let mut joined = blocks(seconds[..cut].iter().copied());
            joined.join(blocks(seconds[cut..].iter().copied()));
            prop_assert_eq!(joined, blocks(seconds));
        }
    }
}
