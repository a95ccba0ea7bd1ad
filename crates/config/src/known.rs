//! What is known of the way to a channel beside its mapping: what a loop check works with, when
//! standing still is suspect, and how large the errors may be.

use std::time::Duration;

use zonda_model::Quantity;
use zonda_model::written::{Amount, BadWriting, Span};
use zonda_signal::Mapping;

use crate::accuracy;
use crate::fault::{Fault, note};
use crate::instrument::{AccuracyPlan, DensityPlan, LoopPlan, StuckPlan};
use crate::output::Around;
use crate::section::Section;
use crate::source::Kind;
use crate::steps;

/// What a loop check works with, where there is a signal that stands for a range.
pub(crate) fn read_loop(
    section: &Section<'_, '_>,
    around: &Around<'_>,
    mapping: &Mapping,
    range: Option<Span>,
    faults: &mut Vec<Fault>,
) -> Option<LoopPlan> {
    let (Some(signal), Some(value)) = (mapping.signal(), range) else {
        let why = "belongs to a signal that stands for a range, and there is none here";
        section.refuse(&["loop_tolerance"], why, "leave it out", faults);
        return None;
    };
    let tolerance = section.read("loop_tolerance", read_tolerance, faults);
    Some(LoopPlan {
        signal: signal.span(),
        value,
        is_straight: steps::key_of(section).is_none(),
        tolerance: tolerance.map_or(around.loop_tolerance, |at| at.value),
        age_max: around.loop_age_max,
    })
}

/// `0.5 %`, of the span.
pub(crate) fn read_tolerance(text: &str) -> Result<f64, String> {
    let share = accuracy::read_share(text.trim_end_matches("of span"))?;
    if share > 0.0 {
        Ok(share)
    } else {
        Err("a tolerance of nothing is never met".to_owned())
    }
}

/// When a reading that stands still is flagged, and what counts as standing still.
pub(crate) fn read_stuck(
    section: &Section<'_, '_>,
    around: &Around<'_>,
    mapping: &Mapping,
    faults: &mut Vec<Fault>,
) -> Option<StuckPlan> {
    let after = section.read("stuck_after", read_after, faults);
    let usual = match mapping.quantity() {
        Quantity::Velocity => Some(StuckPlan::VELOCITY_AFTER),
        Quantity::Temperature => Some(StuckPlan::TEMPERATURE_AFTER),
        _ => None,
    };
    let after = match after {
        Some(at) => at.value,
        None => usual.filter(|_| around.is_meter),
    };
    let Some(after) = after else {
        let why = "says nothing here: the channel may stand still for ever";
        let help = "add `stuck_after`, such as `stuck_after = \"10 min\"`";
        section.refuse(&["stuck_band"], why, help, faults);
        return None;
    };
    let unit = mapping
        .signal()
        .map_or(mapping.scale().unit(), |signal| signal.span().unit);
    let band = section.read(
        "stuck_band",
        |text| {
            let amount: Amount = text
                .parse()
                .map_err(|error: BadWriting| error.to_string())?;
            let is_right = amount.unit.quantity() == unit.quantity() && amount.value >= 0.0;
            is_right
                .then(|| amount.unit.difference_to_si(amount.value))
                .ok_or_else(|| format!("`{text}` is no width of the signal, such as `5 {unit}`"))
        },
        faults,
    );
    let by_default = match (mapping.quantity(), mapping.signal()) {
        (Quantity::Velocity, Some(signal)) => {
            let Span { from, to, unit } = signal.span();
            StuckPlan::VELOCITY_BAND * unit.difference_to_si((to - from).abs())
        }
        _ => 0.0,
    };
    Some(StuckPlan {
        after,
        band: band.map_or(by_default, |at| at.value),
    })
}

/// A length of time, or `off`.
fn read_after(text: &str) -> Result<Option<Duration>, String> {
    if text == "off" {
        return Ok(None);
    }
    let span = text.parse::<jiff::SignedDuration>().ok();
    let span = span.and_then(|span| Duration::try_from(span).ok());
    match span {
        Some(span) if span >= Duration::from_secs(2) => Ok(Some(span)),
        _ => Err(format!(
            "`{text}` is neither `off` nor a length of time from 2 s on"
        )),
    }
}

/// Everything that is stated about errors on the way.
pub(crate) fn read_accuracy(
    section: &Section<'_, '_>,
    around: &Around<'_>,
    kind: &Kind,
    mapping: &Mapping,
    faults: &mut Vec<Fault>,
) -> AccuracyPlan {
    let read = |text: &str| accuracy::read(text, mapping.quantity());
    let instrument = section.read("accuracy", read, faults).map(|at| at.value);
    let stated = around
        .output_accuracy
        .as_ref()
        .filter(|_| mapping.signal().is_some())
        // Of a meter, what is wrong has been told for its first output.
        .filter(|at| !faults.iter().any(|fault| fault.span == at.span));
    let output = stated.and_then(|at| note(read(at.value), &at.span, faults));
    let has_shunt = mapping
        .signal()
        .is_some_and(|signal| signal.shunt().is_some());
    if !has_shunt {
        let why = "belongs to a `shunt`, and there is none here";
        section.refuse(&["shunt_tolerance"], why, "leave it out", faults);
    }
    let shunt = section.read("shunt_tolerance", accuracy::read_share, faults);
    AccuracyPlan {
        instrument,
        output,
        module: match kind {
            Kind::Module(module) => module.accuracy,
            Kind::Text { .. } | Kind::Iio { .. } => None,
        },
        shunt: shunt.map(|at| at.value),
        place: section.read("place", read, faults).map(|at| at.value),
        ..at_the_place(section, mapping, faults)
    }
}

/// What is stated of the probe in its air, by quantity.
fn at_the_place(
    section: &Section<'_, '_>,
    mapping: &Mapping,
    faults: &mut Vec<Fault>,
) -> AccuracyPlan {
    let quantity = mapping.quantity();
    if quantity != Quantity::Velocity {
        let why = "is of a velocity, and this is none";
        let keys = ["yaw", "density_correction"];
        section.refuse(&keys, why, "leave it out", faults);
        if quantity != Quantity::Temperature {
            let why = "is of a temperature, and this is none";
            section.refuse(&["radiation"], why, "leave it out", faults);
            return AccuracyPlan::default();
        }
        let read = |text: &str| accuracy::read(text, quantity);
        return AccuracyPlan {
            radiation: section.read("radiation", read, faults).map(|at| at.value),
            ..AccuracyPlan::default()
        };
    }
    let why = "is of a temperature, and this is none";
    section.refuse(&["radiation"], why, "leave it out", faults);
    let yaw = section.read("yaw", accuracy::read_angle, faults);
    AccuracyPlan {
        yaw_deg: yaw.map(|at| at.value),
        density: section
            .inner("density_correction", faults)
            .and_then(|inner| read_density(&inner, mapping, faults)),
        ..AccuracyPlan::default()
    }
}

fn read_density(
    section: &Section<'_, '_>,
    mapping: &Mapping,
    faults: &mut Vec<Fault>,
) -> Option<DensityPlan> {
    if mapping.basis().is_some_and(|basis| basis != "actual") {
        let what = "a meter that shows standard velocity corrects no density";
        faults.push(
            Fault::new(section.span.clone(), what)
                .help("leave `density_correction` out, or look at `basis` once more"),
        );
        return None;
    }
    let mut amount = |key: &str, quantity: Quantity| {
        let at = section.parsed::<Amount>(key, faults)?;
        note(at.value.si(quantity), &at.span, faults)
    };
    let temperature = amount("temperature", Quantity::Temperature);
    let pressure = amount("pressure", Quantity::Pressure);
    let mut off = |key: &str, quantity: Quantity| {
        let read = |text: &str| accuracy::difference(text, quantity);
        section.read(key, read, faults).map(|at| at.value)
    };
    Some(DensityPlan {
        temperature_accuracy: off("temperature_accuracy", Quantity::Temperature)?,
        pressure_accuracy: off("pressure_accuracy", Quantity::Pressure)?,
        temperature: temperature?,
        pressure: pressure?,
    })
}
