//! How even a row of velocities is, each standing for an area.
//!
//! Weights are w_i = A_i/ΣA, which sum to one; v̄ = Σ w_i v_i.

use crate::moments::Moments;

/// What one point says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Velocity {
    /// m/s, 0 or more.
    At(f64),
    /// Somewhere from 0 to the meter's least velocity, m/s: a censored reading has no value, but bounds.
    Below(f64),
}

/// A velocity and the area that it stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flow {
    /// The velocity.
    pub velocity: Velocity,
    /// m², or any other unit as long as it is the same for all; above 0.
    pub area: f64,
}

/// Figures for the evenness of velocities; all but the means are without a unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evenness {
    /// How many points.
    pub count: usize,
    /// v̄ = Σ w_i v_i, m/s.
    pub mean: f64,
    /// Σ v_i / n, m/s.
    pub plain_mean: f64,
    /// s / (Σ v_i/n), s with n − 1.
    pub cv: f64,
    /// The same with n instead of n − 1.
    pub cv_population: f64,
    /// √(Σ w_i (v_i − v̄)²) / v̄.
    pub cv_weighted: f64,
    /// max v / min v; `None` where the least is 0.
    pub max_over_min: Option<f64>,
    /// max |v_i − m| / m, m being the plain mean.
    pub largest_deviation: f64,
    /// (max v − min v) / (2m), m being the plain mean.
    pub half_range: f64,
    /// γ = 1 − Σ w_i |v_i − v̄| / (2 v̄): 1 for even flow, 1/n where all passes one of n equal cells, 1 − 1/n where one of
    /// them is dead.
    pub index: f64,
}

/// Evenness where some velocities were below what the meter can measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// As if each censored velocity were as large as it can be: the most even.
    pub best: Evenness,
    /// As if each were 0: the least even.
    pub worst: Evenness,
    /// How many were censored.
    pub censored: usize,
}

/// Why velocities have no evenness.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum EvennessError {
    /// One point is even with itself.
    #[error("evenness needs two points at least, and there are {0}")]
    TooFew(usize),
    /// Not a velocity.
    #[error(
        "a velocity of {0} m/s has no place here: it is a number of 0 or more; turn the probe, or leave the point out and say so"
    )]
    Velocity(f64),
    /// Not an area.
    #[error("an area of {0} cannot be: it is above 0")]
    Area(f64),
    /// Nothing flows.
    #[error("no point has a velocity above 0, and still air has no evenness")]
    Still,
    /// A point without a value among points that are taken as they are.
    #[error(
        "{0} points are below what the meter can measure, so that there are bounds only; ask for these"
    )]
    Censored(usize),
    /// Bounds that would not bound.
    #[error(
        "a point lies somewhere below {limit} m/s, and the mean may be as low as {mean} m/s; nothing can be said of the evenness: use a meter for lower velocities"
    )]
    Blind {
        /// The meter's least velocity, m/s.
        limit: f64,
        /// The least possible mean, m/s.
        mean: f64,
    },
}

impl Evenness {
    /// Of points that all have a velocity.
    ///
    /// # Errors
    /// [`EvennessError`] for fewer than two points, a velocity below 0, an area not above 0, no flow, or a censored point.
    pub fn of(points: &[Flow]) -> Result<Self, EvennessError> {
        match check(points)? {
            0 => figures(points, |velocity| match velocity {
                Velocity::At(v) | Velocity::Below(v) => v,
            }),
            censored => Err(EvennessError::Censored(censored)),
        }
    }

    /// The most and the least even that points can be, some of which are below what the meter can measure.
    ///
    /// A velocity below the mean makes every figure more even the larger it is; so the bounds hold while each limit is
    /// below the least possible mean.
    ///
    /// # Errors
    /// As [`Evenness::of`], and [`EvennessError::Blind`] where a limit is above the least possible mean.
    pub fn bounds(points: &[Flow]) -> Result<Bounds, EvennessError> {
        let censored = check(points)?;
        let worst = figures(points, |velocity| match velocity {
            Velocity::At(v) => v,
            Velocity::Below(_) => 0.0,
        })?;
        let least = worst.mean.min(worst.plain_mean);
        for point in points {
            if let Velocity::Below(limit) = point.velocity
                && limit > least
            {
                return Err(EvennessError::Blind { limit, mean: least });
            }
        }
        let best = figures(points, |velocity| match velocity {
            Velocity::At(v) | Velocity::Below(v) => v,
        })?;
        Ok(Bounds {
            best,
            worst,
            censored,
        })
    }
}

/// How many are censored.
fn check(points: &[Flow]) -> Result<usize, EvennessError> {
    if points.len() < 2 {
        return Err(EvennessError::TooFew(points.len()));
    }
    let mut censored = 0;
    for Flow { velocity, area } in points {
        let (Velocity::At(v) | Velocity::Below(v)) = *velocity;
        if !v.is_finite() || v < 0.0 {
            return Err(EvennessError::Velocity(v));
        }
        if !area.is_finite() || *area <= 0.0 {
            return Err(EvennessError::Area(*area));
        }
        censored += usize::from(matches!(velocity, Velocity::Below(_)));
    }
    Ok(censored)
}

/// The share of the area that each point stands for; they sum to one.
pub fn weights(points: &[Flow]) -> Vec<f64> {
    let area: f64 = points.iter().map(|point| point.area).sum();
    points.iter().map(|point| point.area / area).collect()
}

fn figures(points: &[Flow], value: impl Fn(Velocity) -> f64) -> Result<Evenness, EvennessError> {
    let values: Vec<f64> = points.iter().map(|point| value(point.velocity)).collect();
    let weights = weights(points);
    let weighted = |of: &dyn Fn(f64) -> f64| -> f64 {
        let terms = weights.iter().zip(&values);
        terms.map(|(weight, v)| weight * of(*v)).sum()
    };
    let all: Moments = values.iter().copied().collect();
    let mean = weighted(&|v| v);
    let plain_mean = all.mean().unwrap_or_default();
    if plain_mean <= 0.0 {
        return Err(EvennessError::Still);
    }
    let (min, max) = (all.min().unwrap_or_default(), all.max().unwrap_or_default());
    Ok(Evenness {
        count: values.len(),
        mean,
        plain_mean,
        cv: all.sd().unwrap_or_default() / plain_mean,
        cv_population: all.sd_population().unwrap_or_default() / plain_mean,
        cv_weighted: weighted(&|v| (v - mean).powi(2)).sqrt() / mean,
        max_over_min: (min > 0.0).then(|| max / min),
        largest_deviation: (max - plain_mean).max(plain_mean - min) / plain_mean,
        half_range: (max - min) / (2.0 * plain_mean),
        index: 1.0 - weighted(&|v| (v - mean).abs()) / (2.0 * mean),
    })
}
