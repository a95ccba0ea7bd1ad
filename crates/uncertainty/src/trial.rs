//! The cross-check of a budget by drawing: errors are drawn from their distributions, sent through the law itself, and
//! the results counted out (JCGM 101:2008, the Monte Carlo method).
//!
//! It knows nothing of sensitivities, so that it finds what a first-order budget cannot: a law that bends within the
//! uncertainty, a sensitivity that is nought at the very value, a result that is far from normal. Whether both agree,
//! [`Outcome::against`] says.
//!
//! Errors that are partly correlated are drawn as normal together (JCGM 101:2008, 6.4.8), whatever their shape; those
//! with one origin or one cause wholly in common are drawn once.

use serde::Serialize;

use crate::budget::{BadBudget, Budget, Tie};
use crate::causes::Causes;
use crate::dof::{Level, TooFewDof};
use crate::draw::Urn;
use crate::drawing::Drawing;
use crate::figures::{Figures, Settling, tolerance};
use crate::influence::Influence;

/// How often to draw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Count {
    /// So often.
    Fixed(usize),
    /// In batches, until mean, standard uncertainty and the interval's ends stand still to a fifth of the tolerance of
    /// a standard uncertainty of so many significant digits (JCGM 101:2008, 7.9 and 8.2), or until `max`.
    Settled {
        /// Significant digits of u that shall be right: 1 or 2.
        digits: u8,
        /// Not more often than this.
        max: usize,
    },
}

/// What is asked of a trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// Any number; the same seed gives the same outcome.
    pub seed: u64,
    /// The share of results that the intervals hold.
    pub level: Level,
    /// How often to draw.
    pub count: Count,
}

impl Trial {
    /// Up to a million draws, until one digit of u is settled.
    pub const DEFAULT: Self = Self {
        seed: 1,
        level: Level::P95,
        count: Count::Settled {
            digits: 1,
            max: 1_000_000,
        },
    };
}

/// From where to where.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Interval {
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

impl Interval {
    /// high − low.
    pub fn width(self) -> f64 {
        self.high - self.low
    }
}

/// What the draws gave, in the unit of the law's result.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Outcome {
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation: the standard uncertainty of the result.
    pub u: f64,
    /// As many results lie below it as above (JCGM 101:2008, 7.7.1).
    pub symmetric: Interval,
    /// The shortest that holds as many (JCGM 101:2008, 7.7.2).
    pub shortest: Interval,
    /// The share that the intervals hold.
    pub level: Level,
    /// How often was drawn.
    pub trials: usize,
    /// Whether that was often enough; `None` where the count was fixed.
    pub settled: Option<bool>,
    /// The seed.
    pub seed: u64,
}

/// A budget and its cross-check side by side (JCGM 101:2008, clause 8.1).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Verdict {
    /// |y − U − y_low|.
    pub low_off: f64,
    /// |y + U − y_high|.
    pub high_off: f64,
    /// δ: half a unit in the last of the significant digits of u.
    pub tolerance: f64,
}

impl Verdict {
    /// Whether the budget's interval is that of the draws, within the tolerance.
    pub fn agrees(self) -> bool {
        self.low_off <= self.tolerance && self.high_off <= self.tolerance
    }
}

/// Why nothing could be drawn.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadTrial {
    /// Too few draws for an interval.
    #[error("{given} draws cannot show an interval of that level; it takes {needed}")]
    TooFew {
        /// How many were asked for.
        given: usize,
        /// How many it takes.
        needed: usize,
    },
    /// Digits that cannot be asked for.
    #[error("an uncertainty is stated with 1 or 2 significant digits, not {0}")]
    Digits(u8),
    /// The law failed for drawn values.
    #[error(
        "the law gives {0} for values within the uncertainty of its inputs; state smaller uncertainties, or no result"
    )]
    Broken(f64),
    /// The inputs contradict each other.
    #[error(transparent)]
    Budget(#[from] BadBudget),
}

/// Draws the inputs' errors and sends their values through `law`, which gets one value for each of `inputs` in their
/// order. An error that several inputs share is drawn once; `ties` are correlations between errors of different inputs.
///
/// # Errors
/// [`BadTrial`].
pub fn run(
    inputs: &[&Budget],
    ties: &[Tie],
    law: impl Fn(&[f64]) -> f64,
    trial: Trial,
) -> Result<Outcome, BadTrial> {
    let rows: Vec<(Influence, f64)> = inputs
        .iter()
        .flat_map(|input| input.rows())
        .map(|row| (row.influence().clone(), row.sensitivity()))
        .collect();
    let mut all_ties: Vec<Tie> = ties.to_vec();
    for tie in inputs.iter().flat_map(|input| input.ties()) {
        if !all_ties.contains(tie) {
            all_ties.push(tie.clone());
        }
    }
    let causes = Causes::new(&rows, &all_ties)?;
    counted(Drawing::new(inputs, &rows, &causes, law)?, trial)
}

fn counted(
    mut drawing: Drawing<'_, impl Fn(&[f64]) -> f64>,
    trial: Trial,
) -> Result<Outcome, BadTrial> {
    let mut urn = Urn::new(trial.seed);
    let needed = draws_min(trial.level);
    let mut results = Vec::new();
    let settled = match trial.count {
        Count::Fixed(given) if given < needed => {
            return Err(BadTrial::TooFew { given, needed });
        }
        Count::Fixed(count) => {
            drawing.draw_into(&mut results, count, &mut urn)?;
            None
        }
        Count::Settled { digits, .. } if !(1..=2).contains(&digits) => {
            return Err(BadTrial::Digits(digits));
        }
        Count::Settled { digits, max } => {
            let batch = needed.max(BATCH_MIN);
            let mut settling = Settling::default();
            let mut is_settled = false;
            while !is_settled && results.len() + batch <= max.max(2 * batch) {
                let from = results.len();
                drawing.draw_into(&mut results, batch, &mut urn)?;
                let figures = Figures::of(&mut results[from..].to_vec(), trial.level);
                is_settled = settling.push(figures, digits);
            }
            Some(is_settled)
        }
    };
    let trials = results.len();
    let Figures {
        mean,
        u,
        symmetric,
        shortest,
    } = Figures::of(&mut results, trial.level);
    Ok(Outcome {
        mean,
        u,
        symmetric,
        shortest,
        level: trial.level,
        trials,
        settled,
        seed: trial.seed,
    })
}

/// JCGM 101:2008, 7.9.4 a.
const BATCH_MIN: usize = 10_000;

/// J: 100/(1 − p), so that some results lie beyond the interval's ends.
fn draws_min(level: Level) -> usize {
    let outside = (1.0 - level.p()).max(1e-6);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 100 and 10^8"
    )]
    let draws = (100.0 / outside).ceil() as usize;
    draws
}

impl Outcome {
    /// Holds the budget's y ± U at this level against the draws' symmetric interval, to so many significant digits of u
    /// (1, or 2 where that much is stated).
    ///
    /// # Errors
    /// [`TooFewDof`] where the budget has no U.
    pub fn against(&self, budget: &Budget, digits: u8) -> Result<Verdict, TooFewDof> {
        let expanded = budget.expanded(self.level)?.expanded;
        Ok(Verdict {
            low_off: (budget.value() - expanded - self.symmetric.low).abs(),
            high_off: (budget.value() + expanded - self.symmetric.high).abs(),
            tolerance: tolerance(budget.u(), digits),
        })
    }
}

impl Budget {
    /// The budget's own errors drawn and added up by its sensitivities: whether U holds what it claims where
    /// rectangles or few degrees of freedom make the sum far from normal. A law that bends is not seen this way;
    /// [`run`] sees it.
    ///
    /// # Errors
    /// [`BadTrial`].
    pub fn tried(&self, trial: Trial) -> Result<Outcome, BadTrial> {
        run(&[self], &[], |values| values[0], trial)
    }
}
