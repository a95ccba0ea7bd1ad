//! The rules that place traverse points so that their plain mean is the mean velocity.
//!
//! All three give every point the same weight. **Equal area** puts a point in the middle (by area) of each
//! of n equal parts; on a turbulent profile it reads high. **Log-Tchebycheff** puts the point next to the wall
//! where a logarithmic profile has its mean over the outermost part, and the others on the nodes of
//! Chebyshev's quadrature with equal weights. **Log-linear** pairs the parts from the centre outwards and puts
//! two points in each pair so that both ln y and y (distance from the wall) have their exact means there; an odd
//! part next to the wall gets one point, as in log-Tchebycheff.
//!
//! The derivations are ours, because printed tables are often mislabelled in public text; they reproduce the
//! tables of US EPA Method 1, EN 12599 and ISO 3966 in every digit known to us (tests). The annular forms
//! are ours alone: each half of the area answers to its own wall.

use std::f64::consts::FRAC_1_SQRT_2;
use std::fmt;

/// How points are placed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rule {
    /// The centroid of each of n equal areas (US EPA Method 1).
    EqualArea,
    /// ISO 3966, EN 12599, ASHRAE 111.
    LogTchebycheff,
    /// ISO 3966; round and annular ducts only.
    LogLinear,
}

/// Why a rule cannot place that many points there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RuleError {
    /// The rule is not made for the shape.
    #[error(
        "the log-linear rule places no grid in a rectangular duct here; use log-Tchebycheff or equal area"
    )]
    NotForRectangles,
    /// Too few or too many points.
    #[error("the {rule} rule places {min} to {max} points {place}, not {count}")]
    Count {
        /// The rule.
        rule: Rule,
        /// What was asked for.
        count: usize,
        /// The fewest.
        min: usize,
        /// The most.
        max: usize,
        /// Counted where.
        place: &'static str,
    },
    /// A diameter or a gap has two halves.
    #[error(
        "{0} points cannot be shared by the two halves of a diameter or gap; take an even number"
    )]
    Odd(usize),
}

/// Positive nodes of Chebyshev's quadrature with equal weights on [-1, 1], for 1 to 7 nodes.
/// Abramowitz and Stegun, Handbook of Mathematical Functions, table 25.5.
const CHEBYSHEV: [&[f64]; 7] = [
    &[0.0],
    &[0.577_350_269_2],
    &[0.0, FRAC_1_SQRT_2],
    &[0.187_592_474_1, 0.794_654_472_3],
    &[0.0, 0.374_541_409_6, 0.832_497_487_0],
    &[0.266_635_401_5, 0.422_518_653_8, 0.866_246_818_1],
    &[0.0, 0.323_911_810_5, 0.529_656_775_3, 0.883_861_700_8],
];

impl Rule {
    /// Every rule.
    pub const ALL: [Self; 3] = [Self::EqualArea, Self::LogTchebycheff, Self::LogLinear];

    /// The word used in configuration and reports.
    pub const fn word(self) -> &'static str {
        match self {
            Self::EqualArea => "equal-area",
            Self::LogTchebycheff => "log-Tchebycheff",
            Self::LogLinear => "log-linear",
        }
    }

    /// Positions along one whole diameter of a round duct as distance from the wall over diameter, y/D,
    /// ascending. `count` is even; half of it lies on each radius: 1 to 50 (equal area), 2 to 8
    /// (log-Tchebycheff; printed for 3 to 5), 2 to 10 (log-linear; printed for 2 to 5).
    ///
    /// Source: US EPA Method 1 table 1-2; ISO 3966 (from memory but for log-linear with 6 and 10 points).
    ///
    /// # Errors
    /// [`RuleError::Odd`], [`RuleError::Count`].
    pub fn along_diameter(self, count: usize) -> Result<Vec<f64>, RuleError> {
        let radius = half(count)?;
        self.check(radius, self.points_beside_a_wall(), "on a radius")?;
        let outwards = Half { to: 0.0 }.place(self, radius);
        let near: Vec<f64> = outwards.iter().map(|s| (1.0 - s) / 2.0).collect();
        let far = near.iter().rev().map(|y| 1.0 - y);
        Ok(near.iter().copied().chain(far).collect())
    }

    /// Positions along one side of a rectangular duct as fractions of the side, ascending: 1 to 50
    /// points (equal area) or 3 to 9 (log-Tchebycheff; printed for 5, 6 and 7).
    ///
    /// The outermost point of log-Tchebycheff lies at 1/(e n), where a logarithmic profile has its mean over
    /// the outermost n-th. Source: EN 12599.
    ///
    /// # Errors
    /// [`RuleError::NotForRectangles`], [`RuleError::Count`].
    pub fn along_side(self, count: usize) -> Result<Vec<f64>, RuleError> {
        let n = as_f64(count);
        match self {
            Self::LogLinear => Err(RuleError::NotForRectangles),
            Self::EqualArea => {
                self.check(count, (1, 50), "along a side")?;
                Ok((0..count).map(|i| (as_f64(i) + 0.5) / n).collect())
            }
            Self::LogTchebycheff => {
                self.check(count, (3, 9), "along a side")?;
                let wall = (-1f64).exp() / n;
                let inner = chebyshev(count - 2)
                    .into_iter()
                    .map(|node| 0.5 + node * (0.5 - 1.0 / n));
                Ok([wall]
                    .into_iter()
                    .chain(inner)
                    .chain([1.0 - wall])
                    .collect())
            }
        }
    }

    /// Positions across the gap of an annular duct as distance from the outer wall over the gap,
    /// ascending, for the ratio `inner_over_outer` of the diameters. `count` is even; half of it lies in each
    /// half of the area and answers to the wall of that half.
    ///
    /// Source: our own derivation; no printed table is known to us.
    ///
    /// # Errors
    /// [`RuleError::Odd`], [`RuleError::Count`].
    pub fn across_gap(self, count: usize, inner_over_outer: f64) -> Result<Vec<f64>, RuleError> {
        let each = half(count)?;
        self.check(each, self.points_beside_a_wall(), "in each half of the gap")?;
        let k = inner_over_outer;
        let middle = f64::midpoint(1.0, k * k);
        let gap = 1.0 - k;
        let outer = Half { to: middle }.place(self, each);
        let inner = Half {
            to: middle / (k * k),
        }
        .place(self, each);
        let from_outer = outer.iter().map(|s| (1.0 - s) / gap);
        let from_inner = inner.iter().rev().map(|s| (1.0 - s * k) / gap);
        Ok(from_outer.chain(from_inner).collect())
    }

    /// The fewest and most points from a wall to the middle.
    const fn points_beside_a_wall(self) -> (usize, usize) {
        match self {
            Self::EqualArea => (1, 50),
            Self::LogTchebycheff => (2, 8),
            Self::LogLinear => (2, 10),
        }
    }

    fn check(
        self,
        count: usize,
        (min, max): (usize, usize),
        place: &'static str,
    ) -> Result<(), RuleError> {
        if (min..=max).contains(&count) {
            Ok(())
        } else {
            Err(RuleError::Count {
                rule: self,
                count,
                min,
                max,
                place,
            })
        }
    }
}

/// From a wall at s = r/r_wall = 1 to the middle at s² = `to`: 0 is the axis, less than 1 lies inside the wall,
/// more than 1 outside of it (the core of an annulus).
#[derive(Clone, Copy, Debug)]
struct Half {
    to: f64,
}

impl Half {
    /// `n` positions s from the wall inwards.
    fn place(self, rule: Rule, n: usize) -> Vec<f64> {
        match rule {
            Rule::EqualArea => (0..n).map(|i| self.s2(as_f64(i) + 0.5, n).sqrt()).collect(),
            Rule::LogTchebycheff => self.log_tchebycheff(n),
            Rule::LogLinear => self.log_linear(n),
        }
    }

    fn log_tchebycheff(self, n: usize) -> Vec<f64> {
        let wall = self.wall_point(n);
        let (from, to) = (self.s2(1.0, n), self.to);
        let inner = chebyshev(n - 1)
            .into_iter()
            .map(|node| f64::midpoint(from, to) + node * (to - from) / 2.0);
        [wall].into_iter().chain(inner.map(f64::sqrt)).collect()
    }

    fn log_linear(self, n: usize) -> Vec<f64> {
        let odd = n % 2;
        let mut positions = if odd == 1 {
            vec![self.wall_point(n)]
        } else {
            Vec::new()
        };
        for first in (odd..n).step_by(2) {
            positions.extend(self.pair(as_f64(first), as_f64(first + 2), n));
        }
        positions
    }

    /// s² after `parts` of `n` equal areas from the wall.
    fn s2(self, parts: f64, n: usize) -> f64 {
        1.0 + (self.to - 1.0) * parts / as_f64(n)
    }

    /// Where ln y has its mean over the part next to the wall.
    fn wall_point(self, n: usize) -> f64 {
        self.at_distance(mean(log_integral, 1.0, self.s2(1.0, n)).exp())
    }

    /// The two points with the exact means of y and of ln y between `from` and `to` parts: the roots of
    /// y² − 2 ȳ y + exp(2 mean ln y).
    fn pair(self, from: f64, to: f64, n: usize) -> [f64; 2] {
        let (a, b) = (self.s2(from, n), self.s2(to, n));
        let linear = mean(distance_integral, a, b).abs();
        let product = (2.0 * mean(log_integral, a, b)).exp();
        let spread = (linear * linear - product).max(0.0).sqrt();
        [
            self.at_distance(linear - spread),
            self.at_distance(linear + spread),
        ]
    }

    fn at_distance(self, y: f64) -> f64 {
        if self.to < 1.0 { 1.0 - y } else { 1.0 + y }
    }
}

/// Area-weighted mean between s² = a and s² = b of what `integral` integrates over 2 s ds.
fn mean(integral: fn(f64) -> f64, a: f64, b: f64) -> f64 {
    (integral(b.max(0.0).sqrt()) - integral(a.sqrt())) / (b - a)
}

/// ∫ ln|1−s| 2s ds.
fn log_integral(s: f64) -> f64 {
    let distance = (1.0 - s).abs();
    let singular = if distance > 0.0 {
        (s * s - 1.0) * distance.ln()
    } else {
        0.0
    };
    singular - s - s * s / 2.0
}

/// ∫ (1−s) 2s ds; its mean is −y where s lies outside the wall.
fn distance_integral(s: f64) -> f64 {
    s * s - 2.0 / 3.0 * s.powi(3)
}

/// All nodes for `count`, ascending.
fn chebyshev(count: usize) -> Vec<f64> {
    let positive = CHEBYSHEV[count - 1];
    let negative = positive
        .iter()
        .rev()
        .filter(|node| **node > 0.0)
        .map(|node| -node);
    negative.chain(positive.iter().copied()).collect()
}

fn half(count: usize) -> Result<usize, RuleError> {
    if count.is_multiple_of(2) {
        Ok(count / 2)
    } else {
        Err(RuleError::Odd(count))
    }
}

/// Exact: counts of points are small.
pub(crate) fn as_f64(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Chebyshev's quadrature is exact for powers up to the number of nodes (one more where that is even):
    /// the definition of the nodes.
    #[test]
    fn chebyshev_nodes_integrate_powers() {
        for count in 1..=7 {
            let nodes = chebyshev(count);
            assert_eq!(nodes.len(), count);
            for power in 0..=i32::try_from(count).unwrap() {
                let exact = if power % 2 == 0 {
                    1.0 / f64::from(power + 1)
                } else {
                    0.0
                };
                let mean = nodes.iter().map(|node| node.powi(power)).sum::<f64>() / as_f64(count);
                assert!(
                    (mean - exact).abs() < 1e-9,
                    "{count} nodes, power {power}: {mean}"
                );
            }
        }
    }
}
