//! Derived channels: `[derived.NAME]`, each a law of the list and the channels that it is fed with.
//!
//! Every term is a channel of the file, or a number with its unit that stands for ever. A derived channel may be fed
//! with derived ones that stand above it, so that no circle can arise.

use std::ops::Range;
use std::str::FromStr;

use serde_json::{Map, Value, json};
use zonda_air::duct::Shape;
use zonda_air::law::{self, Law, Moisture, Shown, State, Stream, Term};
use zonda_air::written::StatedHumidity;
use zonda_air::{Area, Basis, Length, Reference};
use zonda_model::written::{Amount, BadWriting};
use zonda_model::{ChannelName, Quantity, SourceId, Unit};
use zonda_signal::{CodeFormat, Mapping, Scale};

use crate::check::{NamedSection, read_name};
use crate::fault::{Fault, note};
use crate::instrument::{AccuracyPlan, Way};
use crate::keys::{Key, Kind, may, must};
use crate::plan::{ChannelPlan, LinePlan, SourcePlan};
use crate::section::{At, Section};

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
        "what that velocity is one of: `actual`, `standard 20 °C`, `normal`; the meter's papers say which. Not needed where the velocity is derived itself",
    ),
    may(
        "temperature",
        Kind::Text,
        "\"Exhaust.temperature\"",
        "the temperature of the air there: a channel, or a number",
    ),
    may(
        "pressure",
        Kind::Text,
        "\"98.2 kPa\"",
        "the absolute pressure: a channel of a barometer, or a number",
    ),
    may(
        "static",
        Kind::Text,
        "\"exhaust-pressure\"",
        "static pressure of the duct against that: a channel, or a number; default none",
    ),
    may(
        "humidity",
        Kind::Text,
        "\"50 % at 23 °C\"",
        "`8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`, or a channel of relative humidity; default `dry`",
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
    /// The law as text, for the record: a value is recomputed by it from the samples of its inputs.
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
    text: String,
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
        let mut reader = Reader {
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
        basis: None,
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
        plans.push(DerivedPlan {
            channel: channels.len(),
            inputs: draft.inputs,
            law: draft.law,
            basis: draft.known.basis,
            text: draft.text,
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

struct Reader<'a, 't, 'i> {
    section: &'a Section<'t, 'i>,
    known: &'a [Known],
    is_whole: bool,
    inputs: Vec<usize>,
    faults: &'a mut Vec<Fault>,
}

/// Groups of keys that a law reads.
const STREAM: &[&str] = &[
    "velocity", "basis", "area", "diameter", "width", "height", "outer", "inner",
];
const STATE: &[&str] = &["temperature", "pressure", "static", "humidity", "room"];

impl Reader<'_, '_, '_> {
    fn draft(&mut self, name: ChannelName) -> Option<Draft> {
        let before = self.faults.len();
        let word = self.section.text("law")?;
        let (law, members) = self.law(&word)?;
        if self.faults.len() > before || self.section.is_misspelt() {
            return None;
        }
        let basis = law
            .basis()
            .or(members.as_ref().and_then(|known| known.basis));
        let group = members
            .as_ref()
            .map_or(Quantity::Ratio, |known| known.quantity);
        let quantity = law.quantity(group);
        let natural = members
            .map(|known| known.unit)
            .filter(|unit| quantity.accepts(*unit));
        let unit = self.unit(quantity, natural)?;
        let text = self.describe(&law, basis);
        Some(Draft {
            known: Known {
                name,
                quantity,
                unit,
                basis,
            },
            inputs: std::mem::take(&mut self.inputs),
            law,
            text,
        })
    }

    /// The law, and what its members have in common where it is one of a group.
    fn law(&mut self, word: &At<&str>) -> Option<(Law, Option<Known>)> {
        let alone = |law: Law| (law, None);
        match word.value {
            "actual velocity" => {
                self.only(&["velocity", "basis"], STATE, &[]);
                Some(alone(Law::Velocity(
                    self.shown()?,
                    self.state()?,
                    Basis::Actual,
                )))
            }
            "standard velocity" => {
                self.only(&["velocity", "basis", "reference"], STATE, &[]);
                let basis = Basis::Standard(self.reference()?);
                Some(alone(Law::Velocity(self.shown()?, self.state()?, basis)))
            }
            "density" => {
                self.only(STATE, &[], &[]);
                Some(alone(Law::Density(self.state()?)))
            }
            "dew point" => {
                self.only(STATE, &[], &[]);
                self.needs("humidity")?;
                Some(alone(Law::DewPoint(self.state()?)))
            }
            "volume flow" => Some(alone(Law::VolumeFlow(self.stream(true, &[])?))),
            "mass flow" => Some(alone(Law::MassFlow(self.stream(false, &[])?))),
            "standard flow" => {
                let reference = self.reference()?;
                Some(alone(Law::StandardFlow(
                    self.stream(false, &["reference"])?,
                    reference,
                )))
            }
            "exhaust heat" => {
                self.only(STREAM, STATE, &["inlet"]);
                let stream = Stream {
                    shown: self.shown()?,
                    area: self.area()?,
                    state: Some(self.state()?),
                };
                let inlet = self.term("inlet", Quantity::Temperature)?;
                Some(alone(Law::Heat(stream, inlet)))
            }
            "mean" => self
                .members(1)
                .map(|(terms, known)| (Law::Mean(terms), Some(known))),
            "spread" => self
                .members(2)
                .map(|(terms, known)| (Law::Spread(terms), Some(known))),
            "uniformity" => self
                .members(2)
                .map(|(terms, known)| (Law::Uniformity(terms), Some(known))),
            "difference" => {
                let (terms, known) = self.members(2)?;
                if let [one, other] = terms[..] {
                    return Some((Law::Difference(one, other), Some(known)));
                }
                let what = "a difference is one of two channels";
                self.faults.push(
                    Fault::new(self.section.place("of"), what)
                        .help("write `of = [\"A\", \"B\"]` for A less B"),
                );
                None
            }
            other => {
                let what = format!("`{other}` is not a law");
                self.faults
                    .push(Fault::new(word.span.clone(), what).help(LAWS));
                None
            }
        }
    }

    /// A flow through an area; the state of the air is asked for only where the law needs it.
    fn stream(&mut self, as_it_passes: bool, more: &[&str]) -> Option<Stream> {
        self.only(STREAM, STATE, more);
        let (shown, area) = (self.shown()?, self.area()?);
        let state =
            if Law::needs_state(shown.basis, as_it_passes) || self.section.has("temperature") {
                Some(self.state()?)
            } else {
                None
            };
        Some(Stream { shown, area, state })
    }

    /// What the law does not read says nothing, and is refused.
    fn only(&mut self, one: &[&str], two: &[&str], three: &[&str]) {
        let read = |key: &&str| {
            ["law", "unit"].contains(key) || [one, two, three].iter().any(|keys| keys.contains(key))
        };
        let others: Vec<&str> = DERIVED
            .iter()
            .map(|key| key.name)
            .filter(|key| !read(key))
            .collect();
        self.section.refuse(
            &others,
            "says nothing beside this law",
            "leave it out, or name another `law`",
            self.faults,
        );
    }

    fn needs(&mut self, key: &str) -> Option<()> {
        if self.section.has(key) {
            return Some(());
        }
        let what = format!("this law needs `{key}`");
        let key = DERIVED.iter().find(|known| known.name == key);
        let fault = Fault::new(self.section.span.clone(), what);
        self.faults.push(match key {
            Some(key) => fault.help(key.such_as()),
            None => fault,
        });
        None
    }

    fn shown(&mut self) -> Option<Shown> {
        let velocity = self.term("velocity", Quantity::Velocity)?;
        let of_input = match velocity {
            Term::Input(place) => self.known[self.inputs[place]].basis,
            Term::Fixed(_) => None,
        };
        let stated = self.section.parsed::<Basis>("basis", self.faults);
        let basis = match (of_input, stated) {
            (Some(own), Some(stated)) if !own.agrees_with(stated.value) => {
                let what = format!("that velocity is {own}, not {}", stated.value);
                self.faults.push(
                    Fault::new(stated.span, what).help("leave `basis` out: the channel knows it"),
                );
                return None;
            }
            (Some(own), _) => own,
            (None, Some(stated)) => stated.value,
            (None, None) if self.section.has("basis") => return None,
            (None, None) => {
                self.needs("basis")?;
                return None;
            }
        };
        Some(Shown { velocity, basis })
    }

    fn state(&mut self) -> Option<State> {
        let temperature = self.term("temperature", Quantity::Temperature);
        let pressure = self.term("pressure", Quantity::Pressure);
        let gauge = if self.section.has("static") {
            Some(self.term("static", Quantity::Pressure)?)
        } else {
            None
        };
        Some(State {
            temperature: temperature?,
            pressure: pressure?,
            gauge,
            moisture: self.moisture()?,
        })
    }

    fn moisture(&mut self) -> Option<Moisture> {
        let Some(text) = self.section.text("humidity") else {
            return Some(Moisture::Stated(StatedHumidity::DRY));
        };
        if self.find(text.value).is_none() {
            self.section.refuse(
                &["room"],
                "goes with a channel of relative humidity",
                "write the room into `humidity`, such as `50 % at 23 °C`",
                self.faults,
            );
            let stated = self
                .section
                .parsed::<StatedHumidity>("humidity", self.faults)?;
            return Some(Moisture::Stated(stated.value));
        }
        let humidity = self.term("humidity", Quantity::Humidity)?;
        let room = if self.section.has("room") {
            Some(self.term("room", Quantity::Temperature)?)
        } else {
            None
        };
        Some(Moisture::Relative { humidity, room })
    }

    fn reference(&mut self) -> Option<Reference> {
        self.needs("reference")?;
        Some(
            self.section
                .parsed::<Reference>("reference", self.faults)?
                .value,
        )
    }

    fn area(&mut self) -> Option<Area> {
        let mut length = |key: &str| self.length(key);
        let (diameter, width, height) = (length("diameter"), length("width"), length("height"));
        let (outer, inner) = (length("outer"), length("inner"));
        if let Some(area) = self.section.parsed::<Amount>("area", self.faults) {
            return note(
                Area::new(area.value.value, area.value.unit),
                &area.span,
                self.faults,
            );
        }
        let shape = match (diameter, width, height, outer, inner) {
            (Some(diameter), None, None, None, None) => Shape::circular(diameter),
            (None, Some(width), Some(height), None, None) => Shape::rectangular(width, height),
            (None, None, None, Some(outer), Some(inner)) => note(
                Shape::annular(outer, inner),
                &self.section.place("inner"),
                self.faults,
            )?,
            _ => {
                let what = "a flow needs the area that the velocity stands for";
                let help = "write `area`, `diameter`, `width` and `height`, or `outer` and `inner`";
                self.faults
                    .push(Fault::new(self.section.span.clone(), what).help(help));
                return None;
            }
        };
        Some(shape.area())
    }

    fn length(&mut self, key: &str) -> Option<Length> {
        let at = self.section.parsed::<Amount>(key, self.faults)?;
        note(
            Length::new(at.value.value, at.value.unit),
            &at.span,
            self.faults,
        )
    }

    fn find(&self, name: &str) -> Option<usize> {
        self.known
            .iter()
            .position(|known| known.name.as_str() == name)
    }

    /// A channel of a quantity, or a number with its unit.
    fn term(&mut self, key: &str, quantity: Quantity) -> Option<Term> {
        self.needs(key)?;
        let text = self.section.text(key)?;
        if let Some(index) = self.find(text.value) {
            return self.input(index, quantity, &text.span);
        }
        let amount = Amount::from_str(text.value);
        let looks_like_name = text.value.parse::<ChannelName>().is_ok();
        match amount {
            Ok(amount) => note(amount.si(quantity), &text.span, self.faults).map(Term::Fixed),
            Err(error) if looks_like_name && !matches!(error, BadWriting::UnitMissing(_)) => {
                self.no_channel(&text);
                None
            }
            Err(error) => {
                let what = format!("`{}` is no channel and no amount: {error}", text.value);
                self.faults
                    .push(Fault::new(text.span, what).help(self.section.example(key)));
                None
            }
        }
    }

    fn no_channel(&mut self, text: &At<&str>) {
        if self.is_whole {
            let what = format!("there is no channel `{}`", text.value);
            self.faults.push(
                Fault::new(text.span.clone(), what)
                    .help("name a channel of this file, or a derived one that stands above"),
            );
        }
    }

    fn input(&mut self, index: usize, quantity: Quantity, span: &Range<usize>) -> Option<Term> {
        let found = &self.known[index];
        let is_alike = found.quantity == quantity
            || (quantity == Quantity::Humidity && found.quantity == Quantity::Ratio);
        if !is_alike {
            let what = format!(
                "`{}` reads {}, expected {quantity}",
                found.name, found.quantity
            );
            self.faults.push(Fault::new(span.clone(), what));
            return None;
        }
        Some(self.place(index))
    }

    /// The term of a channel; one that is used twice is one input.
    fn place(&mut self, index: usize) -> Term {
        let found = self.inputs.iter().position(|input| *input == index);
        Term::Input(found.unwrap_or_else(|| {
            self.inputs.push(index);
            self.inputs.len() - 1
        }))
    }

    fn members(&mut self, least: usize) -> Option<(Vec<Term>, Known)> {
        self.only(&["of"], &[], &[]);
        self.needs("of")?;
        let texts = self.section.texts("of")?;
        if texts.len() < least {
            let what = format!("this law needs at least {least} channels");
            self.faults.push(Fault::new(self.section.place("of"), what));
            return None;
        }
        let mut terms = Vec::new();
        let mut first: Option<Known> = None;
        for text in texts {
            let Some(index) = self.find(text.value) else {
                self.no_channel(&text);
                return None;
            };
            let member = self.known[index].clone();
            let first = first.get_or_insert_with(|| member.clone());
            if let Some(what) = apart(first, &member) {
                self.faults.push(
                    Fault::new(text.span, what).help("a group is of one quantity and one basis"),
                );
                return None;
            }
            let term = self.place(index);
            if terms.contains(&term) {
                let what = format!("`{}` stands here twice", text.value);
                self.faults
                    .push(Fault::new(text.span, what).help("name each channel once"));
                return None;
            }
            terms.push(term);
        }
        first.map(|known| (terms, known))
    }

    fn unit(&mut self, quantity: Quantity, natural: Option<Unit>) -> Option<Unit> {
        let Some(unit) = self.section.parsed::<Unit>("unit", self.faults) else {
            let is_there = self.section.has("unit");
            return (!is_there).then(|| natural.unwrap_or(quantity.si()));
        };
        if quantity.accepts(unit.value) {
            return Some(unit.value);
        }
        let what = format!(
            "{} is a unit of {}, expected a unit of {quantity} such as {}",
            unit.value,
            unit.value.quantity(),
            quantity.si()
        );
        self.faults.push(Fault::new(unit.span, what));
        None
    }

    /// What stands in the record: the law with its version, its basis, and every key as written.
    fn describe(&self, law: &Law, basis: Option<Basis>) -> String {
        let mut terms = Map::new();
        for key in DERIVED
            .iter()
            .filter(|key| !["law", "unit"].contains(&key.name))
        {
            if let Some(text) = self.section.text(key.name) {
                terms.insert(key.name.to_owned(), Value::from(text.value));
            } else if let Some(list) = self.section.texts(key.name) {
                terms.insert(
                    key.name.to_owned(),
                    list.iter().map(|at| at.value).collect(),
                );
            }
        }
        let text = json!({ "derived": law.word(), "version": law::VERSION, "basis": basis.map(|basis| basis.to_string()), "terms": terms });
        text.to_string()
    }
}

/// Why two channels cannot be of one group.
fn apart(first: &Known, other: &Known) -> Option<String> {
    if first.quantity != other.quantity {
        return Some(format!(
            "`{}` reads {}, but `{}` reads {}",
            other.name, other.quantity, first.name, first.quantity
        ));
    }
    let agree = match (first.basis, other.basis) {
        (Some(one), Some(two)) => one.agrees_with(two),
        (None, None) => true,
        // What a meter's own velocity is one of nobody has said.
        _ => false,
    };
    (!agree).then(|| {
        let say = |known: &Known| {
            known
                .basis
                .map_or("as its meter shows it".to_owned(), |basis| {
                    basis.to_string()
                })
        };
        format!(
            "`{}` is {}, but `{}` is {}",
            other.name,
            say(other),
            first.name,
            say(first)
        )
    })
}

const LAWS: &str = "the laws are `actual velocity`, `standard velocity`, `density`, `dew point`, `volume flow`, `standard flow`, `mass flow`, `exhaust heat`, `mean`, `spread`, `uniformity` and `difference`";
