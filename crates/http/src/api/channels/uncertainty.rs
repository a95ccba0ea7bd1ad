//! How well a channel's newest reading is known.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Serialize;
use utoipa::ToSchema;
use zonda_assess::of_reading;
use zonda_evaluate::uncertainty::{Budget, Level, Origin};

use crate::view::View;

/// How well the newest reading is known, SI. Of a derived channel: the value at its inputs' newest readings, with what is doubtful
/// about each input through the law's slope there; what inputs share (a converter, a certificate) counts as one cause. The noise of a
/// single reading is not in it, nor is the error of the model of air; an evaluation of a stretch states the scatter, too.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Uncertainty {
    /// The value that it is of.
    value: f64,
    /// Standard uncertainty u (k = 1) of all that is stated.
    standard: f64,
    /// Expanded uncertainty U = k·u at 95 %; `null` where nothing at all is stated.
    expanded: Option<f64>,
    /// The coverage factor of that.
    k: Option<f64>,
    /// What is in it, largest first.
    causes: Vec<Cause>,
    /// What is there and nobody has said how large: U is too small by it.
    not_stated: Vec<Missing>,
}

/// One cause of doubt.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LeftOut)]
struct Cause {
    /// The channel that it comes from.
    of: String,
    /// What it is.
    what: String,
    /// What it contributes to u.
    contribution: f64,
    /// Its share of u².
    share: f64,
}

/// One that is not stated.
#[derive(Debug, Serialize, ToSchema)]
struct Missing {
    /// The channel that it comes from.
    of: String,
    /// What it is.
    what: String,
}

impl Uncertainty {
    /// Of a channel now; `None` where it, or an input of it, has no value.
    pub(crate) fn now(view: &View, channel: usize) -> Option<Self> {
        let last = view.board.last();
        let channels = view.config.channels.iter();
        let values: BTreeMap<&str, f64> = channels
            .zip(&last)
            .filter_map(|(plan, last)| Some((plan.name.as_str(), last.as_ref()?.value?)))
            .collect();
        let at = Timestamp::from_microsecond(view.now().micros()).ok()?;
        let today = TimeZone::UTC.to_datetime(at).date();
        let budget = of_reading(&view.config, channel, &values, today).ok()??;
        Some(Self::of(&budget))
    }

    fn of(budget: &Budget) -> Self {
        let expanded = Some(budget)
            .filter(|budget| budget.u() > 0.0)
            .and_then(|budget| budget.expanded(Level::P95).ok());
        let mut causes: Vec<Cause> = budget
            .rows()
            .iter()
            .map(|row| {
                let Origin { of, what } = &row.influence().origin;
                Cause {
                    of: of.clone(),
                    what: what.clone(),
                    contribution: row.contribution(),
                    share: row.share(),
                }
            })
            .collect();
        causes.sort_by(|one, other| other.share.total_cmp(&one.share));
        let missing = |origin: &Origin| Missing {
            of: origin.of.clone(),
            what: origin.what.clone(),
        };
        Self {
            value: budget.value(),
            standard: budget.u(),
            expanded: expanded.map(|expanded| expanded.expanded),
            k: expanded.map(|expanded| expanded.k),
            causes,
            not_stated: budget.omitted().iter().map(missing).collect(),
        }
    }
}
