//! Numbers drawn from a distribution: the same ones for the same seed, in every release and on every machine.
//!
//! The generator's stream is fixed by its publication (Bernstein's ChaCha with 8 rounds); logarithms, powers and cosines
//! come from a library in the program, not from the machine's.

use std::f64::consts::TAU;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use crate::dof::Dof;
use crate::spread::{Shape, Spread};

/// Two independent numbers, above 0 and up to 1: all that one draw needs.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Chance(f64, f64);

/// Where chance comes from.
pub(crate) struct Urn(ChaCha8Rng);

impl Urn {
    pub(crate) fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    pub(crate) fn draw(&mut self) -> Chance {
        Chance(self.unit(), self.unit())
    }

    /// 53 random bits, as a number above 0 and up to 1.
    fn unit(&mut self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit exactly")]
        let bits = ((self.0.next_u64() >> 11) + 1) as f64;
        bits * 2f64.powi(-53)
    }
}

impl Chance {
    /// Standard normal, √(−2 ln c₁)·cos(2π·c₂) (Box and Muller, 1958).
    pub(crate) fn normal(self) -> f64 {
        (-2.0 * libm::log(self.0)).sqrt() * libm::cos(TAU * self.1)
    }

    /// From a spread, in its own unit.
    pub(crate) fn of(self, spread: Spread) -> f64 {
        spread.u() * self.standard(spread.shape(), spread.dof())
    }

    /// In units of u. What has finite degrees of freedom and no ends is drawn from Student's t, scaled by u
    /// (JCGM 101:2008, 6.4.9); a bounded distribution as it stands.
    fn standard(self, shape: Shape, dof: Dof) -> f64 {
        let bounded = |position: f64| position * shape.divisor().unwrap_or(1.0);
        match shape {
            Shape::Normal if dof.value().is_finite() => self.student(dof.value()),
            Shape::Normal => self.normal(),
            Shape::Rectangular => bounded(2.0 * self.0 - 1.0),
            Shape::Triangular => bounded(self.0 - self.1),
            Shape::UShaped => bounded(libm::cos(TAU * self.0)),
            Shape::Trapezoidal(top) => bounded(self.trapezium(top)),
        }
    }

    /// Student's t, √(ν·(c₁^(−2/ν) − 1))·cos(2π·c₂) (Bailey, Math. Comp. 62 (1994) 779).
    fn student(self, dof: f64) -> f64 {
        let radius = dof * (libm::pow(self.0, -2.0 / dof) - 1.0);
        radius.sqrt() * libm::cos(TAU * self.1)
    }

    /// The sum of two rectangles whose half-widths are (1 ± β)/2 (JCGM 101:2008, 6.4.4).
    fn trapezium(self, top: f64) -> f64 {
        let flat = |c: f64| 2.0 * c - 1.0;
        (flat(self.0) * (1.0 + top)).midpoint(flat(self.1) * (1.0 - top))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The generator's stream must not change: results in old reports must come out again.
    #[test]
    fn the_stream_is_fixed() {
        let mut urn = Urn::new(7360);
        let first: Vec<f64> = (0..3).map(|_| urn.draw().normal()).collect();
        assert_eq!(first, STREAM);
    }

    const STREAM: [f64; 3] = [
        1.073_427_605_748_996_9,
        -0.410_707_428_694_923_66,
        1.093_726_349_292_409_4,
    ];

    /// Variance and kurtosis of each shape in closed form: 9/5, 12/5, 3/2, 3 and, for t with ν = 10, 1.25 and 4.
    #[test]
    fn every_shape_has_its_moments() {
        let t = Dof::new(10.0).unwrap();
        let trapezium =
            |b: f64| 1.2 * (1.0 - b.powi(6)) * 2.0 / ((1.0 - b * b) * (1.0 + b * b).powi(2));
        let shapes = [
            (Shape::Rectangular, Dof::INFINITE, 1.0, 1.8),
            (Shape::Triangular, Dof::INFINITE, 1.0, 2.4),
            (Shape::UShaped, Dof::INFINITE, 1.0, 1.5),
            (Shape::Normal, Dof::INFINITE, 1.0, 3.0),
            (Shape::Trapezoidal(0.5), Dof::INFINITE, 1.0, trapezium(0.5)),
            (Shape::Normal, t, 1.25, 4.0),
        ];
        for (shape, dof, variance, kurtosis) in shapes {
            let mut urn = Urn::new(1);
            let draws: Vec<f64> = (0..200_000)
                .map(|_| urn.draw().standard(shape, dof))
                .collect();
            let moment = |power| draws.iter().map(|x| x.powi(power)).sum::<f64>() / 200_000.0;
            assert!(moment(1).abs() < 0.01, "{shape:?}");
            assert!(
                (moment(2) / variance - 1.0).abs() < 0.02,
                "{shape:?} {}",
                moment(2)
            );
            let found = moment(4) / moment(2).powi(2);
            assert!((found / kurtosis - 1.0).abs() < 0.06, "{shape:?} {found}");
        }
    }
}
