//! Whether a result is within its limits, by a rule that was agreed before: the same data conform by one rule and not
//! by another.
//!
//! The probability of conformity is that of a normal distribution about the result (JCGM 106:2012, 7.2; the rules'
//! names from memory). A report prints the rule beside the verdict (ISO/IEC 17025:2017, 7.8.6).

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

use crate::budget::Budget;
use crate::dof::{Level, TooFewDof};

/// From where to where a result conforms, in the unit of the result; either end may be open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limits {
    low: Option<f64>,
    high: Option<f64>,
}

/// Limits that allow nothing.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error(
    "limits from {} to {} allow nothing: state at least one, and the lower below the upper",
    end(*low), end(*high)
)]
pub struct BadLimits {
    /// The lower.
    pub low: Option<f64>,
    /// The upper.
    pub high: Option<f64>,
}

fn end(limit: Option<f64>) -> String {
    limit.map_or_else(|| "anywhere".to_owned(), |limit| limit.to_string())
}

/// What decides.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// The result itself: up to half of what just passes may be outside.
    Simple,
    /// The result with a guard band of its expanded uncertainty U: what passes is inside.
    Guarded,
    /// The probability of conformity, which must be at least this.
    Probable(f64),
}

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Within, by the rule.
    Conforms,
    /// Outside, by the rule.
    DoesNot,
    /// So near a limit that the uncertainty does not allow the rule to decide.
    Undecided,
}

impl Limits {
    /// Between two limits, or beyond one.
    ///
    /// # Errors
    /// [`BadLimits`] without any, for what is no number, and for a lower not below the upper.
    pub fn new(low: Option<f64>, high: Option<f64>) -> Result<Self, BadLimits> {
        let is_number = |limit: Option<f64>| limit.is_none_or(f64::is_finite);
        let is_ordered = match (low, high) {
            (Some(low), Some(high)) => low < high,
            (None, None) => false,
            _ => true,
        };
        if is_ordered && is_number(low) && is_number(high) {
            Ok(Self { low, high })
        } else {
            Err(BadLimits { low, high })
        }
    }

    /// Whether a value is within; the limits themselves are.
    pub fn contains(self, value: f64) -> bool {
        self.low.is_none_or(|low| low <= value) && self.high.is_none_or(|high| value <= high)
    }

    /// Φ((high − y)/u) − Φ((low − y)/u): how probable it is that what was measured is within.
    pub fn probability(self, budget: &Budget) -> f64 {
        let below = |limit: f64| {
            let away = limit - budget.value();
            if budget.u() > 0.0 {
                Normal::standard().cdf(away / budget.u())
            } else {
                f64::from(u8::from(away >= 0.0))
            }
        };
        self.high.map_or(1.0, below) - self.low.map_or(0.0, below)
    }

    /// The verdict by a rule. Simple acceptance always decides; by the others a result that neither conforms nor fails by
    /// as much is undecided.
    ///
    /// # Errors
    /// [`TooFewDof`] of a guarded rule, where the budget has no U.
    pub fn judge(self, budget: &Budget, rule: Rule, level: Level) -> Result<Verdict, TooFewDof> {
        Ok(match rule {
            Rule::Simple if self.contains(budget.value()) => Verdict::Conforms,
            Rule::Simple => Verdict::DoesNot,
            Rule::Guarded => self.guarded(budget.value(), budget.expanded(level)?.expanded),
            Rule::Probable(least) => match self.probability(budget) {
                inside if inside >= least => Verdict::Conforms,
                inside if 1.0 - inside >= least => Verdict::DoesNot,
                _ => Verdict::Undecided,
            },
        })
    }

    fn guarded(self, value: f64, expanded: f64) -> Verdict {
        let (low, high) = (value - expanded, value + expanded);
        if self.contains(low) && self.contains(high) {
            Verdict::Conforms
        } else if self.high.is_some_and(|limit| low > limit)
            || self.low.is_some_and(|limit| high < limit)
        {
            Verdict::DoesNot
        } else {
            Verdict::Undecided
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Influence, Origin, Spread};
    use Verdict::{Conforms, DoesNot, Undecided};
    use zonda_model::Unit;

    fn result(value: f64, u: f64) -> Budget {
        let influence = Influence::new(
            Origin::new("x", "all"),
            Unit::Kelvin,
            Spread::normal(u).unwrap(),
        );
        Budget::input(value, Unit::Kelvin, influence).unwrap()
    }

    /// Limits of ± 3 K and u = 0.55 K: scipy 1.17.1.
    #[test]
    fn probabilities_are_those_of_a_library() {
        let limits = Limits::new(Some(-3.0), Some(3.0)).unwrap();
        for (value, expected) in [
            (2.7, 0.707_280),
            (2.0, 0.965_482),
            (3.0, 0.5),
            (3.4, 0.233_529),
        ] {
            let found = limits.probability(&result(value, 0.55));
            assert!((found - expected).abs() < 1e-6, "{value}: {found}");
        }
        assert!((limits.probability(&result(2.9, 0.0)) - 1.0).abs() < 1e-15);
    }

    /// The same four by three rules: simple acceptance takes the first three, a guard band of 2u none, 95 % only the
    /// second.
    #[test]
    fn the_rule_decides() {
        let limits = Limits::new(Some(-3.0), Some(3.0)).unwrap();
        let verdicts = |rule| {
            [2.7, 2.0, 3.0, 3.4].map(|y| limits.judge(&result(y, 0.55), rule, Level::K2).unwrap())
        };
        assert_eq!(
            verdicts(Rule::Simple),
            [Conforms, Conforms, Conforms, DoesNot]
        );
        assert_eq!(verdicts(Rule::Guarded), [Undecided; 4]);
        assert_eq!(
            verdicts(Rule::Probable(0.95)),
            [Undecided, Conforms, Undecided, Undecided]
        );
        assert_eq!(
            limits.judge(&result(4.2, 0.55), Rule::Guarded, Level::K2),
            Ok(DoesNot)
        );
        assert_eq!(
            limits.judge(&result(1.8, 0.55), Rule::Guarded, Level::K2),
            Ok(Conforms)
        );
    }

    #[test]
    fn limits_that_allow_nothing_are_refused_with_a_sentence() {
        assert!(Limits::new(None, Some(3.0)).unwrap().contains(-1e9));
        assert_eq!(
            Limits::new(Some(3.0), Some(-3.0)).unwrap_err().to_string(),
            "limits from 3 to -3 allow nothing: state at least one, and the lower below the upper"
        );
    }
}
