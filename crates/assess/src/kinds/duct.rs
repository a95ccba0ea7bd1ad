//! What `traverse` and `heat` share: the velocities at the points of a duct, the state of its air, its area.

use std::ops::ControlFlow;

use zonda_air::duct::Traverse;
use zonda_air::known::{Beyond, KnownAir, KnownVelocity, area};
use zonda_air::written::StatedHumidity;
use zonda_air::{Basis, Pressure, Temperature};
use zonda_config::{LayoutForm, LayoutPlan};
use zonda_evaluate::Stretch;
use zonda_evaluate::uncertainty::{Budget, Origin};
use zonda_model::written::Amount;
use zonda_model::{Quantity, Unit};

use crate::ask::MovedProbe;
use crate::error::AssessError;
use crate::figure::Course;
use crate::intake::{self, Counted, Feed};
use crate::kinds;
use crate::known::{self, Known, Means};
use crate::outcome::{Layout, Point, Series};
use crate::work::Scene;

/// The exponent of the power law by which points stand for the whole area: 7 in a long smooth duct (textbook).
const POWER_LAW: f64 = 7.0;

/// A term of the state of air.
#[derive(Clone, Debug)]
pub(crate) enum Term {
    /// A channel: its place among the feeds.
    Read(usize),
    /// As stated.
    Stated(f64),
}

/// What is to be read.
#[derive(Debug)]
pub(crate) struct Plan<'s> {
    pub(crate) layout: &'s LayoutPlan,
    pub(crate) traverse: &'s Traverse,
    dimension_accuracy: Option<f64>,
    pub(crate) feeds: Vec<Feed>,
    /// Of each point, in order; the first feeds are the velocities.
    temperatures: Vec<Term>,
    pub(crate) pressure: Option<Term>,
    pub(crate) inlet: Option<Term>,
    pub(crate) basis: Option<Basis>,
    /// When each point was read by a probe that was moved; `None` where each has a channel of its own.
    visits: Option<Vec<Stretch>>,
    /// When the first of them was read again, after all others.
    again: Option<Stretch>,
}

/// What an ask says of the air.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct AirAsk<'a> {
    pub(crate) layout: Option<&'a str>,
    pub(crate) pressure: Option<&'a str>,
    pub(crate) temperature: Option<&'a str>,
    pub(crate) inlet: Option<&'a str>,
    /// Where one probe was moved from point to point.
    pub(crate) moved: Option<&'a MovedProbe>,
}

/// What was read.
pub(crate) struct Duct<'s> {
    pub(crate) plan: Plan<'s>,
    pub(crate) counted: Vec<Counted>,
    /// With their budgets, in the order of the feeds.
    pub(crate) means: Vec<Budget>,
    pub(crate) area: Budget,
    /// By what share the flow changed while the probe was moved, by its first point.
    pub(crate) drift: Option<f64>,
    pub(crate) warnings: Vec<String>,
    pub(crate) series: Vec<Series>,
}

impl<'s> Plan<'s> {
    pub(crate) fn of(scene: &'s Scene<'_>, ask: AirAsk<'_>) -> Result<Self, AssessError> {
        let layout = kinds::layout(scene, ask.layout)?;
        let LayoutForm::Duct {
            traverse,
            dimension_accuracy,
        } = &layout.form
        else {
            return Err(kinds::other_layout(layout, "duct"));
        };
        let (feeds, visits) = match ask.moved {
            Some(moved) => {
                let (feeds, visits) = visited(scene, traverse, moved)?;
                (feeds, Some(visits))
            }
            None => (kinds::feeds_at(scene, layout, Quantity::Velocity)?, None),
        };
        let again = ask.moved.and_then(|moved| moved.again.as_ref());
        let again = again.map(|visit| scene.part(visit.from, visit.to));
        let basis = one_basis(scene, &feeds)?;
        let mut plan = Self {
            layout,
            traverse,
            dimension_accuracy: *dimension_accuracy,
            feeds,
            temperatures: Vec::new(),
            pressure: None,
            inlet: None,
            basis,
            visits,
            again: again.transpose()?,
        };
        plan.pressure = plan.term(scene, ask.pressure, "pressure", Quantity::Pressure)?;
        plan.inlet = plan.term(scene, ask.inlet, "inlet", Quantity::Temperature)?;
        if plan.pressure.is_some() {
            plan.temperatures = plan.temperatures(scene, ask.temperature)?;
        }
        Ok(plan)
    }

    fn temperatures(
        &mut self,
        scene: &Scene<'_>,
        stated: Option<&str>,
    ) -> Result<Vec<Term>, AssessError> {
        let everywhere = self.term(scene, stated, "temperature", Quantity::Temperature)?;
        if let Some(term) = everywhere {
            return Ok(vec![term; self.layout.channels.len()]);
        }
        let feeds = kinds::feeds_at(scene, self.layout, Quantity::Temperature)?;
        Ok(feeds
            .into_iter()
            .map(|feed| Term::Read(self.place(feed)))
            .collect())
    }

    /// A channel, or an amount.
    fn term(
        &mut self,
        scene: &Scene<'_>,
        text: Option<&str>,
        key: &str,
        quantity: Quantity,
    ) -> Result<Option<Term>, AssessError> {
        let Some(text) = text else { return Ok(None) };
        if let Ok(amount) = text.parse::<Amount>() {
            let value = amount.si(quantity);
            let value = value.map_err(|why| AssessError::Ask(format!("`{key}`: {why}")))?;
            return Ok(Some(Term::Stated(value)));
        }
        let feed = scene.feed(text)?;
        if feed.quantity != quantity {
            return Err(AssessError::Ask(format!(
                "`{key}`: `{text}` measures {}, and {quantity} is needed there",
                feed.quantity
            )));
        }
        Ok(Some(Term::Read(self.place(feed))))
    }

    fn place(&mut self, feed: Feed) -> usize {
        let found = self.feeds.iter().position(|known| known.id == feed.id);
        found.unwrap_or_else(|| {
            self.feeds.push(feed);
            self.feeds.len() - 1
        })
    }

    /// Reads the samples.
    pub(crate) async fn read(self, scene: &'s Scene<'_>) -> Result<Duct<'s>, AssessError> {
        let visits = self.visits.clone().unwrap_or_default();
        let (moved, still) = self.feeds.split_at(visits.len());
        let mut all = kinds::mean::with_sources(scene, still)?;
        let mut courses = vec![Course::over(scene.stretch); still.len()];
        let mut counted = intake::read(
            scene.record,
            &all,
            scene.stretch,
            scene.using,
            scene.watch,
            |feed, reading, value| {
                if let Some(course) = courses.get_mut(feed) {
                    course.push_used(reading, value);
                }
                Ok(ControlFlow::Continue(()))
            },
        )
        .await?;
        if !still.is_empty() {
            scene.refuse_nothing(still, &counted, scene.stretch)?;
        }
        let mut found = Vec::with_capacity(self.feeds.len());
        let mut at_visits = Vec::with_capacity(moved.len());
        for (feed, visit) in moved.iter().zip(visits) {
            let (budget, counted) = at_visit(scene, feed, visit).await?;
            found.push(budget);
            at_visits.push(counted);
        }
        let values = kinds::mean::means_of(&all, &counted);
        let pairs = still.iter().zip(&counted);
        found.extend(pairs.map(|(feed, counted)| budget_of(scene, feed, counted, &values)));
        let mut means = Vec::new();
        let mut lacking = Vec::new();
        for (feed, found) in self.feeds.iter().zip(found) {
            match found {
                Ok(budget) => means.push(budget),
                Err(why) => lacking.push(named(feed, &why)),
            }
        }
        if !lacking.is_empty() {
            return Err(AssessError::Refused(format!(
                "{} of {} channels of the layout `{}` cannot be used: {}",
                lacking.len(),
                self.feeds.len(),
                self.layout.name,
                lacking.join("; ")
            )));
        }
        let mut read_again = None;
        let drift = match (self.again, moved.first(), means.first()) {
            (Some(again), Some(feed), Some(first)) => {
                let (again, counted) = at_visit(scene, feed, again).await?;
                let again = again.map_err(|why| AssessError::Refused(named(feed, &why)))?;
                read_again = Some((feed.clone(), counted));
                Some(again.value() / first.value() - 1.0).filter(|drift| drift.is_finite())
            }
            _ => None,
        };
        let area = self.area()?;
        let from = scene.time(scene.stretch.from());
        let series = courses.iter().zip(still).map(|(course, feed)| {
            let name = feed.name.as_str();
            course.series("mean", Some(name), feed.quantity.si(), from.clone())
        });
        let series = series.collect();
        all.splice(0..0, moved.iter().cloned());
        counted.splice(0..0, at_visits);
        if let Some((feed, at_end)) = read_again {
            all.push(feed);
            counted.push(at_end);
        }
        Ok(Duct {
            series,
            warnings: self.cautions(),
            means,
            area,
            drift,
            counted,
            plan: Self { feeds: all, ..self },
        })
    }

    fn area(&self) -> Result<Budget, AssessError> {
        // A half-width of equally likely errors: u = a/√3.
        let u = self.dimension_accuracy.unwrap_or(0.0) / 3f64.sqrt();
        let name = self.layout.name.to_string();
        let area = area(&name, self.traverse.shape(), [u; 2]);
        let area = area.map_err(|why| AssessError::refused(&why))?;
        if self.dimension_accuracy.is_some() {
            return Ok(area);
        }
        let draft = Budget::draft("area", area.value(), area.unit()).through(&area, 1.0);
        let origin = Origin::new(name, "dimensions");
        let unstated = draft.omitting(origin).finish();
        unstated.map_err(|why| AssessError::refused(&why))
    }

    fn cautions(&self) -> Vec<String> {
        let cautions = self.traverse.cautions().into_iter();
        let mut said: Vec<String> = cautions
            .map(|caution| format!("the layout `{}`: {caution}", self.layout.name))
            .collect();
        if self.basis.is_none() {
            said.push("nobody has said what the meters' velocities are of, actual or standard: the flow is one of whatever they show; state `basis` in the configuration".to_owned());
        }
        said
    }
}

/// The feed at each point, which is one and the same, and when it was read there.
fn visited(
    scene: &Scene<'_>,
    traverse: &Traverse,
    moved: &MovedProbe,
) -> Result<(Vec<Feed>, Vec<Stretch>), AssessError> {
    let feed = scene.feed(&moved.channel)?;
    if feed.quantity != Quantity::Velocity {
        return Err(AssessError::Ask(format!(
            "`moved`: `{}` measures {}, and a velocity is needed there",
            moved.channel, feed.quantity
        )));
    }
    let (mut feeds, mut visits) = (Vec::new(), Vec::new());
    for point in traverse.points() {
        let visit = moved
            .visits
            .iter()
            .rfind(|visit| visit.point == point.number);
        let visit = visit.ok_or_else(|| {
            let number = point.number;
            AssessError::Ask(format!("`moved`: the probe was not read at point {number}"))
        })?;
        visits.push(scene.part(visit.from, visit.to)?);
        feeds.push(Feed {
            point: Some(point.number.to_string()),
            ..feed.clone()
        });
    }
    Ok((feeds, visits))
}

/// What a moved probe read at one point.
async fn at_visit(
    scene: &Scene<'_>,
    feed: &Feed,
    visit: Stretch,
) -> Result<(Result<Budget, String>, Counted), AssessError> {
    let own = kinds::mean::with_sources(scene, std::slice::from_ref(feed))?;
    let take = |_, _: &_, _| Ok(ControlFlow::Continue(()));
    let mut counted =
        intake::read(scene.record, &own, visit, scene.using, scene.watch, take).await?;
    let values = kinds::mean::means_of(&own, &counted);
    let found = budget_of(scene, feed, &counted[0], &values);
    Ok((found, counted.swap_remove(0)))
}

/// The mean of a feed with its budget, or why there is none.
fn budget_of(
    scene: &Scene<'_>,
    feed: &Feed,
    counted: &Counted,
    values: &Means<'_>,
) -> Result<Budget, String> {
    let mean = counted.mean().map_err(|lack| lack.to_string())?;
    match known::of_mean(scene, feed, &mean, values) {
        Known::Well(budget) => Ok(budget),
        Known::Barely(why) => Err(why),
    }
}

fn named(feed: &Feed, why: &str) -> String {
    match &feed.point {
        Some(point) => format!("point `{point}`, {}: {why}", feed.name),
        None => format!("{}: {why}", feed.name),
    }
}

/// The basis that all velocities have; refused where they have several.
fn one_basis(scene: &Scene<'_>, feeds: &[Feed]) -> Result<Option<Basis>, AssessError> {
    let bases: Vec<Option<Basis>> = feeds
        .iter()
        .map(|feed| {
            let (config, index) = scene.past.channel(feed.name.as_str())?;
            config.channels.get(index)?.basis
        })
        .collect();
    let first = bases.first().copied().flatten();
    for (feed, basis) in feeds.iter().zip(&bases) {
        let agree = match (first, basis) {
            (Some(one), Some(other)) => one.agrees_with(*other),
            (None, None) => true,
            _ => false,
        };
        if !agree {
            return Err(AssessError::Ask(format!(
                "the velocities of the layout are not of one basis: `{}` is {}, `{}` is {}",
                feeds[0].name,
                words(first),
                feed.name,
                words(*basis)
            )));
        }
    }
    Ok(first)
}

/// A basis in words, also where nobody has said.
pub(crate) fn words(basis: Option<Basis>) -> String {
    basis.map_or_else(|| "basis not stated".to_owned(), |basis| basis.to_string())
}

impl Duct<'_> {
    /// The velocities at the points, m/s.
    pub(crate) fn velocities(&self) -> &[Budget] {
        &self.means[..self.plan.traverse.points().len()]
    }

    /// What the points do not say of a settled turbulent flow.
    pub(crate) fn beyond(&self) -> Beyond {
        Beyond {
            integration: self.plan.traverse.power_law_error(POWER_LAW).abs(),
            drift: self.drift,
        }
    }

    fn value(&self, term: &Term, what: &str, unit: Unit) -> Result<Budget, AssessError> {
        match term {
            Term::Read(feed) => Ok(self.means[*feed].clone()),
            Term::Stated(value) => {
                let draft = Budget::draft(what, *value, unit);
                let draft = draft.omitting(Origin::new(what, "as stated"));
                draft.finish().map_err(|why| AssessError::refused(&why))
            }
        }
    }

    /// The air at each point, where a pressure was named.
    pub(crate) fn airs(&self, humidity: StatedHumidity) -> Result<Vec<KnownAir>, AssessError> {
        let Some(pressure) = &self.plan.pressure else {
            return Ok(Vec::new());
        };
        let pressure = self.value(pressure, "pressure", Unit::Pascal)?;
        let temperatures = self.plan.temperatures.iter();
        temperatures
            .map(|term| {
                let temperature = self.value(term, "temperature", Unit::DegreeCelsius)?;
                air(temperature, pressure.clone(), humidity)
            })
            .collect()
    }

    /// The air as it came in.
    pub(crate) fn inlet(&self, humidity: StatedHumidity) -> Result<KnownAir, AssessError> {
        let missing = || AssessError::Ask("`inlet` and `pressure` are missing".to_owned());
        let inlet = self.plan.inlet.as_ref().ok_or_else(missing)?;
        let pressure = self.plan.pressure.as_ref().ok_or_else(missing)?;
        let temperature = self.value(inlet, "inlet temperature", Unit::DegreeCelsius)?;
        let pressure = self.value(pressure, "pressure", Unit::Pascal)?;
        air(temperature, pressure, humidity)
    }

    /// A velocity with its basis; one of which nobody has said is taken as actual, where it must be one.
    pub(crate) fn velocity(&self, budget: &Budget) -> Result<KnownVelocity, AssessError> {
        let basis = self.plan.basis.unwrap_or(Basis::Actual);
        KnownVelocity::new(budget.clone(), basis).map_err(|why| AssessError::refused(&why))
    }

    /// Where the points are and what was read there.
    pub(crate) fn layout(&self) -> Layout {
        let plan = &self.plan;
        let points = plan.traverse.points().iter();
        let read = plan.feeds.iter().zip(&self.means);
        Layout {
            name: plan.layout.name.to_string(),
            kind: "duct".to_owned(),
            shape: plan.traverse.shape().to_string(),
            rule: Some(plan.traverse.rule().word().to_owned()),
            points: points
                .zip(read)
                .map(|(point, (feed, mean))| Point {
                    name: point.number.to_string(),
                    at: vec![point.x, point.y],
                    weight: Some(point.weight),
                    insertion: Some(point.insertion),
                    channel: feed.name.to_string(),
                    mean: Some(mean.value()),
                })
                .collect(),
        }
    }
}

/// A humidity as it was written; dry without.
pub(crate) fn humidity(text: Option<&str>) -> Result<StatedHumidity, AssessError> {
    match text {
        Some(text) => text.parse().map_err(|why| AssessError::ask(&why)),
        None => Ok(StatedHumidity::DRY),
    }
}

fn air(
    temperature: Budget,
    pressure: Budget,
    humidity: StatedHumidity,
) -> Result<KnownAir, AssessError> {
    if humidity == StatedHumidity::DRY {
        return KnownAir::dry(temperature, pressure).map_err(|why| AssessError::refused(&why));
    }
    let at = Temperature::from_si(temperature.value()).map_err(|why| AssessError::refused(&why))?;
    let under = Pressure::from_si(pressure.value()).map_err(|why| AssessError::refused(&why))?;
    let moist = humidity
        .air(at, under)
        .map_err(|why| AssessError::refused(&why))?;
    let ratio = Budget::draft("humidity ratio", moist.humidity_ratio(), Unit::One)
        .omitting(Origin::new("humidity", "as stated"))
        .finish()
        .map_err(|why| AssessError::refused(&why))?;
    KnownAir::new(temperature, pressure, ratio).map_err(|why| AssessError::refused(&why))
}
