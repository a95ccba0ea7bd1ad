//! How many independent values a correlated series is worth, and what that means for its mean.
//!
//! Air and sensors remember: 36 000 samples of one hour of a slow probe may be worth a few dozen
//! independent ones, and s/√n would then claim a tenth of the true uncertainty of the mean.

use crate::float;

/// n_eff = n·(1 − r)/(1 + r) for noise that forgets exponentially (first-order autoregressive), r being its
/// correlation from one sample to the next, −1 < r < 1.
///
/// For long series; not clamped: it can fall below 1 and, for r < 0, exceed n. See [`clamped`].
/// Bayley and Hammersley (1946).
pub fn ar1(n: u64, r: f64) -> f64 {
    float::count(n) * (1.0 - r) / (1.0 + r)
}

/// n_eff = n / (1 + 2·Σ(1 − k/n)·rᵏ), k = 1 … n − 1: [`ar1`] for a series of any length, −1 < r < 1.
pub fn ar1_finite(n: u64, r: f64) -> f64 {
    // 2000 steps at |r| = 0.99 leave 10⁻⁹; a power beyond i32 is zero long before.
    let power = r.powi(i32::try_from(n).unwrap_or(i32::MAX));
    let n = float::count(n);
    let forgets = 1.0 - r;
    let sum = r / forgets - r * (1.0 - power) / (n * forgets * forgets);
    n / (1.0 + 2.0 * sum)
}

/// Between 1 and n: negative correlation is no licence to claim a smaller uncertainty.
pub fn clamped(n_eff: f64, n: u64) -> f64 {
    n_eff.clamp(1.0, float::count(n.max(1)))
}

/// Fewer effective values than this make a weak statement: its degrees of freedom are below 4.
pub const WEAK_BELOW: f64 = 5.0;

/// The standard uncertainty of a mean, with what it rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandardError {
    /// u(x̄) = s/√n_eff, in the unit of the values; k = 1.
    pub u: f64,
    /// Effective number of independent values, 1 to n.
    pub n_eff: f64,
}

impl StandardError {
    /// Degrees of freedom, n_eff − 1; at least 1 is not promised: 0 says that nothing is known about the scatter.
    pub fn dof(self) -> f64 {
        self.n_eff - 1.0
    }

    /// True where too few independent values stand behind it; a longer stretch is needed.
    pub fn is_weak(self) -> bool {
        self.n_eff < WEAK_BELOW
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn negative_correlation_claims_nothing() {
        assert!((clamped(ar1(100, -0.3), 100) - 100.0).abs() < 1e-12);
        assert!((clamped(ar1(10, 0.9), 10) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_closed_form_is_the_sum() {
        for (n, r) in [(2u64, 0.5f64), (7, -0.3), (8, -0.9), (50, 0.99)] {
            let sum: f64 = (1..n)
                .map(|k| {
                    (1.0 - float::count(k) / float::count(n)) * r.powi(i32::try_from(k).unwrap())
                })
                .sum();
            let expected = float::count(n) / (1.0 + 2.0 * sum);
            assert!((ar1_finite(n, r) / expected - 1.0).abs() < 1e-12, "{n} {r}");
        }
    }
}
