//! What is known about an error: its distribution about nought, and the standard uncertainty that follows.
//!
//! JCGM 100:2008, 4.2 (type A, by statistics of readings) and 4.3 (type B, by any other knowledge).

use serde::Serialize;

use crate::dof::{BadDof, Dof, Level, TooFewDof};

/// By what means an uncertainty was evaluated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
pub enum Evaluation {
    /// Statistics of repeated readings.
    A,
    /// Anything else: certificates, data sheets, experience.
    B,
}

/// The shape of a distribution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// Normal; Student's t where the degrees of freedom are finite.
    Normal,
    /// Every value within the half-width is as likely as any other: a specification. u = a/√3.
    Rectangular,
    /// The middle is likelier: the sum of two equal rectangles. u = a/√6.
    Triangular,
    /// The ends are likelier: the error of something that swings or cycles. u = a/√2.
    UShaped,
    /// Between the two, β = top width over bottom width. u = a·√((1 + β²)/6).
    Trapezoidal(f64),
}

/// An error's distribution about nought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    evaluation: Evaluation,
    shape: Shape,
    u: f64,
    dof: Dof,
}

/// What cannot be an uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadSpread {
    /// Negative, or not a number.
    #[error("{0} cannot be an uncertainty or half-width: it is zero or more")]
    Negative(f64),
    /// A coverage factor that is none.
    #[error("{0} cannot be a coverage factor: it is above zero, and usually 2")]
    Factor(f64),
    /// Too few readings for a scatter.
    #[error("{0} readings cannot show a scatter: it takes two at least")]
    Readings(u64),
    /// A trapezium's ratio that is none.
    #[error("{0} cannot be a trapezium's top over its bottom: it is between 0 and 1")]
    Top(f64),
    /// Degrees of freedom that are none.
    #[error(transparent)]
    Dof(#[from] BadDof),
    /// An expanded uncertainty that says nothing.
    #[error(transparent)]
    TooFewDof(#[from] TooFewDof),
}

impl Spread {
    /// No doubt at all.
    pub const EXACT: Self = Self {
        evaluation: Evaluation::B,
        shape: Shape::Normal,
        u: 0.0,
        dof: Dof::INFINITE,
    };

    /// Type A: u(x̄) = s/√n of n independent readings, ν = n − 1 (JCGM 100:2008, 4.2.3).
    ///
    /// # Errors
    /// [`BadSpread`] for a negative s or fewer than two readings.
    pub fn of_mean(sd: f64, n: u64) -> Result<Self, BadSpread> {
        if n < 2 {
            return Err(BadSpread::Readings(n));
        }
        #[expect(clippy::cast_precision_loss, reason = "nobody takes 2^53 readings")]
        let (n, dof) = (n as f64, (n - 1) as f64);
        Self::scatter(checked(sd)? / n.sqrt(), Dof::made(dof))
    }

    /// Type A: a standard uncertainty by statistics, with its degrees of freedom; such as that of a mean of correlated
    /// readings, or of a fit.
    ///
    /// # Errors
    /// [`BadSpread::Negative`].
    pub fn scatter(u: f64, dof: Dof) -> Result<Self, BadSpread> {
        Self::new(Evaluation::A, Shape::Normal, u, dof)
    }

    /// Type B: a standard uncertainty of a normal distribution.
    ///
    /// # Errors
    /// [`BadSpread::Negative`].
    pub fn normal(u: f64) -> Result<Self, BadSpread> {
        Self::new(Evaluation::B, Shape::Normal, u, Dof::INFINITE)
    }

    /// Type B: U with its coverage factor k, as a certificate states them; u = U/k (JCGM 100:2008, 4.3.3).
    ///
    /// # Errors
    /// [`BadSpread`] for a negative U or a k that is none.
    pub fn expanded(expanded: f64, k: f64) -> Result<Self, BadSpread> {
        if k > 0.0 && k.is_finite() {
            Self::normal(checked(expanded)? / k)
        } else {
            Err(BadSpread::Factor(k))
        }
    }

    /// Type B: U at a level of confidence with ν degrees of freedom; u = U/t_p(ν).
    ///
    /// # Errors
    /// [`BadSpread`] for a negative U or less than one degree of freedom.
    pub fn expanded_at(expanded: f64, level: Level, dof: Dof) -> Result<Self, BadSpread> {
        let u = checked(expanded)? / level.factor(dof)?;
        Self::new(Evaluation::B, Shape::Normal, u, dof)
    }

    /// Type B: within ± the half-width, nothing else known: a specification, a tolerance.
    ///
    /// # Errors
    /// [`BadSpread::Negative`].
    pub fn rectangular(half_width: f64) -> Result<Self, BadSpread> {
        Self::bounded(Shape::Rectangular, half_width)
    }

    /// Type B: a reading in steps of q, u = q/√12 (JCGM 100:2008, F.2.2.1). Averaging does not make it smaller where
    /// the noise is below q.
    ///
    /// # Errors
    /// [`BadSpread::Negative`].
    pub fn step(step: f64) -> Result<Self, BadSpread> {
        Self::rectangular(checked(step)? / 2.0)
    }

    /// Type B: within ± the half-width, the middle likelier.
    ///
    /// # Errors
    /// [`BadSpread::Negative`].
    pub fn triangular(half_width: f64) -> Result<Self, BadSpread> {
        Self::bounded(Shape::Triangular, half_width)
    }

    /// Type B: within ± the half-width, the ends likelier: a thermostat's cycle.
    ///
    /// # Errors
    /// [`BadSpread::Negative`].
    pub fn u_shaped(half_width: f64) -> Result<Self, BadSpread> {
        Self::bounded(Shape::UShaped, half_width)
    }

    /// Type B: within ± the half-width, flat over the share `top` of it and falling outside (JCGM 100:2008, 4.3.9).
    ///
    /// # Errors
    /// [`BadSpread`] for a negative half-width or a share outside 0 to 1.
    pub fn trapezoidal(half_width: f64, top: f64) -> Result<Self, BadSpread> {
        if (0.0..=1.0).contains(&top) {
            Self::bounded(Shape::Trapezoidal(top), half_width)
        } else {
            Err(BadSpread::Top(top))
        }
    }

    /// The same with other degrees of freedom, such as a half-width that is itself only believed to a quarter
    /// ([`Dof::believed_to`]).
    pub const fn with_dof(self, dof: Dof) -> Self {
        Self { dof, ..self }
    }

    /// The standard uncertainty.
    pub const fn u(self) -> f64 {
        self.u
    }

    /// How well that is known.
    pub const fn dof(self) -> Dof {
        self.dof
    }

    /// By what means it was evaluated.
    pub const fn evaluation(self) -> Evaluation {
        self.evaluation
    }

    /// The distribution's shape.
    pub const fn shape(self) -> Shape {
        self.shape
    }

    /// a, where the distribution has ends.
    pub fn half_width(self) -> Option<f64> {
        self.shape.divisor().map(|divisor| self.u * divisor)
    }

    fn bounded(shape: Shape, half_width: f64) -> Result<Self, BadSpread> {
        let u = checked(half_width)? / shape.divisor().unwrap_or(1.0);
        Self::new(Evaluation::B, shape, u, Dof::INFINITE)
    }

    fn new(evaluation: Evaluation, shape: Shape, u: f64, dof: Dof) -> Result<Self, BadSpread> {
        checked(u).map(|u| Self {
            evaluation,
            shape,
            u,
            dof,
        })
    }
}

fn checked(size: f64) -> Result<f64, BadSpread> {
    if size >= 0.0 && size.is_finite() {
        Ok(size)
    } else {
        Err(BadSpread::Negative(size))
    }
}

impl Shape {
    /// a/u; `None` where the distribution has no ends.
    pub fn divisor(self) -> Option<f64> {
        match self {
            Self::Normal => None,
            Self::Rectangular => Some(f64::sqrt(3.0)),
            Self::Triangular => Some(f64::sqrt(6.0)),
            Self::UShaped => Some(f64::sqrt(2.0)),
            Self::Trapezoidal(top) => Some((6.0 / (1.0 + top * top)).sqrt()),
        }
    }

    /// The word for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Rectangular => "rectangular",
            Self::Triangular => "triangular",
            Self::UShaped => "U-shaped",
            Self::Trapezoidal(_) => "trapezoidal",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, 4.3.7, 4.3.9, F.2.2.1, F.2.3.3 in closed form.
    #[test]
    fn divisors_are_those_of_the_guide() {
        let cases = [
            (Spread::rectangular(1.0), 3.0),
            (Spread::triangular(1.0), 6.0),
            (Spread::u_shaped(1.0), 2.0),
            (Spread::trapezoidal(1.0, 0.0), 6.0),
            (Spread::trapezoidal(1.0, 1.0), 3.0),
            (Spread::step(1.0), 12.0),
            (Spread::expanded(1.0, 2.0), 4.0),
            (Spread::of_mean(1.0, 10), 10.0),
        ];
        for (spread, divisor) in cases {
            let spread = spread.unwrap();
            assert!(
                (spread.u() - f64::sqrt(1.0 / divisor)).abs() < 1e-15,
                "{spread:?}"
            );
        }
        assert!((Spread::u_shaped(0.7).unwrap().half_width().unwrap() - 0.7).abs() < 1e-15);
    }

    #[test]
    fn what_cannot_be_is_refused_with_a_sentence() {
        let said = |spread: Result<Spread, BadSpread>| spread.unwrap_err().to_string();
        assert_eq!(
            said(Spread::rectangular(-0.1)),
            "-0.1 cannot be an uncertainty or half-width: it is zero or more"
        );
        assert!(Spread::normal(f64::NAN).is_err() && Spread::normal(f64::INFINITY).is_err());
        assert_eq!(
            said(Spread::expanded(0.2, 0.0)),
            "0 cannot be a coverage factor: it is above zero, and usually 2"
        );
        assert_eq!(
            said(Spread::of_mean(0.2, 1)),
            "1 readings cannot show a scatter: it takes two at least"
        );
    }
}
