//! Counts as floating-point numbers, and the mean of numbers that remember each other.

/// A count.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts here stay far below 2^52"
)]
pub(crate) const fn count(n: usize) -> f64 {
    n as f64
}

/// Microseconds as seconds.
#[expect(
    clippy::cast_precision_loss,
    reason = "differences of times stay far below 2^52 µs"
)]
pub(crate) const fn seconds(micros: i64) -> f64 {
    micros as f64 / 1e6
}

/// The mean; zero of nothing.
pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / count(values.len().max(1))
}

/// Variance of the mean of a series whose values remember the ones before: s²/n times one plus
/// twice the sum of its autocorrelations, taken until they first fall to zero or a quarter of the
/// series has passed. What is estimated to be less than independent values would give is not claimed.
pub(crate) fn variance_of_mean(values: &[f64]) -> f64 {
    let n = values.len();
    if n < 2 {
        return f64::INFINITY;
    }
    let mean = mean(values);
    let away: Vec<f64> = values.iter().map(|value| value - mean).collect();
    let covariance = |lag: usize| -> f64 {
        let products = away.iter().zip(&away[lag..]).map(|(a, b)| a * b);
        products.sum::<f64>() / count(n)
    };
    let variance = covariance(0);
    if variance <= 0.0 {
        return 0.0;
    }
    let remembered: f64 = (1..=n / 4)
        .map(|lag| covariance(lag) / variance)
        .take_while(|r| *r > 0.0)
        .sum();
    variance / count(n - 1) * (1.0 + 2.0 * remembered)
}
