//! Does a row of block means stay where it is? Tests that hold their error rate on noise with a memory.
//!
//! A row is read as a sum of cosines, c_k = √(2/n)·Σ x_i·cos(πk(i + ½)/n). Movement of the whole row shows in c₁ and c₂;
//! noise, whatever its memory, has nearly the same power in those as in the next ones, as long as it forgets within a
//! small part of the row. So the noise is measured right beside the movement, and not at the rate of sampling, where
//! a memory makes it look small: with m = 8 coefficients,
//!
//! σ² = Σ c_k²/m for k = 3 … 10; F = (c₁² + c₂²)/(2σ²) follows Fisher's F with 2 and m degrees of freedom, and an end of
//! a means against the other b means t = (x̄_a − x̄_b)/(σ·√(1/a + 1/b)), σ from those b alone, follows Student's t with m.
//!
//! Exact for independent normal noise, asymptotically so for noise that forgets. Müller, *A theory of robust long-run
//! variance estimation*, J. Econometrics 141 (2007); Lazarus, Lewis, Stock and Watson, *HAR inference: recommendations
//! for practice*, J. Bus. Econ. Stat. 36 (2018) (equal-weighted cosines).

use std::f64::consts::PI;
use std::sync::LazyLock;

use zonda_uncertainty::{Dof, Level};

use crate::float;

/// Block means in a row.
pub(crate) const ROW: usize = 32;
/// Block means at either end that are held against the others.
pub(crate) const END: usize = ROW / 8;
/// The others.
const REST: usize = ROW - END;
/// Cosines in which movement shows.
const SLOW: usize = 2;
/// Cosines in which the noise is measured. Twelve would see smaller movements, but ask for noise that forgets twice as fast.
const NOISE: usize = 8;

/// What a row says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bend {
    /// The mean of the row.
    pub(crate) mean: f64,
    /// How far a straight line through the row climbs from its beginning to its end.
    pub(crate) climb: f64,
    /// The standard uncertainty of the climb, with eight degrees of freedom.
    pub(crate) u_climb: f64,
    /// F and t of the row and its ends, and how far each has moved in the unit of the values.
    slow: Departure,
    ends: [Departure; 2],
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Departure {
    statistic: f64,
    size: f64,
}

/// Critical values of the three tests, for an error rate that all three share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Critical {
    slow: f64,
    end: f64,
}

impl Critical {
    /// For a rate above 0 and below 1; a third of it for each test (Bonferroni).
    ///
    /// P(F > f) = (1 + 2f/m)^(−m/2) for 2 and m degrees of freedom.
    pub(crate) fn new(rate: f64) -> Option<Self> {
        let each = rate / 3.0;
        let half = float::len(NOISE) / 2.0;
        let level = Level::new(1.0 - each).ok()?;
        let dof = Dof::new(float::len(NOISE)).ok()?;
        Some(Self {
            slow: half * (each.powf(-1.0 / half) - 1.0),
            end: level.factor(dof).ok()?,
        })
    }
}

impl Bend {
    pub(crate) fn of(row: &[f64; ROW]) -> Self {
        let mean = mean(row);
        let noise = noise(row, mean, &*WHOLE);
        let n = float::len(ROW);
        let lever: f64 = n * (n * n - 1.0) / 12.0;
        let middle = (n - 1.0) / 2.0;
        let moment: f64 = (0..)
            .zip(row)
            .map(|(i, x)| (f64::from(i) - middle) * (x - mean))
            .sum();
        Self {
            mean,
            climb: n * moment / lever,
            u_climb: n * noise / lever.sqrt(),
            slow: slow(row, mean, noise),
            ends: [
                end(&row[..END], &row[END..]),
                end(&row[REST..], &row[..REST]),
            ],
        }
    }

    /// True where one of the tests sees a movement larger than `negligible`.
    pub(crate) fn moves(&self, critical: &Critical, negligible: f64) -> bool {
        let seen = |departure: &Departure, critical: f64| {
            departure.statistic > critical && departure.size > negligible
        };
        seen(&self.slow, critical.slow) || self.ends.iter().any(|of| seen(of, critical.end))
    }
}

/// The first two cosines against the noise; the size is how far the curve they draw goes up and down.
fn slow(row: &[f64], mean: f64, noise: f64) -> Departure {
    let [one, two] = [0, 1].map(|k| coefficient(row, mean, &WHOLE[k]));
    let curve = WHOLE[0]
        .iter()
        .zip(&WHOLE[1])
        .map(|(a, b)| one * a + two * b);
    let (low, high) = curve.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
        (low.min(x), high.max(x))
    });
    let power = (one * one + two * two) / float::len(SLOW);
    Departure {
        statistic: ratio(power, noise * noise),
        size: high - low,
    }
}

fn end(end: &[f64], rest: &[f64]) -> Departure {
    let middle = mean(rest);
    let size = (mean(end) - middle).abs();
    let noise = noise(rest, middle, &*PART);
    let weight = (1.0 / float::len(END) + 1.0 / float::len(REST)).sqrt();
    Departure {
        statistic: ratio(size, noise * weight),
        size,
    }
}

/// Without noise every movement is beyond all bounds, and no movement is none.
fn ratio(signal: f64, noise: f64) -> f64 {
    if signal > 0.0 { signal / noise } else { 0.0 }
}

/// σ: what one block mean scatters, memory included.
fn noise<const N: usize>(row: &[f64], mean: f64, cosines: &[[f64; N]]) -> f64 {
    let power: f64 = cosines[SLOW..]
        .iter()
        .map(|cosine| coefficient(row, mean, cosine).powi(2))
        .sum();
    (power / float::len(NOISE)).sqrt()
}

fn coefficient(row: &[f64], mean: f64, cosine: &[f64]) -> f64 {
    row.iter().zip(cosine).map(|(x, c)| (x - mean) * c).sum()
}

fn mean(row: &[f64]) -> f64 {
    row.iter().sum::<f64>() / float::len(row.len())
}

type Cosines<const N: usize> = [[f64; N]; SLOW + NOISE];

static WHOLE: LazyLock<Cosines<ROW>> = LazyLock::new(cosines);
static PART: LazyLock<Cosines<REST>> = LazyLock::new(cosines);

/// √(2/N)·cos(πk(i + ½)/N) for k = 1, 2, …: orthonormal, and all orthogonal to a constant.
fn cosines<const N: usize>() -> Cosines<N> {
    let n = float::len(N);
    std::array::from_fn(|k| {
        std::array::from_fn(|i| {
            let turns = PI * float::len(k + 1) * (float::len(i) + 0.5) / n;
            (2.0 / n).sqrt() * libm::cos(turns)
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cosines_are_orthonormal() {
        for (j, one) in PART.iter().enumerate() {
            assert!(one.iter().sum::<f64>().abs() < 1e-12);
            for (k, two) in PART.iter().enumerate() {
                let product: f64 = one.iter().zip(two).map(|(a, b)| a * b).sum();
                let expected = if j == k { 1.0 } else { 0.0 };
                assert!((product - expected).abs() < 1e-12, "{j} {k} {product}");
            }
        }
    }

    /// scipy 1.17.1: `f.isf(rate/3, 2, 8)`, `t.isf(rate/6, 8)`.
    #[test]
    fn critical_values_are_those_of_scipy() {
        for (rate, slow, end) in [
            (0.05, 7.132_630_734_854_955, 3.015_761_836_887_166),
            (3e-4, 36.0, 7.120_003_882_734_538),
        ] {
            let critical = Critical::new(rate).unwrap();
            assert!((critical.slow / slow - 1.0).abs() < 1e-9, "{critical:?}");
            assert!((critical.end / end - 1.0).abs() < 1e-9, "{critical:?}");
        }
    }

    #[test]
    fn a_line_without_noise_climbs_as_it_does() {
        let row = std::array::from_fn(|i| 180.0 + 0.5 * float::len(i));
        let bend = Bend::of(&row);
        assert!((bend.climb - 16.0).abs() < 1e-9, "{bend:?}");
        assert!(bend.moves(&Critical::new(1e-4).unwrap(), 0.0));
        assert!(!bend.moves(&Critical::new(1e-4).unwrap(), 17.0));
    }
}
