//! Straight lines y = a + b·x through several points, with the uncertainty of what they say.
//!
//! Four doors, one fit. Which one is right depends on what is noisy and on what is known beforehand:
//!
//! | door | noise | its size |
//! | --- | --- | --- |
//! | [`Line::ordinary`] | in y, the same for all points | from the scatter about the line |
//! | [`Line::weighted`] | in y, point by point | stated |
//! | [`Line::york`] | in x and y, point by point, perhaps correlated | stated |
//! | [`Line::deming`] | in x and y, the same for all points | their ratio stated, the rest from the scatter |
//!
//! A line fitted through y alone where x is noisy as well is too flat: two instruments that agree seem not to. So a
//! loop check, whose reference is far better than what is checked, is ordinary or weighted; an agreement of two
//! instruments is Deming's or York's.
//!
//! The fit is that of York, Evensen, López Martínez and De Basabe Delgado, *Unified equations for the slope,
//! intercept, and standard errors of the best straight line*, Am. J. Phys. 72 (2004) 367, with variances in
//! the place of weights, so that noise in x, in y or in a correlation may be nought; the other doors are
//! cases of it. The uncertainty of a reference standard that all points share is not in here: it is a row
//! of its own in a budget.

use crate::float;

/// A point with the standard uncertainties of its two coordinates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoisyPoint {
    /// First coordinate.
    pub x: f64,
    /// Its standard uncertainty, 0 or more.
    pub u_x: f64,
    /// Second coordinate.
    pub y: f64,
    /// Its standard uncertainty, 0 or more; not both may be 0.
    pub u_y: f64,
    /// Correlation of the two errors, above −1 and below 1.
    pub r: f64,
}

/// Why no line can be fitted.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadLine {
    /// Too few points for a line.
    #[error("a line needs at least 2 points, there are {0}")]
    TooFew(usize),
    /// Too few points for a scatter that is to say how noisy they are.
    #[error(
        "a line and its scatter need at least 3 points, there are {0}; two points can be adjusted to, not checked"
    )]
    TooFewForScatter(usize),
    /// A coordinate that is no number.
    #[error("point {} is not a pair of finite numbers", index + 1)]
    NotFinite {
        /// Which point, from 0.
        index: usize,
    },
    /// An uncertainty that is none.
    #[error(
        "the uncertainties of point {} cannot be: they are 0 or more, not both 0, with a correlation between -1 and 1",
        index + 1
    )]
    BadUncertainty {
        /// Which point, from 0.
        index: usize,
    },
    /// A ratio of variances that is none.
    #[error("{0} is not a ratio of variances: it is above zero, and 1 where both sides are alike")]
    BadRatio(f64),
    /// All points at one x.
    #[error("the points do not spread: all stand at one place, and no slope can be told")]
    NoSpread,
    /// The iteration found no line.
    #[error(
        "the points do not tell a line: their noise is as large as their spread in every direction"
    )]
    NotSettled,
}

/// The line of best fit y = a + b·x.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// A point of the line at which what is known of it is not correlated with its slope.
    centre: (f64, f64),
    slope: f64,
    /// Variance of the line at its centre.
    centre_variance: f64,
    slope_variance: f64,
    /// √(χ²/(n − 2)), by the uncertainties that were stated or, where none were, by 1.
    scatter: Option<f64>,
    residuals: Vec<f64>,
    noise: Noise,
}

/// Where the size of the noise comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Noise {
    Stated,
    FromScatter,
}

/// A value with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, k = 1.
    pub u: f64,
}

impl Line {
    /// Ordinary least squares through points (x, y): x is known, all y are equally noisy, and their scatter says how
    /// much. b = S_xy/S_xx, a = ȳ − b·x̄, s² = Σ(y − a − b·x)²/(n − 2), u(b) = s/√S_xx, u(a) = s·√(1/n + x̄²/S_xx).
    ///
    /// JCGM 100:2008, H.3.2.
    ///
    /// # Errors
    /// [`BadLine`]; at least 3 points.
    pub fn ordinary(points: &[(f64, f64)]) -> Result<Self, BadLine> {
        let noisy = points.iter().map(|(x, y)| NoisyPoint::in_y(*x, *y, 1.0));
        Self::fit(&noisy.collect::<Vec<_>>(), Noise::FromScatter)
    }

    /// Least squares through points (x, y, u(y)) weighted by 1/u(y)²: x is known, the stated u(y) are believed and
    /// independent. Whether the points bear that out, [`Line::birge`] says.
    ///
    /// # Errors
    /// [`BadLine`]; at least 2 points.
    pub fn weighted(points: &[(f64, f64, f64)]) -> Result<Self, BadLine> {
        let noisy = points
            .iter()
            .map(|(x, y, u_y)| NoisyPoint::in_y(*x, *y, *u_y));
        Self::fit(&noisy.collect::<Vec<_>>(), Noise::Stated)
    }

    /// The line of best fit where both coordinates are noisy and their uncertainties are stated.
    ///
    /// # Errors
    /// [`BadLine`]; at least 2 points.
    pub fn york(points: &[NoisyPoint]) -> Result<Self, BadLine> {
        Self::fit(points, Noise::Stated)
    }

    /// The line of best fit through points (x, y) where both coordinates are noisy, all alike: `ratio` is the variance
    /// of y's noise over that of x's, 1 for two instruments of a kind. How large the noise is, the scatter says.
    ///
    /// # Errors
    /// [`BadLine`]; at least 3 points.
    pub fn deming(points: &[(f64, f64)], ratio: f64) -> Result<Self, BadLine> {
        if !(ratio > 0.0 && ratio.is_finite()) {
            return Err(BadLine::BadRatio(ratio));
        }
        let noisy = points.iter().map(|(x, y)| NoisyPoint {
            u_x: 1.0,
            ..NoisyPoint::in_y(*x, *y, ratio.sqrt())
        });
        Self::fit(&noisy.collect::<Vec<_>>(), Noise::FromScatter)
    }

    /// b, in units of y per unit of x.
    pub const fn slope(&self) -> f64 {
        self.slope
    }

    /// a, the line at x = 0, in the unit of y.
    pub fn intercept(&self) -> f64 {
        self.centre.1 - self.slope * self.centre.0
    }

    /// u(b).
    pub fn slope_u(&self) -> f64 {
        self.slope_variance.sqrt()
    }

    /// u(a).
    pub fn intercept_u(&self) -> f64 {
        self.variance_at(0.0).sqrt()
    }

    /// cov(a, b), in units of y² per unit of x.
    pub fn covariance(&self) -> f64 {
        -self.centre.0 * self.slope_variance
    }

    /// r(a, b) = cov(a, b)/(u(a)·u(b)); 0 where the points meet the line exactly.
    pub fn correlation(&self) -> f64 {
        let product = self.intercept_u() * self.slope_u();
        if product > 0.0 {
            self.covariance() / product
        } else {
            0.0
        }
    }

    /// y − a − b·x, point by point.
    pub fn residuals(&self) -> &[f64] {
        &self.residuals
    }

    /// s = √(Σ(y − a − b·x)²/(n − 2)): standard deviation of the points about the line, along y and unweighted;
    /// `None` with 2 points. Where x is noisy too it holds b·u(x) as well.
    pub fn residual_sd(&self) -> Option<f64> {
        let squares: f64 = self.residuals.iter().map(|r| r * r).sum();
        self.spare_points()
            .map(|spare| (squares / float::len(spare)).sqrt())
    }

    /// Birge's ratio √(χ²/(n − 2)) where uncertainties were stated: about 1 where they explain the scatter, above
    /// where they are too small or the relation is not straight. `None` with 2 points or where none were stated.
    pub fn birge(&self) -> Option<f64> {
        self.scatter.filter(|_| self.noise == Noise::Stated)
    }

    /// Degrees of freedom of the uncertainties: n − 2 where the scatter says how noisy the points are, infinite where
    /// that was stated.
    pub fn dof(&self) -> f64 {
        match self.noise {
            Noise::Stated => f64::INFINITY,
            Noise::FromScatter => float::len(self.residuals.len() - 2),
        }
    }

    /// The line at x: a + b·x, u² = u²(a) + 2·x·cov(a, b) + x²·u²(b).
    pub fn at(&self, x: f64) -> Known {
        Known {
            value: self.centre.1 + self.slope * (x - self.centre.0),
            u: self.variance_at(x).sqrt(),
        }
    }

    /// Back from a new y with its own standard uncertainty u(y) to x = (y − a)/b,
    /// u²(x) = (u²(y) + u²(a + b·x))/b². For one new reading that scatters as the points did, u(y) is
    /// [`Line::residual_sd`]. `None` where the line is level and no x can be told.
    pub fn back(&self, y: f64, u_y: f64) -> Option<Known> {
        if !self.slope.is_normal() {
            return None;
        }
        let value = self.centre.0 + (y - self.centre.1) / self.slope;
        let u = (u_y * u_y + self.variance_at(value)).sqrt() / self.slope.abs();
        Some(Known { value, u })
    }

    fn variance_at(&self, x: f64) -> f64 {
        self.centre_variance + (x - self.centre.0).powi(2) * self.slope_variance
    }

    /// n − 2, above zero.
    const fn spare_points(&self) -> Option<usize> {
        match self.residuals.len() {
            0..=2 => None,
            points => Some(points - 2),
        }
    }

    fn fit(points: &[NoisyPoint], noise: Noise) -> Result<Self, BadLine> {
        check(points, noise)?;
        let slope = settled_slope(points)?;
        let weighed = Weighed::new(points, slope);
        let (adjusted, adjusted_spread) = weighed.adjusted();
        let height = weighed.centre.1 + slope * (adjusted - weighed.centre.0);
        let residual = |point: &NoisyPoint| (point.y - height) - slope * (point.x - adjusted);
        let residuals: Vec<f64> = points.iter().map(residual).collect();
        let chi_square: f64 = residuals
            .iter()
            .zip(&weighed.weights)
            .map(|(residual, weight)| weight * residual * residual)
            .sum();
        let scatter =
            (points.len() > 2).then(|| (chi_square / float::len(points.len() - 2)).sqrt());
        let scale = match noise {
            Noise::Stated => 1.0,
            Noise::FromScatter => scatter.unwrap_or(1.0).powi(2),
        };
        Ok(Self {
            centre: (adjusted, height),
            slope,
            centre_variance: scale / weighed.weight,
            slope_variance: scale / adjusted_spread,
            scatter,
            residuals,
            noise,
        })
    }
}

impl NoisyPoint {
    /// With noise in y only.
    pub const fn in_y(x: f64, y: f64, u_y: f64) -> Self {
        Self {
            x,
            u_x: 0.0,
            y,
            u_y,
            r: 0.0,
        }
    }

    fn is_finite(self) -> bool {
        self.x.is_finite() && self.y.is_finite()
    }

    fn is_noisy(self) -> bool {
        let is_u = |u: f64| u >= 0.0 && u.is_finite();
        is_u(self.u_x) && is_u(self.u_y) && self.u_x + self.u_y > 0.0 && self.r.abs() < 1.0
    }

    /// 1/W: the variance of y − b·x.
    fn variance(self, slope: f64) -> f64 {
        let across = slope * self.u_x;
        self.u_y * self.u_y + across * across - 2.0 * self.r * across * self.u_y
    }
}

fn check(points: &[NoisyPoint], noise: Noise) -> Result<(), BadLine> {
    match (noise, points.len()) {
        (Noise::Stated, few @ 0..2) => return Err(BadLine::TooFew(few)),
        (Noise::FromScatter, few @ 0..3) => return Err(BadLine::TooFewForScatter(few)),
        _ => (),
    }
    if let Some(index) = points.iter().position(|point| !point.is_finite()) {
        return Err(BadLine::NotFinite { index });
    }
    if let Some(index) = points.iter().position(|point| !point.is_noisy()) {
        return Err(BadLine::BadUncertainty { index });
    }
    if points.iter().all(|point| point.x <= points[0].x)
        && points.iter().all(|point| point.x >= points[0].x)
    {
        return Err(BadLine::NoSpread);
    }
    Ok(())
}

/// More turns than any line that exists has needed: those of noise as large as the spread take some hundreds.
const TURNS_MAX: usize = 10_000;
/// Turns end when the slope moves by less than a few of its last digits …
const SETTLED: f64 = 4.0 * f64::EPSILON;
/// … or when it moves by so little, and no longer by less and less: then only rounding is left.
const ROUNDING: f64 = 1e-9;

/// Turns the line until its slope stands still.
fn settled_slope(points: &[NoisyPoint]) -> Result<f64, BadLine> {
    let only_y = |point: &NoisyPoint| NoisyPoint::in_y(point.x, point.y, 1.0);
    let level: Vec<NoisyPoint> = points.iter().map(only_y).collect();
    let mut slope = Weighed::new(&level, 0.0).slope();
    let mut last_move = f64::INFINITY;
    for _ in 0..TURNS_MAX {
        let next = Weighed::new(points, slope).slope();
        if !next.is_finite() {
            return Err(BadLine::NoSpread);
        }
        let moved = (next - slope).abs();
        let is_rounding = moved >= last_move && moved <= ROUNDING * next.abs();
        if moved <= SETTLED * next.abs() || is_rounding {
            return Ok(next);
        }
        (slope, last_move) = (next, moved);
    }
    Err(BadLine::NotSettled)
}

/// The points as a line of a given slope weighs them.
struct Weighed {
    /// W, the reciprocal variance of y − b·x, point by point.
    weights: Vec<f64>,
    weight: f64,
    centre: (f64, f64),
    /// β: the place on the line that is likeliest for the point, from the centre.
    likeliest: Vec<f64>,
    /// Distance from the centre.
    away: Vec<(f64, f64)>,
}

impl Weighed {
    fn new(points: &[NoisyPoint], slope: f64) -> Self {
        let weights: Vec<f64> = points
            .iter()
            .map(|point| point.variance(slope).recip())
            .collect();
        let weight: f64 = weights.iter().sum();
        let mean = |value: fn(&NoisyPoint) -> f64| {
            let sum: f64 = points
                .iter()
                .zip(&weights)
                .map(|(point, weight)| weight * value(point))
                .sum();
            sum / weight
        };
        let centre = (mean(|point| point.x), mean(|point| point.y));
        let away: Vec<(f64, f64)> = points
            .iter()
            .map(|point| (point.x - centre.0, point.y - centre.1))
            .collect();
        let likeliest = points
            .iter()
            .zip(&weights)
            .zip(&away)
            .map(|((point, weight), (x, y))| weight * likeliest(*point, slope, *x, *y))
            .collect();
        Self {
            weights,
            weight,
            centre,
            likeliest,
            away,
        }
    }

    /// b = ΣWβV/ΣWβU.
    fn slope(&self) -> f64 {
        let sum = |value: fn(&(f64, f64)) -> f64| -> f64 {
            self.weights
                .iter()
                .zip(&self.likeliest)
                .zip(&self.away)
                .map(|((weight, beta), away)| weight * beta * value(away))
                .sum()
        };
        sum(|away| away.1) / sum(|away| away.0)
    }

    /// Mean x of the likeliest places, and their weighted spread ΣW(x − x̄)².
    fn adjusted(&self) -> (f64, f64) {
        let shift: f64 = self
            .weights
            .iter()
            .zip(&self.likeliest)
            .map(|(weight, beta)| weight * beta)
            .sum::<f64>()
            / self.weight;
        let spread = self
            .weights
            .iter()
            .zip(&self.likeliest)
            .map(|(weight, beta)| weight * (beta - shift).powi(2))
            .sum();
        (self.centre.0 + shift, spread)
    }
}

/// β/W of York's equations, with variances.
fn likeliest(point: NoisyPoint, slope: f64, x: f64, y: f64) -> f64 {
    let NoisyPoint { u_x, u_y, r, .. } = point;
    x * u_y * u_y + slope * y * u_x * u_x - (slope * x + y) * r * u_x * u_y
}
