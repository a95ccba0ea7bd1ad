//! Mappings: the whole way from code to value, checked once, then never in doubt.
//!
//! Exactness. Every step is one or two double-precision operations on the numbers as written, so a
//! value agrees with exact arithmetic to some parts in 10¹⁵ of the range. The way is monotone: a
//! higher code never gives a lower value (or a higher one, where the range is reversed). The same
//! mapping gives the same bits on every machine, as only the basic operations of IEEE 754 are used.

use zonda_model::written::{BadWriting, Span};
use zonda_model::{Code, Quality, Quantity, Unit};

use crate::characteristic::{BadRange, Characteristic, Range};
use crate::code::CodeFormat;
use crate::scale::Scale;
use crate::signal::{Judgement, Signal};

/// Why parts do not make a mapping.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MappingError {
    /// The range cannot be, or belongs to another quantity.
    #[error(transparent)]
    Range(#[from] BadRange),
    /// Without a range or other characteristic the scale must speak in the quantity's unit.
    #[error("without a signal and a range the code is the value itself, but {0}")]
    Direct(BadWriting),
    /// A signal, and nothing that says what it stands for.
    #[error("the signal's range is missing: say what {0}-{1} {2} stands for, such as `0-50 m/s`")]
    RangeMissing(f64, f64, Unit),
    /// A range, and no signal that it belongs to.
    #[error("a range needs the signal it belongs to, such as `0-1 V` or `4-20 mA`")]
    SignalMissing,
    /// The module measures volts, the signal is a current.
    #[error(
        "the module measures {found} and the signal is a current: give the shunt's resistance, such as `249 Ω`"
    )]
    ShuntMissing {
        /// The unit of the scale.
        found: Unit,
    },
    /// The module measures the current itself.
    #[error("the module measures {found} itself: leave the shunt out, or state the scale in volts")]
    ShuntNeedless {
        /// The unit of the scale.
        found: Unit,
    },
    /// The module's scale cannot be turned into this signal.
    #[error("the scale is stated in {found}, a unit of {}, but the signal is a {expected}", .found.quantity())]
    ScaleOfOtherQuantity {
        /// The unit of the scale.
        found: Unit,
        /// What the signal is.
        expected: Quantity,
    },
}

/// How a code becomes a value. Immutable: a change is a new mapping.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    quantity: Quantity,
    format: CodeFormat,
    scale: Scale,
    signal: Option<Signal>,
    characteristic: Characteristic,
}

/// Collects the parts of a [`Mapping`]; [`build`](Self::build) checks them against one another.
#[derive(Clone, Debug)]
pub struct MappingBuilder {
    quantity: Quantity,
    format: CodeFormat,
    scale: Scale,
    signal: Option<Signal>,
    range: Option<Span>,
}

impl MappingBuilder {
    /// The instrument's output signal.
    pub fn signal(mut self, signal: Signal) -> Self {
        self.signal = Some(signal);
        self
    }

    /// The range that the signal's span stands for, in a straight line.
    pub fn range(mut self, range: Span) -> Self {
        self.range = Some(range);
        self
    }

    /// The mapping.
    ///
    /// # Errors
    /// [`MappingError`]: what does not fit together, in a sentence for the person who wrote it.
    pub fn build(self) -> Result<Mapping, MappingError> {
        if let Some(signal) = self.signal {
            check_measured(self.scale.unit(), signal)?;
        }
        Ok(Mapping {
            quantity: self.quantity,
            format: self.format,
            scale: self.scale,
            signal: self.signal,
            characteristic: self.characteristic()?,
        })
    }

    fn characteristic(&self) -> Result<Characteristic, MappingError> {
        let source = self
            .signal
            .map_or(self.scale.unit(), |signal| signal.span().unit);
        match (self.range, self.signal) {
            (Some(range), Some(_)) => Ok(Characteristic::Linear(Range::new(self.quantity, range)?)),
            (Some(_), None) => Err(MappingError::SignalMissing),
            (None, _) if self.quantity.accepts(source) => Ok(Characteristic::Direct),
            (None, Some(signal)) => {
                let Span { from, to, unit } = signal.span();
                Err(MappingError::RangeMissing(from, to, unit))
            }
            (None, None) => Err(MappingError::Direct(BadWriting::WrongQuantity {
                found: source,
                expected: self.quantity,
            })),
        }
    }
}

fn check_measured(found: Unit, signal: Signal) -> Result<(), MappingError> {
    let expected = signal.quantity();
    match (found.quantity(), expected, signal.shunt()) {
        (Quantity::Voltage, Quantity::Current, None) => Err(MappingError::ShuntMissing { found }),
        (Quantity::Current, Quantity::Current, Some(_)) => {
            Err(MappingError::ShuntNeedless { found })
        }
        (Quantity::Voltage, _, _) | (Quantity::Current, Quantity::Current, None) => Ok(()),
        _ => Err(MappingError::ScaleOfOtherQuantity { found, expected }),
    }
}

impl Mapping {
    /// Begins a mapping to `quantity`. Without more, the scaled code is the value itself.
    pub const fn builder(quantity: Quantity, format: CodeFormat, scale: Scale) -> MappingBuilder {
        MappingBuilder {
            quantity,
            format,
            scale,
            signal: None,
            range: None,
        }
    }

    /// The value of a code in the SI unit of [`quantity`](Self::quantity), and what is to be said of it.
    ///
    /// No value where there is no code or the code stands for no number
    /// ([`Quality::NO_NUMBER`]), and in a failure band. A value is always finite.
    pub fn map(&self, code: Option<Code>) -> (Option<f64>, Quality) {
        const NO_NUMBER: (Option<f64>, Quality) = (None, Quality::NO_NUMBER);
        let Some(decoded) = code.and_then(|code| self.format.decode(code)) else {
            return NO_NUMBER;
        };
        let measured = self.scale.measured(decoded.number);
        let (signal, judgement) = self.signal_of(measured);
        let value = self.value_of(signal);
        if !value.is_finite() {
            return NO_NUMBER;
        }
        let quality = decoded.quality | judgement.quality;
        (judgement.has_value.then_some(value), quality)
    }

    fn signal_of(&self, measured: f64) -> (f64, Judgement) {
        match self.signal {
            Some(kind) => {
                let signal = kind.from_measured(measured);
                (signal, kind.judge(signal, self.format.rounding()))
            }
            None => (measured, Judgement::NOTHING),
        }
    }

    fn value_of(&self, signal: f64) -> f64 {
        match (self.characteristic, self.signal) {
            (Characteristic::Linear(range), Some(kind)) => range.at(kind.fraction(signal)),
            _ => signal,
        }
    }

    /// What a code stands for electrically, in SI, before the characteristic: for a person at the
    /// terminals with a meter in hand. `None` where the code stands for no number.
    pub fn signal_si(&self, code: Code) -> Option<f64> {
        let measured = self.scale.measured(self.format.decode(code)?.number);
        let (signal, _) = self.signal_of(measured);
        signal.is_finite().then_some(signal)
    }

    /// The size of one count in the value, SI, from which the digits worth showing follow.
    /// `None` where the code has no steps known here (floats, numbers of a text line).
    pub fn resolution(&self) -> Option<f64> {
        if !self.format.has_counts() {
            return None;
        }
        let step = self.scale.step_si();
        let through_shunt = self
            .signal
            .map_or(step, |signal| signal.from_measured(step));
        Some(match (self.characteristic, self.signal) {
            (Characteristic::Linear(range), Some(signal)) => {
                through_shunt / signal.width_si() * range.width_si()
            }
            _ => through_shunt,
        })
    }

    /// What the value measures.
    pub const fn quantity(&self) -> Quantity {
        self.quantity
    }

    /// How the code is read.
    pub const fn format(&self) -> CodeFormat {
        self.format
    }

    /// What one count stands for.
    pub const fn scale(&self) -> Scale {
        self.scale
    }

    /// The instrument's output signal, if there is one.
    pub const fn signal(&self) -> Option<Signal> {
        self.signal
    }

    /// How the signal becomes the value.
    pub const fn characteristic(&self) -> Characteristic {
        self.characteristic
    }
}
