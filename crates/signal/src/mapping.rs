//! Mappings: the whole way from code to value, checked once, then never in doubt.
//!
//! Exactness. Every step is a few double-precision operations on the numbers as written, so a
//! linear value agrees with exact arithmetic to some parts in 10¹⁵ of its range. The linear way is
//! monotone: a higher code never gives a lower value (or a higher one, where the range is reversed),
//! and it gives the same bits on every machine, as only the basic operations of IEEE 754 are used.

use jiff::civil::Date;
use zonda_model::written::Span;
use zonda_model::{ChannelName, Code, Quality, Quantity, Unit};

use crate::certificate::Certificate;
use crate::code::CodeFormat;
use crate::companion::Companion;
use crate::envelope::Envelope;
use crate::line::{BadLine, Line};
use crate::scale::Scale;
use crate::signal::{Judgement, Signal};
use crate::step::{ColdJunction, Step, Stepped};
use crate::thermocouple::OutOfReach;

/// Why parts do not make a mapping.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MappingError {
    /// The range is empty.
    #[error(transparent)]
    Range(#[from] BadLine),
    /// The range is written in a unit of another quantity.
    #[error("{found} is a unit of {}, but the channel's quantity is {expected}, in {} for example", .found.quantity(), .expected.si())]
    RangeOfOtherQuantity {
        /// The unit of the range.
        found: Unit,
        /// What the channel measures.
        expected: Quantity,
    },
    /// No signal, no range: the scale must speak in the quantity's unit.
    #[error("without a signal and a range the code is the value itself, but {found} is a unit of {}, not of {expected}", .found.quantity())]
    NotTheValue {
        /// The unit of the scale.
        found: Unit,
        /// What the channel measures.
        expected: Quantity,
    },
    /// A signal, and nothing that says what it stands for.
    #[error("the range is missing: say what {from}-{to} {unit} stands for, such as `0-50 m/s`", from = .0.from, to = .0.to, unit = .0.unit)]
    RangeMissing(Span),
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
    /// A step that cannot follow the one before it.
    #[error("step {number} takes {}, but what comes before it gives {given}", .takes.quantity())]
    StepDoesNotFollow {
        /// Which step, counted from 1.
        number: usize,
        /// The unit of its input.
        takes: Unit,
        /// What comes before it.
        given: Quantity,
    },
    /// Terminals at a temperature where the thermocouple's function is not defined.
    #[error("the cold junction: {0}")]
    ColdJunction(OutOfReach),
    /// The last step ends at another quantity than the channel's.
    #[error("the last step gives {}, but the channel's quantity is {expected}", .found.quantity())]
    LastStep {
        /// The unit of its output.
        found: Unit,
        /// What the channel measures.
        expected: Quantity,
    },
    /// An envelope judges velocities, and the temperatures beside them.
    #[error("an envelope judges velocity and temperature, not {0}")]
    EnvelopeOf(Quantity),
    /// Something must be read beside the channel, and nobody said which channel reads it.
    #[error("the channel that reads the temperature beside this one is missing")]
    CompanionMissing,
    /// A channel is named to be read beside, and nothing looks at it.
    #[error("nothing here looks at `{0}`: leave it out")]
    CompanionNeedless(ChannelName),
    /// A basis of what has none.
    #[error("only a velocity or a volume flow has a basis, {0} has none: leave `basis` out")]
    BasisOf(Quantity),
    /// Certified, and said to lack a certificate.
    #[error("a mapping with a certificate does not lack one")]
    CertificateThere,
}

/// How a code becomes a value. Immutable: a change is a new mapping.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    quantity: Quantity,
    format: CodeFormat,
    scale: Scale,
    signal: Option<Signal>,
    steps: Vec<Step>,
    straight: Option<Straight>,
    envelope: Option<Envelope>,
    companion: Option<ChannelName>,
    lacks_certificate: bool,
    basis: Option<String>,
}

/// Collects the parts of a [`Mapping`]; [`build`](Self::build) checks them against one another.
#[derive(Clone, Debug)]
pub struct MappingBuilder {
    quantity: Quantity,
    format: CodeFormat,
    scale: Scale,
    signal: Option<Signal>,
    range: Option<Span>,
    steps: Vec<Step>,
    envelope: Option<Envelope>,
    companion: Option<ChannelName>,
    lacks_certificate: bool,
    basis: Option<String>,
}

impl MappingBuilder {
    /// The instrument's output signal.
    pub fn signal(mut self, signal: Signal) -> Self {
        self.signal = Some(signal);
        self
    }

    /// The range that the signal's span stands for, in a straight line: the first step.
    pub fn range(mut self, range: Span) -> Self {
        self.range = Some(range);
        self
    }

    /// One more step, after the range and the steps given so far.
    pub fn step(mut self, step: Step) -> Self {
        self.steps.push(step);
        self
    }

    /// Where the probe can be believed: of a velocity, judged by its companion; of a temperature, by
    /// its own validity.
    pub fn envelope(mut self, envelope: Envelope) -> Self {
        self.envelope = Some(envelope);
        self
    }

    /// The channel that reads the temperature beside this one at the same tick.
    pub fn companion(mut self, channel: ChannelName) -> Self {
        self.companion = Some(channel);
        self
    }

    /// It should have a certificate and has none: every value is [`Quality::UNCALIBRATED`].
    pub const fn lacking_certificate(mut self) -> Self {
        self.lacks_certificate = true;
        self
    }

    /// What a velocity or volume flow is one of, in the words in which the record is to keep it. It changes no number; but a
    /// number without it says nothing, so that another basis is another mapping.
    pub fn basis(mut self, words: String) -> Self {
        self.basis = Some(words);
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
        let mut steps: Vec<Step> = self.first_step()?.into_iter().collect();
        steps.extend(self.steps);
        let source = self.signal.map_or(self.scale.unit(), |s| s.span().unit);
        check_steps(source, &steps, self.quantity, self.signal)?;
        let mapping = Mapping {
            straight: straight(self.scale, self.signal, &steps),
            quantity: self.quantity,
            format: self.format,
            scale: self.scale,
            signal: self.signal,
            steps,
            envelope: self.envelope,
            companion: self.companion,
            lacks_certificate: self.lacks_certificate,
            basis: self.basis,
        };
        mapping.check_beside()?;
        Ok(mapping)
    }

    fn first_step(&self) -> Result<Option<Step>, MappingError> {
        let Some(range) = self.range else {
            return Ok(None);
        };
        let signal = self.signal.ok_or(MappingError::SignalMissing)?;
        if self.steps.is_empty() && !self.quantity.accepts(range.unit) {
            return Err(MappingError::RangeOfOtherQuantity {
                found: range.unit,
                expected: self.quantity,
            });
        }
        Ok(Some(Step::Line(Line::new(signal.span(), range)?)))
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

/// Each step must take what the one before it gives, and the last must give the channel's quantity.
fn check_steps(
    source: Unit,
    steps: &[Step],
    expected: Quantity,
    signal: Option<Signal>,
) -> Result<(), MappingError> {
    let mut given = source;
    for (index, step) in steps.iter().enumerate() {
        if !step.accepts(given.quantity()) {
            return Err(MappingError::StepDoesNotFollow {
                number: index + 1,
                takes: step.input(),
                given: given.quantity(),
            });
        }
        if let Step::Thermocouple(kind, ColdJunction::At(celsius)) = step {
            kind.emf(*celsius).map_err(MappingError::ColdJunction)?;
        }
        given = step.output();
    }
    let found = given;
    match (steps, signal) {
        _ if expected.accepts(found) => Ok(()),
        ([], Some(signal)) => Err(MappingError::RangeMissing(signal.span())),
        ([], None) => Err(MappingError::NotTheValue { found, expected }),
        _ => Err(MappingError::LastStep { found, expected }),
    }
}

/// Takes steps one after the other; a step without a value ends the way.
fn walk(mut at: Stepped, steps: &[Step], companion: Companion) -> Stepped {
    for step in steps {
        let Some(input) = at.value else { break };
        let next = step.take(input, companion);
        at = Stepped {
            value: next.value,
            quality: at.quality | next.quality,
        };
    }
    at
}

/// A first step that is a straight line of the signal, stated in counts: 4-20 mA at 1 µA a count are
/// the counts 4000 to 20 000. Counts are whole numbers, so that 6900 of them give 1.8125 m/s of
/// 0-10 m/s and not 1.8124999999999996.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Straight {
    counts: (f64, f64),
    values: (f64, f64),
}

impl Straight {
    fn at(self, count: f64) -> f64 {
        let ((from, to), (at_from, at_to)) = (self.counts, self.values);
        at_from + (count - from) / (to - from) * (at_to - at_from)
    }
}

fn straight(scale: Scale, signal: Option<Signal>, steps: &[Step]) -> Option<Straight> {
    let (signal, Some(Step::Line(line))) = (signal?, steps.first()) else {
        return None;
    };
    (line.from() == signal.span()).then(|| {
        let count =
            |written: f64| scale.count_of(signal.measured_of(signal.span().unit.to_si(written)));
        Straight {
            counts: (count(signal.span().from), count(signal.span().to)),
            values: line.ends(),
        }
    })
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
            steps: Vec::new(),
            envelope: None,
            companion: None,
            lacks_certificate: false,
            basis: None,
        }
    }

    /// What is looked at beside the code itself must be there, and nothing else.
    fn check_beside(&self) -> Result<(), MappingError> {
        let is_judged = matches!(self.quantity, Quantity::Velocity | Quantity::Temperature);
        if self.envelope.is_some() && !is_judged {
            return Err(MappingError::EnvelopeOf(self.quantity));
        }
        if self.lacks_certificate && self.certificate().is_some() {
            return Err(MappingError::CertificateThere);
        }
        if self.basis.is_some() && !self.quantity.has_basis() {
            return Err(MappingError::BasisOf(self.quantity));
        }
        match &self.companion {
            None if self.needs_companion() => Err(MappingError::CompanionMissing),
            Some(channel) if !self.needs_companion() => {
                Err(MappingError::CompanionNeedless(channel.clone()))
            }
            _ => Ok(()),
        }
    }

    /// The value of a code in the SI unit of [`quantity`](Self::quantity), and what is to be said of it.
    ///
    /// No value where there is no code or the code stands for no number
    /// ([`Quality::NO_NUMBER`]), and in a failure band. A value is always finite.
    pub fn map(&self, code: Option<Code>) -> (Option<f64>, Quality) {
        self.map_with(code, Companion::NONE)
    }

    /// As [`map`](Self::map), for a mapping that [needs a companion](Self::needs_companion): the
    /// temperature (°C) of the terminals where a thermocouple ends, or that which the same probe
    /// reads. Without it a thermocouple has no value and a velocity is `moved`; a flawed one makes
    /// either `moved`.
    pub fn map_with(&self, code: Option<Code>, companion: Companion) -> (Option<f64>, Quality) {
        let Some(decoded) = code.and_then(|code| self.format.decode(code)) else {
            return (None, Quality::NO_NUMBER);
        };
        let (signal, judgement) = self.signal_of(self.scale.measured(decoded.number));
        let quality = decoded.quality | judgement.quality;
        let Stepped {
            value,
            quality: said,
        } = match self.straight {
            Some(straight) => walk(
                Stepped::good(straight.at(decoded.number)),
                &self.steps[1..],
                companion,
            ),
            None => self.walk(signal, companion),
        };
        match value {
            _ if !judgement.has_value => (None, quality),
            Some(value) if !value.is_finite() => (None, Quality::NO_NUMBER),
            Some(value) => {
                let found = quality | said | self.judged(value, companion);
                (Some(value), found)
            }
            None => (None, quality | said),
        }
    }

    /// What is to be said of a value whatever the code was.
    fn judged(&self, value: f64, companion: Companion) -> Quality {
        let by_envelope = match &self.envelope {
            Some(envelope) if self.quantity == Quantity::Velocity => {
                envelope.judge_velocity(value, companion)
            }
            Some(envelope) => envelope.judge_temperature(value),
            None => Quality::empty(),
        };
        if self.lacks_certificate {
            by_envelope | Quality::UNCALIBRATED
        } else {
            by_envelope
        }
    }

    /// What is to be said of every value of a day: [`Quality::CALIBRATION_OVERDUE`] after the
    /// certificate's due date, [`Quality::UNCALIBRATED`] before its date. The day is that of UTC.
    pub fn standing(&self, day: Date) -> Quality {
        self.certificate()
            .map_or(Quality::empty(), |certificate| certificate.standing(day))
    }

    /// Every flag that a mapping may set. What else stands on a sample comes from the line or from
    /// the station, and stays when a value is computed again from its code.
    pub const FLAGS: Quality = Quality::OPEN_LOOP
        .union(Quality::SHORT)
        .union(Quality::UNDER_RANGE)
        .union(Quality::OVER_RANGE)
        .union(Quality::UNCERTAIN)
        .union(Quality::SATURATED)
        .union(Quality::NO_NUMBER)
        .union(Quality::OUTSIDE_ENVELOPE)
        .union(Quality::BELOW_THRESHOLD)
        .union(Quality::ABOVE_ENVELOPE)
        .union(Quality::MOVED)
        .union(Quality::UNCALIBRATED)
        .union(Quality::CALIBRATION_OVERDUE);

    fn signal_of(&self, measured: f64) -> (f64, Judgement) {
        match self.signal {
            Some(kind) => {
                let signal = kind.from_measured(measured);
                (signal, kind.judge(signal, self.format.rounding()))
            }
            None => (measured, Judgement::NOTHING),
        }
    }

    /// Takes all steps.
    fn walk(&self, signal: f64, companion: Companion) -> Stepped {
        walk(Stepped::good(signal), &self.steps, companion)
    }

    /// What a code stands for electrically, in SI, before any step: for a person at the terminals
    /// with a meter in hand. `None` where the code stands for no number.
    pub fn signal_si(&self, code: Code) -> Option<f64> {
        let measured = self.scale.measured(self.format.decode(code)?.number);
        let (signal, _) = self.signal_of(measured);
        signal.is_finite().then_some(signal)
    }

    /// The size of one count in the value, SI, from which the digits worth showing follow; in the
    /// middle of the signal's span, or of what the first step is for, where steps are not straight.
    ///
    /// `None` where the code has no steps known here (floats, numbers of a text line).
    pub fn resolution(&self) -> Option<f64> {
        if !self.format.has_counts() {
            return None;
        }
        let step = self.scale.step_si();
        let step = self
            .signal
            .map_or(step, |signal| signal.from_measured(step));
        let Some(first) = self.steps.first() else {
            return Some(step);
        };
        let middle = self
            .signal
            .map_or_else(|| first.typical_input(), Signal::middle_si);
        let companion = Companion::good(0.0);
        let low = self.walk(middle - step / 2.0, companion).value?;
        let high = self.walk(middle + step / 2.0, companion).value?;
        Some((high - low).abs())
    }

    /// Standard uncertainty that the converter's steps bring into the value, SI: the step over √12,
    /// as of a rectangle of that width (JCGM 100:2008, F.2.2.1). Averaging lowers it only where the
    /// noise is larger than the step.
    pub fn quantisation_uncertainty(&self) -> Option<f64> {
        self.resolution().map(|step| step / 12_f64.sqrt())
    }

    /// True where a value needs a second input: [`map_with`](Self::map_with).
    pub fn needs_companion(&self) -> bool {
        let needs = |step: &Step| matches!(step, Step::Thermocouple(_, ColdJunction::Measured));
        let is_judged = self.envelope.is_some() && self.quantity == Quantity::Velocity;
        is_judged || self.steps.iter().any(needs)
    }

    /// The channel that reads the temperature beside this one.
    pub const fn companion(&self) -> Option<&ChannelName> {
        self.companion.as_ref()
    }

    /// Where the probe can be believed.
    pub const fn envelope(&self) -> Option<&Envelope> {
        self.envelope.as_ref()
    }

    /// Whether it should have a certificate and has none.
    pub const fn lacks_certificate(&self) -> bool {
        self.lacks_certificate
    }

    /// What the velocity or volume flow is one of, in words; `None` where nobody has said.
    pub fn basis(&self) -> Option<&str> {
        self.basis.as_deref()
    }

    /// The certificate by which readings are put right; the last, if there are several.
    pub fn certificate(&self) -> Option<&Certificate> {
        self.steps.iter().rev().find_map(|step| match step {
            Step::Certificate(certificate) => Some(certificate.as_ref()),
            _ => None,
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

    /// The steps from signal to value; none where the signal is the value.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::code::{Coding, Integer};

    /// Closed form: (6900 − 4000)/(20 000 − 4000) · 10 = 1.8125, which a double holds exactly.
    #[test]
    fn a_whole_number_of_counts_gives_no_noise_in_the_last_digit() {
        let format = CodeFormat::Integer(Integer::register(Coding::Unsigned));
        let scale = Scale::per_count("1 µA".parse().unwrap()).unwrap();
        let signal = Signal::new("4-20 mA".parse().unwrap()).unwrap();
        let mapping = Mapping::builder(Quantity::Velocity, format, scale)
            .signal(signal)
            .range("0-10 m/s".parse().unwrap())
            .build()
            .unwrap();
        assert_eq!(
            mapping.map(Some(Code::Count(6900))),
            (Some(1.8125), Quality::empty())
        );
    }
}
