//! Derived channels: `[derived.NAME]`, each a law of the list and the channels that it is fed with.
//!
//! Every term is a channel of the file, or a number with its unit that stands for ever. A derived channel may be fed
//! with derived ones that stand above it, so that no circle can arise.

mod limits;
mod reader;
mod recall;
mod terms;

pub use recall::{Recalled, recall};

use zonda_air::Basis;
pub use zonda_air::law::{Constant, Law};
use zonda_model::{ChannelName, Quantity, SourceId, Unit};
use zonda_signal::{CodeFormat, Mapping, Scale};

use crate::check::{NamedSection, read_name};
use crate::fault::Fault;
use crate::instrument::{AccuracyPlan, Way};
use crate::keys::{Key, Kind, may, must};
use crate::plan::{ChannelPlan, LinePlan, SourcePlan};

/// `[derived.NAME]`
pub const DERIVED: &[Key] = &[
    must(
        "law",
        Kind::Text,
        "\"actual velocity\"",
        "what it is: `actual velocity`, `standard velocity`, `density`, `dew point`, `volume flow` (as it passes), `standard flow`, `mass flow`, `exhaust heat`, or of a group `mean`, `spread` (greatest less least), `uniformity` (index of equal areas, 1 is even), `difference` (the first less the second)",
    ),
    may(
        "of",
        Kind::Texts,
        "[\"Z1-left.temperature\", \"Z1-right.temperature\"]",
        "the group, or the two of a difference",
    ),
    may(
        "velocity",
        Kind::Text,
        "\"Exhaust.velocity\"",
        "the channel of the velocity",
    ),
    may(
        "basis",
        Kind::Text,
        "\"standard 70 °F\"",
        "what that velocity is one of: `actual`, `standard 20 °C`, `normal`; not needed where the channel says it itself, and refused where that one says another",
    ),
    may(
        "temperature",
        Kind::Text,
        "\"Exhaust.temperature\"",
        "the temperature of the air there: a channel, or a number",
    ),
    may(
        "temperature_accuracy",
        Kind::Amount,
        "\"2 K\"",
        "how far that temperature may be off, where it is a number; default not stated",
    ),
    may(
        "pressure",
        Kind::Text,
        "\"98.2 kPa\"",
        "the absolute pressure: a channel of a barometer, or a number",
    ),
    may(
        "pressure_accuracy",
        Kind::Amount,
        "\"2 kPa\"",
        "how far that pressure may be off, where it is a number: a barometer moves by some kPa with the weather; default not stated",
    ),
    may(
        "static",
        Kind::Text,
        "\"exhaust-pressure\"",
        "static pressure of the duct against that: a channel, or a number; default none",
    ),
    may(
        "static_accuracy",
        Kind::Amount,
        "\"10 Pa\"",
        "how far that static pressure may be off, where it is a number; default not stated",
    ),
    may(
        "humidity",
        Kind::Text,
        "\"50 % at 23 °C\"",
        "`8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`, or a channel of relative humidity; default `dry`",
    ),
    may(
        "humidity_accuracy",
        Kind::Text,
        "\"10 %\"",
        "how far that humidity may be off, where it is stated, in the same terms: `10 %` of a relative humidity, `2 g/kg`, or `3 K` of a dew point; default not stated",
    ),
    may(
        "room",
        Kind::Text,
        "\"Room.temperature\"",
        "the temperature where that channel of relative humidity is taken; default the air's own",
    ),
    may(
        "inlet",
        Kind::Text,
        "\"23 °C\"",
        "of `exhaust heat`: the temperature at which the air came in: a channel, or a number",
    ),
    may(
        "inlet_accuracy",
        Kind::Amount,
        "\"2 K\"",
        "how far that temperature may be off, where it is a number; default not stated",
    ),
    may(
        "reference",
        Kind::Text,
        "\"20 °C\"",
        "of `standard velocity` and `standard flow`: the reference of the result",
    ),
    may(
        "area",
        Kind::Amount,
        "\"0.1257 m²\"",
        "of a flow: the area that the velocity stands for as its mean; or one of the following",
    ),
    may(
        "diameter",
        Kind::Amount,
        "\"400 mm\"",
        "of a round duct, inside",
    ),
    may(
        "width",
        Kind::Amount,
        "\"1.2 m\"",
        "of a rectangular duct, inside",
    ),
    may(
        "height",
        Kind::Amount,
        "\"0.8 m\"",
        "of a rectangular duct, inside",
    ),
    may(
        "outer",
        Kind::Amount,
        "\"600 mm\"",
        "of an annular duct: inner diameter of the shell",
    ),
    may(
        "inner",
        Kind::Amount,
        "\"300 mm\"",
        "of an annular duct: outer diameter of the core",
    ),
    may(
        "unit",
        Kind::Text,
        "\"m³/h\"",
        "the unit in which it is shown; default SI, or that of the group",
    ),
];

/// The name that derived channels have as a source.
pub const SOURCE: &str = "derived";

/// A derived channel.
#[derive(Clone, Debug, PartialEq)]
pub struct DerivedPlan {
    /// Itself: an index into [`Config::channels`](crate::Config::channels).
    pub channel: usize,
    /// What it is fed with, in the order of the law's inputs: indices into the same.
    pub inputs: Vec<usize>,
    /// The law.
    pub law: Law,
    /// What its velocity or volume flow is one of, where it is any.
    pub basis: Option<Basis>,
    /// How far numbers that stand for ever in the law may be off, SI, where that is stated.
    pub limits: Vec<(Constant, f64)>,
    /// The law as text, for the record: [`recall`] reads it back, and values are worked out by it anew.
    pub text: String,
}

/// What is known of a channel that may be an input.
#[derive(Clone, Debug)]
pub(crate) struct Known {
    pub(crate) name: ChannelName,
    pub(crate) quantity: Quantity,
    unit: Unit,
    basis: Option<Basis>,
}

/// A derived channel before lines and sources are known.
#[derive(Debug)]
pub(crate) struct Draft {
    known: Known,
    inputs: Vec<usize>,
    law: Law,
    limits: Vec<(Constant, f64)>,
    text: serde_json::Value,
}

/// Reads all of them. `known` are the channels of the file, and after that the derived ones, too. Where other channels had faults
/// (`is_whole` is false), nobody is told that a channel is missing.
pub(crate) fn read(
    tables: &[NamedSection<'_, '_>],
    known: &mut Vec<Known>,
    is_whole: bool,
    faults: &mut Vec<Fault>,
) -> Vec<Draft> {
    let mut drafts = Vec::new();
    for table in tables {
        let Some(name) = read_name::<ChannelName>(&table.name, faults) else {
            continue;
        };
        if known.iter().any(|other| other.name == name) {
            let what = format!("the channel `{name}` exists already");
            faults.push(
                Fault::new(table.name.span.clone(), what).help("give one of them another name"),
            );
            continue;
        }
        let mut reader = reader::Reader {
            section: &table.section,
            known,
            is_whole,
            inputs: Vec::new(),
            faults: &mut *faults,
        };
        if let Some(draft) = reader.draft(name) {
            known.push(draft.known.clone());
            drafts.push(draft);
        }
    }
    drafts
}

/// The channels of the file as inputs.
pub(crate) fn known(channels: &[ChannelPlan]) -> Vec<Known> {
    let one = |channel: &ChannelPlan| Known {
        name: channel.name.clone(),
        quantity: channel.quantity,
        unit: channel.unit,
        basis: channel.basis,
    };
    channels.iter().map(one).collect()
}

/// Puts derived channels behind the others. Each has the tick of its slowest input, and a source of its own on that one's line.
pub(crate) fn finish(
    drafts: Vec<Draft>,
    channels: &mut Vec<ChannelPlan>,
    lines: &[LinePlan],
    sources: &mut Vec<SourcePlan>,
) -> Vec<DerivedPlan> {
    let mut plans = Vec::new();
    for draft in drafts {
        let period = |source: SourceId| {
            let line = sources
                .get(source.0)
                .and_then(|source| lines.get(source.line));
            line.map(|line| line.every)
        };
        let slowest = draft
            .inputs
            .iter()
            .filter_map(|index| channels.get(*index))
            .max_by_key(|channel| period(channel.source));
        let Some(line) = slowest.and_then(|channel| Some(sources.get(channel.source.0)?.line))
        else {
            continue;
        };
        let simulated = draft.inputs.iter().any(|index| {
            let source = channels
                .get(*index)
                .and_then(|channel| sources.get(channel.source.0));
            source.is_some_and(|source| source.simulated)
        });
        let source = source_on(line, simulated, sources);
        let Some(channel) = plan_of(&draft, source) else {
            continue;
        };
        let mut text = draft.text;
        text["every_us"] = lines[line].every.micros().into();
        plans.push(DerivedPlan {
            channel: channels.len(),
            inputs: draft.inputs,
            law: draft.law,
            basis: draft.known.basis,
            limits: draft.limits,
            text: text.to_string(),
        });
        channels.push(channel);
    }
    plans
}

/// The source of derived channels on a line; made where there is none yet.
fn source_on(line: usize, simulated: bool, sources: &mut Vec<SourcePlan>) -> SourceId {
    let is_it = |source: &SourcePlan| {
        source.name.as_str() == SOURCE && source.line == line && source.simulated == simulated
    };
    let found = sources.iter().position(is_it);
    SourceId(found.unwrap_or_else(|| {
        if let Ok(name) = SOURCE.parse() {
            sources.push(SourcePlan {
                name,
                line,
                simulated,
            });
        }
        sources.len() - 1
    }))
}

/// Nothing is asked of a device: the mapping stands for "as computed", and no code ever meets it.
fn plan_of(draft: &Draft, source: SourceId) -> Option<ChannelPlan> {
    let quantity = draft.known.quantity;
    let mapping = Mapping::builder(quantity, CodeFormat::Number, Scale::unity(quantity.si()))
        .build()
        .ok()?;
    Some(ChannelPlan {
        name: draft.known.name.clone(),
        quantity,
        unit: draft.known.unit,
        basis: draft.known.basis,
        source,
        input: usize::MAX,
        mapping,
        companion: None,
        meter: None,
        way: Way::Derived,
        certificate: None,
        loop_check: None,
        stuck: None,
        accuracy: AccuracyPlan::default(),
    })
}
