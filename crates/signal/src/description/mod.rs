//! Descriptions: a mapping as text that the record keeps, and from which it is built again exactly.
//!
//! The text is JSON of the numbers and units as they were written, with the fields always in the
//! same order, so that equal mappings have equal texts. Its `form` is the version of this layout.
//! Unknown fields are refused: a text of a newer program is never half understood.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use zonda_model::Unit;
use zonda_model::name::BadName;
use zonda_model::quantity::UnknownQuantity;
use zonda_model::unit::UnknownUnit;
use zonda_model::written::{Amount, Span};

use crate::certificate::BadCertificate;
use crate::code::{BadFormat, CodeFormat, Coding, EndCodes, Integer, Registers, WordOrder};
use crate::curve::BadCurve;
use crate::envelope::{BadEnvelope, Band, Envelope};
use crate::line::BadLine;
use crate::mapping::{Mapping, MappingError};
use crate::platinum::BadPlatinum;
use crate::root::BadRoot;
use crate::scale::{BadScale, Scale};
use crate::signal::{BadSignal, FailureBands, Outside, Reaction, Signal, SpanRule};
use crate::table::BadPolynomial;
use crate::thermocouple::UnknownThermocouple;

/// The layout written today.
const FORM: u32 = 1;

/// Why a text is no description of a mapping.
#[derive(Debug, thiserror::Error)]
pub enum BadDescription {
    /// Not JSON of this layout.
    #[error("this is no description of a mapping: {0}")]
    Text(#[from] serde_json::Error),
    /// Written by a newer program.
    #[error(
        "the mapping is described in form {0}, this program knows form {FORM}: use a newer program"
    )]
    Form(u32),
    /// A quantity that is not known here.
    #[error(transparent)]
    Quantity(#[from] UnknownQuantity),
    /// A unit that is not known here.
    #[error(transparent)]
    Unit(#[from] UnknownUnit),
    /// A code format that cannot be.
    #[error(transparent)]
    Format(#[from] BadFormat),
    /// A scale that cannot be.
    #[error(transparent)]
    Scale(#[from] BadScale),
    /// A signal that cannot be.
    #[error(transparent)]
    Signal(#[from] BadSignal),
    /// A line that cannot be.
    #[error(transparent)]
    Line(#[from] BadLine),
    /// A root that cannot be.
    #[error(transparent)]
    Root(#[from] BadRoot),
    /// A table that cannot be.
    #[error(transparent)]
    Curve(#[from] BadCurve),
    /// A polynomial that cannot be.
    #[error(transparent)]
    Polynomial(#[from] BadPolynomial),
    /// A platinum thermometer that cannot be.
    #[error(transparent)]
    Platinum(#[from] BadPlatinum),
    /// A type of thermocouple that is not known here.
    #[error(transparent)]
    Thermocouple(#[from] UnknownThermocouple),
    /// A date that cannot be.
    #[error("`{0}` is no date such as 2026-03-02")]
    Date(String),
    /// A certificate that cannot be.
    #[error(transparent)]
    Certificate(#[from] BadCertificate),
    /// An envelope that cannot be.
    #[error(transparent)]
    Envelope(#[from] BadEnvelope),
    /// No name of a channel.
    #[error(transparent)]
    Name(#[from] BadName),
    /// Parts that do not fit together.
    #[error(transparent)]
    Mapping(#[from] MappingError),
}

/// A mapping as plain words and numbers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Description {
    form: u32,
    quantity: String,
    code: CodeText,
    scale: ScaleText,
    #[serde(skip_serializing_if = "Option::is_none")]
    signal: Option<SignalText>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    steps: Vec<StepText>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    envelope: Option<EnvelopeText>,
    /// The channel that reads the temperature beside this one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    companion: Option<String>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    lacks_certificate: bool,
    /// What the velocity or volume flow is one of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    basis: Option<String>,
}

/// In SI: °C and m/s.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct EnvelopeText {
    /// From, to, lowest and highest velocity of each band.
    bands: Vec<(f64, f64, f64, f64)>,
    /// Where the temperature itself is believed.
    temperature: (f64, f64),
}

/// Read before the rest, so that a newer layout is named as such.
#[derive(Deserialize)]
struct Form {
    form: u32,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(
    tag = "read_as",
    rename_all = "snake_case",
    rename_all_fields = "snake_case",
    deny_unknown_fields
)]
enum CodeText {
    Integer {
        coding: CodingText,
        bits: u8,
        /// Of the two registers; absent where there is one.
        #[serde(skip_serializing_if = "Option::is_none")]
        order: Option<OrderText>,
        left_justified: bool,
        end_codes: EndCodesText,
    },
    Float32 {
        order: OrderText,
    },
    Count,
    Number,
}

/// A unit enum of the crate and its words in the text, kept in step by one list.
macro_rules! words {
    ($text:ident = $plain:ident { $($word:ident),* }) => {
        #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub(super) enum $text { $($word),* }

        impl From<$plain> for $text {
            fn from(plain: $plain) -> Self {
                match plain { $($plain::$word => Self::$word),* }
            }
        }

        impl From<$text> for $plain {
            fn from(text: $text) -> Self {
                match text { $($text::$word => Self::$word),* }
            }
        }
    };
}

mod steps;
use steps::StepText;

words!(
    CodingText = Coding {
        Unsigned,
        Signed,
        OffsetBinary
    }
);
words!(
    OrderText = WordOrder {
        HighFirst,
        LowFirst,
        HighFirstBytesSwapped,
        LowFirstBytesSwapped
    }
);
words!(
    EndCodesText = EndCodes {
        Both,
        Highest,
        Ignored
    }
);
words!(
    ReactionText = Reaction {
        Flag,
        Fault,
        Open,
        Accept
    }
);

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ScaleText {
    per_count: f64,
    unit: String,
    zero_count: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SignalText {
    span: SpanText,
    #[serde(skip_serializing_if = "Option::is_none")]
    shunt: Option<AmountText>,
    outside: OutsideText,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(
    tag = "judged_by",
    rename_all = "snake_case",
    rename_all_fields = "snake_case",
    deny_unknown_fields
)]
enum OutsideText {
    Bands {
        fail_low: f64,
        measure_low: f64,
        measure_high: f64,
        fail_high: f64,
    },
    Span {
        tolerance: f64,
        under: ReactionText,
        over: ReactionText,
    },
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct AmountText {
    value: f64,
    unit: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SpanText {
    from: f64,
    to: f64,
    unit: String,
}

impl Mapping {
    /// The mapping as the record keeps it.
    pub fn describe(&self) -> Description {
        Description {
            form: FORM,
            quantity: self.quantity().word().to_owned(),
            code: self.format().into(),
            scale: self.scale().into(),
            signal: self.signal().map(SignalText::from),
            steps: self.steps().iter().map(StepText::from).collect(),
            envelope: self.envelope().map(EnvelopeText::from),
            companion: self.companion().map(ToString::to_string),
            lacks_certificate: self.lacks_certificate(),
            basis: self.basis().map(str::to_owned),
        }
    }
}

impl Description {
    /// The mapping that was described, equal to it in every bit.
    ///
    /// # Errors
    /// [`BadDescription`]: a text that was altered can describe what no mapping can be.
    pub fn rebuild(&self) -> Result<Mapping, BadDescription> {
        if self.form != FORM {
            return Err(BadDescription::Form(self.form));
        }
        let mut builder = Mapping::builder(
            self.quantity.parse()?,
            self.code.rebuild()?,
            self.scale.rebuild()?,
        );
        if let Some(signal) = &self.signal {
            builder = builder.signal(signal.rebuild()?);
        }
        for step in &self.steps {
            builder = builder.step(step.rebuild()?);
        }
        if let Some(envelope) = &self.envelope {
            builder = builder.envelope(envelope.rebuild()?);
        }
        if let Some(channel) = &self.companion {
            builder = builder.companion(channel.parse()?);
        }
        if self.lacks_certificate {
            builder = builder.lacking_certificate();
        }
        if let Some(words) = &self.basis {
            builder = builder.basis(words.clone());
        }
        Ok(builder.build()?)
    }
}

impl fmt::Display for Description {
    /// The canonical text.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = serde_json::to_string(self).map_err(|_| fmt::Error)?;
        f.write_str(&text)
    }
}

impl FromStr for Description {
    type Err = BadDescription;

    fn from_str(text: &str) -> Result<Self, BadDescription> {
        let Form { form } = serde_json::from_str(text)?;
        if form != FORM {
            return Err(BadDescription::Form(form));
        }
        Ok(serde_json::from_str(text)?)
    }
}

impl From<CodeFormat> for CodeText {
    fn from(format: CodeFormat) -> Self {
        match format {
            CodeFormat::Integer(integer) => {
                let order = match integer.registers {
                    Registers::One => None,
                    Registers::Two(order) => Some(order.into()),
                };
                Self::Integer {
                    coding: integer.coding.into(),
                    bits: integer.bits,
                    order,
                    left_justified: integer.left_justified,
                    end_codes: integer.end_codes.into(),
                }
            }
            CodeFormat::Float32(order) => Self::Float32 {
                order: order.into(),
            },
            CodeFormat::Count => Self::Count,
            CodeFormat::Number => Self::Number,
        }
    }
}

impl CodeText {
    fn rebuild(&self) -> Result<CodeFormat, BadFormat> {
        Ok(match *self {
            Self::Integer {
                coding,
                bits,
                order,
                left_justified,
                end_codes,
            } => {
                let mut integer =
                    Integer::converter(coding.into(), bits)?.with_end_codes(end_codes.into());
                if let Some(order) = order {
                    integer = integer.in_two_registers(order.into());
                }
                if left_justified {
                    integer = integer.left_justified();
                }
                CodeFormat::Integer(integer)
            }
            Self::Float32 { order } => CodeFormat::Float32(order.into()),
            Self::Count => CodeFormat::Count,
            Self::Number => CodeFormat::Number,
        })
    }
}

impl From<Scale> for ScaleText {
    fn from(scale: Scale) -> Self {
        Self {
            per_count: scale.step(),
            unit: scale.unit().symbol().to_owned(),
            zero_count: scale.zero_count(),
        }
    }
}

impl ScaleText {
    fn rebuild(&self) -> Result<Scale, BadDescription> {
        let amount = Amount {
            value: self.per_count,
            unit: self.unit.parse()?,
        };
        Ok(Scale::per_count(amount)?.with_zero(self.zero_count)?)
    }
}

impl From<Signal> for SignalText {
    fn from(signal: Signal) -> Self {
        Self {
            span: signal.span().into(),
            shunt: signal.shunt().map(AmountText::from),
            outside: signal.outside().into(),
        }
    }
}

impl SignalText {
    fn rebuild(&self) -> Result<Signal, BadDescription> {
        let mut signal = Signal::new(self.span.rebuild()?)?;
        if let Some(shunt) = &self.shunt {
            signal = signal.through_shunt(shunt.rebuild()?)?;
        }
        Ok(signal.with_outside(self.outside.rebuild())?)
    }
}

impl From<Outside> for OutsideText {
    fn from(outside: Outside) -> Self {
        match outside {
            Outside::Bands(bands) => Self::Bands {
                fail_low: bands.fail_low,
                measure_low: bands.measure_low,
                measure_high: bands.measure_high,
                fail_high: bands.fail_high,
            },
            Outside::Span(rule) => Self::Span {
                tolerance: rule.tolerance,
                under: rule.under.into(),
                over: rule.over.into(),
            },
        }
    }
}

impl OutsideText {
    fn rebuild(&self) -> Outside {
        match *self {
            Self::Bands {
                fail_low,
                measure_low,
                measure_high,
                fail_high,
            } => Outside::Bands(FailureBands {
                fail_low,
                measure_low,
                measure_high,
                fail_high,
            }),
            Self::Span {
                tolerance,
                under,
                over,
            } => Outside::Span(SpanRule {
                tolerance,
                under: under.into(),
                over: over.into(),
            }),
        }
    }
}

impl From<&Envelope> for EnvelopeText {
    fn from(envelope: &Envelope) -> Self {
        let bands = envelope.bands().iter();
        Self {
            bands: bands
                .map(|band| (band.from, band.to, band.velocity_min, band.velocity_max))
                .collect(),
            temperature: envelope.temperature(),
        }
    }
}

impl EnvelopeText {
    fn rebuild(&self) -> Result<Envelope, BadEnvelope> {
        let celsius = |(from, to)| Span {
            from,
            to,
            unit: Unit::DegreeCelsius,
        };
        let speed = |value| Amount {
            value,
            unit: Unit::MetrePerSecond,
        };
        let band = |&(from, to, min, max): &(f64, f64, f64, f64)| Band {
            temperature: celsius((from, to)),
            velocity_min: speed(min),
            velocity_max: speed(max),
        };
        let bands: Vec<_> = self.bands.iter().map(band).collect();
        Envelope::new(&bands, Some(celsius(self.temperature)))
    }
}

impl From<Amount> for AmountText {
    fn from(Amount { value, unit }: Amount) -> Self {
        Self {
            value,
            unit: unit.symbol().to_owned(),
        }
    }
}

impl AmountText {
    fn rebuild(&self) -> Result<Amount, UnknownUnit> {
        Ok(Amount {
            value: self.value,
            unit: self.unit.parse()?,
        })
    }
}

impl From<Span> for SpanText {
    fn from(Span { from, to, unit }: Span) -> Self {
        Self {
            from,
            to,
            unit: unit.symbol().to_owned(),
        }
    }
}

impl SpanText {
    fn rebuild(&self) -> Result<Span, UnknownUnit> {
        Ok(Span {
            from: self.from,
            to: self.to,
            unit: self.unit.parse()?,
        })
    }
}
