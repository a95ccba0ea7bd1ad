//! The signal of an output: its span, its shunt, and what happens outside the span.

use zonda_model::written::{Amount, Span};
use zonda_model::{Quantity, Unit};
use zonda_signal::{FailureBands, Outside, Reaction, Signal, SpanRule};

use crate::fault::{Fault, note};
use crate::section::{At, Section};

/// Keys that judge a reading by how far it is outside the span.
const BY_SPAN: [&str; 3] = ["under_range", "over_range", "margin"];

/// Reads the signal. `None` where there is none, or where it had a fault.
pub(crate) fn read(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Signal> {
    let shunt = section.parsed::<Amount>("shunt", faults);
    let bands = section.read("fault_bands", read_bands, faults);
    if !section.has("signal") {
        let why = "belongs to a signal, and there is none here";
        let help = "add `signal`, such as `signal = \"4-20 mA\"`";
        section.refuse(&["shunt", "fault_bands"], why, help, faults);
        section.refuse(&BY_SPAN, why, help, faults);
    }
    let span = section.parsed::<Span>("signal", faults)?;
    let rule = read_rule(section, span.value.unit, faults);
    let mut signal = note(Signal::new(span.value), &span.span, faults)?;
    if let Some(shunt) = shunt {
        signal = note(signal.through_shunt(shunt.value), &shunt.span, faults)?;
    }
    let limits = match bands {
        Some(At {
            value: Some(limits),
            span: place,
        }) => Some(note(in_unit(limits, span.value.unit), &place, faults)?),
        Some(At { value: None, .. }) => None,
        None => default_bands(signal),
    };
    let outside = match (limits, rule) {
        (Some(_), Some(_)) => {
            let why =
                "says nothing here: the fault bands already say what happens outside the span";
            let help = "leave it out, or write `fault_bands = \"off\"`";
            section.refuse(&BY_SPAN, why, help, faults);
            return None;
        }
        (Some(limits), None) => Outside::Bands(limits),
        (None, rule) => Outside::Span(rule.unwrap_or_default()),
    };
    let mut keys = BY_SPAN.iter().rev().chain(&["fault_bands"]);
    let place = keys.find(|key| section.has(key)).unwrap_or(&"signal");
    note(signal.with_outside(outside), &section.place(place), faults)
}

/// Those that a signal of 4-20 mA has unless told otherwise.
fn default_bands(signal: Signal) -> Option<FailureBands> {
    match signal.outside() {
        Outside::Bands(limits) => Some(limits),
        Outside::Span(_) => None,
    }
}

/// Limits in mA, in the unit of the signal.
fn in_unit(limits: FailureBands, unit: Unit) -> Result<FailureBands, String> {
    if unit.quantity() != Quantity::Current {
        return Err(format!(
            "fault bands are of currents, and this signal is in {unit}"
        ));
    }
    if unit == Unit::Milliampere {
        return Ok(limits);
    }
    let convert = |limit| unit.from_si(Unit::Milliampere.to_si(limit));
    Ok(FailureBands {
        fail_low: convert(limits.fail_low),
        measure_low: convert(limits.measure_low),
        measure_high: convert(limits.measure_high),
        fail_high: convert(limits.fail_high),
    })
}

/// The keys of [`BY_SPAN`]; `None` where none of them is there.
fn read_rule(section: &Section<'_, '_>, unit: Unit, faults: &mut Vec<Fault>) -> Option<SpanRule> {
    let under = section.read("under_range", read_reaction, faults);
    let over = section.read("over_range", read_reaction, faults);
    let margin = section.parsed::<Amount>("margin", faults);
    BY_SPAN.iter().any(|key| section.has(key)).then_some(())?;
    let tolerance = match &margin {
        Some(margin) if margin.value.unit.quantity() != unit.quantity() => {
            let what = format!("`margin` is in the signal's own unit, such as {unit}");
            faults.push(Fault::new(margin.span.clone(), what));
            return None;
        }
        Some(margin) => unit.from_si(margin.value.unit.to_si(margin.value.value)),
        None => 0.0,
    };
    Some(SpanRule {
        tolerance,
        under: under.map(|at| at.value).unwrap_or_default(),
        over: over.map(|at| at.value).unwrap_or_default(),
    })
}

/// In mA: `ne43`, `off` (then `None`) or `3.6 3.8 20.5 21 mA`.
fn read_bands(text: &str) -> Result<Option<FailureBands>, String> {
    let shape = || format!("`{text}` is neither `ne43`, `off` nor four limits in mA");
    let limits = match text {
        "ne43" => return Ok(Some(FailureBands::NE43)),
        "off" => return Ok(None),
        limits => limits.strip_suffix("mA").ok_or_else(shape)?,
    };
    let numbers: Result<Vec<f64>, _> = limits.split_whitespace().map(str::parse).collect();
    let [fail_low, measure_low, measure_high, fail_high] = numbers.map_err(|_| shape())?[..] else {
        return Err(shape());
    };
    Ok(Some(FailureBands {
        fail_low,
        measure_low,
        measure_high,
        fail_high,
    }))
}

fn read_reaction(text: &str) -> Result<Reaction, String> {
    match text {
        "flag" => Ok(Reaction::Flag),
        "fault" => Ok(Reaction::Fault),
        "open" => Ok(Reaction::Open),
        "accept" => Ok(Reaction::Accept),
        other => Err(format!(
            "`{other}` is none of `flag`, `fault`, `open`, `accept`"
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fault_bands_are_words_or_four_limits() {
        let limits = read_bands("3.5 3.75 20.6 21.5 mA").unwrap().unwrap();
        assert_eq!(
            limits,
            FailureBands {
                fail_low: 3.5,
                measure_low: 3.75,
                measure_high: 20.6,
                fail_high: 21.5,
            }
        );
        assert_eq!(read_bands("off"), Ok(None));
        assert!(read_bands("3.5 3.75 20.6 mA").is_err());
        assert!(read_bands("NE43").is_err());
    }
}
