//! `traverse`: what flows through a duct, by the points of a layout that all read at once, or that one
//! probe was moved to.

use zonda_air::duct::acceptance::{self, Observations};
use zonda_air::known::through_points;
use zonda_air::{Basis, Reference, Velocity};
use zonda_evaluate::uncertainty::{Budget, law};
use zonda_model::{Quantity, Unit};

use crate::ask::{Basics, TraverseAsk};
use crate::error::AssessError;
use crate::kinds::duct::{self, AirAsk, Duct, Plan, words};
use crate::outcome::Figure;
use crate::work::{Parts, Scene};

pub(crate) async fn evaluate(
    scene: &Scene<'_>,
    ask: &TraverseAsk,
    basics: &Basics,
) -> Result<Parts, AssessError> {
    let reference = ask.reference.as_deref().map(str::parse::<Reference>);
    let reference = reference
        .transpose()
        .map_err(|why| AssessError::ask(&why))?;
    let humidity = duct::humidity(ask.humidity.as_deref())?;
    let within = ask.within.map(|within| within.0.si(Quantity::VolumeFlow));
    let within = within.transpose().map_err(|why| AssessError::ask(&why))?;
    let asked = AirAsk {
        layout: ask.layout.as_deref(),
        pressure: ask.pressure.as_deref(),
        temperature: ask.temperature.as_deref(),
        inlet: None,
        moved: ask.moved.as_ref(),
    };
    let duct = Plan::of(scene, asked)?.read(scene).await?;
    let mut parts = Parts {
        warnings: duct.warnings.clone(),
        layout: Some(duct.layout()),
        series: duct.series.clone(),
        ..Parts::default()
    };
    velocities(&duct, &mut parts)?;
    if let Some(drift) = duct.drift {
        parts.results.push(Figure::bare(
            "drift over the traverse",
            Some(drift),
            Unit::One,
            Unit::One,
            "by what share the first point's velocity had changed when the probe was back there, after all others; the flows' uncertainties have it",
        ));
    }
    let airs = duct.airs(humidity)?;
    let flows = Flows::of(&duct, &airs, reference)?;
    for (name, basis, budget, definition) in &flows.all {
        let shown = shown(budget.unit());
        let figure = Figure::known(name, budget, shown, *definition);
        parts.results.push(figure.on(basis.as_deref()));
    }
    if let (Some((low, high)), Some((name, _, budget, _))) = (within, flows.all.first()) {
        let rule = basics.rule.unwrap_or_default();
        parts
            .verdicts
            .extend(rule.judge(name, budget, (Some(low), Some(high))));
    }
    parts.warnings.extend(flows.warnings);
    parts.warnings.extend(findings(&duct));
    parts.inputs = duct.plan.feeds.into_iter().zip(duct.counted).collect();
    Ok(parts)
}

/// In which unit flows are shown.
pub(crate) const fn shown(unit: Unit) -> Unit {
    match unit {
        Unit::CubicMetrePerSecond => Unit::CubicMetrePerHour,
        Unit::KilogramPerSecond => Unit::KilogramPerHour,
        Unit::Watt => Unit::Kilowatt,
        other => other,
    }
}

fn velocities(duct: &Duct<'_>, parts: &mut Parts) -> Result<(), AssessError> {
    let points = duct.plan.traverse.points();
    let basis = words(duct.plan.basis);
    let feeds = duct.plan.feeds.iter().zip(duct.velocities());
    for ((feed, velocity), point) in feeds.clone().zip(points) {
        let figure = Figure::known("velocity", velocity, feed.shown, super::mean::DEFINITION);
        let figure = figure.of(point.number.to_string()).on(Some(&basis));
        parts.results.push(figure);
    }
    let weighted: Vec<(f64, &Budget)> = points
        .iter()
        .map(|point| point.weight)
        .zip(duct.velocities())
        .collect();
    let mean = law::mean("mean velocity", &weighted).map_err(|why| AssessError::refused(&why))?;
    let shown = duct
        .plan
        .feeds
        .first()
        .map_or(mean.unit(), |feed| feed.shown);
    let definition = "mean of the points' time means, each by the share of the area that it stands for; without what the points leave out of the area";
    parts
        .results
        .push(Figure::known("mean velocity", &mean, shown, definition).on(Some(&basis)));
    let area = "cross-section of the duct inside its walls";
    let area = Figure::known("area", &duct.area, Unit::SquareMetre, area);
    parts.results.push(area);
    let flows: Vec<(Budget, f64)> = duct
        .velocities()
        .iter()
        .cloned()
        .zip(points.iter().map(|point| point.weight))
        .collect();
    super::evenness::add(&flows, parts);
    Ok(())
}

/// Name, basis, budget, definition; the first is the one that is judged.
type Flow = (&'static str, Option<String>, Budget, &'static str);

struct Flows {
    all: Vec<Flow>,
    warnings: Vec<String>,
}

const VOLUME: &str = "velocity at each point times the area, by the share of the area that each point stands for; with what points leave out of a turbulent profile as uncertainty";
const MASS: &str = "mass flow of the moist air: density times velocity times area, point by point";
const STANDARD: &str = "mass flow over the density of the reference";

impl Flows {
    fn of(
        duct: &Duct<'_>,
        airs: &[zonda_air::KnownAir],
        reference: Option<Reference>,
    ) -> Result<Self, AssessError> {
        let refused = |why: &dyn std::fmt::Display| AssessError::Refused(why.to_string());
        let through = |what: &str, flows: Vec<Budget>| {
            let all = through_points(what, duct.plan.traverse, &flows, duct.beyond());
            all.map_err(|why| refused(&why))
        };
        let mut all: Vec<Flow> = Vec::new();
        let mut warnings = Vec::new();
        let as_shown = |v: &Budget| {
            let flow = law::product("volume flow", v, &duct.area, Unit::CubicMetrePerSecond);
            flow.map_err(|why| refused(&why))
        };
        let shown: Vec<Budget> = duct
            .velocities()
            .iter()
            .map(as_shown)
            .collect::<Result<_, _>>()?;
        let is_standard = matches!(duct.plan.basis, Some(Basis::Standard(_)));
        if !is_standard || airs.is_empty() {
            let basis = Some(words(duct.plan.basis));
            all.push(("volume flow", basis, through("volume flow", shown)?, VOLUME));
        }
        if airs.is_empty() {
            if reference.is_some() || is_standard {
                warnings.push("mass flow, and what passes at the duct's own density, need the state of the air: name a `pressure`".to_owned());
            }
            return Ok(Self { all, warnings });
        }
        if duct.plan.basis.is_none() {
            warnings.push(
                "mass and standard flow take the velocities as actual, which nobody has said"
                    .to_owned(),
            );
        }
        let known: Vec<zonda_air::KnownVelocity> = duct
            .velocities()
            .iter()
            .map(|v| duct.velocity(v))
            .collect::<Result<_, _>>()?;
        let pairs = || airs.iter().zip(&known);
        if is_standard {
            let flows = pairs().map(|(air, v)| air.actual_flow(v, &duct.area));
            let flows: Vec<Budget> = flows
                .collect::<Result<_, _>>()
                .map_err(|why| refused(&why))?;
            let basis = Some(Basis::Actual.to_string());
            all.push(("volume flow", basis, through("volume flow", flows)?, VOLUME));
        }
        let flows = pairs().map(|(air, v)| air.mass_flow(v, &duct.area));
        let flows: Vec<Budget> = flows
            .collect::<Result<_, _>>()
            .map_err(|why| refused(&why))?;
        all.push(("mass flow", None, through("mass flow", flows)?, MASS));
        if let Some(reference) = reference {
            let flows = pairs().map(|(air, v)| air.standard_flow(v, &duct.area, reference));
            let flows: Vec<Budget> = flows
                .collect::<Result<_, _>>()
                .map_err(|why| refused(&why))?;
            let basis = Some(Basis::Standard(reference).to_string());
            all.push((
                "standard flow",
                basis,
                through("standard flow", flows)?,
                STANDARD,
            ));
        }
        Ok(Self { all, warnings })
    }
}

/// What speaks against the plane: criteria that are not met.
fn findings(duct: &Duct<'_>) -> Vec<String> {
    let basis = duct.plan.basis.unwrap_or(Basis::Actual);
    let velocities: Result<Vec<Velocity>, _> = duct
        .velocities()
        .iter()
        .map(|v| Velocity::from_si(v.value(), basis))
        .collect();
    let Ok(velocities) = velocities else {
        return Vec::new();
    };
    let again = |drift: f64| {
        let first = *velocities.first()?;
        let again = Velocity::from_si(first.si() * (1.0 + drift), basis).ok()?;
        Some((first, again))
    };
    let observations = Observations {
        site: None,
        angles_deg: Vec::new(),
        repeat: duct.drift.and_then(again),
    };
    let found = acceptance::judge(duct.plan.traverse, &velocities, &observations);
    found
        .unwrap_or_default()
        .into_iter()
        .filter(|finding| !finding.met)
        .map(|finding| finding.to_string())
        .collect()
}
