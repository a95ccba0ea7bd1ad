//! What goes into an evaluation: readings, which of them are used, and an account of the others.
//!
//! A [`Sieve`] says which flags a reading may carry and still be used; the default lets only good
//! readings through. A [`Tally`] counts what was used and what was left out, by reason, and travels with
//! the result: a number without it hides what it is made of.

use std::fmt;

use zonda_model::{Quality, Sample, Stamp};

/// A reading of one channel: value in the SI unit of its quantity, or none, with its quality and time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When, on the record's axis.
    pub at: Stamp,
    /// The value in the SI unit of the channel's quantity.
    pub value: Option<f64>,
    /// What the value is worth.
    pub quality: Quality,
}

impl Reading {
    /// A reading against which nothing speaks.
    pub const fn good(at: Stamp, value: f64) -> Self {
        Self {
            at,
            value: Some(value),
            quality: Quality::empty(),
        }
    }
}

impl<C> From<&Sample<C>> for Reading {
    fn from(sample: &Sample<C>) -> Self {
        Self {
            at: sample.at,
            value: sample.value,
            quality: sample.quality,
        }
    }
}

/// Which readings an evaluation uses.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Sieve {
    allowed: Quality,
}

impl Sieve {
    /// Good readings only (`Quality::is_good`).
    pub const GOOD: Self = Self {
        allowed: Quality::empty(),
    };

    /// Good readings, and those whose only flags are among `allowed`.
    ///
    /// Readings below a probe's threshold are censored, not small; letting them through makes means
    /// too high or too low. They are better left out and told by the tally.
    pub const fn allowing(allowed: Quality) -> Self {
        Self { allowed }
    }

    /// The flags that do not keep a reading out.
    pub const fn allowed(self) -> Quality {
        self.allowed
    }

    /// The value where the reading is used; otherwise `None`. Either way it is counted in `tally`.
    pub fn admit(self, reading: &Reading, tally: &mut Tally) -> Option<f64> {
        let objections = reading.quality.difference(self.allowed);
        match reading.value.filter(|value| is_number(*value)) {
            Some(value) if objections.is_good() => {
                tally.used += 1;
                Some(value)
            }
            Some(_) => {
                tally.leave_out(objections);
                None
            }
            None => {
                tally.leave_out(objections.union(Quality::NO_NUMBER));
                None
            }
        }
    }
}

/// Larger than any quantity of this trade in SI, and small enough that sums of squares stay finite.
const MAGNITUDE_MAX: f64 = 1e100;

fn is_number(value: f64) -> bool {
    value.abs() <= MAGNITUDE_MAX
}

const FLAGS: usize = 32;

/// How many readings were used and how many were left out, and why.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    used: u64,
    left_out: u64,
    by_flag: [u64; FLAGS],
}

impl Tally {
    pub(crate) const EMPTY: Self = Self {
        used: 0,
        left_out: 0,
        by_flag: [0; FLAGS],
    };

    /// Readings that were used.
    pub const fn used(&self) -> u64 {
        self.used
    }

    /// Readings that were left out.
    pub const fn left_out(&self) -> u64 {
        self.left_out
    }

    /// Readings that carried `flag` (one flag) and were left out. One reading counts under each flag that
    /// speaks against it, so these need not add up to [`Tally::left_out`].
    pub fn left_out_for(&self, flag: Quality) -> u64 {
        self.reasons()
            .find(|(reason, _)| *reason == flag)
            .map_or(0, |(_, count)| count)
    }

    /// The flags for which readings were left out, with their counts, in the order of their bits.
    pub fn reasons(&self) -> impl Iterator<Item = (Quality, u64)> {
        self.by_flag
            .iter()
            .enumerate()
            .filter(|(_, count)| **count > 0)
            .map(|(bit, count)| (Quality::from_bits_retain(1 << bit), *count))
    }

    /// Adds the account of another part.
    pub fn join(&mut self, other: &Self) {
        self.used += other.used;
        self.left_out += other.left_out;
        for (mine, theirs) in self.by_flag.iter_mut().zip(other.by_flag) {
            *mine += theirs;
        }
    }

    fn leave_out(&mut self, objections: Quality) {
        self.left_out += 1;
        for (bit, count) in self.by_flag.iter_mut().enumerate() {
            let flag = Quality::from_bits_retain(1 << bit);
            if objections.contains(flag) && !flag.is_good() {
                *count += 1;
            }
        }
    }
}

impl fmt::Display for Tally {
    /// `1200 used, 30 left out: below_threshold 28, late 2`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} used, {} left out", self.used, self.left_out)?;
        for (index, (flag, count)) in self.reasons().enumerate() {
            let before = if index == 0 { ":" } else { "," };
            write!(f, "{before} {flag} {count}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(value: Option<f64>, quality: Quality) -> Reading {
        Reading {
            at: Stamp::default(),
            value,
            quality,
        }
    }

    #[test]
    fn flagged_readings_are_left_out_and_counted_by_reason() {
        let mut tally = Tally::default();
        let mut admit = |value, quality| Sieve::GOOD.admit(&reading(value, quality), &mut tally);
        assert_eq!(admit(Some(1.0), Quality::empty()), Some(1.0));
        assert_eq!(admit(Some(2.0), Quality::SIMULATED), Some(2.0));
        assert_eq!(admit(Some(3.0), Quality::BELOW_THRESHOLD), None);
        assert_eq!(admit(Some(4.0), Quality::LATE | Quality::NOISY), None);
        assert_eq!(admit(Some(f64::NAN), Quality::empty()), None);
        assert_eq!(admit(None, Quality::OPEN_LOOP | Quality::SIMULATED), None);
        assert_eq!((tally.used(), tally.left_out()), (2, 4));
        assert_eq!(tally.left_out_for(Quality::BELOW_THRESHOLD), 1);
        assert_eq!(tally.left_out_for(Quality::NO_NUMBER), 2);
        assert_eq!(tally.left_out_for(Quality::STUCK), 0);
        assert_eq!(
            tally.to_string(),
            "2 used, 4 left out: open_loop 1, below_threshold 1, noisy 1, late 1, no_number 2"
        );
    }

    #[test]
    fn a_flag_that_is_allowed_does_not_keep_a_reading_out() {
        let mut tally = Tally::default();
        let sieve = Sieve::allowing(Quality::CALIBRATION_OVERDUE);
        let overdue = reading(Some(1.0), Quality::CALIBRATION_OVERDUE);
        assert_eq!(sieve.admit(&overdue, &mut tally), Some(1.0));
        let worse = reading(Some(1.0), Quality::CALIBRATION_OVERDUE | Quality::HELD);
        assert_eq!(sieve.admit(&worse, &mut tally), None);
        assert_eq!(tally.left_out_for(Quality::CALIBRATION_OVERDUE), 0);
    }
}
