//! Whether a result is within its limits, by a rule that is named.

use std::fmt;
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use zonda_evaluate::uncertainty::conformity::{self, Limits, Verdict};
use zonda_evaluate::uncertainty::{Budget, Level};
use zonda_model::Unit;

use crate::outcome::{Judged, Ruling};
use crate::written::BadText;

/// The rule by which a result is within its limits.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Rule {
    /// The result itself.
    Simple,
    /// The result with a guard band of U.
    #[default]
    Guarded,
    /// Within with this probability at least.
    Probable(f64),
}

impl Rule {
    const fn rule(self) -> conformity::Rule {
        match self {
            Self::Simple => conformity::Rule::Simple,
            Self::Guarded => conformity::Rule::Guarded,
            Self::Probable(least) => conformity::Rule::Probable(least),
        }
    }

    /// What it says, as a report prints it beside the verdict.
    pub fn meaning(self) -> String {
        match self {
            Self::Simple => "simple acceptance: the result itself is within its limits".to_owned(),
            Self::Guarded => {
                "guarded acceptance: the result with its expanded uncertainty U is within its limits (JCGM 106:2012)".to_owned()
            }
            Self::Probable(least) => format!(
                "the result is within its limits with a probability of at least {} % (JCGM 106:2012)",
                least * 100.0
            ),
        }
    }

    /// Judges `budget`; limits are in its unit. Where its uncertainty says nothing, only the simple rule decides.
    pub(crate) fn judge(
        self,
        what: &str,
        budget: &Budget,
        (low, high): (Option<f64>, Option<f64>),
    ) -> Option<Judged> {
        let limits = Limits::new(low, high).ok()?;
        let verdict = limits.judge(budget, self.rule(), Level::K2);
        let ruling = match verdict {
            Ok(Verdict::Conforms) => Ruling::Conforms,
            Ok(Verdict::DoesNot) => Ruling::DoesNot,
            Ok(Verdict::Undecided) | Err(_) => Ruling::Undecided,
        };
        Some(self.judged(what, budget.value(), budget.unit(), (low, high), ruling))
    }

    pub(crate) fn judged(
        self,
        what: &str,
        value: f64,
        unit: Unit,
        (low, high): (Option<f64>, Option<f64>),
        verdict: Ruling,
    ) -> Judged {
        Judged {
            what: what.to_owned(),
            value,
            unit: unit.symbol().to_owned(),
            low,
            high,
            rule: self.to_string(),
            meaning: self.meaning(),
            verdict,
        }
    }
}

impl FromStr for Rule {
    type Err = BadText;

    fn from_str(text: &str) -> Result<Self, BadText> {
        let bad = || {
            BadText(format!(
                "`{text}` is no rule of acceptance; write `simple`, `guarded` or `probable 95 %`"
            ))
        };
        match text.trim() {
            "simple" => Ok(Self::Simple),
            "guarded" => Ok(Self::Guarded),
            other => {
                let percent = other.strip_prefix("probable").ok_or_else(bad)?;
                let percent = percent.trim().trim_end_matches('%').trim();
                let percent: f64 = percent.parse().map_err(|_| bad())?;
                let is_share = percent > 50.0 && percent < 100.0;
                is_share
                    .then_some(Self::Probable(percent / 100.0))
                    .ok_or_else(bad)
            }
        }
    }
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Simple => f.write_str("simple"),
            Self::Guarded => f.write_str("guarded"),
            Self::Probable(least) => write!(f, "probable {} %", least * 100.0),
        }
    }
}

impl Serialize for Rule {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Rule {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(D::Error::custom)
    }
}
