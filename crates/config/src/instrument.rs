//! The checked instruments: meters with their probes, envelopes and certificates, and what is known
//! about the way from each instrument to its channel.
//!
//! Accuracies are limits: the error lies within ± the number, anywhere (a rectangle of that
//! half-width, JCGM 100:2008, 4.3.7). Nothing here corrects or judges a reading: that is the
//! mapping's, which carries its certificate and its envelope.

use std::time::Duration;

use zonda_model::written::Span;
use zonda_model::{Name, Quantity};
use zonda_signal::{Certificate, Envelope};

use crate::accuracy::Accuracy;

/// The electronics of one velocity/temperature instrument, with its probe.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterPlan {
    /// Its name, such as `Z1-left`.
    pub name: Name,
    /// Its serial number.
    pub serial: Option<String>,
    /// The number of the probe whose characteristics it holds, as its display or label says.
    pub probe_number: Option<String>,
    /// The probe that is on it.
    pub probe: Option<ProbePlan>,
    /// Its channels, in the order of the file.
    pub outputs: Vec<OutputPlan>,
}

/// A sensor head on its cable.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ProbePlan {
    /// Its serial number.
    pub serial: Option<String>,
    /// The number that the meter must carry for it.
    pub number: Option<String>,
    /// Where it can be believed: an index into [`Config::envelopes`](crate::Config::envelopes).
    pub envelope: Option<usize>,
    /// The highest temperature that its cable holds, °C.
    pub cable_limit: Option<f64>,
}

/// One channel of a meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutputPlan {
    /// Index into [`Config::channels`](crate::Config::channels).
    pub channel: usize,
    /// What it measures.
    pub quantity: Quantity,
    /// How it is heard.
    pub way: Way,
}

/// How an instrument is heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Way {
    /// By an analog signal.
    Analog,
    /// By a line of text.
    Text,
    /// By a number in a register.
    Register,
    /// Not at all: it is computed from other channels.
    Derived,
}

/// One quantity of a meter that is heard both ways.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BothWays {
    /// What is measured.
    pub quantity: Quantity,
    /// The channel of the analog output.
    pub analog: usize,
    /// The channel of the text line.
    pub text: usize,
}

impl MeterPlan {
    /// The channel of a quantity that is heard this way.
    pub fn channel(&self, quantity: Quantity, way: Way) -> Option<usize> {
        let is_it = |output: &&OutputPlan| output.quantity == quantity && output.way == way;
        self.outputs.iter().find(is_it).map(|output| output.channel)
    }

    /// The quantities that are heard both ways.
    pub fn both_ways(&self) -> impl Iterator<Item = BothWays> + '_ {
        [Quantity::Velocity, Quantity::Temperature]
            .into_iter()
            .filter_map(|quantity| {
                Some(BothWays {
                    quantity,
                    analog: self.channel(quantity, Way::Analog)?,
                    text: self.channel(quantity, Way::Text)?,
                })
            })
    }

    /// The number that the meter carries and the one that its probe wants, where they differ: the
    /// meter then computes with another probe's characteristics.
    pub fn wrong_probe(&self) -> Option<(&str, &str)> {
        let wanted = self.probe.as_ref()?.number.as_deref()?;
        let carried = self.probe_number.as_deref()?;
        (carried != wanted).then_some((carried, wanted))
    }
}

/// `[envelope.NAME]`
#[derive(Clone, Debug, PartialEq)]
pub struct EnvelopePlan {
    /// Its name in the file.
    pub name: Name,
    /// The envelope.
    pub envelope: Envelope,
}

/// `[certificate.NAME]`
#[derive(Clone, Debug, PartialEq)]
pub struct CertificatePlan {
    /// Its name in the file; the laboratory's number is in the certificate's heading.
    pub name: Name,
    /// The certificate.
    pub certificate: Certificate,
    /// By how much the instrument may drift in a year, in SI of its quantity.
    pub drift_per_year: Option<Accuracy>,
}

/// What a loop check works with: a signal's span and what it stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopPlan {
    /// The signal's span, as written.
    pub signal: Span,
    /// What its ends stand for, as written; the first end belongs to the signal's first.
    pub value: Span,
    /// Whether the value follows the signal in a straight line between them.
    pub is_straight: bool,
    /// The largest error that passes, as a share of the span.
    pub tolerance: f64,
    /// How long a check counts.
    pub age_max: Duration,
}

impl LoopPlan {
    /// Errors up to 0.5 % of the span pass unless the file says otherwise (common practice, no source).
    pub const TOLERANCE: f64 = 0.005;
    /// A check counts for a year unless the file says otherwise (common practice, no source).
    pub const AGE_MAX: Duration = Duration::from_hours(365 * 24);

    /// The signal's ends, SI.
    pub const fn signal_si(&self) -> (f64, f64) {
        ends_si(self.signal)
    }

    /// What they stand for, SI.
    pub const fn value_si(&self) -> (f64, f64) {
        ends_si(self.value)
    }
}

const fn ends_si(span: Span) -> (f64, f64) {
    (span.unit.to_si(span.from), span.unit.to_si(span.to))
}

/// When a reading that stands still is `stuck`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StuckPlan {
    /// After it has not left the band for so long.
    pub after: Duration,
    /// How wide the band is, in SI of the signal (of the number, where there is no signal): the
    /// converter's own noise. Zero where any other code is a movement.
    pub band: f64,
}

impl StuckPlan {
    /// Turbulence moves a velocity at every refresh (our choice, no source).
    pub const VELOCITY_AFTER: Duration = Duration::from_mins(10);
    /// A thermometer's last digit may rest while an oven holds its temperature (our choice, no source).
    pub const TEMPERATURE_AFTER: Duration = Duration::from_hours(1);
    /// Of a velocity's signal, as a share of its span: a converter's noise stays within (our choice, no source).
    pub const VELOCITY_BAND: f64 = 0.001;
}

/// What is known of the errors on the way from the air to a channel; `None` is not stated.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AccuracyPlan {
    /// The instrument's own, by its maker: in SI of the channel's quantity.
    pub instrument: Option<Accuracy>,
    /// The analog output's: how well the signal says what the instrument reads, in SI of the
    /// channel's quantity; its span is that of the range.
    pub output: Option<Accuracy>,
    /// The module's: in SI of what it measures; its span is that of the signal as measured.
    pub module: Option<Accuracy>,
    /// The shunt's tolerance, as a share of its resistance.
    pub shunt: Option<f64>,
    /// What the probe's place may be off: in SI of the channel's quantity.
    pub place: Option<Accuracy>,
    /// By how many degrees the flow may come from elsewhere than the probe expects; of velocities.
    pub yaw_deg: Option<f64>,
    /// How far the sensor may be from the air's temperature; of temperatures.
    pub radiation: Option<Accuracy>,
    /// The state of the air by which the meter itself makes its velocity an actual one.
    pub density: Option<DensityPlan>,
}

/// What a meter takes the air to be, and how far off that may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DensityPlan {
    /// Temperature, °C.
    pub temperature: f64,
    /// ±, K.
    pub temperature_accuracy: f64,
    /// Absolute pressure, Pa.
    pub pressure: f64,
    /// ±, Pa.
    pub pressure_accuracy: f64,
}
