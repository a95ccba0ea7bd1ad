//! By how much one series comes after another: every delay is tried, and the one counts at which the
//! two move together best.
//!
//! Readings are paired with the nearest one and never interpolated: a mean of two readings has less
//! noise than either, and a slope would follow from that.

use zonda_model::Stamp;

use super::Series;
use crate::float;

/// Delays up to this are tried, either way (common practice, no source: meters refresh once a second
/// and may average over some seconds before their output).
pub const DELAY_MAX_US: i64 = 10_000_000;
/// Below this correlation two series do not move together, and a delay would be chance.
const CORRELATION_MIN: f64 = 0.5;
/// The finest step of a delay.
const STEP_MIN_US: i64 = 50_000;

/// A delay and the pairs (text, analog) at it.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// By how many seconds the analog reading comes after the text line's.
    pub delay_s: f64,
    /// The readings that belong together.
    pub pairs: Vec<(f64, f64)>,
}

/// The delay at which the two move together best; `None` where they hardly do at any.
pub(crate) fn find(text: &Series, analog: &Series) -> Option<Found> {
    let spacing = spacing(text)?.min(spacing(analog)?);
    let step = (spacing / 4).max(STEP_MIN_US);
    let steps = DELAY_MAX_US / step;
    let tried = (-steps..=steps).map(|k| k * step).filter_map(|delay| {
        let correlation = correlation(&pairs(text, analog, delay))?;
        Some((delay, correlation.abs()))
    });
    let tried: Vec<(i64, f64)> = tried.collect();
    let best = tried.iter().map(|(_, r)| *r).fold(0.0, f64::max);
    if best < CORRELATION_MIN {
        return None;
    }
    let delay = middle_of_best(&tried, best)?;
    Some(Found {
        delay_s: float::seconds(delay),
        pairs: pairs(text, analog, delay),
    })
}

/// A meter that holds its output between refreshes answers alike over a range of delays: the middle
/// of the one nearest to none.
fn middle_of_best(tried: &[(i64, f64)], best: f64) -> Option<i64> {
    let is_best = |r: f64| r >= best - 1e-9;
    let nearest = tried
        .iter()
        .enumerate()
        .filter(|(_, (_, r))| is_best(*r))
        .min_by_key(|(_, (delay, _))| delay.abs())?
        .0;
    let first = tried[..nearest]
        .iter()
        .rposition(|(_, r)| !is_best(*r))
        .map_or(0, |k| k + 1);
    let last = tried[nearest..]
        .iter()
        .position(|(_, r)| !is_best(*r))
        .map_or(tried.len() - 1, |k| nearest + k - 1);
    Some(i64::midpoint(tried[first].0, tried[last].0))
}

/// Readings (text, analog) that belong together if the analog one comes `delay` µs later: each of
/// the slower series with the nearest of the other, where that is not farther than its own spacing
/// allows.
pub(crate) fn pairs(text: &Series, analog: &Series, delay: i64) -> Vec<(f64, f64)> {
    if text.len() <= analog.len() {
        matched(text, analog, delay)
    } else {
        let turned = matched(analog, text, -delay);
        turned
            .into_iter()
            .map(|(analog, text)| (text, analog))
            .collect()
    }
}

fn matched(slow: &Series, fast: &Series, delay: i64) -> Vec<(f64, f64)> {
    let Some(reach) = spacing(fast).map(|spacing| spacing * 3 / 4) else {
        return Vec::new();
    };
    let away = |wanted: i64, at: Stamp| (at.micros() - wanted).abs();
    let mut near = 0;
    let mut pairs = Vec::with_capacity(slow.len());
    for (at, value) in slow {
        let wanted = at.micros().saturating_add(delay);
        while near + 1 < fast.len() && away(wanted, fast[near + 1].0) <= away(wanted, fast[near].0)
        {
            near += 1;
        }
        if away(wanted, fast[near].0) <= reach {
            pairs.push((*value, fast[near].1));
        }
    }
    pairs
}

/// The usual time between two readings, µs: the median, so that gaps do not count.
fn spacing(series: &Series) -> Option<i64> {
    let mut between: Vec<i64> = series
        .iter()
        .zip(series.iter().skip(1))
        .map(|(a, b)| b.0.micros() - a.0.micros())
        .collect();
    if between.is_empty() {
        return None;
    }
    let middle = between.len() / 2;
    Some(*between.select_nth_unstable(middle).1)
}

/// Pearson's r; `None` where there are too few pairs or one side stands still.
fn correlation(pairs: &[(f64, f64)]) -> Option<f64> {
    if pairs.len() < super::relation::PAIRS_MIN / 2 {
        return None;
    }
    let n = float::count(pairs.len());
    let mean = |side: fn(&(f64, f64)) -> f64| pairs.iter().map(side).sum::<f64>() / n;
    let (x, y) = (mean(|pair| pair.0), mean(|pair| pair.1));
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for pair in pairs {
        let (dx, dy) = (pair.0 - x, pair.1 - y);
        xx += dx * dx;
        yy += dy * dy;
        xy += dx * dy;
    }
    (xx > 0.0 && yy > 0.0).then(|| xy / (xx * yy).sqrt())
}
