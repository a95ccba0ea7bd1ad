//! What becomes of a code: from the keys of an output, and those of its source, to a [`Mapping`].
//! What is known of the way beside it is left to `known`.

use std::ops::Range;
use std::time::Duration;

use zonda_air::Basis;
use zonda_model::written::Span;
use zonda_model::{ChannelName, Quantity, Unit};
use zonda_signal::{
    Certificate, CodeFormat, Envelope, Mapping, MappingBuilder, Scale, Signal, Step,
};

use crate::fault::{Fault, note};
use crate::instrument::{AccuracyPlan, LoopPlan, StuckPlan, Way};
use crate::known;
use crate::section::{At, Section};
use crate::signal;
use crate::source::{InputRef, Kind, Sources};
use crate::steps::{self, Characteristic};

/// A channel whose place in the scan is not known yet.
#[derive(Debug)]
pub(crate) struct Draft {
    pub(crate) quantity: Quantity,
    pub(crate) unit: Unit,
    pub(crate) basis: Option<Basis>,
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

/// The keys from signal to value, each read by itself.
struct Parts {
    unit: Option<At<Unit>>,
    basis: Option<At<Basis>>,
    shown: Option<At<Unit>>,
    range: Option<At<Span>>,
    signal: Option<Signal>,
    step: Option<Characteristic>,
    /// The key of the step.
    step_key: Option<&'static str>,
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
    let parts = read_parts(section, faults);
    if let Some(quantity) = quantity {
        parts.check(quantity, faults);
    }
    if faults.len() > before || section.is_misspelt() {
        return None;
    }
    let (input, quantity) = (input?, quantity?);
    let kind = sources.kind(input.source);
    let unit = parts.unit.as_ref().map(|at| at.value);
    let (format, scale) = code_of(section, kind, input.index, unit, faults)?;
    let builder = parts.chain(Mapping::builder(quantity, format, scale));
    let builder = around.judged(builder);
    let mapping = note(builder.build(), &parts.place(section), faults)?;
    let range = parts.range.as_ref().map(|at| at.value);
    let draft = Draft {
        quantity,
        unit: parts.shown_in(scale.unit()),
        basis: parts.basis.as_ref().map(|at| at.value),
        way: way_of(kind, scale.unit(), parts.signal),
        certificate: around.certificate.map(|(index, _)| index),
        loop_check: known::read_loop(section, around, &mapping, range, faults),
        stuck: known::read_stuck(section, around, &mapping, faults),
        accuracy: known::read_accuracy(section, around, kind, &mapping, faults),
        companion: parts.step.and_then(|step| step.terminals),
        input,
        mapping,
    };
    (faults.len() == before).then_some(draft)
}

fn read_parts(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Parts {
    let unit = section.parsed::<Unit>("unit", faults);
    let shown = section.parsed::<Unit>("shown_in", faults);
    let range = section.parsed::<Span>("range", faults);
    let signal = signal::read(section, faults);
    let spans = (signal.map(Signal::span), range.as_ref().map(|at| at.value));
    Parts {
        step: steps::read(section, spans, faults),
        step_key: steps::key_of(section),
        unit,
        basis: section.parsed::<Basis>("basis", faults),
        shown,
        range,
        signal,
    }
}

impl Parts {
    /// Whether what is the channel's own value is in units of its quantity. What a step follows is not.
    fn check(&self, quantity: Quantity, faults: &mut Vec<Fault>) {
        let is_value = self.step_key.is_none_or(|key| key == "square_root");
        if let Some(range) = self.range.as_ref().filter(|_| is_value) {
            note(range.value.si(quantity), &range.span, faults);
        }
        check_unit(quantity, self.unit.as_ref().filter(|_| is_value), faults);
        check_unit(quantity, self.shown.as_ref(), faults);
        if let Some(basis) = self.basis.as_ref().filter(|_| !quantity.has_basis()) {
            let what = format!("only a velocity or a volume flow has a basis, {quantity} has none");
            faults.push(Fault::new(basis.span.clone(), what).help("leave `basis` out"));
        }
    }

    /// Signal, range and step.
    fn chain(&self, mut builder: MappingBuilder) -> MappingBuilder {
        if let Some(signal) = self.signal {
            builder = builder.signal(signal);
        }
        if let Some(basis) = &self.basis {
            builder = builder.basis(basis.value.to_string());
        }
        let takes_range = self.step.as_ref().is_some_and(|step| step.takes_range);
        if let Some(range) = self.range.as_ref().filter(|_| !takes_range) {
            builder = builder.range(range.value);
        }
        let Some(Characteristic {
            step, terminals, ..
        }) = &self.step
        else {
            return builder;
        };
        if let Some(channel) = terminals {
            builder = builder.companion(channel.value.clone());
        }
        builder.step(step.clone())
    }

    /// The unit in which the channel is shown; `source` is that of the source's numbers.
    fn shown_in(&self, source: Unit) -> Unit {
        let by_range = || self.range.as_ref().map(|at| at.value.unit);
        let natural = match &self.step {
            Some(step) => step.step.output(),
            None => by_range()
                .or(self.unit.as_ref().map(|at| at.value))
                .unwrap_or(source),
        };
        self.shown.as_ref().map_or(natural, |at| at.value)
    }

    /// Where the mapping as a whole is written.
    fn place(&self, section: &Section<'_, '_>) -> Range<usize> {
        let mut keys = self
            .step_key
            .into_iter()
            .chain(["range", "signal", "input"]);
        let key = keys.find(|key| section.has(key));
        section.place(key.unwrap_or("input"))
    }
}

impl Around<'_> {
    /// Certificate and envelope.
    fn judged(&self, mut builder: MappingBuilder) -> MappingBuilder {
        if let Some((_, certificate)) = self.certificate {
            builder = builder.step(Step::Certificate(Box::new(certificate.clone())));
        } else if self.lacks_certificate {
            builder = builder.lacking_certificate();
        }
        let Some((envelope, beside)) = &self.envelope else {
            return builder;
        };
        if let Some(channel) = beside {
            builder = builder.companion(channel.clone());
        }
        builder.envelope((*envelope).clone())
    }
}

fn way_of(kind: &Kind, unit: Unit, signal: Option<Signal>) -> Way {
    let is_electrical = matches!(
        unit.quantity(),
        Quantity::Voltage | Quantity::Current | Quantity::Resistance
    );
    match kind {
        Kind::Module(_) | Kind::Iio { .. } if signal.is_some() || is_electrical => Way::Analog,
        Kind::Module(_) | Kind::Iio { .. } => Way::Register,
        Kind::Text { .. } => Way::Text,
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
