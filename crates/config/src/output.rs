//! What becomes of a code: from the keys of an output, and those of its source, to a [`Mapping`],
//! and what is known of the way there.

use std::time::Duration;

use zonda_model::written::{Amount, Span};
use zonda_model::{ChannelName, Quantity, Unit};
use zonda_signal::{Certificate, CodeFormat, Envelope, Mapping, Scale, Step};

use crate::accuracy;
use crate::fault::{Fault, note};
use crate::instrument::{AccuracyPlan, LoopPlan, StuckPlan, Way};
use crate::section::{At, Section};
use crate::signal;
use crate::source::{InputRef, Kind, Sources};
use crate::steps;

/// A channel whose place in the scan is not known yet.
#[derive(Debug)]
pub(crate) struct Draft {
    pub(crate) quantity: Quantity,
    pub(crate) unit: Unit,
    pub(crate) input: InputRef,
    pub(crate) mapping: Mapping,
    pub(crate) way: Way,
    /// Where the companion is named, if the file itself names it.
    pub(crate) companion: Option<At<ChannelName>>,
    pub(crate) certificate: Option<usize>,
    pub(crate) loop_check: Option<LoopPlan>,
    pub(crate) stuck: Option<StuckPlan>,
    pub(crate) accuracy: AccuracyPlan,
}

/// What an output has from its meter and its station.
#[derive(Debug, Default)]
pub(crate) struct Around<'a> {
    /// The probe's envelope, and for a velocity the channel that reads the temperature beside it.
    pub(crate) envelope: Option<(&'a Envelope, Option<ChannelName>)>,
    /// The certificate and its place on the shelf.
    pub(crate) certificate: Option<(usize, &'a Certificate)>,
    pub(crate) lacks_certificate: bool,
    /// What is stated of its analog output.
    pub(crate) output_accuracy: Option<At<&'a str>>,
    /// Of a meter: readings that stand still are judged unless told otherwise.
    pub(crate) is_meter: bool,
    pub(crate) loop_tolerance: f64,
    pub(crate) loop_age_max: Duration,
}

/// Reads the keys `input`, `signal`, `range` and so on. `quantity` is `None` where it had a fault of its own.
pub(crate) fn read(
    section: &Section<'_, '_>,
    quantity: Option<Quantity>,
    sources: &Sources,
    around: &Around<'_>,
    faults: &mut Vec<Fault>,
) -> Option<Draft> {
    let before = faults.len();
    let input = section
        .text("input")
        .and_then(|text| sources.resolve(&text, faults));
    let unit = section.parsed::<Unit>("unit", faults);
    let shown = section.parsed::<Unit>("shown_in", faults);
    let range = section.parsed::<Span>("range", faults);
    let signal = signal::read(section, faults);
    let step_key = steps::key_of(section);
    let span = signal.map(|signal| signal.span());
    let step = steps::read(section, span, range.as_ref().map(|at| at.value), faults);
    if let Some(quantity) = quantity {
        let is_direct = step_key.is_none_or(|key| key == "square_root");
        let direct = |at: &'_ At<_>| is_direct.then_some(at.clone());
        check_range(quantity, range.as_ref().and_then(direct), faults);
        check_unit(quantity, unit.as_ref().filter(|_| is_direct), faults);
        check_unit(quantity, shown.as_ref(), faults);
    }
    if faults.len() > before || section.is_misspelt() {
        return None;
    }
    let (input, quantity) = (input?, quantity?);
    let (unit, range) = (unit.map(|at| at.value), range.map(|at| at.value));
    let kind = sources.kind(input.source);
    let (format, scale) = code_of(section, kind, input.index, unit, faults)?;
    let mut builder = Mapping::builder(quantity, format, scale);
    if let Some(signal) = signal {
        builder = builder.signal(signal);
    }
    if let Some(range) = range
        && !step.as_ref().is_some_and(|step| step.takes_range)
    {
        builder = builder.range(range);
    }
    let mut natural = range
        .map(|range| range.unit)
        .or(unit)
        .unwrap_or(scale.unit());
    let mut terminals = None;
    if let Some(step) = step {
        natural = step.step.output();
        builder = builder.step(step.step);
        terminals = step.terminals;
    }
    let unit = shown.map_or(natural, |at| at.value);
    if let Some((_, certificate)) = around.certificate {
        builder = builder.step(Step::Certificate(Box::new(certificate.clone())));
    } else if around.lacks_certificate {
        builder = builder.lacking_certificate();
    }
    if let Some((envelope, beside)) = &around.envelope {
        builder = builder.envelope((*envelope).clone());
        if let Some(channel) = beside {
            builder = builder.companion(channel.clone());
        }
    }
    if let Some(at) = &terminals {
        builder = builder.companion(at.value.clone());
    }
    let mut keys = step_key.into_iter().chain(["range", "signal", "input"]);
    let place = keys.find(|key| section.has(key)).unwrap_or("input");
    let mapping = note(builder.build(), &section.place(place), faults)?;
    let way = match kind {
        _ if signal.is_some() => Way::Analog,
        Kind::Text { .. } => Way::Text,
        Kind::Module(_) | Kind::Iio { .. } if mapping.steps().is_empty() => Way::Register,
        Kind::Module(_) | Kind::Iio { .. } => Way::Analog,
    };
    let loop_check = read_loop(section, around, &mapping, range, faults);
    let stuck = read_stuck(section, around, &mapping, faults);
    let accuracy = read_accuracy(section, around, kind, &mapping, faults);
    (faults.len() == before).then_some(())?;
    Some(Draft {
        quantity,
        unit,
        input,
        mapping,
        way,
        companion: terminals,
        certificate: around.certificate.map(|(index, _)| index),
        loop_check,
        stuck,
        accuracy,
    })
}

/// Whether a range that is the value itself is in units of the channel's quantity.
fn check_range(quantity: Quantity, range: Option<At<Span>>, faults: &mut Vec<Fault>) {
    if let Some(range) = range {
        note(range.value.si(quantity), &range.span, faults);
    }
}

fn check_unit(quantity: Quantity, unit: Option<&At<Unit>>, faults: &mut Vec<Fault>) {
    if let Some(At { value: unit, span }) = unit
        && !quantity.accepts(*unit)
    {
        let what = format!(
            "{unit} is a unit of {}, expected a unit of {quantity} such as {}",
            unit.quantity(),
            quantity.si()
        );
        faults.push(Fault::new(span.clone(), what));
    }
}

/// How the source's codes are read, and what one count of them stands for.
fn code_of(
    section: &Section<'_, '_>,
    kind: &Kind,
    index: usize,
    unit: Option<Unit>,
    faults: &mut Vec<Fault>,
) -> Option<(CodeFormat, Scale)> {
    let (format, count) = match kind {
        Kind::Module(module) => (module.code.format, module.count),
        Kind::Text { .. } => (CodeFormat::Number, None),
        Kind::Iio { channels } => {
            let channel = channels.get(index)?;
            (channel.format, Some(channel.scale))
        }
    };
    let scale = count.or(unit.map(Scale::unity));
    if scale.is_none() {
        let what = "the source sends numbers, and it is not said in which unit";
        faults.push(
            Fault::new(section.place("input"), what)
                .help("add `unit`, such as `unit = \"m/s\"`, or `count` to the module"),
        );
    }
    Some((format, scale?))
}

/// What a loop check works with, where there is a signal that stands for a range.
fn read_loop(
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
fn read_stuck(
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
                .map_err(|error: zonda_model::written::BadWriting| error.to_string())?;
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
fn read_accuracy(
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
    }
}
