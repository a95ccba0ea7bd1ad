//! Correlated noise with a stated time scale, and the one place where random numbers are drawn.
//!
//! An Ornstein-Uhlenbeck process sampled at equal steps is a first-order autoregression, AR(1),
//! whose lag-one correlation is e^(−step/time scale) (textbook: Box and Jenkins, *Time Series
//! Analysis*). The discretisation here is exact, so the step may have any length.

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;

/// Random numbers of one seed.
#[derive(Clone, Debug)]
pub struct Dice(StdRng);

impl Dice {
    /// The numbers of this seed.
    pub fn new(seed: u64) -> Self {
        Self(StdRng::seed_from_u64(seed))
    }

    /// Normally distributed with mean 0 and standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        self.0.sample(StandardNormal)
    }

    /// Evenly distributed from −1 to 1.
    pub fn even(&mut self) -> f64 {
        self.0.random_range(-1.0..=1.0)
    }

    /// True in this share of the throws.
    pub fn happens(&mut self, share: f64) -> bool {
        self.0.random_bool(share.clamp(0.0, 1.0))
    }

    /// Evenly distributed from 0 to `end - 1`.
    ///
    /// # Panics
    /// Where `end` is 0.
    pub fn below(&mut self, end: usize) -> usize {
        self.0.random_range(0..end)
    }
}

/// Noise of mean 0 and standard deviation 1 that forgets itself over its time scale.
#[derive(Clone, Debug)]
pub struct Drift {
    time_scale_s: f64,
    value: f64,
}

impl Drift {
    /// Noise that is already under way.
    pub fn new(time_scale_s: f64, dice: &mut Dice) -> Self {
        Self {
            time_scale_s,
            value: dice.normal(),
        }
    }

    /// Moves on by `dt_s` seconds.
    pub fn step(&mut self, dt_s: f64, dice: &mut Dice) -> f64 {
        let kept = (-dt_s / self.time_scale_s).exp();
        self.value = kept * self.value + (1.0 - kept * kept).sqrt() * dice.normal();
        self.value
    }

    /// The value now.
    pub const fn value(&self) -> f64 {
        self.value
    }
}

/// Moves `value` towards `target` as a first-order lag does within `dt_s` seconds.
pub(crate) fn lag(value: &mut f64, target: f64, time_constant_s: f64, dt_s: f64) {
    *value += (target - *value) * (1.0 - (-dt_s / time_constant_s).exp());
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean 0, variance 1, lag-one correlation e^(−dt/τ): the AR(1) process of the module's source.
    #[test]
    fn drift_has_the_stated_moments_and_memory() {
        const STEPS: u32 = 200_000;
        let mut dice = Dice::new(7);
        let mut drift = Drift::new(0.8, &mut dice);
        let series: Vec<f64> = (0..STEPS).map(|_| drift.step(0.1, &mut dice)).collect();
        let n = f64::from(STEPS);
        let mean = series.iter().sum::<f64>() / n;
        let variance = series.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
        let lagged = series
            .windows(2)
            .map(|w| (w[0] - mean) * (w[1] - mean))
            .sum::<f64>()
            / n;
        let stated = (-0.1f64 / 0.8).exp();
        // 200 000 steps hold some 12 500 independent values: four standard errors of the mean are 0.036.
        assert!(mean.abs() < 0.036, "{mean}");
        assert!((variance - 1.0).abs() < 0.05, "{variance}");
        assert!(
            (lagged / variance - stated).abs() < 0.005,
            "{} {stated}",
            lagged / variance
        );
    }

    #[test]
    fn a_lag_covers_63_percent_in_its_time_constant() {
        let mut value = 0.0;
        for _ in 0..10 {
            lag(&mut value, 1.0, 2.0, 0.2);
        }
        assert!((value - (1.0 - (-1.0f64).exp())).abs() < 1e-12);
    }
}
