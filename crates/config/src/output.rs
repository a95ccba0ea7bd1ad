//! What becomes of a code: from the keys of a module and an output to a [`Mapping`].

use zonda_model::written::{Amount, Span};
use zonda_model::{Quantity, Unit};
use zonda_protocol::modbus::Width;
use zonda_signal::code::EndCodes;
use zonda_signal::{
    CodeFormat, Coding, FailureBands, Integer, Mapping, Outside, Reaction, Scale, Signal, SpanRule,
    WordOrder,
};

use crate::fault::Fault;
use crate::section::{At, Section};
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
    let signal = read_signal(section, faults);
    if let (Some(range), Some(quantity)) = (&range, quantity)
        && let Err(error) = range.value.si(quantity)
    {
        faults.push(Fault::new(range.span.clone(), error.to_string()));
    }
    if let (Some(unit), Some(quantity)) = (&unit, quantity)
        && !quantity.accepts(unit.value)
    {
        let what = format!(
            "{} is a unit of {}, expected a unit of {quantity} such as {}",
            unit.value,
            unit.value.quantity(),
            quantity.si()
        );
        faults.push(Fault::new(unit.span.clone(), what));
    }
    if faults.len() > before {
        return None;
    }
    let (input, quantity) = (input?, quantity?);
    let (format, scale) = match sources.kind(input.source) {
        Kind::Module(module) => (
            module.code.format,
            module
                .count
                .or(unit.as_ref().map(|unit| Scale::unity(unit.value))),
        ),
        Kind::Text { .. } => (
            CodeFormat::Number,
            unit.as_ref().map(|unit| Scale::unity(unit.value)),
        ),
    };
    let Some(scale) = scale else {
        faults.push(
            Fault::new(
                section.place("input"),
                "the source sends numbers, and it is not said in which unit",
            )
            .help("add `unit`, such as `unit = \"m/s\"`, or `count` to the module"),
        );
        return None;
    };
    let shown = range
        .as_ref()
        .map(|range| range.value.unit)
        .or(unit.map(|unit| unit.value))
        .unwrap_or(scale.unit());
    let mut builder = Mapping::builder(quantity, format, scale);
    if let Some(signal) = signal {
        builder = builder.signal(signal);
    }
    if let Some(range) = &range {
        builder = builder.range(range.value);
    }
    match builder.build() {
        Ok(mapping) => Some(Draft {
            quantity,
            unit: shown,
            input,
            mapping,
        }),
        Err(error) => {
            let place = ["range", "signal", "input"]
                .into_iter()
                .find(|key| section.text(key).is_some())
                .unwrap_or("input");
            faults.push(Fault::new(section.place(place), error.to_string()));
            None
        }
    }
}

fn read_signal(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Signal> {
    let span = section.parsed::<Span>("signal", faults);
    let shunt = section.parsed::<Amount>("shunt", faults);
    let bands = section.read("fault_bands", read_bands, faults);
    let under = section.read("under_range", read_reaction, faults);
    let over = section.read("over_range", read_reaction, faults);
    let margin = section.parsed::<Amount>("margin", faults);
    let Some(span) = span else {
        refuse_without_signal(section, faults);
        return None;
    };
    let mut signal = note(Signal::new(span.value), &span.span, faults)?;
    if let Some(shunt) = shunt {
        signal = note(signal.through_shunt(shunt.value), &shunt.span, faults)?;
    }
    let by_span = under.is_some() || over.is_some() || margin.is_some();
    let outside = match bands.as_ref().map(|at| at.value) {
        Some(Bands::Limits(limits)) => Some(Outside::Bands(limits)),
        Some(Bands::Ne43) => Some(Outside::Bands(FailureBands::NE43)),
        Some(Bands::Off) => Some(Outside::Span(SpanRule::default())),
        None => None,
    };
    if let Some(Bands::Limits(_) | Bands::Ne43) = bands.as_ref().map(|at| at.value)
        && by_span
    {
        let place = ["under_range", "over_range", "margin"]
            .into_iter()
            .find(|key| section.text(key).is_some())
            .unwrap_or("signal");
        faults.push(
            Fault::new(
                section.place(place),
                "the fault bands already say what happens outside the span",
            )
            .help("leave it out, or write `fault_bands = \"off\"`"),
        );
        return None;
    }
    if by_span {
        let tolerance = match &margin {
            Some(margin) if margin.value.unit.quantity() == span.value.unit.quantity() => span
                .value
                .unit
                .from_si(margin.value.unit.to_si(margin.value.value)),
            Some(margin) => {
                faults.push(Fault::new(
                    margin.span.clone(),
                    format!(
                        "`margin` is in the signal's own unit, such as {}",
                        span.value.unit
                    ),
                ));
                return None;
            }
            None => 0.0,
        };
        let rule = SpanRule {
            tolerance,
            under: under.map(|at| at.value).unwrap_or_default(),
            over: over.map(|at| at.value).unwrap_or_default(),
        };
        return note(signal.with_outside(Outside::Span(rule)), &span.span, faults);
    }
    match outside {
        Some(outside) => note(
            signal.with_outside(outside),
            &section.place("fault_bands"),
            faults,
        ),
        None => Some(signal),
    }
}

fn refuse_without_signal(section: &Section<'_, '_>, faults: &mut Vec<Fault>) {
    if section.text("signal").is_some() {
        return;
    }
    for key in [
        "shunt",
        "fault_bands",
        "under_range",
        "over_range",
        "margin",
    ] {
        if section.text(key).is_some() {
            faults.push(
                Fault::new(
                    section.place(key),
                    format!("`{key}` belongs to a signal, and there is none here"),
                )
                .help("add `signal`, such as `signal = \"4-20 mA\"`"),
            );
        }
    }
}

fn note<T>(
    result: Result<T, impl std::fmt::Display>,
    span: &std::ops::Range<usize>,
    faults: &mut Vec<Fault>,
) -> Option<T> {
    result
        .map_err(|error| faults.push(Fault::new(span.clone(), error.to_string())))
        .ok()
}

#[derive(Clone, Copy)]
enum Bands {
    Ne43,
    Off,
    Limits(FailureBands),
}

fn read_bands(text: &str) -> Result<Bands, String> {
    let shape = || format!("`{text}` is neither `ne43`, `off` nor four limits in mA");
    match text {
        "ne43" => Ok(Bands::Ne43),
        "off" => Ok(Bands::Off),
        limits => {
            let numbers: Result<Vec<f64>, _> = limits
                .strip_suffix("mA")
                .ok_or_else(shape)?
                .split_whitespace()
                .map(str::parse)
                .collect();
            match numbers.map_err(|_| shape())?[..] {
                [fail_low, measure_low, measure_high, fail_high] => {
                    Ok(Bands::Limits(FailureBands {
                        fail_low,
                        measure_low,
                        measure_high,
                        fail_high,
                    }))
                }
                _ => Err(shape()),
            }
        }
    }
}

fn read_reaction(text: &str) -> Result<Reaction, String> {
    match text {
        "flag" => Ok(Reaction::Flag),
        "fault" => Ok(Reaction::Fault),
        "accept" => Ok(Reaction::Accept),
        other => Err(format!("`{other}` is none of `flag`, `fault`, `accept`")),
    }
}

/// How a module's registers are read.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CodeOf {
    pub(crate) format: CodeFormat,
    pub(crate) width: Width,
}

pub(crate) fn read_code(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<CodeOf> {
    let order = section
        .read("word_order", read_order, faults)
        .map_or(WordOrder::HighFirst, |at| at.value);
    let bits = section.whole(
        "bits",
        i64::from(Integer::BITS_MIN),
        i64::from(Integer::BITS_MAX),
        faults,
    );
    let At { value: code, span } = section.read("code", read_word, faults)?;
    let (coding, width) = match code {
        Word::Float => {
            for key in ["bits", "left_justified"] {
                if section.place(key) != section.span {
                    faults.push(Fault::new(
                        section.place(key),
                        format!("a float has no `{key}`"),
                    ));
                }
            }
            return Some(CodeOf {
                format: CodeFormat::Float32(order),
                width: Width::Two,
            });
        }
        Word::Integer(coding, width) => (coding, width),
    };
    let whole = match width {
        Width::One => Integer::register(coding),
        Width::Two => Integer::two_registers(coding, order),
    };
    let mut integer = whole;
    if let Some(bits) = bits {
        let most = whole.bits();
        let bits = u8::try_from(bits).unwrap_or(u8::MAX);
        if bits > most {
            faults.push(Fault::new(
                section.place("bits"),
                format!("{bits} bits do not fit into the {most} of this code"),
            ));
            return None;
        }
        let ends = if coding == Coding::Unsigned {
            EndCodes::Highest
        } else {
            EndCodes::Both
        };
        integer = note(Integer::converter(coding, bits), &span, faults)?.with_end_codes(ends);
        if width == Width::Two {
            integer = integer.in_two_registers(order);
        }
    }
    if section.flag("left_justified") {
        integer = integer.left_justified();
    }
    Some(CodeOf {
        format: CodeFormat::Integer(integer),
        width,
    })
}

enum Word {
    Integer(Coding, Width),
    Float,
}

fn read_word(text: &str) -> Result<Word, String> {
    Ok(match text {
        "uint16" => Word::Integer(Coding::Unsigned, Width::One),
        "int16" => Word::Integer(Coding::Signed, Width::One),
        "offset16" => Word::Integer(Coding::OffsetBinary, Width::One),
        "uint32" => Word::Integer(Coding::Unsigned, Width::Two),
        "int32" => Word::Integer(Coding::Signed, Width::Two),
        "float32" => Word::Float,
        other => {
            return Err(format!(
                "`{other}` is none of uint16, int16, offset16, uint32, int32, float32"
            ));
        }
    })
}

fn read_order(text: &str) -> Result<WordOrder, String> {
    Ok(match text {
        "high first" => WordOrder::HighFirst,
        "low first" => WordOrder::LowFirst,
        "high first, bytes swapped" => WordOrder::HighFirstBytesSwapped,
        "low first, bytes swapped" => WordOrder::LowFirstBytesSwapped,
        other => {
            return Err(format!(
                "`{other}` is neither `high first` nor `low first` (each may add `, bytes swapped`)"
            ));
        }
    })
}

/// What one count of a module stands for.
pub(crate) fn read_count(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Scale> {
    let zero = section.whole("zero", i64::from(i32::MIN), i64::from(u32::MAX), faults);
    let count = section.read("count", read_scale, faults)?;
    match zero {
        #[expect(clippy::cast_precision_loss, reason = "bounded to 32 bits above")]
        Some(zero) => note(
            count.value.with_zero(zero as f64),
            &section.place("zero"),
            faults,
        ),
        None => Some(count.value),
    }
}

/// `1 mV`, `10.24 V / 32768`, `20.48 V / 2^16`.
fn read_scale(text: &str) -> Result<Scale, String> {
    let (amount, divisor) = match text.split_once('/') {
        // The unit itself may hold a slash, as in `0.1 m/s`.
        Some((amount, divisor))
            if amount.trim().parse::<Amount>().is_ok() && read_divisor(divisor).is_some() =>
        {
            (amount, read_divisor(divisor))
        }
        _ => (text, None),
    };
    let amount: Amount = amount
        .trim()
        .parse()
        .map_err(|error: zonda_model::written::BadWriting| error.to_string())?;
    let per_count = Amount {
        value: amount.value / divisor.unwrap_or(1.0),
        unit: amount.unit,
    };
    Scale::per_count(per_count).map_err(|error| error.to_string())
}

fn read_divisor(text: &str) -> Option<f64> {
    let divisor = match text.trim().split_once('^') {
        Some(("2", power)) => 2_f64.powi(
            power
                .parse::<u8>()
                .ok()
                .filter(|power| *power <= 32)?
                .into(),
        ),
        Some(_) => return None,
        None => text.trim().parse().ok()?,
    };
    (divisor > 0.0).then_some(divisor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_count_reads_as_people_write_it() {
        let step = |text: &str| read_scale(text).map(|scale| (scale.step(), scale.unit()));
        assert_eq!(step("1 mV"), Ok((1.0, Unit::Millivolt)));
        assert_eq!(step("10.24 V / 32768"), Ok((0.000_312_5, Unit::Volt)));
        assert_eq!(step("20.48 V / 2^16"), Ok((0.000_312_5, Unit::Volt)));
        assert_eq!(step("0.1 m/s"), Ok((0.1, Unit::MetrePerSecond)));
        assert!(step("0 mV").is_err());
        assert!(step("mV").is_err());
        assert!(step("10 V / 0").is_err());
    }

    #[test]
    fn fault_bands_are_words_or_four_limits() {
        assert!(
            matches!(read_bands("3.5 3.75 20.6 21.5 mA"), Ok(Bands::Limits(limits)) if limits.fail_high > 21.4)
        );
        assert!(read_bands("3.5 3.75 20.6 mA").is_err());
        assert!(read_bands("NE43").is_err());
    }
}
