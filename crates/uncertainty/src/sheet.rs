//! A budget as it is kept and sent: every number with its unit.

use serde::{Serialize, Serializer};

use crate::budget::{Budget, Expanded, Row, Tie};
use crate::dof::{Dof, Level};
use crate::influence::{Origin, Shared};
use crate::spread::{Evaluation, Shape};
use crate::stated::Stated;

/// What is expanded and stated, is so at the level of [`Level::K2`]; both are left out below one effective degree of
/// freedom.
#[derive(Serialize)]
struct Sheet<'a> {
    what: &'a str,
    value: f64,
    unit: &'static str,
    u: f64,
    dof: Dof,
    #[serde(skip_serializing_if = "Option::is_none")]
    expanded: Option<Expanded>,
    #[serde(skip_serializing_if = "Option::is_none")]
    stated: Option<String>,
    rows: Vec<Line<'a>>,
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    ties: &'a [Tie],
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    omitted: &'a [Origin],
}

#[derive(Serialize)]
struct Line<'a> {
    of: &'a str,
    what: &'a str,
    evaluation: Evaluation,
    distribution: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    top: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    half_width: Option<f64>,
    u: f64,
    unit: &'static str,
    dof: Dof,
    sensitivity: f64,
    sensitivity_unit: String,
    contribution: f64,
    share: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    shared: Option<&'a Shared>,
}

impl Serialize for Budget {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        Sheet {
            what: self.what(),
            value: self.value(),
            unit: self.unit().symbol(),
            u: self.u(),
            dof: self.dof(),
            expanded: self.expanded(Level::K2).ok(),
            stated: Stated::new(self, Level::K2)
                .ok()
                .map(|stated| stated.to_string()),
            rows: self.rows().iter().map(|row| Line::new(row, self)).collect(),
            ties: self.ties(),
            omitted: self.omitted(),
        }
        .serialize(serializer)
    }
}

impl<'a> Line<'a> {
    fn new(row: &'a Row, budget: &Budget) -> Self {
        let influence = row.influence();
        let spread = influence.spread;
        let top = match spread.shape() {
            Shape::Trapezoidal(top) => Some(top),
            _ => None,
        };
        Self {
            of: &influence.origin.of,
            what: &influence.origin.what,
            evaluation: spread.evaluation(),
            distribution: spread.shape().word(),
            top,
            half_width: spread.half_width(),
            u: spread.u(),
            unit: influence.unit.symbol(),
            dof: spread.dof(),
            sensitivity: row.sensitivity(),
            sensitivity_unit: row.sensitivity_unit(budget.unit()),
            contribution: row.contribution(),
            share: row.share(),
            shared: influence.shared.as_ref(),
        }
    }
}
