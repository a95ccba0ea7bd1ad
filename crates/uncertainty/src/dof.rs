//! Degrees of freedom, and the coverage factor that follows from them.

use std::fmt;

use serde::{Serialize, Serializer};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// How well a standard uncertainty is itself known: above zero, infinite where it was taken as exact.
///
/// Serialised as a number, or as `"infinite"`.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Dof(f64);

/// A number that is no degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{0} cannot be degrees of freedom: they are above zero, or infinite")]
pub struct BadDof(pub f64);

impl Dof {
    /// Taken as exact.
    pub const INFINITE: Self = Self(f64::INFINITY);

    /// ν.
    ///
    /// # Errors
    /// [`BadDof`] unless above zero; infinity is allowed.
    pub fn new(dof: f64) -> Result<Self, BadDof> {
        if dof > 0.0 {
            Ok(Self(dof))
        } else {
            Err(BadDof(dof))
        }
    }

    /// ν ≈ ½·(Δu/u)⁻² of an uncertainty that is itself believed to the relative amount Δu/u: 0.25 gives 8.
    ///
    /// JCGM 100:2008, G.4.2 (G.3).
    ///
    /// # Errors
    /// [`BadDof`] for a negative amount or none at all.
    pub fn believed_to(relative: f64) -> Result<Self, BadDof> {
        if relative >= 0.0 {
            Self::new(0.5 / (relative * relative))
        } else {
            Err(BadDof(relative))
        }
    }

    /// ν as a number.
    pub const fn value(self) -> f64 {
        self.0
    }

    /// The smaller of two.
    pub(crate) const fn min(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }

    pub(crate) const fn made(value: f64) -> Self {
        Self(value)
    }
}

impl fmt::Display for Dof {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_infinite() {
            f.pad("infinite")
        } else {
            f.pad(&format!("{:.1}", self.0))
        }
    }
}

impl Serialize for Dof {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.0.is_infinite() {
            serializer.serialize_str("infinite")
        } else {
            serializer.serialize_f64(self.0)
        }
    }
}

/// A level of confidence p, above 0 and below 1.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize)]
pub struct Level(f64);

/// A number that is no level.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{0} is not a level of confidence: it is above 0 and below 1, such as 0.95")]
pub struct BadLevel(pub f64);

/// Too few degrees of freedom to say how far a value may be off.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error(
    "with {0:.2} effective degrees of freedom nothing can be said about how far the value may be off; it takes 1 at least: measure longer"
)]
pub struct TooFewDof(pub f64);

impl Level {
    /// 95 %.
    pub const P95: Self = Self(0.95);
    /// 95.45 %, for which k = 2 with many degrees of freedom: the custom of calibration laboratories (EA-4/02 M).
    pub const K2: Self = Self(0.954_5);
    /// 99 %.
    pub const P99: Self = Self(0.99);

    /// p.
    ///
    /// # Errors
    /// [`BadLevel`] outside 0 to 1.
    pub fn new(p: f64) -> Result<Self, BadLevel> {
        if p > 0.0 && p < 1.0 {
            Ok(Self(p))
        } else {
            Err(BadLevel(p))
        }
    }

    /// p as a number.
    pub const fn p(self) -> f64 {
        self.0
    }

    /// k = t_p(ν), ν truncated to the next lower whole number.
    ///
    /// JCGM 100:2008, G.4.1 and table G.2.
    ///
    /// # Errors
    /// [`TooFewDof`] below one.
    pub fn factor(self, dof: Dof) -> Result<f64, TooFewDof> {
        if dof.value() < 1.0 {
            return Err(TooFewDof(dof.value()));
        }
        Ok(student(dof.value().floor(), self.0.midpoint(1.0)))
    }
}

impl Default for Level {
    /// 95.45 %.
    fn default() -> Self {
        Self::K2
    }
}

/// From here on the expansion about the normal distribution is right to ten digits, while the library's own
/// inversion slowly loses them.
const MANY: f64 = 3000.0;

/// The quantile of Student's t.
fn student(dof: f64, p: f64) -> f64 {
    let z = Normal::standard().inverse_cdf(p);
    if dof >= MANY {
        return far_expansion(z, dof);
    }
    StudentsT::new(0.0, 1.0, dof).map_or_else(|_| far_expansion(z, dof), |t| t.inverse_cdf(p))
}

/// t ≈ z + (z³ + z)/(4ν) + (5z⁵ + 16z³ + 3z)/(96ν²): Abramowitz and Stegun, *Handbook of Mathematical Functions*,
/// 26.7.5.
fn far_expansion(z: f64, dof: f64) -> f64 {
    let square = z * z;
    let first = z * (square + 1.0) / 4.0;
    let second = z * (5.0 * square * square + 16.0 * square + 3.0) / 96.0;
    z + (first + second / dof) / dof
}

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.17.1, `t.ppf`; the first rows are those of JCGM 100:2008, table G.2.
    #[test]
    fn factors_are_those_of_the_table() {
        let rows = [
            (1.0, 12.706_204_736, 13.967_811_488, 63.656_741_163),
            (2.0, 4.302_652_730, 4.526_550_760, 9.924_843_201),
            (5.0, 2.570_581_836, 2.648_654_254, 4.032_142_984),
            (16.6, 2.119_905_299, 2.168_942_996, 2.920_781_622),
            (50.0, 2.008_559_112, 2.051_250_782, 2.677_793_271),
            (999.0, 1.962_341_461, 2.002_508_026, 2.580_759_637),
            (2999.0, 1.960_755_319, 2.000_836_398, 2.577_469_682),
            (3000.0, 1.960_755_055, 2.000_836_120, 2.577_469_135),
            (2346.0, 1.960_975_696, 2.001_068_648, 2.577_926_625),
            (1e6, 1.959_966_357, 2.000_004_944, 2.575_834_220),
            (f64::INFINITY, 1.959_963_985, 2.000_002_444, 2.575_829_304),
        ];
        for (dof, p95, k2, p99) in rows {
            for (level, expected) in [(Level::P95, p95), (Level::K2, k2), (Level::P99, p99)] {
                let found = level.factor(Dof::new(dof).unwrap()).unwrap();
                assert!(
                    (found / expected - 1.0).abs() < 1e-9,
                    "{dof}: {found} {expected}"
                );
            }
        }
    }

    #[test]
    fn what_cannot_be_is_refused_with_a_sentence() {
        assert!(Dof::new(0.0).is_err() && Dof::new(f64::NAN).is_err());
        assert!((Dof::believed_to(0.25).unwrap().value() - 8.0).abs() < 1e-12);
        let too_few = Level::K2.factor(Dof::made(0.4)).unwrap_err().to_string();
        assert_eq!(
            too_few,
            "with 0.40 effective degrees of freedom nothing can be said about how far the value may be off; it takes 1 at least: measure longer"
        );
        assert_eq!(
            Level::new(95.0).unwrap_err().to_string(),
            "95 is not a level of confidence: it is above 0 and below 1, such as 0.95"
        );
    }
}
