//! `uniformity`: how even a zone is in space and time, from the beginning, or from when it is steady or soaked.

mod class;
mod gate;
mod plots;

use std::ops::ControlFlow;
use std::time::Duration;

use zonda_config::LayoutForm;
use zonda_evaluate::worth::UniformityBudgets;
use zonda_evaluate::zone::{Layout as Places, Survey, SurveyRule, Uniformity};
use zonda_evaluate::{Band, Reading, Stretch};
use zonda_model::written::Amount;
use zonda_model::{Period, Quantity, Unit};

use crate::ask::{Basics, Since, UniformityAsk};
use crate::error::AssessError;
use crate::figure::{of_differences, shown_difference};
use crate::intake::{self, Feed};
use crate::known::{doubts_of, expanded};
use crate::outcome::{Figure, Layout, Point, Ruling};
use crate::scans::Scans;
use crate::work::{Parts, Scene};

use self::gate::Gate;
use self::plots::Plots;

/// How long a zone is watched for being steady or soaked; common practice, no source.
const DWELL: Duration = Duration::from_mins(10);

pub(crate) async fn evaluate(
    scene: &Scene<'_>,
    ask: &UniformityAsk,
    basics: &Basics,
) -> Result<Parts, AssessError> {
    let zone = Zone::of(scene, ask)?;
    let stretch = zone.surveyed(scene, ask).await?;
    let rule = SurveyRule {
        mean: scene.using.rule(zone.period),
        band: zone.band,
    };
    let quantities = vec![zone.quantity; zone.feeds.len()];
    let mut survey = Survey::new(zone.places.clone(), &quantities, stretch, rule)
        .map_err(|why| AssessError::ask(&why))?;
    let mut plots = Plots::over(stretch, zone.feeds.len());
    let mut scans = Scans::new(zone.feeds.len(), zone.period);
    let counted = intake::read(
        scene.record,
        &zone.feeds,
        stretch,
        scene.using,
        scene.watch,
        |feed, reading, value| {
            plots.places[feed].push_used(reading, value);
            if let Some(scan) = scans.push(feed, reading) {
                take(&mut survey, &mut plots, scan, scene)?;
            }
            Ok(ControlFlow::Continue(()))
        },
    )
    .await?;
    if let Some(scan) = scans.finish() {
        take(&mut survey, &mut plots, scan, scene)?;
    }
    scene.refuse_nothing(&zone.feeds, &counted, stretch)?;
    let found = survey.finish().map_err(|why| AssessError::refused(&why))?;
    let mut parts = Parts {
        stretch: Some(stretch),
        ..Parts::default()
    };
    zone.figures(scene, &found, &mut parts);
    zone.judge(ask, basics, &found, &mut parts);
    parts.series = plots.series(scene, &zone, stretch);
    parts.layout = Some(zone.layout(&found));
    parts.inputs = zone.feeds.into_iter().zip(counted).collect();
    Ok(parts)
}

fn take(
    survey: &mut Survey,
    plots: &mut Plots,
    scan: &[Reading],
    scene: &Scene<'_>,
) -> Result<(), AssessError> {
    plots.note(scan, scene);
    survey.push(scan).map_err(|why| AssessError::refused(&why))
}

/// A zone with a channel at each of its places.
struct Zone {
    name: String,
    places: Places,
    quantity: Quantity,
    band: Option<Band>,
    /// In the order of the places.
    feeds: Vec<Feed>,
    /// Of the slowest.
    period: Period,
    shown: Unit,
}

impl Zone {
    fn of(scene: &Scene<'_>, ask: &UniformityAsk) -> Result<Self, AssessError> {
        let quantity = match ask.quantity.as_deref() {
            None | Some("temperature") => Quantity::Temperature,
            Some("velocity") => Quantity::Velocity,
            Some(other) => {
                return Err(AssessError::Ask(format!(
                    "a zone is surveyed for `temperature` or `velocity`, not for `{other}`"
                )));
            }
        };
        let plan = super::layout(scene, ask.layout.as_deref())?;
        let LayoutForm::Zone(places) = &plan.form else {
            return Err(super::other_layout(plan, "zone"));
        };
        let feeds = super::feeds_at(scene, plan, quantity)?;
        let slowest = feeds.iter().map(|feed| feed.period).max();
        let shown = feeds.first().map_or(quantity.si(), |feed| feed.shown);
        Ok(Self {
            name: plan.name.to_string(),
            places: places.clone(),
            quantity,
            band: band(ask, quantity)?,
            period: slowest.unwrap_or(Period::SECOND),
            feeds,
            shown,
        })
    }

    fn names(&self) -> Vec<&str> {
        let places = self.places.places().iter();
        places.map(|place| place.name.as_str()).collect()
    }

    /// From which moment on the zone is surveyed.
    async fn surveyed(
        &self,
        scene: &Scene<'_>,
        ask: &UniformityAsk,
    ) -> Result<Stretch, AssessError> {
        let dwell = ask.dwell.map_or(DWELL, |dwell| dwell.0);
        let mut gate = match ask.since {
            Since::Begin => return Ok(scene.stretch),
            Since::Steady => Gate::steady(self, scene, dwell)?,
            Since::Soaked => Gate::soaked(self, scene, dwell)?,
        };
        let mut scans = Scans::new(self.feeds.len(), self.period);
        let counted = intake::read(
            scene.record,
            &self.feeds,
            scene.stretch,
            scene.using,
            scene.watch,
            |feed, reading, _| {
                if let Some(scan) = scans.push(feed, reading) {
                    gate.note(scan)?;
                }
                Ok(match gate.open {
                    Some(_) => ControlFlow::Break(()),
                    None => ControlFlow::Continue(()),
                })
            },
        )
        .await?;
        scene.refuse_nothing(&self.feeds, &counted, scene.stretch)?;
        let since = gate.open.ok_or_else(|| gate.refusal(self, dwell))?;
        Stretch::new(since, scene.stretch.to()).map_err(|why| AssessError::refused(&why))
    }

    fn figures(&self, scene: &Scene<'_>, found: &Uniformity, parts: &mut Parts) {
        let names = self.names();
        let doubts: Vec<_> = self
            .feeds
            .iter()
            .zip(&found.places)
            .map(|(feed, mean)| doubts_of(scene, feed, mean.mean))
            .collect();
        let budgets = match UniformityBudgets::of(found, &doubts) {
            Ok(budgets) => Some(budgets),
            Err(why) => {
                let what = format!("the figures have no uncertainty: {why}");
                parts.warnings.push(what);
                None
            }
        };
        let unit = self.quantity.si();
        let basis = self.feeds.first().and_then(|feed| feed.basis.clone());
        for (place, mean) in found.places.iter().enumerate() {
            let feed = &self.feeds[place];
            let known = budgets.as_ref().map(|budgets| &budgets.places[place]);
            let figure = known.map_or_else(
                || {
                    let definition = super::mean::DEFINITION;
                    Figure::bare("mean", Some(mean.mean), unit, feed.shown, definition)
                },
                |budget| Figure::known("mean", budget, feed.shown, super::mean::DEFINITION),
            );
            parts
                .results
                .push(figure.of(names[place]).on(feed.basis.as_deref()));
        }
        let of_zone = "mean of the time means of all places";
        let mean = budgets.as_ref().map_or_else(
            || {
                Figure::bare(
                    "mean of the zone",
                    Some(found.mean),
                    unit,
                    self.shown,
                    of_zone,
                )
            },
            |budgets| Figure::known("mean of the zone", &budgets.mean, self.shown, of_zone),
        );
        parts.results.push(mean.on(basis.as_deref()));
        parts
            .results
            .extend(self.spreads(scene, found, budgets.as_ref(), &names));
        if self.quantity == Quantity::Velocity
            && let Some(budgets) = &budgets
        {
            let equal: Vec<_> = budgets.places.iter().map(|v| (v.clone(), 1.0)).collect();
            super::evenness::add(&equal, parts);
        }
        if self.quantity == Quantity::Temperature
            && let Some(deviation) = &found.deviation
        {
            let worst = budgets.iter().flat_map(|of| [&of.highest, &of.lowest]);
            let expanded = worst.flatten().filter_map(expanded).reduce(f64::max);
            let classes = class::figures(deviation.half_width(), expanded);
            parts.results.extend(classes);
        }
        parts.results.extend(Self::times(found));
        parts.results.push(Figure::count(
            "complete scans",
            found.complete,
            "ticks in which every place had a used reading; only these have a spread",
        ));
        if found.incomplete > 0 {
            parts.results.push(Figure::count(
                "incomplete scans",
                found.incomplete,
                "ticks in which at least one place had no used reading",
            ));
        }
        let part = found
            .spread
            .map_or(0.0, |spread| found.skew_spread / spread.value);
        if part > 0.1 {
            parts.warnings.push(format!(
                "the zone drifted while its places were read one after the other, {:.1} s apart at most: that alone can have made {:.0} % of the instantaneous spread",
                found.skew.as_secs_f64(),
                100.0 * part
            ));
        }
    }

    /// The figures of [`Uniformity::figures`], with their uncertainties, times and places.
    fn spreads(
        &self,
        scene: &Scene<'_>,
        found: &Uniformity,
        budgets: Option<&UniformityBudgets>,
        names: &[&str],
    ) -> Vec<Figure> {
        let unit = of_differences(self.quantity);
        let shown = shown_difference(self.shown);
        let figures = found.figures();
        let made = figures.into_iter().map(|figure| {
            let budget = budgets.and_then(|budgets| match figure.name {
                "highest deviation" => budgets.highest.as_ref(),
                "lowest deviation" => budgets.lowest.as_ref(),
                "gradient" => Some(&budgets.gradient),
                "standard deviation in space" => budgets.sd_of_means.as_ref(),
                _ => None,
            });
            let made = budget.map_or_else(
                || {
                    Figure::bare(
                        figure.name,
                        Some(figure.value),
                        unit,
                        shown,
                        figure.definition,
                    )
                },
                |budget| Figure::known(figure.name, budget, shown, figure.definition),
            );
            match figure.name {
                "highest deviation" => {
                    with_place(made, found.deviation.map(|of| of.highest.place), names)
                }
                "lowest deviation" => {
                    with_place(made, found.deviation.map(|of| of.lowest.place), names)
                }
                "fluctuation" => with_place(made, Some(found.fluctuation.place), names),
                "variation in space" => {
                    with_place(made, found.from_centre.map(|of| of.place), names)
                }
                "gradient" => {
                    let place = format!("{} to {}", names[found.warmest], names[found.coldest]);
                    made.place(&place)
                }
                "instantaneous spread" => match found.spread {
                    Some(spread) => {
                        let place =
                            format!("{} to {}", names[spread.warmest], names[spread.coldest]);
                        made.at(scene.time(spread.at)).place(&place)
                    }
                    None => made,
                },
                _ => made,
            }
        });
        let mut made: Vec<Figure> = made.collect();
        if let Some(mean) = found.spread_mean {
            let definition =
                "mean over all complete scans of the largest less the smallest reading of a scan";
            made.push(Figure::bare(
                "mean spread",
                Some(mean),
                unit,
                shown,
                definition,
            ));
        }
        let per = |whole: &str| match unit.symbol() {
            compound if compound.contains('/') => format!("({compound})/{whole}"),
            simple => format!("{simple}/{whole}"),
        };
        let rate = |name: &str, value: f64, unit: &str, definition: &str| {
            let stated = format!("{} {unit}", crate::figure::number(value));
            Figure::in_words(name, Some(value), unit, stated, definition)
        };
        made.push(rate(
            "steepest gradient",
            found.steepest,
            &per("m"),
            "steepest difference of the time means of two places over the distance between them",
        ));
        made.push(rate(
            "drift",
            3600.0 * found.drift,
            &per("h"),
            "slope of the straight line through the means of the complete scans",
        ));
        made
    }

    fn times(found: &Uniformity) -> Vec<Figure> {
        let Some(deviation) = &found.deviation else {
            return Vec::new();
        };
        let within = deviation.within;
        vec![
            Figure::time(
                "time within tolerance",
                Some(within.total),
                "time between scans in which every place was within tolerance, nothing missing between them",
            ),
            Figure::time(
                "longest time within tolerance",
                within.longest.map(Stretch::length),
                "the longest piece of it without an excursion or a gap",
            ),
            Figure::time(
                "time unknown",
                Some(within.unknown),
                "time of which it is not known whether every place was within tolerance: gaps and readings that were not used",
            ),
            Figure::count(
                "excursions",
                within.excursions,
                "how often a scan out of tolerance followed one within",
            ),
        ]
    }

    /// Every reading must have been within tolerance: judged by the two that were farthest.
    fn judge(&self, ask: &UniformityAsk, basics: &Basics, found: &Uniformity, parts: &mut Parts) {
        let (Some(band), Some(deviation)) = (self.band, found.deviation) else {
            return;
        };
        let Some(tolerance) = ask
            .tolerance
            .and_then(|of| difference(of.0, self.quantity).ok())
        else {
            return;
        };
        let rule = basics.rule.unwrap_or_default();
        let unit = of_differences(self.quantity);
        let u_of = |name: &str| {
            let result = parts.results.iter().find(|result| result.name == name);
            result.and_then(|result| result.expanded)
        };
        let mut verdicts = Vec::new();
        for (name, value) in [
            ("highest deviation", deviation.highest.value),
            ("lowest deviation", deviation.lowest.value),
        ] {
            let limits = (Some(-tolerance), Some(tolerance));
            let ruling = match rule {
                crate::criterion::Rule::Simple => simple(value, tolerance),
                _ => u_of(name).map_or(Ruling::Undecided, |expanded| {
                    guarded(value, expanded, tolerance)
                }),
            };
            let what = format!("{name} from {} {}", band.setpoint(), self.quantity.si());
            verdicts.push(rule.judged(&what, value, unit, limits, ruling));
        }
        parts.verdicts = verdicts;
    }

    fn layout(&self, found: &Uniformity) -> Layout {
        let points = self
            .places
            .places()
            .iter()
            .zip(&self.feeds)
            .zip(&found.places);
        Layout {
            name: self.name.clone(),
            kind: "zone".to_owned(),
            shape: self.places.zone().to_string(),
            rule: None,
            points: points
                .map(|((place, feed), mean)| Point {
                    name: place.name.clone(),
                    at: place.at.to_vec(),
                    weight: None,
                    insertion: None,
                    channel: feed.name.to_string(),
                    mean: Some(mean.mean),
                })
                .collect(),
        }
    }
}

fn with_place(figure: Figure, place: Option<usize>, names: &[&str]) -> Figure {
    match place.and_then(|place| names.get(place)) {
        Some(name) => figure.place(name),
        None => figure,
    }
}

fn simple(value: f64, tolerance: f64) -> Ruling {
    if value.abs() <= tolerance {
        Ruling::Conforms
    } else {
        Ruling::DoesNot
    }
}

fn guarded(value: f64, expanded: f64, tolerance: f64) -> Ruling {
    if value.abs() + expanded <= tolerance {
        Ruling::Conforms
    } else if value.abs() - expanded > tolerance {
        Ruling::DoesNot
    } else {
        Ruling::Undecided
    }
}

/// The band that is asked for.
fn band(ask: &UniformityAsk, quantity: Quantity) -> Result<Option<Band>, AssessError> {
    let (setpoint, tolerance) = match (ask.setpoint, ask.tolerance) {
        (Some(setpoint), Some(tolerance)) => (setpoint, tolerance),
        (None, None) if ask.since != Since::Soaked => return Ok(None),
        (None, None) => {
            return Err(AssessError::Ask(
                "a zone is soaked when it is within tolerance of its setpoint: say `setpoint` and `tolerance`".to_owned(),
            ));
        }
        _ => {
            return Err(AssessError::Ask(
                "`setpoint` and `tolerance` go together; say both or neither".to_owned(),
            ));
        }
    };
    let setpoint = setpoint
        .0
        .si(quantity)
        .map_err(|why| AssessError::Ask(format!("`setpoint`: {why}")))?;
    let tolerance = difference(tolerance.0, quantity)?;
    let band = Band::around(setpoint, tolerance).map_err(|why| AssessError::ask(&why))?;
    Ok(Some(band))
}

/// A difference of a quantity, SI: of temperatures in K, °C or °F alike.
pub(crate) fn difference(amount: Amount, quantity: Quantity) -> Result<f64, AssessError> {
    let of_temperature =
        quantity == Quantity::Temperature && Quantity::TemperatureDifference.accepts(amount.unit);
    if of_temperature || quantity.accepts(amount.unit) {
        return Ok(amount.unit.difference_to_si(amount.value));
    }
    Err(AssessError::Ask(format!(
        "{} is no unit for a difference of {quantity}",
        amount.unit
    )))
}
