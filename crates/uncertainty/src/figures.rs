//! What a number of drawn results say, and whether more draws would say anything else.

use crate::dof::Level;
use crate::float;
use crate::trial::Interval;

/// What a number of results say.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Figures {
    pub(crate) mean: f64,
    pub(crate) u: f64,
    pub(crate) symmetric: Interval,
    pub(crate) shortest: Interval,
}

impl Figures {
    /// Sorts the results on the way.
    pub(crate) fn of(results: &mut [f64], level: Level) -> Self {
        results.sort_unstable_by(f64::total_cmp);
        let n = float::len(results.len());
        let first = results[0];
        let mean = first + results.iter().map(|y| y - first).sum::<f64>() / n;
        let squares: f64 = results.iter().map(|y| (y - mean).powi(2)).sum();
        let inside = held(results.len(), level);
        let beyond = results.len() - inside;
        let from = |low: usize| Interval {
            low: results[low],
            high: results[low + inside - 1],
        };
        let shortest = (0..=beyond)
            .map(from)
            .min_by(|a, b| a.width().total_cmp(&b.width()));
        Self {
            mean,
            u: (squares / (n - 1.0)).sqrt(),
            symmetric: from(beyond / 2),
            shortest: shortest.unwrap_or_else(|| from(0)),
        }
    }
}

/// How many of the results an interval holds, its ends included.
fn held(results: usize, level: Level) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a count"
    )]
    let inside = (level.p() * float::len(results) + 0.5) as usize + 1;
    inside.min(results)
}

/// Batch by batch figures, and whether their means stand still.
#[derive(Default)]
pub(crate) struct Settling {
    batches: Vec<[f64; 4]>,
}

impl Settling {
    pub(crate) fn push(&mut self, figures: Figures, digits: u8) -> bool {
        let Interval { low, high } = figures.symmetric;
        self.batches.push([figures.mean, figures.u, low, high]);
        let count = float::len(self.batches.len());
        if self.batches.len() < 2 {
            return false;
        }
        let mean =
            |figure: usize| self.batches.iter().map(|batch| batch[figure]).sum::<f64>() / count;
        let sd_of_mean = |figure: usize| {
            let mean = mean(figure);
            let squares = self
                .batches
                .iter()
                .map(|batch| (batch[figure] - mean).powi(2));
            (squares.sum::<f64>() / (count * (count - 1.0))).sqrt()
        };
        let tolerance = tolerance(mean(1), digits) / 5.0;
        (0..4).all(|figure| 2.0 * sd_of_mean(figure) <= tolerance)
    }
}

/// δ = ½·10^l where u = c·10^l with c a whole number of so many digits (JCGM 101:2008, 7.9.2).
pub(crate) fn tolerance(u: f64, digits: u8) -> f64 {
    let last = usize::from(digits.max(1) - 1);
    let text = format!("{u:.last$e}");
    let exponent = text
        .split_once('e')
        .and_then(|(_, exponent)| exponent.parse::<i32>().ok());
    let place = exponent.unwrap_or(0) - i32::from(digits.max(1) - 1);
    0.5 * 10f64.powi(place)
}
