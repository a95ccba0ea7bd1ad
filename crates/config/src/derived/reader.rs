//! One table `[derived.NAME]`: which law, and what that law asks for.

use serde_json::{Map, Value, json};
use zonda_air::duct::Shape;
use zonda_air::law::{self, Law, Moisture, Shown, State, Stream, Term};
use zonda_air::written::StatedHumidity;
use zonda_air::{Area, Basis, Reference};
use zonda_model::written::Amount;
use zonda_model::{ChannelName, Quantity};

use super::{DERIVED, Draft, Known};
use crate::fault::{Fault, note};
use crate::section::{At, Section};

/// A table under way.
pub(super) struct Reader<'a, 't, 'i> {
    pub(super) section: &'a Section<'t, 'i>,
    pub(super) known: &'a [Known],
    pub(super) is_whole: bool,
    pub(super) inputs: Vec<usize>,
    pub(super) faults: &'a mut Vec<Fault>,
}

/// Groups of keys that a law reads.
const STREAM: &[&str] = &[
    "velocity", "basis", "area", "diameter", "width", "height", "outer", "inner",
];
const STATE: &[&str] = &[
    "temperature",
    "temperature_accuracy",
    "pressure",
    "pressure_accuracy",
    "static",
    "static_accuracy",
    "humidity",
    "humidity_accuracy",
    "room",
];

impl Reader<'_, '_, '_> {
    pub(super) fn draft(&mut self, name: ChannelName) -> Option<Draft> {
        let before = self.faults.len();
        let word = self.section.text("law")?;
        let (law, members) = self.law(&word)?;
        let limits = self.limits(&law);
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
            limits,
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
                self.only(STREAM, STATE, &["inlet", "inlet_accuracy"]);
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

    /// What stands in the record: the law with its version, its basis, and every key as written.
    fn describe(&self, law: &Law, basis: Option<Basis>) -> Value {
        let mut terms = Map::new();
        for key in DERIVED
            .iter()
            // How well a number is known changes no value.
            .filter(|key| !["law", "unit"].contains(&key.name) && !key.name.ends_with("_accuracy"))
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
        // Also where the channel itself knew it: the text has to say everything that the law does.
        if let Some(shown) = law.shown() {
            terms.insert(
                "basis".to_owned(),
                Value::from(format!("{:#}", shown.basis)),
            );
        }
        json!({ "derived": law.word(), "version": law::VERSION, "basis": basis.map(|basis| basis.to_string()), "terms": terms })
    }
}

const LAWS: &str = "the laws are `actual velocity`, `standard velocity`, `density`, `dew point`, `volume flow`, `standard flow`, `mass flow`, `exhaust heat`, `mean`, `spread`, `uniformity` and `difference`";
