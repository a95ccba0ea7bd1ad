//! The likely cause of a disagreement, in words.
//!
//! Every wiring or setting that is commonly mistaken predicts a line y = offset + slope·x between the
//! two readings. Those whose line is the one that was found are named; where none is, what the meter's
//! range would have to be is said instead.

use zonda_model::written::Span;
use zonda_model::{Quantity, Unit};
use zonda_uncertainty::line::Known;

use super::Relation;

/// What the analog channel expects of its meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// What is measured.
    pub quantity: Quantity,
    /// The signal's span, such as 4-20 mA.
    pub signal: Span,
    /// What its ends stand for, such as 0-50 m/s.
    pub range: Span,
    /// The unit that the text line's numbers are taken for.
    pub text_unit: Unit,
}

impl Expected {
    /// The width of the range, SI.
    pub fn span_si(&self) -> f64 {
        let (from, to) = si(self.range);
        (to - from).abs()
    }
}

/// Ends of ranges that meters can be set to (common practice, no source).
const VELOCITIES: [f64; 17] = [
    0.5, 1.0, 2.0, 2.5, 5.0, 7.5, 10.0, 12.5, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 75.0, 100.0,
];
const VELOCITIES_FPM: [f64; 13] = [
    100.0, 200.0, 400.0, 500.0, 1000.0, 1500.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 10_000.0,
    20_000.0,
];
const TEMPERATURES: [(f64, f64); 16] = [
    (0.0, 50.0),
    (0.0, 100.0),
    (0.0, 150.0),
    (0.0, 200.0),
    (0.0, 250.0),
    (0.0, 300.0),
    (0.0, 350.0),
    (0.0, 400.0),
    (0.0, 500.0),
    (0.0, 600.0),
    (0.0, 800.0),
    (0.0, 1000.0),
    (-20.0, 80.0),
    (-50.0, 50.0),
    (-50.0, 150.0),
    (-100.0, 400.0),
];
const TEMPERATURES_F: [(f64, f64); 8] = [
    (0.0, 200.0),
    (0.0, 400.0),
    (0.0, 500.0),
    (0.0, 1000.0),
    (32.0, 212.0),
    (32.0, 572.0),
    (32.0, 932.0),
    (-40.0, 176.0),
];
/// Signals that outputs can be set to.
const SIGNALS: [(f64, f64, Unit); 7] = [
    (4.0, 20.0, Unit::Milliampere),
    (0.0, 20.0, Unit::Milliampere),
    (0.0, 1.0, Unit::Volt),
    (0.0, 5.0, Unit::Volt),
    (1.0, 5.0, Unit::Volt),
    (0.0, 10.0, Unit::Volt),
    (2.0, 10.0, Unit::Volt),
];

/// A mistake and the line that it predicts: y = offset + slope·x, SI.
struct Mistake {
    slope: f64,
    offset: f64,
    words: String,
}

/// Predicted and found slopes this near are the same, beside the uncertainty.
const SLOPE_NEAR: f64 = 0.01;
/// So are values this near, as a share of the range.
const VALUE_NEAR: f64 = 0.01;

/// What is wrong and what may be the cause; `None` where too little is known to say anything.
pub(crate) fn sentence(expected: &Expected, relation: &Relation) -> Option<String> {
    let level = relation.level()?;
    let unit = expected.range.unit;
    let likely = likely(expected, relation);
    let (found, otherwise) = if let Relation::Line { slope, offset, .. } = relation {
        let found = line_words(expected, *slope, *offset);
        (found, as_if_range(expected, slope.value, offset.value))
    } else {
        let by = signed(unit.difference_from_si(level.difference.value));
        let mean = number(unit.from_si(level.text));
        let found = format!(
            "analog reads {by} {unit} beside the text line, which reads {mean} {unit} on average; \
             the readings vary too little to tell a factor from an offset"
        );
        (found, None)
    };
    let why = likely.or(otherwise).unwrap_or_else(|| {
        "compare the range and the output signal set on the meter with the channel's".to_owned()
    });
    Some(format!("{found}: {why}"))
}

/// That they agree again.
pub(crate) fn again(expected: &Expected, relation: &Relation) -> Option<String> {
    let level = relation.level()?;
    let unit = expected.range.unit;
    Some(match relation {
        Relation::Line { slope, .. } => format!(
            "analog and text line agree again: analog reads {} × the text line (± {}, k = 2)",
            number(slope.value),
            number(2.0 * slope.u)
        ),
        _ => format!(
            "analog and text line agree again: they differ by {} {unit} on average",
            number(unit.difference_from_si(level.difference.value))
        ),
    })
}

fn line_words(expected: &Expected, slope: Known, offset: Known) -> String {
    let unit = expected.range.unit;
    let factor = format!("analog reads {} × the text line", number(slope.value));
    let beside = offset.value.abs() - 2.0 * offset.u;
    if beside > VALUE_NEAR * expected.span_si() {
        let at_zero = unit.from_si(offset.value + slope.value * unit.to_si(0.0));
        format!("{factor} {} {unit}", signed_apart(at_zero))
    } else {
        factor
    }
}

/// The mistakes that would look like this, best first, one of a kind.
fn likely(expected: &Expected, relation: &Relation) -> Option<String> {
    let level = relation.level()?;
    let span = expected.span_si();
    let near = |mistake: &Mistake| {
        let value_off = (mistake.offset + mistake.slope * level.text - level.analog).abs() / span;
        let value_near = VALUE_NEAR + 2.0 * level.difference.u / span;
        let (slope_off, slope_near) = match relation {
            Relation::Line { slope, .. } => (
                (mistake.slope / slope.value - 1.0).abs(),
                SLOPE_NEAR + 2.0 * slope.u / slope.value.abs(),
            ),
            _ => (0.0, 1.0),
        };
        let is_near = value_off <= value_near && slope_off <= slope_near;
        is_near.then_some(value_off / value_near + slope_off / slope_near)
    };
    let best = |mistakes: Vec<Mistake>| {
        let scored = mistakes
            .into_iter()
            .filter_map(|mistake| Some((near(&mistake)?, mistake.words)));
        scored
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, words)| words)
    };
    let found: Vec<String> = [ranges(expected), signals(expected), units(expected)]
        .into_iter()
        .filter_map(best)
        .collect();
    (!found.is_empty()).then(|| found.join("; or "))
}

/// The meter's range is another one.
fn ranges(expected: &Expected) -> Vec<Mistake> {
    let (p, q) = si(expected.range);
    settable(expected)
        .into_iter()
        .filter(|range| *range != expected.range)
        .map(|range| {
            let (from, to) = si(range);
            let slope = (q - p) / (to - from);
            Mistake {
                slope,
                offset: p - slope * from,
                words: format!(
                    "the meter's output range may be set to {} while the channel expects {}",
                    span_words(range),
                    span_words(expected.range)
                ),
            }
        })
        .collect()
}

/// Ranges in the channel's own unit first, then in the other of the trade.
fn settable(expected: &Expected) -> Vec<Span> {
    let span = |unit: Unit| move |(from, to): (f64, f64)| Span { from, to, unit };
    let from_zero = |to: f64| (0.0, to);
    let mut all: Vec<Span> = match expected.quantity {
        Quantity::Velocity => VELOCITIES
            .map(from_zero)
            .map(span(Unit::MetrePerSecond))
            .into_iter()
            .chain(VELOCITIES_FPM.map(from_zero).map(span(Unit::FootPerMinute)))
            .collect(),
        Quantity::Temperature => TEMPERATURES
            .map(span(Unit::DegreeCelsius))
            .into_iter()
            .chain(TEMPERATURES_F.map(span(Unit::DegreeFahrenheit)))
            .collect(),
        _ => Vec::new(),
    };
    all.sort_by_key(|range| range.unit != expected.range.unit);
    all
}

/// The meter drives another signal.
fn signals(expected: &Expected) -> Vec<Mistake> {
    let (p, q) = si(expected.range);
    let (s0, s1) = si(expected.signal);
    let of = |(from, to, unit): (f64, f64, Unit)| Span { from, to, unit };
    SIGNALS
        .map(of)
        .into_iter()
        .filter(|signal| {
            signal.unit.quantity() == expected.signal.unit.quantity() && si(*signal) != (s0, s1)
        })
        .map(|signal| {
            let (t0, t1) = si(signal);
            let slope = (t1 - t0) / (s1 - s0);
            Mistake {
                slope,
                offset: p * (1.0 - slope) + (q - p) * (t0 - s0) / (s1 - s0),
                words: format!(
                    "the meter's output may be set to {} while the channel expects {}",
                    span_words(signal),
                    span_words(expected.signal)
                ),
            }
        })
        .collect()
}

/// The text line's numbers are in another unit.
fn units(expected: &Expected) -> Vec<Mistake> {
    let taken = expected.text_unit;
    let spoken = |unit: &Unit| expected.quantity.accepts(*unit) && *unit != taken;
    Unit::ALL
        .iter()
        .copied()
        .filter(spoken)
        .map(|unit| {
            let true_of = |x: f64| unit.to_si(taken.from_si(x));
            let offset = true_of(0.0);
            Mistake {
                slope: true_of(1.0) - offset,
                offset,
                words: format!("the text line may speak of {unit} while it is taken for {taken}"),
            }
        })
        .collect()
}

/// What the meter's range would have to be.
fn as_if_range(expected: &Expected, slope: f64, offset: f64) -> Option<String> {
    if slope <= 0.0 {
        return Some(
            "the output runs the other way: its range or its two wires may be reversed".to_owned(),
        );
    }
    let (p, q) = si(expected.range);
    let unit = expected.range.unit;
    let span = (q - p) / slope;
    let from = (p - offset) / slope;
    // Within what is called near, it begins where it should.
    let from = if (from - p).abs() <= VALUE_NEAR * span.abs() {
        p
    } else {
        from
    };
    let (from, to) = (unit.from_si(from), unit.from_si(from + span));
    let is_plain = (slope - 1.0).abs() > SLOPE_NEAR;
    is_plain.then(|| {
        format!(
            "it looks as if the meter's output range were {} to {} {unit} while the channel expects {}",
            number(from),
            number(to),
            span_words(expected.range)
        )
    })
}

fn si(span: Span) -> (f64, f64) {
    (span.unit.to_si(span.from), span.unit.to_si(span.to))
}

/// `0–50 m/s`, `-20 to 80 °C`.
fn span_words(Span { from, to, unit }: Span) -> String {
    let joint = if from < 0.0 || to < 0.0 {
        " to "
    } else {
        "–"
    };
    format!("{from}{joint}{to} {unit}")
}

/// Three digits that count, and never fewer than two behind the point below 10.
fn number(value: f64) -> String {
    let digits = if value.abs() >= 100.0 {
        0
    } else if value.abs() >= 10.0 {
        1
    } else {
        2
    };
    let text = format!("{value:.digits$}");
    if text
        .trim_start_matches('-')
        .chars()
        .all(|c| c == '0' || c == '.')
    {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

fn signed(value: f64) -> String {
    if value > 0.0 {
        format!("+{}", number(value))
    } else {
        number(value)
    }
}

fn signed_apart(value: f64) -> String {
    let sign = if value < 0.0 { '−' } else { '+' };
    format!("{sign} {}", number(value.abs()))
}
