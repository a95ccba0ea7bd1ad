//! What becomes of a code: from the keys of an output, and those of its source, to a [`Mapping`].

use zonda_model::written::Span;
use zonda_model::{Quantity, Unit};
use zonda_signal::{CodeFormat, Mapping, Scale};

use crate::fault::{Fault, note};
use crate::section::{At, Section};
use crate::signal;
use crate::source::{InputRef, Kind, Sources};

/// A channel whose place in the scan is not known yet.
#[derive(Debug)]
pub(crate) struct Draft {
    pub(crate) quantity: Quantity,
    pub(crate) unit: Unit,
    pub(crate) input: InputRef,
    pub(crate) mapping: Mapping,
}

/// Reads the keys `input`, `signal`, `range` and so on. `quantity` is `None` where it had a fault of its own.
pub(crate) fn read(
    section: &Section<'_, '_>,
    quantity: Option<Quantity>,
    sources: &Sources,
    faults: &mut Vec<Fault>,
) -> Option<Draft> {
    let before = faults.len();
    let input = section
        .text("input")
        .and_then(|text| sources.resolve(&text, faults));
    let unit = section.parsed::<Unit>("unit", faults);
    let range = section.parsed::<Span>("range", faults);
    let signal = signal::read(section, faults);
    if let Some(quantity) = quantity {
        check_quantity(quantity, unit.as_ref(), range.as_ref(), faults);
    }
    if faults.len() > before || section.is_misspelt() {
        return None;
    }
    let (input, quantity) = (input?, quantity?);
    let (unit, range) = (unit.map(|at| at.value), range.map(|at| at.value));
    let (format, scale) = code_of(
        section,
        sources.kind(input.source),
        input.index,
        unit,
        faults,
    )?;
    let mut builder = Mapping::builder(quantity, format, scale);
    if let Some(signal) = signal {
        builder = builder.signal(signal);
    }
    if let Some(range) = range {
        builder = builder.range(range);
    }
    let mut keys = ["range", "signal", "input"].into_iter();
    let place = keys.find(|key| section.has(key)).unwrap_or("input");
    Some(Draft {
        quantity,
        unit: range
            .map(|range| range.unit)
            .or(unit)
            .unwrap_or(scale.unit()),
        input,
        mapping: note(builder.build(), &section.place(place), faults)?,
    })
}

/// Whether what is written is in units of the channel's quantity.
fn check_quantity(
    quantity: Quantity,
    unit: Option<&At<Unit>>,
    range: Option<&At<Span>>,
    faults: &mut Vec<Fault>,
) {
    if let Some(range) = range {
        note(range.value.si(quantity), &range.span, faults);
    }
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
