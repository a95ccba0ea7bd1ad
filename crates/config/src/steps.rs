//! How a signal becomes the quantity where it is not a straight line: roots, pitot tubes,
//! thermocouples, platinum thermometers, tables and polynomials.

use zonda_model::written::{Amount, BadWriting, Span};
use zonda_model::{ChannelName, Quantity, Unit};
use zonda_signal::{
    ColdJunction, Interpolation, Pitot, Platinum, Polynomial, SquareRoot, Step, Table, Thermocouple,
};

use crate::accuracy::read_share;
use crate::fault::{Fault, note};
use crate::section::{At, Section};

/// The keys of which an output has one at most.
pub(crate) const KEYS: [&str; 6] = [
    "square_root",
    "pitot",
    "thermocouple",
    "platinum",
    "table",
    "polynomial",
];

/// What comes after the signal and its range.
#[derive(Debug)]
pub(crate) struct Characteristic {
    pub(crate) step: Step,
    /// The range belongs to the step and is no straight line of its own.
    pub(crate) takes_range: bool,
    /// The channel that reads the terminals of a thermocouple.
    pub(crate) terminals: Option<At<ChannelName>>,
}

impl Characteristic {
    const fn of(step: Step) -> Self {
        Self {
            step,
            takes_range: false,
            terminals: None,
        }
    }
}

/// The key that an output has of [`KEYS`].
pub(crate) fn key_of(section: &Section<'_, '_>) -> Option<&'static str> {
    KEYS.into_iter()
        .find(|key| section.has(key) && (*key != "square_root" || section.flag(key)))
}

/// Reads it, beside the spans of signal and range. `None` where there is none, or where it had a fault.
pub(crate) fn read(
    section: &Section<'_, '_>,
    (signal, range): (Option<Span>, Option<Span>),
    faults: &mut Vec<Fault>,
) -> Option<Characteristic> {
    let given: Vec<_> = KEYS.into_iter().filter(|key| section.has(key)).collect();
    if let [first, rest @ ..] = given.as_slice() {
        let why = format!("cannot stand beside `{first}`");
        section.refuse(rest, &why, "keep one of them", faults);
    }
    if !section.has("square_root") {
        let why = "belongs to `square_root`, and there is none here";
        section.refuse(&["cut_off"], why, "leave it out", faults);
    }
    match key_of(section)? {
        "square_root" => square_root(section, signal, range, faults),
        "pitot" => pitot(section, range, faults).map(Characteristic::of),
        "thermocouple" => thermocouple(section, faults),
        "platinum" => platinum(section, faults).map(Characteristic::of),
        "table" => table(section, faults).map(Characteristic::of),
        _ => polynomial(section, faults).map(Characteristic::of),
    }
}

fn square_root(
    section: &Section<'_, '_>,
    signal: Option<Span>,
    range: Option<Span>,
    faults: &mut Vec<Fault>,
) -> Option<Characteristic> {
    let cut_off = section.read("cut_off", read_share, faults);
    if section.has("cut_off") && cut_off.is_none() {
        return None;
    }
    let (Some(signal), Some(range)) = (signal, range) else {
        let what = "a square root goes from a signal's span to a range, and one of them is missing";
        let help = "add `signal` and `range`, such as `signal = \"4-20 mA\", range = \"0-20 m/s\"`";
        // One that had a fault has been told already.
        if !(section.has("signal") && section.has("range")) {
            faults.push(Fault::new(section.place("square_root"), what).help(help));
        }
        return None;
    };
    let cut_off = cut_off.map_or(SquareRoot::CUT_OFF_USUAL, |at| at.value);
    let root = SquareRoot::new(signal, range, cut_off);
    Some(Characteristic {
        step: Step::SquareRoot(note(root, &section.place("range"), faults)?),
        takes_range: true,
        terminals: None,
    })
}

fn pitot(section: &Section<'_, '_>, range: Option<Span>, faults: &mut Vec<Fault>) -> Option<Step> {
    /// Of the range's width, where the file states no cut-off.
    const CUT_OFF: f64 = SquareRoot::CUT_OFF_USUAL;
    let before = faults.len();
    let inner = section.inner("pitot", faults)?;
    let coefficient = inner
        .number("coefficient", (0.1, 2.0), faults)
        .unwrap_or(1.0);
    let density = in_si(&inner, "density", Quantity::Density, faults);
    let cut_off = in_si(&inner, "cut_off", Quantity::Pressure, faults);
    if faults.len() > before || inner.is_misspelt() {
        return None;
    }
    let of_range = || {
        let range = range.filter(|range| range.unit.quantity() == Quantity::Pressure)?;
        Some(CUT_OFF * range.unit.difference_to_si((range.to - range.from).abs()))
    };
    let cut_off = cut_off.or_else(of_range).unwrap_or(0.0);
    let made = Pitot::new(coefficient, density?, cut_off);
    note(made, &section.place("pitot"), faults).map(Step::Pitot)
}

/// An amount of this quantity, in SI.
fn in_si(
    section: &Section<'_, '_>,
    key: &str,
    quantity: Quantity,
    faults: &mut Vec<Fault>,
) -> Option<f64> {
    let amount = section.parsed::<Amount>(key, faults)?;
    note(amount.value.si(quantity), &amount.span, faults)
}

fn thermocouple(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Characteristic> {
    let inner = section.inner("thermocouple", faults)?;
    let kind = inner.parsed::<Thermocouple>("type", faults);
    let junction = inner.read("cold_junction", read_junction, faults);
    let (kind, junction) = (kind?.value, junction?);
    let (junction, terminals) = match junction.value {
        Junction::At(celsius) => {
            note(kind.emf(celsius), &junction.span, faults)?;
            (ColdJunction::At(celsius), None)
        }
        Junction::Channel(value) => {
            let span = junction.span;
            (ColdJunction::Measured, Some(At { value, span }))
        }
    };
    Some(Characteristic {
        step: Step::Thermocouple(kind, junction),
        takes_range: false,
        terminals,
    })
}

enum Junction {
    At(f64),
    Channel(ChannelName),
}

fn read_junction(text: &str) -> Result<Junction, String> {
    if let Ok(channel) = text.parse() {
        return Ok(Junction::Channel(channel));
    }
    let amount: Amount = text.parse().map_err(|_| {
        format!("`{text}` is neither a temperature such as `0 °C` nor the name of a channel")
    })?;
    amount
        .si(Quantity::Temperature)
        .map(Junction::At)
        .map_err(|error| error.to_string())
}

fn platinum(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Step> {
    let before = faults.len();
    let inner = section.inner("platinum", faults)?;
    let usual = inner.read("type", read_platinum, faults);
    let r0 = in_si(&inner, "r0", Quantity::Resistance, faults);
    let (_, a, b, c) = Platinum::PT100.coefficients();
    let a = inner.number("a", (0.0, 1.0), faults).unwrap_or(a);
    let b = inner.number("b", (-1.0, 1.0), faults).unwrap_or(b);
    let c = inner.number("c", (-1.0, 1.0), faults).unwrap_or(c);
    if faults.len() > before || inner.is_misspelt() {
        return None;
    }
    match (usual, r0) {
        (Some(usual), None) => {
            let why = "says nothing here: the type has the coefficients of IEC 60751";
            let help = "give `r0` in place of `type`";
            inner.refuse(&["a", "b", "c"], why, help, faults);
            Some(Step::Platinum(usual.value))
        }
        (None, Some(r0)) => {
            let made = Platinum::new(r0, a, b, c);
            note(made, &section.place("platinum"), faults).map(Step::Platinum)
        }
        _ => {
            let what = "a platinum thermometer has either a `type` or an `r0` of its own";
            faults.push(
                Fault::new(section.place("platinum"), what)
                    .help("write `platinum = { type = \"Pt100\" }`"),
            );
            None
        }
    }
}

fn read_platinum(text: &str) -> Result<Platinum, String> {
    match text {
        "Pt100" => Ok(Platinum::PT100),
        "Pt500" => Ok(Platinum::PT500),
        "Pt1000" => Ok(Platinum::PT1000),
        other => Err(format!("`{other}` is none of Pt100, Pt500, Pt1000")),
    }
}

fn table(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Step> {
    let before = faults.len();
    let inner = section.inner("table", faults)?;
    let interpolation = inner.read("interpolation", read_interpolation, faults);
    let points: Vec<_> = inner
        .texts("points")?
        .into_iter()
        .filter_map(|At { value, span }| note(read_pair(value), &span, faults))
        .collect();
    if faults.len() > before || inner.is_misspelt() {
        return None;
    }
    let place = inner.place("points");
    let units = points.first().map(|(x, y)| (x.unit, y.unit));
    let mixed = |(x, y): &(Amount, Amount)| Some((x.unit, y.unit)) != units;
    if let Some(index) = points.iter().position(mixed) {
        let what = format!("point {} has other units than the first", index + 1);
        faults.push(Fault::new(place, what).help("write all points in the same two units"));
        return None;
    }
    let (from, to) = units.unwrap_or((Unit::One, Unit::One));
    let numbers = points.iter().map(|(x, y)| (x.value, y.value)).collect();
    let interpolation = interpolation.map(|at| at.value).unwrap_or_default();
    note(Table::new(from, to, numbers, interpolation), &place, faults).map(Step::Table)
}

fn read_interpolation(text: &str) -> Result<Interpolation, String> {
    match text {
        "linear" => Ok(Interpolation::Linear),
        "cubic" => Ok(Interpolation::Cubic),
        other => Err(format!("`{other}` is neither `linear` nor `cubic`")),
    }
}

/// `0.5 V: 3.1 m/s`
fn read_pair(text: &str) -> Result<(Amount, Amount), String> {
    let (x, y) = text
        .split_once(':')
        .ok_or_else(|| format!("`{text}` is no point; write it such as `0.5 V: 3.1 m/s`"))?;
    let amount = |part: &str| {
        let read = part.trim().parse();
        read.map_err(|error: BadWriting| format!("`{text}`: {error}"))
    };
    Ok((amount(x)?, amount(y)?))
}

fn polynomial(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Step> {
    let inner = section.inner("polynomial", faults)?;
    let domain = inner.parsed::<Span>("domain", faults);
    let unit = inner.parsed::<Unit>("unit", faults);
    let coefficients = inner.numbers("coefficients");
    let (domain, unit, coefficients) = (domain?.value, unit?.value, coefficients?);
    let made = Polynomial::new(domain, unit, coefficients);
    note(made, &section.place("polynomial"), faults).map(Step::Polynomial)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cold_junction_is_a_temperature_or_a_channel() {
        assert!(matches!(read_junction("32 °F"), Ok(Junction::At(celsius)) if celsius == 0.0));
        assert!(
            matches!(read_junction("A.terminals"), Ok(Junction::Channel(name)) if name.as_str() == "A.terminals")
        );
        assert!(read_junction("20 mA").is_err());
        assert!(read_junction("=here").is_err());
    }
}
