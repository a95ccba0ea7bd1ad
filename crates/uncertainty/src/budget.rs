//! A result's budget: every cause of doubt with its sensitivity, and what they make together.
//!
//! u² = Σ_i Σ_j (c_i·u_i)(c_j·u_j)·r_ij, c_i = ∂f/∂x_i (JCGM 100:2008, 5.2.2). Errors of one [`Origin`] are one error
//! (r = 1); errors that share a cause are correlated as
//! [`crate::Common`] says; two that were measured together may be tied
//! by a correlation of their own ([`Draft::tied`]).
//!
//! ν_eff = u⁴/Σ_g(u_g⁴/ν_g) (Welch and Satterthwaite; JCGM 100:2008, G.4.1), where correlated errors count as one
//! term g with the fewest degrees of freedom among them: the formula itself is for independent terms.
//!
//! First order: where the law bends within the uncertainty, or a sensitivity is nought at the very value, the
//! cross-check by [`crate::trial`] tells.

use serde::Serialize;
use zonda_model::Unit;

use crate::causes::Causes;
use crate::dof::{Dof, Level, TooFewDof};
use crate::influence::{Influence, Origin};
use crate::matrix::Correlations;

/// A value with its budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    what: String,
    value: f64,
    unit: Unit,
    rows: Vec<Row>,
    ties: Vec<Tie>,
    omitted: Vec<Origin>,
    u: f64,
    dof: Dof,
}

/// One line of a budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    influence: Influence,
    sensitivity: f64,
    share: f64,
}

/// Two errors that were seen to go together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Tie {
    /// One.
    pub a: Origin,
    /// The other.
    pub b: Origin,
    /// Their correlation, −1 to 1.
    pub r: f64,
}

/// What cannot be a budget.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadBudget {
    /// The value is no number.
    #[error("{what} is {value}, and no budget can be made for that")]
    Value {
        /// Of what.
        what: String,
        /// What it was.
        value: f64,
    },
    /// A sensitivity is no number.
    #[error("the sensitivity to {origin} is {sensitivity}: at this value the law has no slope")]
    Sensitivity {
        /// To what.
        origin: Origin,
        /// What it was.
        sensitivity: f64,
    },
    /// One error that is said to be shared in two ways.
    #[error("{0} is said to be shared in two different ways; one error has one cause")]
    TwoCauses(Origin),
    /// A share or correlation that is none.
    #[error(
        "{r} cannot be a correlation of {origin}: it is between -1 and 1, and a share between 0 and 1"
    )]
    Correlation {
        /// Of what.
        origin: Origin,
        /// What it was.
        r: f64,
    },
    /// A tie to something that is not there, or to itself.
    #[error(
        "{a} and {b} cannot be tied: they must be two different rows of the budget without a cause in common"
    )]
    NoTie {
        /// One.
        a: Origin,
        /// The other.
        b: Origin,
    },
    /// Correlations that contradict each other.
    #[error("the correlations contradict each other: no three errors can go together like that")]
    Impossible,
}

/// A budget in the making.
#[derive(Clone, Debug)]
pub struct Draft {
    what: String,
    value: f64,
    unit: Unit,
    rows: Vec<(Influence, f64)>,
    ties: Vec<Tie>,
    omitted: Vec<Origin>,
}

impl Draft {
    /// One more error, with ∂f/∂x in the result's unit per unit of the error.
    pub fn row(mut self, influence: Influence, sensitivity: f64) -> Self {
        self.add(influence, sensitivity);
        self
    }

    /// The same, where the draft is only borrowed.
    pub fn add(&mut self, influence: Influence, sensitivity: f64) {
        let same = self.rows.iter_mut().find(|(row, _)| *row == influence);
        if let Some((_, sum)) = same {
            *sum += sensitivity;
        } else {
            self.rows.push((influence, sensitivity));
        }
    }

    /// All errors of an input, with ∂f/∂x of that input.
    pub fn through(mut self, input: &Budget, sensitivity: f64) -> Self {
        for row in &input.rows {
            self.add(row.influence.clone(), sensitivity * row.sensitivity);
        }
        for tie in &input.ties {
            if !self.ties.contains(tie) {
                self.ties.push(tie.clone());
            }
        }
        for origin in &input.omitted {
            self.omit(origin.clone());
        }
        self
    }

    /// A cause of doubt that is there but of which nothing is known, so that no row can speak for it. It makes the
    /// budget no larger: it is said beside the result.
    pub fn omitting(mut self, origin: Origin) -> Self {
        self.omit(origin);
        self
    }

    /// The same, where the draft is only borrowed.
    pub fn omit(&mut self, origin: Origin) {
        if !self.omitted.contains(&origin) {
            self.omitted.push(origin);
        }
    }

    /// Two errors that were seen to go together, by the correlation r of their readings over the same stretch
    /// (JCGM 100:2008, 5.2.3).
    pub fn tied(mut self, a: Origin, b: Origin, r: f64) -> Self {
        self.ties.push(Tie { a, b, r });
        self
    }

    /// The budget.
    ///
    /// # Errors
    /// [`BadBudget`].
    pub fn finish(self) -> Result<Budget, BadBudget> {
        self.check()?;
        let causes = Causes::new(&self.rows, &self.ties)?;
        let signed: Vec<f64> = self
            .rows
            .iter()
            .map(|(influence, sensitivity)| sensitivity * influence.spread.u())
            .collect();
        let summed = causes.summed(&signed);
        let correlations = causes.correlations(&summed);
        let (u, dof) = combined(&summed, &causes.dof, &correlations);
        let share = |row: usize| {
            let along = correlations.row_times(causes.of[row], &summed);
            if u > 0.0 {
                signed[row] * along / (u * u)
            } else {
                0.0
            }
        };
        let shares: Vec<f64> = (0..signed.len()).map(share).collect();
        let rows = self.rows.into_iter().zip(shares);
        Ok(Budget {
            what: self.what,
            value: self.value,
            unit: self.unit,
            rows: rows
                .map(|((influence, sensitivity), share)| Row {
                    influence,
                    sensitivity,
                    share,
                })
                .collect(),
            ties: self.ties,
            omitted: self.omitted,
            u,
            dof,
        })
    }

    fn check(&self) -> Result<(), BadBudget> {
        if !self.value.is_finite() {
            return Err(BadBudget::Value {
                what: self.what.clone(),
                value: self.value,
            });
        }
        match self.rows.iter().find(|(_, c)| !c.is_finite()) {
            Some((influence, sensitivity)) => Err(BadBudget::Sensitivity {
                origin: influence.origin.clone(),
                sensitivity: *sensitivity,
            }),
            None => Ok(()),
        }
    }
}

impl Budget {
    /// Begins the budget of `value`, which is `what`, in `unit`.
    pub fn draft(what: impl Into<String>, value: f64, unit: Unit) -> Draft {
        Draft {
            what: what.into(),
            value,
            unit,
            rows: Vec::new(),
            ties: Vec::new(),
            omitted: Vec::new(),
        }
    }

    /// An input with one error of its own: `value` in `unit`, give or take `influence`, which is in the same unit (in K
    /// where the value is in °C).
    ///
    /// # Errors
    /// [`BadBudget::Value`] where the value is no number.
    pub fn input(value: f64, unit: Unit, influence: Influence) -> Result<Self, BadBudget> {
        Self::draft(influence.origin.to_string(), value, unit)
            .row(influence, 1.0)
            .finish()
    }

    /// Of what it is.
    pub fn what(&self) -> &str {
        &self.what
    }

    /// The value.
    pub const fn value(&self) -> f64 {
        self.value
    }

    /// The unit of the value; of a temperature's uncertainty it means its difference.
    pub const fn unit(&self) -> Unit {
        self.unit
    }

    /// Combined standard uncertainty, k = 1.
    pub const fn u(&self) -> f64 {
        self.u
    }

    /// u/|value|; infinite at nought.
    pub fn u_rel(&self) -> f64 {
        self.u / self.value.abs()
    }

    /// Effective degrees of freedom.
    pub const fn dof(&self) -> Dof {
        self.dof
    }

    /// The lines, in the order in which they came.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// The ties.
    pub fn ties(&self) -> &[Tie] {
        &self.ties
    }

    /// What is in doubt as well, but to an extent that nobody stated: u is too small by that.
    pub fn omitted(&self) -> &[Origin] {
        &self.omitted
    }

    /// U = k·u with k = t_p(ν_eff).
    ///
    /// # Errors
    /// [`TooFewDof`] below one effective degree of freedom.
    pub fn expanded(&self, level: Level) -> Result<Expanded, TooFewDof> {
        let k = level.factor(self.dof)?;
        Ok(Expanded {
            level,
            k,
            expanded: k * self.u,
        })
    }

    /// The shares of the variance by what they come from, whosesoever: largest first; they sum to 1 unless nothing is
    /// in doubt. A share is negative where errors cancel.
    pub fn shares(&self) -> Vec<(&str, f64)> {
        let mut shares: Vec<(&str, f64)> = Vec::new();
        for row in &self.rows {
            let what = row.influence.origin.what.as_str();
            match shares.iter_mut().find(|(name, _)| *name == what) {
                Some((_, share)) => *share += row.share,
                None => shares.push((what, row.share)),
            }
        }
        shares.sort_by(|a, b| b.1.total_cmp(&a.1));
        shares
    }

    /// The same in another unit of its quantity; `None` for a unit of another quantity.
    pub fn in_unit(&self, unit: Unit) -> Option<Self> {
        if unit.quantity() != self.unit.quantity() {
            return None;
        }
        let scale = |difference| unit.difference_from_si(self.unit.difference_to_si(difference));
        let rows = self.rows.iter().map(|row| Row {
            sensitivity: scale(row.sensitivity),
            ..row.clone()
        });
        Some(Self {
            value: unit.from_si(self.unit.to_si(self.value)),
            unit,
            rows: rows.collect(),
            u: scale(self.u),
            ..self.clone()
        })
    }
}

impl Row {
    /// The error.
    pub const fn influence(&self) -> &Influence {
        &self.influence
    }

    /// ∂f/∂x, in the result's unit per unit of the error.
    pub const fn sensitivity(&self) -> f64 {
        self.sensitivity
    }

    /// The unit of the sensitivity in a budget of `result`'s unit, such as `m/s per V`; `1` where both are alike.
    pub fn sensitivity_unit(&self, result: Unit) -> String {
        if self.influence.unit == result {
            "1".to_owned()
        } else if self.influence.unit == Unit::One {
            result.symbol().to_owned()
        } else {
            format!("{result} per {}", self.influence.unit)
        }
    }

    /// |c|·u, in the result's unit.
    pub fn contribution(&self) -> f64 {
        self.sensitivity.abs() * self.influence.spread.u()
    }

    /// Its part of the variance, with its part in what it shares; all parts sum to 1.
    pub const fn share(&self) -> f64 {
        self.share
    }
}

/// An expanded uncertainty and what it rests on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Expanded {
    /// The level of confidence.
    pub level: Level,
    /// The coverage factor.
    pub k: f64,
    /// U = k·u, in the unit of the budget.
    pub expanded: f64,
}

/// u and ν_eff of causes with signed contributions.
fn combined(signed: &[f64], dof: &[Dof], correlations: &Correlations) -> (f64, Dof) {
    let (mut variance, mut fourth) = (0.0, 0.0);
    for group in correlations.groups() {
        let of_group: f64 = group
            .iter()
            .map(|i| signed[*i] * correlations.row_times(*i, signed))
            .sum::<f64>()
            .max(0.0);
        // What contributes nothing limits nothing.
        let counting = group.iter().filter(|i| signed[**i] != 0.0);
        let fewest = counting.fold(Dof::INFINITE, |fewest, i| fewest.min(dof[*i]));
        variance += of_group;
        fourth += of_group * of_group / fewest.value();
    }
    let effective = if fourth > 0.0 {
        variance * variance / fourth
    } else {
        f64::INFINITY
    };
    (variance.sqrt(), Dof::made(effective))
}
