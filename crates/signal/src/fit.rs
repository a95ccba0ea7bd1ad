//! Correcting by a straight line through several points: a certificate whose readings lie along one.
//!
//! Readings y are fitted against reference values x, y = a + b·x, as the reference is the better
//! known of the two; a later reading is corrected by going back along the line
//! (e.g. Draper and Smith, *Applied Regression Analysis*, chapters 1 and 3). The fit itself is
//! [`zonda_uncertainty::Line::ordinary`]. The uncertainty of the reference is not in here: it is a row of
//! its own in a budget.

use zonda_uncertainty::{BadLine, Line};

/// Why no line can be fitted.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadFit {
    /// Too few points, or points that do not spread.
    #[error(transparent)]
    Line(#[from] BadLine),
    /// Readings that do not follow the reference.
    #[error("the readings do not rise or fall with the reference, so no reading can be corrected")]
    Level,
}

/// The line of least squares through (reference, reading) points; it is not level.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    line: Line,
    scatter: f64,
}

/// A reading put right, with the standard uncertainty of one such correction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corrected {
    /// The value on the reference's scale.
    pub value: f64,
    /// Its standard uncertainty from the points' scatter about the line alone.
    pub uncertainty: f64,
}

impl Fit {
    /// The line through points of (reference, reading).
    ///
    /// # Errors
    /// [`BadFit`].
    pub fn new(points: &[(f64, f64)]) -> Result<Self, BadFit> {
        let line = Line::ordinary(points)?;
        let scatter = line.residual_sd().filter(|_| line.slope().is_normal());
        let scatter = scatter.ok_or(BadFit::Level)?;
        Ok(Self { line, scatter })
    }

    /// The line, with all that is known of it.
    pub const fn line(&self) -> &Line {
        &self.line
    }

    /// s: standard deviation of the readings about the line.
    pub const fn scatter(&self) -> f64 {
        self.scatter
    }

    /// One new reading, taken back along the line by [`Line::back`], with the scatter as its own uncertainty.
    #[expect(clippy::missing_panics_doc, reason = "only a bug could make it panic")]
    pub fn correct(&self, reading: f64) -> Corrected {
        let back = self.line.back(reading, self.scatter);
        let known = back.expect("a level line has been refused when it was made");
        Corrected {
            value: known.value,
            uncertainty: known.u,
        }
    }
}
