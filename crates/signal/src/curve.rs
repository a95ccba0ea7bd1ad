//! Curves through points that keep their order: between two points a curve never leaves the band
//! between their values, so what rises in the points rises everywhere.
//!
//! Cubic pieces with slopes limited so that each stays monotone (F. N. Fritsch and R. E. Carlson,
//! *SIAM J. Numer. Anal.* 17 (1980) 238–246), the slopes being the weighted harmonic means of
//! F. N. Fritsch and J. Butland (*SIAM J. Sci. Stat. Comput.* 5 (1984) 300–304). Beyond its ends a
//! curve goes on in a straight line.

use crate::invert::halve;

/// Why points make no curve.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadCurve {
    /// Too few points.
    #[error("a curve needs at least 2 points, there are {0}")]
    TooFew(usize),
    /// A point that is no number.
    #[error("point {0} is not finite")]
    NotFinite(usize),
    /// A point not to the right of the one before it.
    #[error("the points must ascend: point {point} stands at {x}, the one before it at {before}")]
    NotAscending {
        /// Which point, counted from 1.
        point: usize,
        /// Where it stands.
        x: f64,
        /// Where the one before it stands.
        before: f64,
    },
    /// Values that turn around or stand still.
    #[error("the values must all rise or all fall: they turn or stand still at point {0}")]
    NotMonotone(usize),
}

/// How a curve goes between its points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Interpolation {
    /// In straight lines.
    #[default]
    Linear,
    /// In monotone cubic pieces, smooth across the points.
    Cubic,
}

/// A monotone curve through at least two points.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    points: Vec<(f64, f64)>,
    interpolation: Interpolation,
    /// Slope at each point; used by the cubic pieces and beyond the ends.
    slopes: Vec<f64>,
}

impl Curve {
    /// A curve through points of ascending x, whose y all rise or all fall.
    ///
    /// # Errors
    /// [`BadCurve`], with the first offending point.
    pub fn new(points: Vec<(f64, f64)>, interpolation: Interpolation) -> Result<Self, BadCurve> {
        if points.len() < 2 {
            return Err(BadCurve::TooFew(points.len()));
        }
        let is_broken = |(x, y): &(f64, f64)| !(x.is_finite() && y.is_finite());
        if let Some(index) = points.iter().position(is_broken) {
            return Err(BadCurve::NotFinite(index + 1));
        }
        let rises = points[1].1 > points[0].1;
        for (index, pair) in points.windows(2).enumerate() {
            let ((before, low), (x, high)) = (pair[0], pair[1]);
            let point = index + 2;
            if x <= before {
                return Err(BadCurve::NotAscending { point, x, before });
            }
            let is_in_order = if rises { high > low } else { high < low };
            if !is_in_order || !((high - low) / (x - before)).is_normal() {
                return Err(BadCurve::NotMonotone(point));
            }
        }
        let slopes = match interpolation {
            Interpolation::Linear => end_chords(&points),
            Interpolation::Cubic => monotone_slopes(&points),
        };
        Ok(Self {
            points,
            interpolation,
            slopes,
        })
    }

    /// The points.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// How it goes between them.
    pub const fn interpolation(&self) -> Interpolation {
        self.interpolation
    }

    /// The first and the last x.
    pub fn domain(&self) -> (f64, f64) {
        (self.points[0].0, self.points[self.points.len() - 1].0)
    }

    /// The value at `x`; beyond the ends in a straight line with the slope there.
    pub fn at(&self, x: f64) -> f64 {
        let last = self.points.len() - 1;
        let right = self.points.partition_point(|point| point.0 < x);
        if right == 0 || right > last {
            let end = right.min(last);
            let (x_end, y_end) = self.points[end];
            return y_end + self.slopes[end] * (x - x_end);
        }
        self.between(right - 1, x)
    }

    /// The slope at `x`; at a point where straight pieces meet, that of the piece before it.
    pub fn slope(&self, x: f64) -> f64 {
        let last = self.points.len() - 1;
        let right = self.points.partition_point(|point| point.0 < x);
        if right == 0 || right > last {
            return self.slopes[right.min(last)];
        }
        let ((x0, y0), (x1, y1)) = (self.points[right - 1], self.points[right]);
        let (width, rise) = (x1 - x0, y1 - y0);
        let t = (x - x0) / width;
        match self.interpolation {
            Interpolation::Linear => rise / width,
            Interpolation::Cubic => {
                let (d0, d1) = (self.slopes[right - 1] * width, self.slopes[right] * width);
                let by_t = d0
                    + t * (2.0 * (3.0 * rise - 2.0 * d0 - d1) + t * 3.0 * (d0 + d1 - 2.0 * rise));
                by_t / width
            }
        }
    }

    /// The x behind a value `y`. Beyond the ends by the slope there; where that is nought, the end itself.
    pub fn back(&self, y: f64) -> f64 {
        let last = self.points.len() - 1;
        let ((first_x, first_y), (last_x, last_y)) = (self.points[0], self.points[last]);
        let beyond = |end: usize, (x, at): (f64, f64)| {
            let slope = self.slopes[end];
            if slope == 0.0 {
                x
            } else {
                x + (y - at) / slope
            }
        };
        let up = (last_y - first_y).signum();
        if up * y <= up * first_y {
            return beyond(0, self.points[0]);
        }
        if up * y >= up * last_y {
            return beyond(last, self.points[last]);
        }
        halve(|x| self.at(x), (first_x, last_x), y)
    }

    fn between(&self, left: usize, x: f64) -> f64 {
        let ((x0, y0), (x1, y1)) = (self.points[left], self.points[left + 1]);
        let width = x1 - x0;
        let t = (x - x0) / width;
        match self.interpolation {
            Interpolation::Linear => y0 + t * (y1 - y0),
            Interpolation::Cubic => {
                let (d0, d1) = (self.slopes[left] * width, self.slopes[left + 1] * width);
                let rise = y1 - y0;
                // Hermite's cubic by powers of t
                y0 + t * (d0 + t * (3.0 * rise - 2.0 * d0 - d1 + t * (d0 + d1 - 2.0 * rise)))
            }
        }
    }
}

fn chord(points: &[(f64, f64)], left: usize) -> f64 {
    let ((x0, y0), (x1, y1)) = (points[left], points[left + 1]);
    (y1 - y0) / (x1 - x0)
}

/// The first and last chords' slopes at the ends; those in between are not used.
fn end_chords(points: &[(f64, f64)]) -> Vec<f64> {
    let last = points.len() - 1;
    (0..=last)
        .map(|index| chord(points, index.min(last - 1)))
        .collect()
}

fn monotone_slopes(points: &[(f64, f64)]) -> Vec<f64> {
    let last = points.len() - 1;
    if last == 1 {
        return end_chords(points);
    }
    let widths: Vec<f64> = points.windows(2).map(|p| p[1].0 - p[0].0).collect();
    let chords: Vec<f64> = (0..last).map(|left| chord(points, left)).collect();
    let inner = (1..last).map(|at| {
        let (before, after) = (widths[at - 1], widths[at]);
        let (w1, w2) = (2.0 * after + before, after + 2.0 * before);
        (w1 + w2) / (w1 / chords[at - 1] + w2 / chords[at])
    });
    let first = end_slope((widths[0], widths[1]), (chords[0], chords[1]));
    let final_slope = end_slope(
        (widths[last - 1], widths[last - 2]),
        (chords[last - 1], chords[last - 2]),
    );
    std::iter::once(first)
        .chain(inner)
        .chain(std::iter::once(final_slope))
        .collect()
}

/// The slope of the parabola through the last three points, limited so that the piece stays monotone.
fn end_slope((near, far): (f64, f64), (chord, next): (f64, f64)) -> f64 {
    let slope = ((2.0 * near + far) * chord - near * next) / (near + far);
    if slope * chord <= 0.0 {
        0.0
    } else if slope.abs() > 3.0 * chord.abs() {
        3.0 * chord
    } else {
        slope
    }
}
