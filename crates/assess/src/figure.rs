//! From budgets and bare numbers to the figures of an outcome.

use std::time::Duration;

use zonda_evaluate::uncertainty::stated::Stated;
use zonda_evaluate::uncertainty::{self, Dof, Evaluation, Level};
use zonda_evaluate::{Reading, Stretch};
use zonda_model::{Quantity, Stamp, Unit};

use crate::outcome::{Budget, Cause, Figure, Row};

/// The unit of differences of a quantity, SI.
pub(crate) const fn of_differences(quantity: Quantity) -> Unit {
    match quantity {
        Quantity::Temperature => Unit::Kelvin,
        other => other.si(),
    }
}

/// The unit in which differences are shown of what is shown in `unit`.
pub(crate) const fn shown_difference(unit: Unit) -> Unit {
    match unit {
        Unit::DegreeCelsius => Unit::Kelvin,
        Unit::DegreeFahrenheit => Unit::FahrenheitDegree,
        other => other,
    }
}

/// Five digits that count: enough to compare, few enough to read.
pub(crate) fn number(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".to_owned();
    }
    let scientific = format!("{value:.4e}");
    let exponent = scientific
        .split_once('e')
        .and_then(|(_, exponent)| exponent.parse::<i32>().ok())
        .unwrap_or(0);
    let decimals = usize::try_from(4 - exponent).unwrap_or(0).min(9);
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

impl Figure {
    /// With its uncertainty; shown in `shown`, or as it is where that is no unit of its quantity.
    pub(crate) fn known(
        name: &str,
        budget: &uncertainty::Budget,
        shown: Unit,
        definition: impl Into<String>,
    ) -> Self {
        let expanded = budget.expanded(Level::K2).ok();
        let in_shown = budget.in_unit(shown);
        let of_people = in_shown.as_ref().unwrap_or(budget);
        let stated = match Stated::new(of_people, Level::K2) {
            Ok(_) if budget.u() == 0.0 => plain(of_people.value(), of_people.unit()),
            Ok(stated) => stated.to_string(),
            Err(_) => plain(of_people.value(), of_people.unit()),
        };
        let note = expanded.is_none().then(|| {
            "too few independent readings to say how far it may be off: measure longer".to_owned()
        });
        Self {
            value: Some(budget.value()),
            u: Some(budget.u()),
            expanded: expanded.map(|expanded| expanded.expanded),
            k: expanded.map(|expanded| expanded.k),
            dof: finite(budget.dof()),
            stated,
            note,
            budget: Some(sheet(budget)),
            ..Self::bare(name, None, budget.unit(), of_people.unit(), definition)
        }
    }

    /// Without one.
    pub(crate) fn bare(
        name: &str,
        value: Option<f64>,
        unit: Unit,
        shown: Unit,
        definition: impl Into<String>,
    ) -> Self {
        let shown = if shown.quantity() == unit.quantity() {
            shown
        } else {
            unit
        };
        let in_shown = |value: f64| shown.from_si(unit.to_si(value));
        Self {
            name: name.to_owned(),
            of: None,
            value,
            unit: unit.symbol().to_owned(),
            basis: None,
            u: None,
            expanded: None,
            k: None,
            dof: None,
            stated: value.map_or_else(|| "none".to_owned(), |value| plain(in_shown(value), shown)),
            shown_in: shown.symbol().to_owned(),
            at: None,
            place: None,
            definition: definition.into(),
            note: None,
            budget: None,
        }
    }

    /// A count.
    pub(crate) fn count(name: &str, count: u64, definition: impl Into<String>) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "nothing is counted to 2^53")]
        let value = count as f64;
        let stated = count.to_string();
        let bare = Self::bare(name, Some(value), Unit::One, Unit::One, definition);
        Self { stated, ..bare }
    }

    /// A length of time.
    pub(crate) fn time(name: &str, span: Option<Duration>, definition: impl Into<String>) -> Self {
        let stated = span.map_or_else(|| "none".to_owned(), zonda_model::run::spelled);
        let seconds = span.map(|span| span.as_secs_f64());
        Self::in_words(name, seconds, "s", stated, definition)
    }

    /// In a unit that no channel is recorded in, such as `K/min`.
    pub(crate) fn in_words(
        name: &str,
        value: Option<f64>,
        unit: &str,
        stated: String,
        definition: impl Into<String>,
    ) -> Self {
        Self {
            unit: unit.to_owned(),
            shown_in: unit.to_owned(),
            stated,
            ..Self::bare(name, value, Unit::One, Unit::One, definition)
        }
    }

    pub(crate) fn of(self, of: impl Into<String>) -> Self {
        Self {
            of: Some(of.into()),
            ..self
        }
    }

    pub(crate) fn on(self, basis: Option<&str>) -> Self {
        Self {
            basis: basis.map(str::to_owned),
            ..self
        }
    }

    pub(crate) fn at(self, at: String) -> Self {
        Self {
            at: Some(at),
            ..self
        }
    }

    pub(crate) fn place(self, place: &str) -> Self {
        Self {
            place: Some(place.to_owned()),
            ..self
        }
    }

    pub(crate) fn noting(self, note: impl Into<String>) -> Self {
        Self {
            note: Some(note.into()),
            ..self
        }
    }
}

fn plain(value: f64, unit: Unit) -> String {
    let unit = match unit {
        Unit::One => "",
        unit => unit.symbol(),
    };
    format!("{} {unit}", number(value)).trim_end().to_owned()
}

fn finite(dof: Dof) -> Option<f64> {
    Some(dof.value()).filter(|dof| dof.is_finite())
}

fn sheet(budget: &uncertainty::Budget) -> Budget {
    let rows = budget.rows().iter().map(|row| {
        let influence = row.influence();
        Row {
            of: influence.origin.of.clone(),
            what: influence.origin.what.clone(),
            evaluation: match influence.spread.evaluation() {
                Evaluation::A => "A".to_owned(),
                Evaluation::B => "B".to_owned(),
            },
            distribution: influence.spread.shape().word().to_owned(),
            u: influence.spread.u(),
            unit: influence.unit.symbol().to_owned(),
            dof: finite(influence.spread.dof()),
            sensitivity: row.sensitivity(),
            sensitivity_unit: row.sensitivity_unit(budget.unit()),
            contribution: row.contribution(),
            share: row.share(),
            shared: influence.shared.as_ref().map(|shared| shared.by.clone()),
        }
    });
    let omitted = budget.omitted().iter().map(|origin| Cause {
        of: origin.of.clone(),
        what: origin.what.clone(),
    });
    Budget {
        rows: rows.collect(),
        omitted: omitted.collect(),
    }
}

/// At most so many buckets in a series.
const BUCKETS_MAX: u64 = 240;
/// Lengths of buckets that people can read off an axis, s.
const STEPS: [u64; 14] = [
    1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200,
];

/// A course over time, thinned out to means of buckets.
#[derive(Clone, Debug)]
pub(crate) struct Course {
    from: Stamp,
    step: Duration,
    sums: Vec<(f64, u32)>,
}

impl Course {
    /// Over a stretch.
    pub(crate) fn over(stretch: Stretch) -> Self {
        let length = stretch.length().as_secs_f64();
        #[expect(clippy::cast_precision_loss, reason = "a few hundred buckets")]
        let fits = |step: &u64| length / (*step as f64) <= BUCKETS_MAX as f64;
        let step = STEPS.into_iter().find(fits);
        let step = step.map_or_else(
            || stretch.length() / u32::try_from(BUCKETS_MAX).unwrap_or(1),
            Duration::from_secs,
        );
        Self {
            from: stretch.from(),
            step,
            sums: Vec::new(),
        }
    }

    pub(crate) fn push(&mut self, at: Stamp, value: f64) {
        let bucket = at.since(self.from).as_micros() / self.step.as_micros().max(1);
        let Ok(bucket) = usize::try_from(bucket) else {
            return;
        };
        if bucket >= self.sums.len() {
            self.sums.resize(bucket + 1, (0.0, 0));
        }
        let (sum, count) = &mut self.sums[bucket];
        *sum += value;
        *count += 1;
    }

    pub(crate) fn push_used(&mut self, reading: &Reading, value: Option<f64>) {
        if let Some(value) = value {
            self.push(reading.at, value);
        }
    }

    pub(crate) fn series(
        &self,
        name: &str,
        of: Option<&str>,
        unit: Unit,
        from: String,
    ) -> crate::outcome::Series {
        let mean = |(sum, count): &(f64, u32)| (*count > 0).then(|| sum / f64::from(*count));
        crate::outcome::Series {
            name: name.to_owned(),
            of: of.map(str::to_owned),
            unit: unit.symbol().to_owned(),
            from,
            step_s: self.step.as_secs_f64(),
            values: self.sums.iter().map(mean).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_five_digits_that_count() {
        for (value, text) in [
            (0.0, "0"),
            (200.048_9, "200.05"),
            (0.001_234_567, "0.0012346"),
            (-12.5, "-12.5"),
            (101_325.4, "101325"),
        ] {
            assert_eq!(number(value), text);
        }
    }
}
