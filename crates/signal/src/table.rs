//! Tables and polynomials: a characteristic given by points or by coefficients.
//!
//! Both must be monotone, or one reading could stand for two values. Outside its points a table goes
//! on in a straight line and says so; a polynomial has no value outside its domain, as its order is
//! not known there.

use zonda_model::written::Span;
use zonda_model::{Quality, Unit};

use crate::curve::{BadCurve, Curve, Interpolation};
use crate::step::Stepped;

/// A characteristic given by points.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    from: Unit,
    to: Unit,
    /// In the units as written.
    curve: Curve,
}

impl Table {
    /// A table of points in the units `from` and `to`.
    ///
    /// # Errors
    /// [`BadCurve`].
    pub fn new(
        from: Unit,
        to: Unit,
        points: Vec<(f64, f64)>,
        interpolation: Interpolation,
    ) -> Result<Self, BadCurve> {
        let curve = Curve::new(points, interpolation)?;
        Ok(Self { from, to, curve })
    }

    /// The unit of its input.
    pub const fn from(&self) -> Unit {
        self.from
    }

    /// The unit of its output.
    pub const fn to(&self) -> Unit {
        self.to
    }

    /// The curve, in those units.
    pub const fn curve(&self) -> &Curve {
        &self.curve
    }

    /// The value for `x`; both in SI.
    pub fn at(&self, x: f64) -> Stepped {
        let x = self.from.from_si(x);
        Stepped {
            value: Some(self.to.to_si(self.curve.at(x))),
            quality: outside(x, self.curve.domain()),
        }
    }
}

/// `under_range` or `over_range` outside a domain, to within rounding.
pub(crate) fn outside(x: f64, (from, to): (f64, f64)) -> Quality {
    let margin = 1e-12 * from.abs().max(to.abs());
    if x < from - margin {
        Quality::UNDER_RANGE
    } else if x > to + margin {
        Quality::OVER_RANGE
    } else {
        Quality::empty()
    }
}

/// Why a polynomial cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadPolynomial {
    /// Nothing that depends on the input.
    #[error("a polynomial needs at least 2 coefficients, there are {0}")]
    TooFew(usize),
    /// More coefficients than any sensor has.
    #[error("a polynomial may have at most {max} coefficients, this one has {0}", max = Polynomial::COEFFICIENTS_MAX)]
    TooMany(usize),
    /// A coefficient that is no number.
    #[error("coefficient {0} is not finite")]
    NotFinite(usize),
    /// A domain with both ends alike, or written from high to low.
    #[error("the domain must be written from low to high, not from {from} to {to} {unit}", from = .0.from, to = .0.to, unit = .0.unit)]
    Domain(Span),
    /// Neither rising nor falling throughout.
    #[error("the polynomial must rise or fall throughout {from} to {to} {unit}: near {at} {unit} it turns", from = .domain.from, to = .domain.to, unit = .domain.unit)]
    NotMonotone {
        /// Where it should be monotone.
        domain: Span,
        /// Where it is not.
        at: f64,
    },
}

/// A characteristic y = c₀ + c₁ x + c₂ x² + …, in the units as written, over a domain.
#[derive(Clone, Debug, PartialEq)]
pub struct Polynomial {
    domain: Span,
    to: Unit,
    coefficients: Vec<f64>,
}

impl Polynomial {
    /// Enough for any reference function.
    pub const COEFFICIENTS_MAX: usize = 20;

    /// A polynomial that rises or falls throughout `domain`; `coefficients` by ascending powers.
    ///
    /// # Errors
    /// [`BadPolynomial`].
    pub fn new(domain: Span, to: Unit, coefficients: Vec<f64>) -> Result<Self, BadPolynomial> {
        match coefficients.len() {
            few @ 0..2 => return Err(BadPolynomial::TooFew(few)),
            many if many > Self::COEFFICIENTS_MAX => return Err(BadPolynomial::TooMany(many)),
            _ => {}
        }
        if let Some(index) = coefficients.iter().position(|c| !c.is_finite()) {
            return Err(BadPolynomial::NotFinite(index));
        }
        if !((domain.to - domain.from).is_normal() && domain.to > domain.from) {
            return Err(BadPolynomial::Domain(domain));
        }
        if let Some(share) = turn(&bernstein_of_slope(&coefficients, domain)) {
            let at = domain.from + share * (domain.to - domain.from);
            return Err(BadPolynomial::NotMonotone { domain, at });
        }
        Ok(Self {
            domain,
            to,
            coefficients,
        })
    }

    /// Where it holds.
    pub const fn domain(&self) -> Span {
        self.domain
    }

    /// The unit of its output.
    pub const fn to(&self) -> Unit {
        self.to
    }

    /// The coefficients by ascending powers.
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }

    /// Value and slope at `x`, in the units as written, wherever that is.
    pub(crate) fn value(&self, x: f64) -> (f64, f64) {
        let step = |(y, slope): (f64, f64), c: &f64| (y * x + c, slope * x + y);
        self.coefficients.iter().rev().fold((0.0, 0.0), step)
    }

    /// The value for `x`, both in SI; none outside the domain.
    pub fn at(&self, x: f64) -> Stepped {
        let x = self.domain.unit.from_si(x);
        let quality = outside(x, (self.domain.from, self.domain.to));
        let (y, _) = self.value(x);
        Stepped {
            value: quality.is_empty().then(|| self.to.to_si(y)),
            quality,
        }
    }
}

/// The slope over the domain, as coefficients in Bernstein's basis: the slope lies between the
/// smallest and the largest of them (G. Farin, *Curves and Surfaces for CAGD*, convex-hull property).
fn bernstein_of_slope(coefficients: &[f64], domain: Span) -> Vec<f64> {
    let width = domain.to - domain.from;
    // powers of u, x = from + u · width, by Horner's scheme on polynomials
    let mut powers: Vec<f64> = Vec::with_capacity(coefficients.len());
    for coefficient in coefficients.iter().rev() {
        powers.push(0.0);
        for index in (0..powers.len()).rev() {
            let carried = if index > 0 { powers[index - 1] } else { 0.0 };
            powers[index] = powers[index] * domain.from + carried * width;
        }
        powers[0] += coefficient;
    }
    let slope: Vec<f64> = (1_u8..)
        .zip(&powers[1..])
        .map(|(power, c)| f64::from(power) * c)
        .collect();
    let degree = slope.len() - 1;
    (0..=degree)
        .map(|i| {
            (0..=i)
                .map(|j| binomial(i, j) / binomial(degree, j) * slope[j])
                .sum()
        })
        .collect()
}

fn binomial(n: usize, k: usize) -> f64 {
    (0..k).fold(1.0, |product, i| product * count(n - i) / count(i + 1))
}

#[expect(clippy::cast_precision_loss, reason = "at most COEFFICIENTS_MAX")]
const fn count(n: usize) -> f64 {
    n as f64
}

/// Where in 0 to 1 a slope is not strictly of one sign, or `None`.
///
/// Halves the stretch until all coefficients of a part have one sign (de Casteljau's scheme).
fn turn(coefficients: &[f64]) -> Option<f64> {
    /// Parts of 2⁻³⁰ of the domain: a slope of undecided sign over less is zero there.
    const HALVINGS_MAX: u32 = 30;
    let rises = coefficients[0] + coefficients[coefficients.len() - 1] > 0.0;
    let signed: Vec<f64> = coefficients
        .iter()
        .map(|c| if rises { *c } else { -c })
        .collect();
    let mut parts = vec![(signed, 0.0, 1.0, HALVINGS_MAX)];
    while let Some((part, from, to, halvings)) = parts.pop() {
        let ends_rise = part[0] > 0.0 && part[part.len() - 1] > 0.0;
        if ends_rise && part.iter().all(|c| *c >= 0.0) {
            continue;
        }
        if !ends_rise || halvings == 0 {
            return Some(if part[0] > 0.0 { to } else { from });
        }
        let middle = f64::midpoint(from, to);
        let (left, right) = halve(part);
        parts.push((right, middle, to, halvings - 1));
        parts.push((left, from, middle, halvings - 1));
    }
    None
}

fn halve(mut part: Vec<f64>) -> (Vec<f64>, Vec<f64>) {
    let (mut left, mut right) = (vec![part[0]], vec![part[part.len() - 1]]);
    while part.len() > 1 {
        part = part.windows(2).map(|c| f64::midpoint(c[0], c[1])).collect();
        left.push(part[0]);
        right.push(part[part.len() - 1]);
    }
    right.reverse();
    (left, right)
}
