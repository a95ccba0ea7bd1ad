//! The mean of one channel over a stretch of time, with everything that a reader needs to believe it.
//!
//! One pass, constant memory (some 30 KiB a channel). Parts can be joined: a night read in pages gives what
//! the night read in one go gives.
//!
//! It leaves repeated windows to [`crate::windows`], moving means to [`crate::moving`], medians to
//! [`crate::robust`].

use std::time::Duration;

use zonda_model::{Period, Stamp};

use crate::blocks::Blocks;
use crate::coverage::{CoverageMin, Covered};
use crate::effective::{StandardError, clamped};
use crate::float;
use crate::moments::Moments;
use crate::reading::{Reading, Sieve, Tally};
use crate::stretch::Stretch;
use crate::sum::Sum;

/// How a mean is to be taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeanRule {
    /// How often the channel is sampled.
    pub period: Period,
    /// Which readings are used.
    pub sieve: Sieve,
    /// The share of the stretch that samples must speak for.
    pub coverage_min: CoverageMin,
}

impl MeanRule {
    /// Good readings only, nine tenths of the stretch covered.
    pub const fn every(period: Period) -> Self {
        Self {
            period,
            sieve: Sieve::GOOD,
            coverage_min: CoverageMin::DEFAULT,
        }
    }
}

/// A value and when it was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extreme {
    /// The value.
    pub value: f64,
    /// When; the first time where it came more than once.
    pub at: Stamp,
}

/// The mean of a stretch. Values are in the SI unit of the channel's quantity; the standard deviation of a temperature
/// is in K.
#[derive(Clone, Debug, PartialEq)]
pub struct Mean {
    /// The stretch it speaks for.
    pub stretch: Stretch,
    /// Σx / n over the readings used.
    pub mean: f64,
    /// s = √(Σ(x − x̄)²/(n − 1)); `None` with one reading.
    pub sd: Option<f64>,
    /// The standard uncertainty of the mean from scatter alone, correlation accounted for; `None` where fewer than 8
    /// readings or times cannot tell how correlated they are.
    pub standard_error: Option<StandardError>,
    /// r₁ = Σ d_k d_{k−1} / Σ d_k², d = x − x̄, over neighbours without a gap between; `None` without scatter.
    pub lag_one: Option<f64>,
    /// The smallest reading.
    pub min: Extreme,
    /// The largest reading.
    pub max: Extreme,
    /// The share of the stretch that readings speak for, 0 to 1.
    pub coverage: f64,
    /// The longest time without a used reading, the stretch's ends included.
    pub longest_gap: Duration,
    /// Readings used and left out.
    pub tally: Tally,
}

/// Why a stretch has no mean.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error(
    "good readings cover {:.1} % of the stretch {stretch}, and at least {:.1} % are asked for ({tally}); choose another stretch, or ask for less and say so",
    coverage * 100.0, coverage_min.share() * 100.0
)]
pub struct TooLittle {
    /// The stretch.
    pub stretch: Stretch,
    /// The share that readings speak for, 0 to 1.
    pub coverage: f64,
    /// The share asked for.
    pub coverage_min: CoverageMin,
    /// Readings used and left out.
    pub tally: Box<Tally>,
}

/// A reading that cannot be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PushError {
    /// Earlier than the one before.
    #[error("a reading at {at} came after one at {last}; sort the readings by time")]
    OutOfOrder {
        /// When it was.
        at: Stamp,
        /// When the one before was.
        last: Stamp,
    },
    /// Not in the stretch.
    #[error("a reading at {at} is outside the stretch {stretch}; read that stretch only")]
    Outside {
        /// When it was.
        at: Stamp,
        /// The stretch.
        stretch: Stretch,
    },
}

/// Two parts that do not make one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JoinError {
    /// The second does not begin where the first ends.
    #[error("a stretch from {next} cannot be joined to one that ends at {end}")]
    Apart {
        /// The end of the first.
        end: Stamp,
        /// The beginning of the second.
        next: Stamp,
    },
    /// They were taken by different rules.
    #[error("parts taken by different rules (period, flags, coverage) cannot be joined")]
    OtherRule,
}

/// Takes the readings of a stretch one by one and says their mean.
#[derive(Clone, Debug)]
pub struct Averaging {
    rule: MeanRule,
    stretch: Stretch,
    seen: Option<Stamp>,
    tally: Tally,
    covered: Covered,
    moments: Moments,
    neighbours: Neighbours,
    extremes: Option<(Extreme, Extreme)>,
    blocks: Blocks,
}

impl Averaging {
    /// Over `stretch`, by `rule`.
    pub const fn new(stretch: Stretch, rule: MeanRule) -> Self {
        Self {
            rule,
            stretch,
            seen: None,
            tally: Tally::EMPTY,
            covered: Covered::new(rule.period),
            moments: Moments::EMPTY,
            neighbours: Neighbours::EMPTY,
            extremes: None,
            blocks: Blocks::new(rule.period),
        }
    }

    /// The stretch.
    pub const fn stretch(&self) -> Stretch {
        self.stretch
    }

    /// Takes one reading; flagged ones are counted and left out as the rule says.
    ///
    /// # Errors
    /// [`PushError`] for a reading outside the stretch or earlier than the one before; it is not taken.
    pub fn push(&mut self, reading: &Reading) -> Result<(), PushError> {
        self.check(reading.at)?;
        self.admit(reading);
        Ok(())
    }

    /// Whether a reading at that time may be taken.
    pub(crate) fn check(&self, at: Stamp) -> Result<(), PushError> {
        if !self.stretch.contains(at) {
            let stretch = self.stretch;
            return Err(PushError::Outside { at, stretch });
        }
        match self.seen.filter(|last| at < *last) {
            Some(last) => Err(PushError::OutOfOrder { at, last }),
            None => Ok(()),
        }
    }

    /// Takes a reading that was checked; its value, where it is used.
    pub(crate) fn admit(&mut self, reading: &Reading) -> Option<f64> {
        self.seen = Some(reading.at);
        let value = self.rule.sieve.admit(reading, &mut self.tally)?;
        self.take(reading.at, value);
        Some(value)
    }

    fn take(&mut self, at: Stamp, value: f64) {
        let follows = self.covered.push(at);
        self.neighbours.push(value, follows);
        self.moments.push(value);
        self.blocks.push(at, value);
        let here = Extreme { value, at };
        let (min, max) = self.extremes.get_or_insert((here, here));
        if value < min.value {
            *min = here;
        }
        if value > max.value {
            *max = here;
        }
    }

    /// Joins the part that begins where this one ends.
    ///
    /// # Errors
    /// [`JoinError`] where the parts do not touch in this order or were taken by different rules; nothing is joined.
    pub fn join(&mut self, later: Self) -> Result<(), JoinError> {
        if self.rule != later.rule {
            return Err(JoinError::OtherRule);
        }
        let apart = JoinError::Apart {
            end: self.stretch.to(),
            next: later.stretch.from(),
        };
        if self.stretch.to() != later.stretch.from() {
            return Err(apart);
        }
        self.stretch = Stretch::new(self.stretch.from(), later.stretch.to()).map_err(|_| apart)?;
        self.seen = later.seen.or(self.seen);
        self.tally.join(&later.tally);
        let follows = self.covered.join(&later.covered);
        self.neighbours.join(&later.neighbours, follows);
        self.moments.join(&later.moments);
        self.extremes = join_extremes(self.extremes, later.extremes);
        self.blocks.join(later.blocks);
        Ok(())
    }

    /// The mean of what was taken.
    ///
    /// # Errors
    /// [`TooLittle`] where the readings cover less of the stretch than the rule asks for.
    pub fn finish(&self) -> Result<Mean, TooLittle> {
        let coverage = self.covered.share(self.stretch);
        let enough = coverage >= self.rule.coverage_min.share();
        let (Some(mean), Some((min, max)), true) = (self.moments.mean(), self.extremes, enough)
        else {
            return Err(TooLittle {
                stretch: self.stretch,
                coverage,
                coverage_min: self.rule.coverage_min,
                tally: Box::new(self.tally),
            });
        };
        Ok(Mean {
            stretch: self.stretch,
            mean,
            sd: self.moments.sd(),
            standard_error: self.standard_error(mean),
            lag_one: self.neighbours.correlation(&self.moments, mean),
            min,
            max,
            coverage,
            longest_gap: self.covered.longest_gap(self.stretch),
            tally: self.tally,
        })
    }

    /// n_eff = s²/u², never more than n and never less than 1.
    fn standard_error(&self, mean: f64) -> Option<StandardError> {
        let variance = self.moments.variance()?;
        let of_mean = self.blocks.variance_of_mean(mean)?;
        let n = self.moments.count();
        let n_eff = if of_mean > 0.0 {
            variance / of_mean
        } else {
            float::count(n)
        };
        let n_eff = clamped(n_eff, n);
        Some(StandardError {
            u: (variance / n_eff).sqrt(),
            n_eff,
        })
    }
}

fn join_extremes(
    earlier: Option<(Extreme, Extreme)>,
    later: Option<(Extreme, Extreme)>,
) -> Option<(Extreme, Extreme)> {
    let (Some((min, max)), Some((later_min, later_max))) = (earlier, later) else {
        return earlier.or(later);
    };
    let min = if later_min.value < min.value {
        later_min
    } else {
        min
    };
    let max = if later_max.value > max.value {
        later_max
    } else {
        max
    };
    Some((min, max))
}

/// Sums over pairs of readings that follow each other without a gap.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Neighbours {
    pairs: u64,
    products: Sum,
    both: Sum,
    ends: Option<(f64, f64)>,
}

impl Neighbours {
    const EMPTY: Self = Self {
        pairs: 0,
        products: Sum::ZERO,
        both: Sum::ZERO,
        ends: None,
    };

    fn push(&mut self, value: f64, follows: bool) {
        if let Some((_, last)) = self.ends.filter(|_| follows) {
            self.pair(last, value);
        }
        let first = self.ends.map_or(value, |(first, _)| first);
        self.ends = Some((first, value));
    }

    fn join(&mut self, later: &Self, follows: bool) {
        let (Some((first, last)), Some((next, end))) = (self.ends, later.ends) else {
            if self.ends.is_none() {
                *self = *later;
            }
            return;
        };
        if follows {
            self.pair(last, next);
        }
        self.pairs += later.pairs;
        self.products.join(later.products);
        self.both.join(later.both);
        self.ends = Some((first, end));
    }

    fn pair(&mut self, one: f64, two: f64) {
        self.pairs += 1;
        self.products.add_product(one, two);
        self.both.add(one);
        self.both.add(two);
    }

    /// r₁; where gaps leave fewer than n − 1 pairs, their sum is scaled up to as many.
    fn correlation(&self, moments: &Moments, mean: f64) -> Option<f64> {
        let deviations = moments.deviations();
        if self.pairs == 0 || deviations <= 0.0 {
            return None;
        }
        let pairs = float::count(self.pairs);
        let sum = self.products.centred(self.both, pairs, mean);
        Some(sum / deviations * float::count(moments.count() - 1) / pairs)
    }
}
