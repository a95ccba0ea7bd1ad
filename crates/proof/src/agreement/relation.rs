//! How two series of readings that belong together are related: a straight line with noise on both
//! sides, or, where they vary too little, a difference alone.
//!
//! Nobody knows how noisy each side is. The line is therefore the one that treats both alike in
//! terms of their own spread (the reduced major axis, which is Deming's line with the ratio of the two
//! variances): its slope is s_y/s_x, and a range set wrong, which scales an output together with its noise, changes it by
//! exactly that factor. Whatever the true share of the noise, the slope lies between the ordinary line of y on
//! x, r·s_y/s_x, and that of x on y, s_y/(r·s_x): this, as a rectangle, is part of the uncertainty.
//! The other part is scatter, with the memory of turbulence counted.

use zonda_uncertainty::line::Known;

use crate::float;

/// Fewer pairs say nothing.
pub const PAIRS_MIN: usize = 60;
/// A slope that is known no better than to this share of itself is not stated.
pub const SLOPE_U_MAX: f64 = 0.1;

/// How the analog readings y are related to those of the text line, x.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Relation {
    /// There are too few pairs to say anything.
    Few {
        /// How many.
        pairs: usize,
    },
    /// The readings vary too little, or not together: a factor cannot be told from an offset.
    Level(Level),
    /// y = offset + slope·x.
    Line {
        /// The same without a line.
        level: Level,
        /// Analog per text; standard uncertainty.
        slope: Known,
        /// At x = 0, SI.
        offset: Known,
        /// Standard deviation of y about the line, SI.
        scatter: f64,
        /// Pearson's r.
        correlation: f64,
    },
}

/// What can be said without a line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// How many pairs.
    pub pairs: usize,
    /// Mean of the text line's readings, SI.
    pub text: f64,
    /// Mean of the analog readings, SI.
    pub analog: f64,
    /// Mean of analog − text, SI; standard uncertainty.
    pub difference: Known,
}

impl Relation {
    /// What can be said without a line, if anything.
    pub const fn level(&self) -> Option<&Level> {
        match self {
            Self::Few { .. } => None,
            Self::Level(level) | Self::Line { level, .. } => Some(level),
        }
    }
}

/// The relation of pairs (text, analog) in the order of time.
pub fn of(pairs: &[(f64, f64)]) -> Relation {
    if pairs.len() < PAIRS_MIN {
        return Relation::Few { pairs: pairs.len() };
    }
    let differences: Vec<f64> = pairs.iter().map(|(x, y)| y - x).collect();
    let side = |pick: fn(&(f64, f64)) -> f64| pairs.iter().map(pick).collect::<Vec<f64>>();
    let (x, y) = (side(|pair| pair.0), side(|pair| pair.1));
    let level = Level {
        pairs: pairs.len(),
        text: float::mean(&x),
        analog: float::mean(&y),
        difference: Known {
            value: float::mean(&differences),
            u: float::variance_of_mean(&differences).sqrt(),
        },
    };
    line(&level, &x, &y).unwrap_or(Relation::Level(level))
}

/// The line, where it is known well enough to be stated.
fn line(level: &Level, x: &[f64], y: &[f64]) -> Option<Relation> {
    let n = float::count(level.pairs);
    let away = |values: &[f64], mean: f64| {
        values
            .iter()
            .map(|value| value - mean)
            .collect::<Vec<f64>>()
    };
    let (dx, dy) = (away(x, level.text), away(y, level.analog));
    let sum = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>() / n;
    let (xx, yy, xy) = (sum(&dx, &dx), sum(&dy, &dy), sum(&dx, &dy));
    if xx <= 0.0 || yy <= 0.0 || xy == 0.0 {
        return None;
    }
    let correlation = xy / (xx * yy).sqrt();
    let slope = (yy / xx).sqrt().copysign(xy);
    // d ln|b| = ½·(dy²/yy − dx²/xx), pair by pair.
    let influence: Vec<f64> = dx
        .iter()
        .zip(&dy)
        .map(|(dx, dy)| 0.5 * (dy * dy / yy - dx * dx / xx))
        .collect();
    let r = correlation.abs();
    let unknown_share = (1.0 / r - r) / (2.0 * 3.0_f64.sqrt());
    let relative_u = (float::variance_of_mean(&influence) + unknown_share * unknown_share).sqrt();
    if relative_u > SLOPE_U_MAX {
        return None;
    }
    let slope_u = relative_u * slope.abs();
    let residuals: Vec<f64> = dx.iter().zip(&dy).map(|(dx, dy)| dy - slope * dx).collect();
    let offset_u = (float::variance_of_mean(&residuals) + (level.text * slope_u).powi(2)).sqrt();
    Some(Relation::Line {
        level: *level,
        slope: Known {
            value: slope,
            u: slope_u,
        },
        offset: Known {
            value: level.analog - slope * level.text,
            u: offset_u,
        },
        scatter: (residuals.iter().map(|e| e * e).sum::<f64>() / (n - 2.0)).sqrt(),
        correlation,
    })
}
