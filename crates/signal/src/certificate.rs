//! Certificates: what a calibration laboratory found, and how later readings are put right by it.
//!
//! A point says: where the reference stood at *reference*, the instrument read *reading*. Correcting
//! goes the other way, from a reading to the reference: by a monotone curve through the points, or
//! by a straight line through all of them, whose scatter then counts as uncertainty. Outside the
//! certified points a reading is corrected as at the nearest end and flagged `uncalibrated`.

use jiff::civil::Date;
use zonda_model::written::{BadWriting, Span};
use zonda_model::{Quality, Quantity, Unit};

use crate::curve::{BadCurve, Curve, Interpolation};
use crate::fit::{BadFit, Fit};
use crate::invert::halve;
use crate::table::outside;

/// One point of a certificate, in the unit of its range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// What the reference stood at.
    pub reference: f64,
    /// What the instrument read.
    pub reading: f64,
    /// Expanded uncertainty U of the comparison.
    pub uncertainty: f64,
    /// The coverage factor k that U was expanded with.
    pub k: f64,
}

/// Why a certificate is refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadCertificate {
    /// Nothing to name it by.
    #[error("the certificate's number is missing")]
    NumberMissing,
    /// Due before it was made.
    #[error("the certificate is due on {due}, before its date {date}")]
    DueBeforeDate {
        /// When it was made.
        date: Date,
        /// When it is due.
        due: Date,
    },
    /// A range of another quantity.
    #[error(transparent)]
    Range(#[from] BadWriting),
    /// A range written from high to low, or empty.
    #[error("write the certificate's range from low to high, not from {from} to {to} {unit}", from = .0.from, to = .0.to, unit = .0.unit)]
    RangeReversed(Span),
    /// Points that do not order the readings.
    #[error("the points, by ascending reading: {0}")]
    NotMonotone(#[from] BadCurve),
    /// Readings that fall while the reference rises.
    #[error("the reading falls while the reference rises: are the columns exchanged with a sign?")]
    Falling,
    /// A point outside the instrument's range.
    #[error("point {point}: {value} {unit} is outside the range {from} to {to} {unit}", from = .range.from, to = .range.to, unit = .range.unit)]
    PointOutside {
        /// Which point, counted from 1 in the order given.
        point: usize,
        /// Its reference.
        value: f64,
        /// The range.
        range: Span,
    },
    /// An uncertainty that is not positive.
    #[error("point {point}: an uncertainty must be positive, not {value}")]
    Uncertainty {
        /// Which point, counted from 1.
        point: usize,
        /// What was given.
        value: f64,
    },
    /// A coverage factor that expands nothing.
    #[error(
        "point {point}: a coverage factor lies between 1 and 10, not at {value}; it is 2 as a rule"
    )]
    Coverage {
        /// Which point, counted from 1.
        point: usize,
        /// What was given.
        value: f64,
    },
    /// No line through the points.
    #[error(transparent)]
    Line(#[from] BadFit),
}

/// What stands on a certificate besides its points.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heading {
    /// The certificate's number at the laboratory.
    pub number: String,
    /// The laboratory: its name or accreditation number; may be empty.
    pub laboratory: String,
    /// When the comparison was made.
    pub date: Date,
    /// Until when it may be relied upon, that day included.
    pub due: Date,
}

/// How readings are put right.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Method {
    /// By a monotone curve through the points.
    #[default]
    Interpolation,
    /// By the straight line of least squares through the points.
    LeastSquares,
}

impl Method {
    /// The words for a person.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Interpolation => "interpolation",
            Self::LeastSquares => "least squares",
        }
    }
}

/// A certificate, checked, and the correction that follows from it.
#[derive(Clone, Debug, PartialEq)]
pub struct Certificate {
    heading: Heading,
    quantity: Quantity,
    range: Span,
    /// In the order given.
    points: Vec<Point>,
    method: Method,
    correction: Correction,
}

#[derive(Clone, Debug, PartialEq)]
struct Correction {
    /// From reading to reference, in the unit of the range.
    curve: Curve,
    /// The line, where it is corrected by.
    line: Option<Fit>,
    /// Standard uncertainties u = U/k, by ascending reading like the curve's points.
    uncertainties: Vec<f64>,
}

/// A reading put right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CorrectedReading {
    /// The value, SI.
    pub value: f64,
    /// Its standard uncertainty (k = 1) from the certificate, SI: the larger of the two neighbouring
    /// points', with the scatter about the line where it was corrected by one.
    pub uncertainty: f64,
    /// [`Quality::UNCALIBRATED`] outside the certified points.
    pub quality: Quality,
}

impl Certificate {
    /// A certificate of an instrument of this quantity and range; the points are in the range's unit.
    ///
    /// # Errors
    /// [`BadCertificate`]: what is wrong, with the point.
    pub fn new(
        heading: Heading,
        quantity: Quantity,
        range: Span,
        points: Vec<Point>,
        method: Method,
    ) -> Result<Self, BadCertificate> {
        if heading.number.trim().is_empty() {
            return Err(BadCertificate::NumberMissing);
        }
        let Heading { date, due, .. } = heading;
        if due < date {
            return Err(BadCertificate::DueBeforeDate { date, due });
        }
        let (low, high) = range.si(quantity)?;
        if !(high - low).is_normal() || high < low {
            return Err(BadCertificate::RangeReversed(range));
        }
        for (number, point) in (1..).zip(&points) {
            point.check(number, range)?;
        }
        let correction = Correction::new(&points, method)?;
        Ok(Self {
            heading,
            quantity,
            range,
            points,
            method,
            correction,
        })
    }

    /// What stands on it besides its points.
    pub const fn heading(&self) -> &Heading {
        &self.heading
    }

    /// What was calibrated.
    pub const fn quantity(&self) -> Quantity {
        self.quantity
    }

    /// The instrument's range; its unit is that of the points.
    pub const fn range(&self) -> Span {
        self.range
    }

    /// The points in the order given.
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// How readings are put right.
    pub const fn method(&self) -> Method {
        self.method
    }

    /// The unit of the points.
    pub const fn unit(&self) -> Unit {
        self.range.unit
    }

    /// [`Quality::CALIBRATION_OVERDUE`] after the due date, [`Quality::UNCALIBRATED`] before the date.
    pub fn standing(&self, today: Date) -> Quality {
        if today > self.heading.due {
            Quality::CALIBRATION_OVERDUE
        } else if today < self.heading.date {
            Quality::UNCALIBRATED
        } else {
            Quality::empty()
        }
    }

    /// The reading behind a value that was put right, and by how much the value moves with the reading; in the unit of the points.
    pub(crate) fn reading_behind(&self, value: f64) -> (f64, f64) {
        self.correction.back(value)
    }

    /// Puts a reading (SI) right.
    pub fn correct(&self, reading: f64) -> CorrectedReading {
        let unit = self.range.unit;
        let (value, uncertainty, quality) = self.correction.apply(unit.from_si(reading));
        CorrectedReading {
            value: unit.to_si(value),
            uncertainty: unit.difference_to_si(uncertainty),
            quality,
        }
    }
}

impl Point {
    fn check(&self, point: usize, range: Span) -> Result<(), BadCertificate> {
        let value = self.reference;
        if !(range.from..=range.to).contains(&value) {
            return Err(BadCertificate::PointOutside {
                point,
                value,
                range,
            });
        }
        if !(self.uncertainty.is_finite() && self.uncertainty > 0.0) {
            let value = self.uncertainty;
            return Err(BadCertificate::Uncertainty { point, value });
        }
        if !(1.0..=10.0).contains(&self.k) {
            let value = self.k;
            return Err(BadCertificate::Coverage { point, value });
        }
        Ok(())
    }
}

impl Correction {
    fn new(points: &[Point], method: Method) -> Result<Self, BadCertificate> {
        let mut sorted = points.to_vec();
        sorted.sort_by(|a, b| a.reading.total_cmp(&b.reading));
        let by_reading = sorted.iter().map(|p| (p.reading, p.reference)).collect();
        let curve = Curve::new(by_reading, Interpolation::Cubic)?;
        let (first, last) = (sorted[0], sorted[sorted.len() - 1]);
        if last.reference < first.reference {
            return Err(BadCertificate::Falling);
        }
        let line = match method {
            Method::Interpolation => None,
            Method::LeastSquares => {
                let by_reference: Vec<_> =
                    sorted.iter().map(|p| (p.reference, p.reading)).collect();
                Some(Fit::new(&by_reference)?)
            }
        };
        Ok(Self {
            curve,
            line,
            uncertainties: sorted.iter().map(|p| p.uncertainty / p.k).collect(),
        })
    }

    /// Value, standard uncertainty and flags, in the unit of the points.
    fn apply(&self, reading: f64) -> (f64, f64, Quality) {
        let (low, high) = self.curve.domain();
        let inside = reading.clamp(low, high);
        let beyond = reading - inside;
        let quality = if outside(reading, (low, high)).is_empty() {
            Quality::empty()
        } else {
            Quality::UNCALIBRATED
        };
        let certified = self.uncertainty_at(inside);
        // beyond the points the correction stays what it is at the end
        match &self.line {
            Some(line) => {
                let corrected = line.correct(inside);
                let uncertainty = certified.hypot(corrected.uncertainty);
                (corrected.value + beyond, uncertainty, quality)
            }
            None => (self.curve.at(inside) + beyond, certified, quality),
        }
    }

    /// The reading behind a value, and the slope there; beyond the points the slope is 1.
    fn back(&self, value: f64) -> (f64, f64) {
        let (low, high) = self.curve.domain();
        let (at_low, at_high) = (self.apply(low).0, self.apply(high).0);
        if value < at_low {
            return (low + (value - at_low), 1.0);
        }
        if value > at_high {
            return (high + (value - at_high), 1.0);
        }
        if let Some(line) = &self.line {
            let reading = halve(|reading| self.apply(reading).0, (low, high), value);
            return (reading, 1.0 / line.line().slope());
        }
        let reading = self.curve.back(value);
        (reading, self.curve.slope(reading))
    }

    fn uncertainty_at(&self, reading: f64) -> f64 {
        let right = self
            .curve
            .points()
            .partition_point(|point| point.0 < reading);
        let last = self.uncertainties.len() - 1;
        let (left, right) = (right.saturating_sub(1).min(last), right.min(last));
        self.uncertainties[left].max(self.uncertainties[right])
    }
}
