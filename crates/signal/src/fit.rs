//! Straight lines through several points by least squares: the loop check, and a certificate
//! corrected by a line.
//!
//! Readings y are fitted against reference values x, y = a + b·x, as the reference is the better
//! known of the two; a later reading is corrected by going back along the line
//! (e.g. Draper and Smith, *Applied Regression Analysis*, chapters 1 and 3). The uncertainty of the
//! reference itself is not in here: it is a row of its own in a budget.

/// Why no line can be fitted.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadFit {
    /// Too few points for a scatter.
    #[error(
        "a line and its scatter need at least 3 points, there are {0}; two points can be adjusted to, not checked"
    )]
    TooFew(usize),
    /// All points at one reference value, or not finite.
    #[error("the points do not spread: all stand at one reference value")]
    NoSpread,
    /// Readings that do not follow the reference.
    #[error("the readings do not rise or fall with the reference, so no reading can be corrected")]
    Level,
}

/// The line of least squares through (reference, reading) points.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    points: usize,
    mean: (f64, f64),
    /// Sum of the squared distances of the references from their mean.
    spread: f64,
    slope: f64,
    residuals: Vec<f64>,
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
        if points.len() < 3 {
            return Err(BadFit::TooFew(points.len()));
        }
        let mean = (
            mean(points.iter().map(|point| point.0)),
            mean(points.iter().map(|point| point.1)),
        );
        let from_mean = points.iter().map(|(x, y)| (x - mean.0, y - mean.1));
        let spread: f64 = from_mean.clone().map(|(x, _)| x * x).sum();
        if !spread.is_normal() {
            return Err(BadFit::NoSpread);
        }
        let slope = from_mean.clone().map(|(x, y)| x * y).sum::<f64>() / spread;
        if !slope.is_normal() {
            return Err(BadFit::Level);
        }
        Ok(Self {
            points: points.len(),
            mean,
            spread,
            slope,
            residuals: from_mean.map(|(x, y)| y - slope * x).collect(),
        })
    }

    /// b: by how much the reading rises with the reference.
    pub const fn slope(&self) -> f64 {
        self.slope
    }

    /// a: the reading at a reference of zero.
    pub fn intercept(&self) -> f64 {
        self.mean.1 - self.slope * self.mean.0
    }

    /// Reading minus line, point by point.
    pub fn residuals(&self) -> &[f64] {
        &self.residuals
    }

    /// Points beyond the two that any line meets.
    pub const fn degrees_of_freedom(&self) -> usize {
        self.points - 2
    }

    /// s: standard deviation of the readings about the line.
    pub fn scatter(&self) -> f64 {
        let squares: f64 = self.residuals.iter().map(|r| r * r).sum();
        (squares / count(self.degrees_of_freedom())).sqrt()
    }

    /// Standard uncertainty of the slope.
    pub fn slope_uncertainty(&self) -> f64 {
        self.scatter() / self.spread.sqrt()
    }

    /// Standard uncertainty of the intercept.
    pub fn intercept_uncertainty(&self) -> f64 {
        self.scatter() * (1.0 / count(self.points) + self.mean.0 * self.mean.0 / self.spread).sqrt()
    }

    /// Correlation of intercept and slope.
    pub fn correlation(&self) -> f64 {
        -self.mean.0 / (self.mean.0 * self.mean.0 + self.spread / count(self.points)).sqrt()
    }

    /// One new reading, taken back along the line.
    pub fn correct(&self, reading: f64) -> Corrected {
        let from_mean = (reading - self.mean.1) / self.slope;
        let share = 1.0 + 1.0 / count(self.points) + from_mean * from_mean / self.spread;
        Corrected {
            value: self.mean.0 + from_mean,
            uncertainty: self.scatter() / self.slope.abs() * share.sqrt(),
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "nobody calibrates at 2^53 points"
)]
const fn count(points: usize) -> f64 {
    points as f64
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let points = count(values.len());
    values.sum::<f64>() / points
}
