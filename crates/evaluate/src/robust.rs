//! Statements that a few wild readings cannot upset: median, median absolute deviation, trimmed mean.
//!
//! They need all values at once (8 bytes each), unlike everything in [`crate::mean`]. A result that
//! differs much from the plain mean says that there were outliers, not that they may be dropped.

use crate::float;
use crate::moments::Moments;

/// σ = 1.4826·MAD for normal values: 1/Φ⁻¹(3/4).
pub const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// Values in ascending order; at least one, all finite.
#[derive(Clone, Debug, PartialEq)]
pub struct Ordered(Vec<f64>);

/// Values that have no order, or none at all.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum OrderedError {
    /// No values.
    #[error("there are no values; a median needs at least one")]
    Empty,
    /// NaN or infinite.
    #[error("{0} has no place in an order; leave out what is not a number")]
    NotFinite(f64),
    /// A share to trim that leaves nothing.
    #[error(
        "{0} cannot be trimmed from each end: the share is 0 or more and below 0.5, such as 0.1"
    )]
    Trim(f64),
}

impl Ordered {
    /// Sorts the values.
    ///
    /// # Errors
    /// [`OrderedError::Empty`], [`OrderedError::NotFinite`].
    pub fn new(mut values: Vec<f64>) -> Result<Self, OrderedError> {
        if let Some(value) = values.iter().find(|value| !value.is_finite()) {
            return Err(OrderedError::NotFinite(*value));
        }
        if values.is_empty() {
            return Err(OrderedError::Empty);
        }
        values.sort_unstable_by(f64::total_cmp);
        Ok(Self(values))
    }

    /// The values.
    pub fn values(&self) -> &[f64] {
        &self.0
    }

    /// The middle value, or the mean of the two in the middle. Up to half of the values may be wild.
    pub fn median(&self) -> f64 {
        middle(&self.0)
    }

    /// MAD = median of |x − median|, unscaled; [`SIGMA_PER_MAD`] times this estimates σ.
    ///
    /// Hampel, *The influence curve and its role in robust estimation*, J. Amer. Statist. Assoc. 69 (1974).
    pub fn median_absolute_deviation(&self) -> f64 {
        let median = self.median();
        let mut deviations: Vec<f64> = self.0.iter().map(|x| (x - median).abs()).collect();
        deviations.sort_unstable_by(f64::total_cmp);
        middle(&deviations)
    }

    /// The mean without the ⌊share·n⌋ smallest and as many largest values.
    ///
    /// # Errors
    /// [`OrderedError::Trim`] for a share outside [0, 0.5).
    pub fn trimmed_mean(&self, share: f64) -> Result<f64, OrderedError> {
        if !(0.0..0.5).contains(&share) {
            return Err(OrderedError::Trim(share));
        }
        let cut = whole(share * float::len(self.0.len()));
        let kept: Moments = self.0[cut..self.0.len() - cut].iter().copied().collect();
        kept.mean().ok_or(OrderedError::Empty)
    }
}

fn middle(ordered: &[f64]) -> f64 {
    let half = ordered.len() / 2;
    if ordered.len().is_multiple_of(2) {
        f64::midpoint(ordered[half - 1], ordered[half])
    } else {
        ordered[half]
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a share of a length is not negative and fits"
)]
fn whole(x: f64) -> usize {
    x as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_reading_in_ten_changes_little() {
        let mut values: Vec<f64> = (0..10).map(|k| 200.0 + 0.1 * f64::from(k)).collect();
        values[3] = 850.0;
        let ordered = Ordered::new(values).unwrap();
        assert!((ordered.median() - 200.55).abs() < 1e-9);
        assert!((ordered.trimmed_mean(0.1).unwrap() - 200.525).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_ordered_is_refused() {
        assert_eq!(Ordered::new(vec![]), Err(OrderedError::Empty));
        assert!(Ordered::new(vec![1.0, f64::NAN]).is_err());
        let one = Ordered::new(vec![1.0]).unwrap();
        assert_eq!(one.trimmed_mean(0.5), Err(OrderedError::Trim(0.5)));
        assert_eq!(one.trimmed_mean(0.49), Ok(1.0));
    }
}
