//! The Allan deviation: how long to average before drift undoes what averaging gains.
//!
//! White noise falls as m^(−1/2) with m, the number of readings averaged; where the curve turns flat or
//! up, longer means are no better. IEEE Std 1139 (from memory); Allan, *Statistics of atomic frequency
//! standards*, Proc. IEEE 54 (1966). Both need readings at even steps without gaps; take an unbroken piece.

use crate::float;
use crate::moments::Moments;

/// σ(m): σ² = ½·⟨(ȳ_{i+1} − ȳ_i)²⟩ over neighbouring means of m values, in the unit of the values.
/// `None` for m = 0 or fewer than two means.
pub fn deviation(values: &[f64], m: usize) -> Option<f64> {
    if m == 0 || values.len() / m < 2 {
        return None;
    }
    let means: Vec<f64> = values
        .chunks_exact(m)
        .map(|chunk| chunk.iter().sum::<f64>() / float::len(m))
        .collect();
    let squares = means.windows(2).map(|pair| (pair[1] - pair[0]).powi(2));
    half_mean(squares)
}

/// As [`deviation`], over all means of m neighbours wherever they begin: the same expectation, less scatter.
/// `None` for m = 0 or fewer than 2m values.
pub fn overlapping_deviation(values: &[f64], m: usize) -> Option<f64> {
    if m == 0 || values.len() / m < 2 {
        return None;
    }
    let mean = values.iter().copied().collect::<Moments>().mean()?;
    let mut sums = vec![0.0];
    let mut sum = 0.0;
    for value in values {
        sum += value - mean;
        sums.push(sum);
    }
    let squares = sums
        .windows(2 * m + 1)
        .map(|s| ((s[2 * m] - 2.0 * s[m] + s[0]) / float::len(m)).powi(2));
    half_mean(squares)
}

fn half_mean(squares: impl Iterator<Item = f64>) -> Option<f64> {
    let mean = squares.collect::<Moments>().mean()?;
    Some((mean / 2.0).sqrt())
}
