//! Layouts: `[layout.NAME]`, where the probes stand in a duct or a work zone, and which channels read there.
//!
//! The points of a duct are placed by a rule and numbered; those of a zone have names and coordinates. A point may be
//! bound to channels or, in one word, to a meter: its velocity and its temperature. One that is bound to nothing is a place
//! for a probe that is moved; an evaluation that needs a channel there names it.

mod plane;

use std::ops::Range;

use zonda_air::Length;
use zonda_air::duct::{Grid, Rule, Shape, Traverse};
use zonda_evaluate::zone::{Layout, Place, WorkZone};
use zonda_model::written::Amount;
use zonda_model::{ChannelName, Name, Quantity, Unit};

use crate::check::{NamedSection, read_name};
use crate::derived::Known;
use crate::fault::{Fault, note};
use crate::instrument::Way;
use crate::keys::{Key, Kind, may, must};
use crate::plan::ChannelPlan;
use crate::section::{At, Section};

pub use plane::Plane;

/// `[layout.NAME]`
pub const LAYOUT: &[Key] = &[
    must("kind", Kind::Text, "\"zone\"", "`duct` or `zone`"),
    may(
        "width",
        Kind::Amount,
        "\"1.2 m\"",
        "of a rectangular duct or of a block: inside, from left to right",
    ),
    may(
        "depth",
        Kind::Amount,
        "\"1.6 m\"",
        "of a block: inside, away from the door",
    ),
    may(
        "height",
        Kind::Amount,
        "\"0.8 m\"",
        "of a rectangular duct, along which probes enter; of a block or an upright cylinder",
    ),
    may(
        "diameter",
        Kind::Amount,
        "\"400 mm\"",
        "of a round duct or of an upright cylinder, inside",
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
        "dimension_accuracy",
        Kind::Amount,
        "\"2 mm\"",
        "the limits of the error of each dimension of a duct; default not stated",
    ),
    may(
        "rule",
        Kind::Text,
        "\"log-tchebycheff\"",
        "of a duct: what places its points: `log-tchebycheff`, `log-linear` or `equal-area`",
    ),
    may(
        "lines",
        Kind::Whole,
        "2",
        "of a duct: diameters of a round one, columns of a rectangular one, rays of an annular one",
    ),
    may(
        "per_line",
        Kind::Whole,
        "6",
        "of a duct: points on each line",
    ),
    may(
        "clearance",
        Kind::Amount,
        "\"25 mm\"",
        "of a duct: points nearer to a wall are moved to this distance; default none is moved",
    ),
    may(
        "points",
        Kind::Pairs,
        "{ left = \"Z1-left at -0.5, 0, 0 m\", middle = \"Z1-middle at 0, 0, 0 m\" }",
        "of a zone, by name: a meter or channels, then `at` x (to the right), y (away from the door) and z (up) from the zone's middle. Of a duct, by number as `zonda plan duct` counts them: `{ 1 = \"exhaust-left\", 2 = \"exhaust-right\" }`, a meter or channels. A point without one is for a probe that is moved",
    ),
];

/// A layout, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct LayoutPlan {
    /// Its name.
    pub name: Name,
    /// What it is a layout of.
    pub form: LayoutForm,
    /// The channels at each point, in the order of the points; none where nothing is bound.
    pub channels: Vec<Vec<ChannelName>>,
}

/// What a layout is a layout of.
#[derive(Clone, Debug, PartialEq)]
pub enum LayoutForm {
    /// The measuring plane of a duct.
    Duct {
        /// Its points.
        traverse: Traverse,
        /// The limits of the error of each dimension, m.
        dimension_accuracy: Option<f64>,
    },
    /// A work zone.
    Zone(Layout),
}

impl LayoutForm {
    /// `duct` or `zone`.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Duct { .. } => "duct",
            Self::Zone(_) => "zone",
        }
    }
}

impl LayoutPlan {
    /// The names of the points, in order: numbers of a duct's.
    pub fn points(&self) -> Vec<String> {
        match &self.form {
            LayoutForm::Duct { traverse, .. } => {
                let points = traverse.points().iter();
                points.map(|point| point.number.to_string()).collect()
            }
            LayoutForm::Zone(layout) => {
                let places = layout.places().iter();
                places.map(|place| place.name.clone()).collect()
            }
        }
    }
}

/// What may be bound to a point.
pub(crate) struct Bindable<'a> {
    /// All channels of the file, the derived ones too.
    pub(crate) known: &'a [Known],
    /// The measured ones, with their meters.
    pub(crate) channels: &'a [ChannelPlan],
    /// The meters' names.
    pub(crate) meters: &'a [Name],
    /// False where other mistakes keep channels from being known.
    pub(crate) is_whole: bool,
}

/// Reads a layout.
pub(crate) fn read(
    table: &NamedSection<'_, '_>,
    bindable: &Bindable<'_>,
    faults: &mut Vec<Fault>,
) -> Option<LayoutPlan> {
    let name = read_name(&table.name, faults);
    let mut reader = Reader {
        section: &table.section,
        bindable,
        faults,
    };
    let (form, channels) = match table.section.text("kind")?.value {
        "duct" => reader.duct()?,
        "zone" => reader.zone()?,
        other => {
            let what = format!("`{other}` is no kind of layout");
            let fault = Fault::new(table.section.place("kind"), what);
            reader.faults.push(fault.help("write `duct` or `zone`"));
            return None;
        }
    };
    Some(LayoutPlan {
        name: name?,
        form,
        channels,
    })
}

type Read = (LayoutForm, Vec<Vec<ChannelName>>);

const OF_DUCTS: [&str; 7] = [
    "outer",
    "inner",
    "dimension_accuracy",
    "rule",
    "lines",
    "per_line",
    "clearance",
];

struct Reader<'a, 't, 'i> {
    section: &'a Section<'t, 'i>,
    bindable: &'a Bindable<'a>,
    faults: &'a mut Vec<Fault>,
}

impl Reader<'_, '_, '_> {
    fn length(&mut self, key: &str) -> Option<Length> {
        let read = |text: &str| {
            let amount: Amount = text.parse().map_err(|error| format!("`{text}`: {error}"))?;
            Length::new(amount.value, amount.unit).map_err(|error| error.to_string())
        };
        let found = self.section.read(key, read, self.faults)?;
        Some(found.value)
    }

    fn needs(&mut self, keys: &[&str], of: &str) -> bool {
        let missing: Vec<_> = keys
            .iter()
            .filter(|key| !self.section.has(key))
            .copied()
            .collect();
        for key in &missing {
            let what = format!("`{key}` is missing: {of} needs it");
            let fault = Fault::new(self.section.span.clone(), what);
            self.faults.push(fault.help(self.section.example(key)));
        }
        missing.is_empty()
    }

    fn zone(&mut self) -> Option<Read> {
        let why = "is a duct's, and this is a layout of a zone";
        self.section
            .refuse(&OF_DUCTS, why, "leave it out here", self.faults);
        let zone = if self.section.has("diameter") {
            let why = "is a block's, and a zone with a diameter is an upright cylinder";
            let help = "leave it out, or leave `diameter` out";
            self.section
                .refuse(&["width", "depth"], why, help, self.faults);
            let is_whole = self.needs(&["height"], "an upright cylinder");
            let (diameter, height) = (self.length("diameter"), self.length("height"));
            let sizes = diameter.zip(height).filter(|_| is_whole)?;
            WorkZone::drum(sizes.0.si(), sizes.1.si())
        } else {
            let is_whole = self.needs(&["width", "depth", "height"], "a block");
            let sizes = ["width", "depth", "height"].map(|key| self.length(key));
            let [Some(width), Some(depth), Some(height)] = sizes else {
                return None;
            };
            if !is_whole {
                return None;
            }
            WorkZone::block(width.si(), depth.si(), height.si())
        };
        let zone = note(
            zone.map_err(|error| error.to_string()),
            &self.section.span,
            self.faults,
        )?;
        self.places(zone)
    }

    fn places(&mut self, zone: WorkZone) -> Option<Read> {
        let mut places = Vec::new();
        let mut channels = Vec::new();
        let mut is_whole = true;
        for (name, text) in self.section.pairs("points") {
            let Some((bound, at)) = split_place(text.value) else {
                let what = format!("`{}` does not say where `{}` is", text.value, name.value);
                let fault = Fault::new(text.span, what);
                self.faults
                    .push(fault.help("write `METER at x, y, z m`, from the middle of the zone"));
                is_whole = false;
                continue;
            };
            let at = note(coordinates(at), &text.span, self.faults);
            let bound = self.bound(bound, &text.span);
            match (at, bound) {
                (Some(at), Some(bound)) => {
                    places.push(Place {
                        name: name.value.to_owned(),
                        at,
                    });
                    channels.push(bound);
                }
                _ => is_whole = false,
            }
        }
        if !is_whole {
            return None;
        }
        let layout = Layout::own(zone, places).map_err(|error| error.to_string());
        let layout = note(layout, &self.section.place("points"), self.faults)?;
        Some((LayoutForm::Zone(layout), channels))
    }

    fn duct(&mut self) -> Option<Read> {
        let why = "is a zone's, and this is a layout of a duct";
        self.section
            .refuse(&["depth"], why, "leave it out here", self.faults);
        let is_whole = self.needs(&["rule", "lines", "per_line"], "a layout of a duct");
        let shape = self.shape();
        let rule = self.section.read("rule", read_rule, self.faults);
        let counts =
            ["lines", "per_line"].map(|key| self.section.whole::<i64>(key, 1, 50, self.faults));
        let clearance = self.length("clearance");
        let dimension_accuracy = self.length("dimension_accuracy").map(Length::si);
        let [Some(lines), Some(per_line)] =
            counts.map(|count| count.and_then(|count| usize::try_from(count).ok()))
        else {
            return None;
        };
        let (shape, rule) = shape.zip(rule).filter(|_| is_whole)?;
        let traverse = Traverse::plan(shape, rule.value, Grid { lines, per_line })
            .and_then(|traverse| match clearance {
                Some(clearance) => traverse.clear_of_walls(clearance),
                None => Ok(traverse),
            })
            .map_err(|error| error.to_string());
        let traverse = note(traverse, &rule.span, self.faults)?;
        let channels = self.numbered(traverse.points().len())?;
        let form = LayoutForm::Duct {
            traverse,
            dimension_accuracy,
        };
        Some((form, channels))
    }

    /// The cross-section, by whichever sizes are there.
    fn shape(&mut self) -> Option<Shape> {
        let sets: [&[&str]; 3] = [&["diameter"], &["width", "height"], &["outer", "inner"]];
        let said: Vec<&[&str]> = sets
            .into_iter()
            .filter(|set| set.iter().any(|key| self.section.has(key)))
            .collect();
        let [set] = said[..] else {
            let fault = Fault::new(
                self.section.span.clone(),
                "a duct has the sizes of one shape, and these are of none or of several",
            );
            self.faults.push(fault.help(
                "write `diameter` of a round duct, `width` and `height` of a rectangular one, `outer` and `inner` of an annular one",
            ));
            return None;
        };
        if !self.needs(set, "this shape of duct") {
            return None;
        }
        let sizes: Vec<Length> = set.iter().filter_map(|key| self.length(key)).collect();
        match (set, &sizes[..]) {
            (["diameter"], [diameter]) => Some(Shape::circular(*diameter)),
            (["width", _], [width, height]) => Some(Shape::rectangular(*width, *height)),
            (["outer", _], [outer, inner]) => note(
                Shape::annular(*outer, *inner).map_err(|error| error.to_string()),
                &self.section.place("inner"),
                self.faults,
            ),
            _ => None,
        }
    }

    /// The channels of points that have numbers.
    fn numbered(&mut self, count: usize) -> Option<Vec<Vec<ChannelName>>> {
        let mut channels = vec![Vec::new(); count];
        let mut is_whole = true;
        for (number, text) in self.section.pairs("points") {
            let index = number
                .value
                .parse::<usize>()
                .ok()
                .and_then(|number| number.checked_sub(1))
                .filter(|index| *index < count);
            let Some(index) = index else {
                let what = format!(
                    "there is no point `{}`: this layout has the points 1 to {count}",
                    number.value
                );
                let fault = Fault::new(number.span, what);
                self.faults
                    .push(fault.help("`zonda plan duct` shows which is where"));
                is_whole = false;
                continue;
            };
            match self.bound(text.value, &text.span) {
                Some(bound) => channels[index] = bound,
                None => is_whole = false,
            }
        }
        is_whole.then_some(channels)
    }

    /// The channels that a text names: a meter, or channels one by one.
    fn bound(&mut self, text: &str, span: &Range<usize>) -> Option<Vec<ChannelName>> {
        let mut bound: Vec<ChannelName> = Vec::new();
        for word in text
            .split(',')
            .map(str::trim)
            .filter(|word| !word.is_empty())
        {
            let found = self.find(word, span)?;
            for name in found {
                if !bound.contains(&name) {
                    bound.push(name);
                }
            }
        }
        Some(bound)
    }

    fn find(&mut self, word: &str, span: &Range<usize>) -> Option<Vec<ChannelName>> {
        let Bindable {
            known,
            channels,
            meters,
            is_whole,
        } = self.bindable;
        if let Some(channel) = known.iter().find(|known| known.name.as_str() == word) {
            return Some(vec![channel.name.clone()]);
        }
        if let Some(meter) = meters.iter().position(|meter| meter.as_str() == word) {
            let of_it = channels
                .iter()
                .filter(|channel| channel.meter == Some(meter));
            // What is heard by the analog output stands for the meter; its text line only where there is no output.
            let mut of_it: Vec<&ChannelPlan> = of_it.collect();
            of_it.sort_by_key(|channel| channel.way != Way::Analog);
            return Some(of_it.iter().map(|channel| channel.name.clone()).collect());
        }
        if *is_whole {
            let what = format!("there is no meter and no channel `{word}`");
            let fault = Fault::new(span.clone(), what);
            self.faults
                .push(fault.help("name a `[meter.NAME]` or a channel of this file"));
        }
        None
    }
}

/// What is bound, and where; `at 0, 0, 0 m` binds nothing.
fn split_place(text: &str) -> Option<(&str, &str)> {
    match text.split_once(" at ") {
        Some((bound, at)) => Some((bound, at)),
        None => Some(("", text.trim_start().strip_prefix("at ")?)),
    }
}

/// `-0.5, 0, 0.25 m`, m.
fn coordinates(text: &str) -> Result<[f64; 3], String> {
    let bad = || {
        format!("`{text}` is no place in a zone; write x, y and z with a unit: `-0.5, 0, 0.25 m`")
    };
    let (numbers, unit) = text.trim().rsplit_once(' ').ok_or_else(bad)?;
    let unit: Unit = unit.parse().map_err(|error| format!("{error}"))?;
    if unit.quantity() != Quantity::Length {
        return Err(format!("{unit} is no unit of length"));
    }
    let numbers: Vec<f64> = numbers
        .split(',')
        .map(|number| number.trim().replace('−', "-").parse::<f64>())
        .collect::<Result<_, _>>()
        .map_err(|_| bad())?;
    match numbers[..] {
        [x, y, z] if numbers.iter().all(|x| x.is_finite()) => Ok([x, y, z].map(|x| unit.to_si(x))),
        _ => Err(bad()),
    }
}

fn read_rule(text: &str) -> Result<Rule, String> {
    Rule::ALL
        .into_iter()
        .find(|rule| rule.word().eq_ignore_ascii_case(text))
        .ok_or_else(|| format!("`{text}` is no rule that places points"))
}

/// Refuses what refers to a layout that is not there.
pub(crate) fn check_name(
    wanted: &At<&str>,
    layouts: &[LayoutPlan],
    is_whole: bool,
    faults: &mut Vec<Fault>,
) {
    if !is_whole
        || layouts
            .iter()
            .any(|plan| plan.name.as_str() == wanted.value)
    {
        return;
    }
    let names: Vec<_> = layouts.iter().map(|plan| plan.name.as_str()).collect();
    let help = if names.is_empty() {
        format!("write `[layout.{}]`", wanted.value)
    } else {
        format!("known here: {}", names.join(", "))
    };
    let what = format!("there is no layout `{}`", wanted.value);
    faults.push(Fault::new(wanted.span.clone(), what).help(help));
}

#[cfg(test)]
mod tests;
