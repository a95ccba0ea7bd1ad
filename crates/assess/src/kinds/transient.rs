//! `transient`: how fast a channel rises, how far it overshoots, when it has settled, how it recovers.

use std::ops::ControlFlow;
use std::time::Duration;

use zonda_evaluate::transient::{CourseRule, Crossing, Definition, Rate, Settling, Step, Way};
use zonda_evaluate::uncertainty::law;
use zonda_evaluate::{Band, Course, Reading, Stretch};
use zonda_model::{Stamp, Unit};

use crate::ask::TransientAsk;
use crate::error::AssessError;
use crate::figure::{self, of_differences, shown_difference};
use crate::intake::{self, Feed};
use crate::kinds::uniformity::difference;
use crate::known::doubts_of;
use crate::outcome::Figure;
use crate::work::{Parts, Scene};

/// A course holds its readings: 4 million take 200 MB, and last two days at 20 Hz.
const READINGS_MAX: usize = 4_000_000;
const MINUTE: Duration = Duration::from_mins(1);
/// How long it must stay to have settled; common practice, no source.
const DWELL: Duration = Duration::from_mins(10);

pub(crate) async fn evaluate(scene: &Scene<'_>, ask: &TransientAsk) -> Result<Parts, AssessError> {
    let feed = scene.feed(&ask.channel)?;
    let band = band(ask, &feed)?;
    let feeds = [feed];
    let feed = &feeds[0];
    let mut readings: Vec<Reading> = Vec::new();
    let mut plot = figure::Course::over(scene.stretch);
    let counted = intake::read(
        scene.record,
        &feeds,
        scene.stretch,
        scene.using,
        scene.watch,
        |_, reading, value| {
            plot.push_used(reading, value);
            if readings.len() == READINGS_MAX {
                return Err(AssessError::Ask(format!(
                    "a transient is looked at as a whole, and this stretch has more than {READINGS_MAX} samples of {}; choose a shorter one",
                    ask.channel
                )));
            }
            readings.push(*reading);
            Ok(ControlFlow::Continue(()))
        },
    )
    .await?;
    scene.refuse_nothing(&feeds, &counted, scene.stretch)?;
    let rule = CourseRule {
        period: feed.period,
        sieve: scene.using.sieve,
        smoothing: ask.smoothing.map_or(Duration::ZERO, |span| span.0),
    };
    let course = Course::new(rule, readings).map_err(|why| AssessError::refused(&why))?;
    let before = ask.before.map_or(MINUTE, |span| span.0);
    let start = scene.stretch.from();
    let head = Stretch::new(start, start.plus(before)).map_err(|why| AssessError::ask(&why))?;
    let from = course.level(head).ok_or_else(|| {
        AssessError::Refused(format!(
            "{} has no used reading in the first {} of the stretch, so that the level before is not known",
            feed.name,
            zonda_model::run::spelled(before)
        ))
    })?;
    let telling = Telling {
        scene,
        feed,
        course: &course,
        step: Step { from, to: band },
        start,
        how: rule.to_string(),
    };
    let mut parts = Parts::default();
    parts.results.extend(telling.levels(ask));
    parts.results.extend(telling.times(ask));
    if let Some(event) = ask.event {
        let event = scene.moment(event)?;
        parts.results.extend(telling.recovery(ask, event));
    }
    let unit = feed.quantity.si();
    let begins = scene.time(scene.stretch.from());
    let name = feed.name.to_string();
    parts
        .series
        .push(plot.series("mean", Some(&name), unit, begins));
    parts.inputs = feeds.into_iter().zip(counted).collect();
    Ok(parts)
}

fn band(ask: &TransientAsk, feed: &Feed) -> Result<Band, AssessError> {
    let setpoint = ask.setpoint.0.si(feed.quantity);
    let setpoint = setpoint.map_err(|why| AssessError::Ask(format!("`setpoint`: {why}")))?;
    let tolerance = difference(ask.tolerance.0, feed.quantity)?;
    Band::around(setpoint, tolerance).map_err(|why| AssessError::ask(&why))
}

/// What is told of a course.
struct Telling<'a> {
    scene: &'a Scene<'a>,
    feed: &'a Feed,
    course: &'a Course,
    step: Step,
    start: Stamp,
    how: String,
}

impl Telling<'_> {
    fn defined(&self, definition: Definition) -> String {
        format!("{definition}; {}", self.how)
    }

    fn levels(&self, ask: &TransientAsk) -> Vec<Figure> {
        let (unit, shown) = (self.feed.quantity.si(), self.feed.shown);
        let definition = "mean of the readings used at the beginning of the stretch";
        let mut all = vec![Figure::bare(
            "level before",
            Some(self.step.from),
            unit,
            shown,
            definition,
        )];
        let window = ask.window.map_or(MINUTE, |span| span.0);
        let way = Way::between(self.step.from, self.step.to.setpoint());
        let steepest = self.course.steepest(window, way);
        all.push(self.rate("steepest ramp", steepest, Definition::Steepest { window }));
        let mean = self.course.mean_rate(self.step, self.start);
        all.push(self.rate("mean ramp", mean, Definition::MeanRate));
        all.push(self.overshoot());
        all.into_iter()
            .map(|figure| figure.of(self.feed.name.to_string()))
            .collect()
    }

    fn rate(&self, name: &str, rate: Option<Rate>, definition: Definition) -> Figure {
        let unit = of_differences(self.feed.quantity);
        let per_minute = rate.map(Rate::per_minute);
        let symbol = format!("{unit}/min");
        let stated = per_minute.map_or_else(
            || "none".to_owned(),
            |rate| format!("{} {symbol}", figure::number(rate)),
        );
        let definition = self.defined(definition);
        let figure = Figure::in_words(name, per_minute, &symbol, stated, definition);
        match rate {
            Some(rate) => figure.at(self.scene.time(rate.over.from())),
            None => figure.noting("not reached, or passed in a gap"),
        }
    }

    /// Its uncertainty is that of one reading there.
    fn overshoot(&self) -> Figure {
        let definition = self.defined(Definition::Overshoot);
        let unit = of_differences(self.feed.quantity);
        let shown = shown_difference(self.feed.shown);
        let Some(found) = self.course.overshoot(self.step, self.start) else {
            let none = Figure::bare("overshoot", None, unit, shown, definition);
            return none.noting("the setpoint was never passed");
        };
        let peak = self.step.to.setpoint() + found.value;
        let doubts = doubts_of(self.scene, self.feed, peak);
        let budget = doubts.at(peak).ok();
        let budget =
            budget.and_then(|at| law::of("overshoot", found.value, unit, &[(&at, 1.0)]).ok());
        let figure = budget.map_or_else(
            || {
                Figure::bare(
                    "overshoot",
                    Some(found.value),
                    unit,
                    shown,
                    definition.clone(),
                )
            },
            |budget| Figure::known("overshoot", &budget, shown, definition.clone()),
        );
        figure.at(self.scene.time(found.at))
    }

    fn times(&self, ask: &TransientAsk) -> Vec<Figure> {
        let dwell = ask.dwell.map_or(DWELL, |span| span.0);
        let band = self.step.to;
        let entry = self.course.entry(band, self.start);
        let way = Way::between(self.step.from, band.setpoint());
        let crossing = self.course.crossing(band.setpoint(), way, self.start);
        let soak = self.course.soak(band);
        let settling = self.course.settling(band, dwell, self.start);
        let all = vec![
            self.crossed("time to tolerance", entry, Definition::Entry),
            self.crossed("time to setpoint", crossing, Definition::Crossing),
            self.settled(
                "settling time",
                settling,
                self.start,
                Definition::Settling { dwell },
            ),
            Figure::time(
                "time within tolerance",
                Some(soak.total),
                self.defined(Definition::Soak),
            ),
            Figure::time(
                "longest time within tolerance",
                soak.longest.map(Stretch::length),
                self.defined(Definition::Soak),
            ),
            Figure::count(
                "excursions",
                soak.excursions,
                "how often a reading out of tolerance followed one within",
            ),
        ];
        all.into_iter()
            .map(|figure| figure.of(self.feed.name.to_string()))
            .collect()
    }

    fn crossed(&self, name: &str, crossing: Option<Crossing>, definition: Definition) -> Figure {
        let after = crossing.map(|at| at.latest().since(self.start));
        let figure = Figure::time(name, after, self.defined(definition));
        match crossing {
            None => figure.noting("never reached in this stretch"),
            Some(crossing) if crossing.at.is_none() => figure
                .at(self.scene.time(crossing.latest()))
                .noting("passed in a gap, or there from the beginning: at the latest then"),
            Some(crossing) => figure.at(self.scene.time(crossing.latest())),
        }
    }

    fn settled(
        &self,
        name: &str,
        settling: Settling,
        from: Stamp,
        definition: Definition,
    ) -> Figure {
        let time = match settling {
            Settling::Settled(stay) => Some(stay.since.latest()),
            Settling::TooShort(_) | Settling::Outside => None,
        };
        let figure = Figure::time(
            name,
            time.map(|at| at.since(from)),
            self.defined(definition),
        );
        match settling {
            Settling::Settled(stay) if stay.hidden > Duration::ZERO => figure
                .at(self.scene.time(stay.since.latest()))
                .noting(format!(
                    "{} since then are in gaps, of which nobody knows",
                    zonda_model::run::spelled(stay.hidden)
                )),
            Settling::Settled(stay) => figure.at(self.scene.time(stay.since.latest())),
            Settling::TooShort(stay) => figure.noting(format!(
                "within tolerance at the end, but only for {}",
                zonda_model::run::spelled(stay.known)
            )),
            Settling::Outside => figure.noting("not within tolerance at the end"),
        }
    }

    fn recovery(&self, ask: &TransientAsk, event: Stamp) -> Vec<Figure> {
        let dwell = ask.dwell.map_or(DWELL, |span| span.0);
        let unit: Unit = of_differences(self.feed.quantity);
        let definition = self.defined(Definition::Recovery { dwell });
        let Some(found) = self.course.recovery(self.step.to, dwell, event) else {
            let none = Figure::time("recovery time", None, definition);
            return vec![
                none.of(self.feed.name.to_string())
                    .noting("no reading after the event"),
            ];
        };
        let farthest = Figure::bare(
            "farthest after the event",
            Some(found.farthest),
            unit,
            shown_difference(self.feed.shown),
            "farthest from the setpoint after the event, with its sign",
        );
        let farthest = farthest.at(self.scene.time(found.farthest_at));
        let recovered = self.settled(
            "recovery time",
            found.settling,
            event,
            Definition::Recovery { dwell },
        );
        [farthest, recovered]
            .into_iter()
            .map(|figure| figure.of(self.feed.name.to_string()))
            .collect()
    }
}
