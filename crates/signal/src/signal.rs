//! Signals: the electrical span of an instrument's output, and what is said of a reading outside it.
//!
//! Nothing is ever clamped. A reading outside the span is flagged; in a failure band it has no value.

use zonda_model::written::{Amount, Span};
use zonda_model::{Quality, Quantity, Unit};

/// Why a signal cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadSignal {
    /// Not a voltage or a current.
    #[error("a signal is a voltage or a current, such as `0-1 V` or `4-20 mA`; {0} is a unit of {quantity}", quantity = .0.quantity())]
    Unit(Unit),
    /// Both ends alike, or not finite.
    #[error("the signal's span from {0} to {1} {2} is empty")]
    Empty(f64, f64, Unit),
    /// Written from high to low.
    #[error("write the signal from low to high, `{1}-{0} {2}`, and turn the range around instead")]
    Reversed(f64, f64, Unit),
    /// A shunt that is no resistance, or not a positive one.
    #[error("a shunt is a positive resistance, such as `249 Ω`, not {0} {1}")]
    Shunt(f64, Unit),
    /// A shunt for a signal that is a voltage already.
    #[error(
        "a shunt turns a current into a voltage, but the signal {0}-{1} {2} is a voltage: leave the shunt out"
    )]
    ShuntOfVoltage(f64, f64, Unit),
    /// Failure bands that do not lie around the span.
    #[error("the limits {fail_low} ≤ {measure_low} ≤ span ≤ {measure_high} ≤ {fail_high} must lie in this order around the span {from}-{to} {unit}",
        fail_low = .bands.fail_low, measure_low = .bands.measure_low, measure_high = .bands.measure_high, fail_high = .bands.fail_high,
        from = .span.from, to = .span.to, unit = .span.unit)]
    Bands {
        /// The limits.
        bands: FailureBands,
        /// The span they should surround.
        span: Span,
    },
    /// A tolerance below zero, or none.
    #[error("the tolerance around the span must be 0 or more, not {0}")]
    Tolerance(f64),
}

/// Four limits around a span, in the unit of the signal's span. NAMUR NE 43 states them for 4-20 mA.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FailureBands {
    /// At and below: failure, [`Quality::OPEN_LOOP`], no value.
    pub fail_low: f64,
    /// Below, and above `fail_low`: neither measurement nor failure, [`Quality::UNCERTAIN`]. From here to the span: [`Quality::UNDER_RANGE`].
    pub measure_low: f64,
    /// From the span to here: [`Quality::OVER_RANGE`]. Above, and below `fail_high`: [`Quality::UNCERTAIN`].
    pub measure_high: f64,
    /// At and above: failure, [`Quality::SHORT`], no value.
    pub fail_high: f64,
}

impl FailureBands {
    /// NAMUR NE 43, in mA: 3.6, 3.8, 20.5 and 21.
    pub const NE43: Self = Self {
        fail_low: 3.6,
        measure_low: 3.8,
        measure_high: 20.5,
        fail_high: 21.0,
    };

    fn surround(self, span: Span) -> bool {
        let ascending = [
            self.fail_low,
            self.measure_low,
            span.from,
            span.to,
            self.measure_high,
            self.fail_high,
        ];
        ascending.iter().all(|limit| limit.is_finite()) && ascending.is_sorted()
    }

    /// NAMUR NE 43 in a unit of current.
    fn ne43(unit: Unit) -> Self {
        if unit == Unit::Milliampere {
            return Self::NE43;
        }
        let convert = |milliampere| unit.from_si(Unit::Milliampere.to_si(milliampere));
        Self {
            fail_low: convert(Self::NE43.fail_low),
            measure_low: convert(Self::NE43.measure_low),
            measure_high: convert(Self::NE43.measure_high),
            fail_high: convert(Self::NE43.fail_high),
        }
    }
}

/// What is done with a reading outside the span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Reaction {
    /// The value is kept and flagged `under_range` or `over_range`.
    #[default]
    Flag,
    /// There is no value; flagged `open_loop` or `short`.
    Fault,
    /// There is no value; flagged `open_loop`: a bias resistor pulls the input of a broken lead there.
    Open,
    /// The value is kept without a flag.
    Accept,
}

/// The rule for signals without failure bands, such as 0-1 V.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SpanRule {
    /// How far outside the span a reading still counts as on it, in the unit of the signal's span:
    /// the converter's offset and noise at a true zero.
    pub tolerance: f64,
    /// Below the span and its tolerance.
    pub under: Reaction,
    /// Above the span and its tolerance.
    pub over: Reaction,
}

/// How readings outside the span are judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outside {
    /// By failure bands, as digital transmitters with a live zero keep them.
    Bands(FailureBands),
    /// By the span alone.
    Span(SpanRule),
}

/// An instrument's output: 0-1 V, 1-5 V, 4-20 mA …
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Signal {
    span: Span,
    shunt: Option<Amount>,
    outside: Outside,
}

/// What is said of a reading of a signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Judgement {
    /// Its flags.
    pub quality: Quality,
    /// False in a failure band: the reading stands for no value.
    pub has_value: bool,
}

impl Judgement {
    /// Nothing is said, and there is a value.
    pub const NOTHING: Self = kept(Quality::empty());
}

impl Signal {
    /// A signal of this span. Readings outside 4-20 mA are judged by NAMUR NE 43, those outside any
    /// other span are kept and flagged.
    ///
    /// # Errors
    /// [`BadSignal`] where the span is no voltage or current, empty, or reversed.
    pub fn new(span: Span) -> Result<Self, BadSignal> {
        let Span { from, to, unit } = span;
        if !matches!(unit.quantity(), Quantity::Voltage | Quantity::Current) {
            return Err(BadSignal::Unit(unit));
        }
        match from.partial_cmp(&to) {
            Some(std::cmp::Ordering::Less) if (to - from).is_normal() => {}
            Some(std::cmp::Ordering::Greater) => return Err(BadSignal::Reversed(from, to, unit)),
            _ => return Err(BadSignal::Empty(from, to, unit)),
        }
        let outside = if Self::is_live_zero_current(span) {
            Outside::Bands(FailureBands::ne43(unit))
        } else {
            Outside::Span(SpanRule::default())
        };
        Ok(Self {
            span,
            shunt: None,
            outside,
        })
    }

    fn is_live_zero_current(span: Span) -> bool {
        let is = |written: f64, milliampere: f64| {
            (Unit::Milliampere.from_si(span.unit.to_si(written)) - milliampere).abs() < 1e-9
        };
        span.unit.quantity() == Quantity::Current && is(span.from, 4.0) && is(span.to, 20.0)
    }

    /// The same, as the voltage across a shunt.
    ///
    /// # Errors
    /// [`BadSignal::Shunt`], [`BadSignal::ShuntOfVoltage`].
    pub fn through_shunt(self, shunt: Amount) -> Result<Self, BadSignal> {
        let Span { from, to, unit } = self.span;
        if unit.quantity() == Quantity::Voltage {
            return Err(BadSignal::ShuntOfVoltage(from, to, unit));
        }
        let is_positive = shunt.value.is_normal() && shunt.value > 0.0;
        if shunt.unit.quantity() != Quantity::Resistance || !is_positive {
            return Err(BadSignal::Shunt(shunt.value, shunt.unit));
        }
        Ok(Self {
            shunt: Some(shunt),
            ..self
        })
    }

    /// The same, with its readings outside the span judged so.
    ///
    /// # Errors
    /// [`BadSignal::Bands`], [`BadSignal::Tolerance`].
    pub fn with_outside(self, outside: Outside) -> Result<Self, BadSignal> {
        match outside {
            Outside::Bands(bands) if !bands.surround(self.span) => Err(BadSignal::Bands {
                bands,
                span: self.span,
            }),
            Outside::Span(rule) if !(rule.tolerance.is_finite() && rule.tolerance >= 0.0) => {
                Err(BadSignal::Tolerance(rule.tolerance))
            }
            _ => Ok(Self { outside, ..self }),
        }
    }

    /// The span as written.
    pub const fn span(self) -> Span {
        self.span
    }

    /// The shunt, if the module measures the voltage across one.
    pub const fn shunt(self) -> Option<Amount> {
        self.shunt
    }

    /// How readings outside the span are judged.
    pub const fn outside(self) -> Outside {
        self.outside
    }

    /// Voltage or current.
    pub const fn quantity(self) -> Quantity {
        self.span.unit.quantity()
    }

    /// The middle of the span, in SI.
    pub const fn middle_si(self) -> f64 {
        self.span
            .unit
            .to_si(f64::midpoint(self.span.from, self.span.to))
    }

    /// The signal behind what the module measured, both in SI: through the shunt, if there is one.
    pub fn from_measured(self, measured: f64) -> f64 {
        match self.shunt {
            Some(shunt) => measured / shunt.unit.to_si(shunt.value),
            None => measured,
        }
    }

    /// What the module measures of a signal, both in SI: across the shunt, if there is one.
    pub(crate) fn measured_of(self, signal: f64) -> f64 {
        match self.shunt {
            Some(shunt) => signal * shunt.unit.to_si(shunt.value),
            None => signal,
        }
    }

    /// What is to be said of a signal in SI. A limit is met within `rounding` of itself.
    pub(crate) fn judge(self, signal: f64, rounding: f64) -> Judgement {
        let Span { from, to, unit } = self.span;
        let margin = rounding * from.abs().max(to.abs());
        let against = Against {
            reading: unit.from_si(signal),
            margin,
        };
        match self.outside {
            Outside::Bands(bands) => against.bands(bands, self.span),
            Outside::Span(rule) => against.span(rule, self.span),
        }
    }
}

/// A reading in the unit of its span, compared with limits to within a margin.
struct Against {
    reading: f64,
    margin: f64,
}

impl Against {
    fn is_below(&self, limit: f64) -> bool {
        self.reading < limit - self.margin
    }

    fn is_above(&self, limit: f64) -> bool {
        self.reading > limit + self.margin
    }

    fn bands(&self, bands: FailureBands, span: Span) -> Judgement {
        if !self.is_above(bands.fail_low) {
            failed(Quality::OPEN_LOOP)
        } else if self.is_below(bands.measure_low) {
            kept(Quality::UNCERTAIN)
        } else if self.is_below(span.from) {
            kept(Quality::UNDER_RANGE)
        } else if !self.is_above(span.to) {
            kept(Quality::empty())
        } else if !self.is_above(bands.measure_high) {
            kept(Quality::OVER_RANGE)
        } else if self.is_below(bands.fail_high) {
            kept(Quality::UNCERTAIN)
        } else {
            failed(Quality::SHORT)
        }
    }

    fn span(&self, rule: SpanRule, span: Span) -> Judgement {
        if self.is_below(span.from - rule.tolerance) {
            rule.under.judge(Quality::UNDER_RANGE, Quality::OPEN_LOOP)
        } else if self.is_above(span.to + rule.tolerance) {
            rule.over.judge(Quality::OVER_RANGE, Quality::SHORT)
        } else {
            kept(Quality::empty())
        }
    }
}

impl Reaction {
    const fn judge(self, range_flag: Quality, fault_flag: Quality) -> Judgement {
        match self {
            Self::Flag => kept(range_flag),
            Self::Fault => failed(fault_flag),
            Self::Open => failed(Quality::OPEN_LOOP),
            Self::Accept => kept(Quality::empty()),
        }
    }
}

const fn kept(quality: Quality) -> Judgement {
    Judgement {
        quality,
        has_value: true,
    }
}

const fn failed(quality: Quality) -> Judgement {
    Judgement {
        quality,
        has_value: false,
    }
}
