//! A setpoint and how far from it is still good.

use std::fmt;

/// A setpoint with what is allowed below and above it; in the SI unit of the quantity (°C and K for temperatures).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    setpoint: f64,
    below: f64,
    above: f64,
}

/// A band that holds nothing, or anything.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error(
    "a setpoint of {setpoint} with {below} below and {above} above is no band: the setpoint is a finite number, what is allowed below and above it 0 or more, and not both 0"
)]
pub struct BadBand {
    /// The setpoint.
    pub setpoint: f64,
    /// What was to be allowed below.
    pub below: f64,
    /// What was to be allowed above.
    pub above: f64,
}

impl Band {
    /// `setpoint` ± `tolerance`.
    ///
    /// # Errors
    /// [`BadBand`] for a setpoint that is not finite, or a tolerance that is not finite and above 0.
    pub fn around(setpoint: f64, tolerance: f64) -> Result<Self, BadBand> {
        Self::new(setpoint, tolerance, tolerance)
    }

    /// From `setpoint` − `below` to `setpoint` + `above`, both included.
    ///
    /// # Errors
    /// [`BadBand`] where a number is not finite, `below` or `above` negative, or both 0.
    pub fn new(setpoint: f64, below: f64, above: f64) -> Result<Self, BadBand> {
        let is_width = |width: f64| width.is_finite() && width >= 0.0;
        if setpoint.is_finite() && is_width(below) && is_width(above) && below + above > 0.0 {
            Ok(Self {
                setpoint,
                below,
                above,
            })
        } else {
            Err(BadBand {
                setpoint,
                below,
                above,
            })
        }
    }

    /// The setpoint.
    pub const fn setpoint(self) -> f64 {
        self.setpoint
    }

    /// The lowest value that is good.
    pub fn low(self) -> f64 {
        self.setpoint - self.below
    }

    /// The highest value that is good.
    pub fn high(self) -> f64 {
        self.setpoint + self.above
    }

    /// True for a value in the band, its ends included.
    pub fn contains(self, value: f64) -> bool {
        self.low() <= value && value <= self.high()
    }
}

impl fmt::Display for Band {
    /// `180 -3/+3`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} -{}/+{}", self.setpoint, self.below, self.above)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ends_are_inside() {
        let band = Band::new(180.0, 2.0, 3.0).unwrap();
        assert!(band.contains(178.0) && band.contains(183.0));
        assert!(!band.contains(177.9) && !band.contains(183.1) && !band.contains(f64::NAN));
    }

    #[test]
    fn a_band_of_nothing_is_refused_with_a_sentence() {
        assert!(Band::around(f64::INFINITY, 1.0).is_err());
        assert_eq!(
            Band::around(180.0, -3.0).unwrap_err().to_string(),
            "a setpoint of 180 with -3 below and -3 above is no band: the setpoint is a finite number, what is allowed below and above it 0 or more, and not both 0"
        );
    }
}
