//! `heat`: what heat exhaust air carries away, point by point of a duct.

use zonda_air::known::{exhaust_heat, through_points};
use zonda_evaluate::uncertainty::Budget;
use zonda_model::{Quantity, Unit};

use crate::ask::{Basics, HeatAsk};
use crate::error::AssessError;
use crate::kinds::duct::{self, AirAsk, Plan};
use crate::kinds::traverse::shown;
use crate::outcome::Figure;
use crate::work::{Parts, Scene};

const HEAT: &str = "mass flow of dry air times the rise of its enthalpy from the inlet's state, point by point; water counted from liquid at 0.01 °C";
const DRY: &str = "mass flow of the dry air in the exhaust";
const WATER: &str = "water taken up: dry air times the rise of its humidity ratio";

pub(crate) async fn evaluate(
    scene: &Scene<'_>,
    ask: &HeatAsk,
    basics: &Basics,
) -> Result<Parts, AssessError> {
    let humidity = duct::humidity(ask.humidity.as_deref())?;
    let exhaust = match ask.exhaust_humidity.as_deref() {
        Some(text) => duct::humidity(Some(text))?,
        None => humidity,
    };
    let within = ask.within.map(|within| within.0.si(Quantity::Power));
    let within = within.transpose().map_err(|why| AssessError::ask(&why))?;
    let asked = AirAsk {
        layout: ask.layout.as_deref(),
        pressure: Some(&ask.pressure),
        temperature: ask.temperature.as_deref(),
        inlet: Some(&ask.inlet),
        moved: None,
    };
    let duct = Plan::of(scene, asked)?.read(scene).await?;
    let refused = |why: &dyn std::fmt::Display| AssessError::Refused(why.to_string());
    let inlet = duct.inlet(humidity)?;
    let (mut heats, mut masses, mut water) = (Vec::new(), Vec::new(), 0.0);
    let airs = duct.airs(exhaust)?;
    let points = duct.plan.traverse.points();
    for ((air, velocity), point) in airs.iter().zip(duct.velocities()).zip(points) {
        let velocity = duct.velocity(velocity)?;
        let mass = air
            .mass_flow(&velocity, &duct.area)
            .map_err(|why| refused(&why))?;
        let dry = air.dry_part(&mass).map_err(|why| refused(&why))?;
        water += point.weight
            * dry.value()
            * (air.air().humidity_ratio() - inlet.air().humidity_ratio());
        heats.push(exhaust_heat(&dry, &inlet, air).map_err(|why| refused(&why))?);
        masses.push(dry);
    }
    let through = |what: &str, flows: &[Budget]| {
        let all = through_points(what, duct.plan.traverse, flows, duct.beyond());
        all.map_err(|why| refused(&why))
    };
    let heat = through("exhaust heat", &heats)?;
    let dry = through("mass flow of dry air", &masses)?;
    let mut parts = Parts {
        warnings: duct.warnings.clone(),
        layout: Some(duct.layout()),
        series: duct.series.clone(),
        ..Parts::default()
    };
    parts.results.push(Figure::known(
        "exhaust heat",
        &heat,
        shown(Unit::Watt),
        HEAT,
    ));
    let kilograms = shown(Unit::KilogramPerSecond);
    parts
        .results
        .push(Figure::known("dry air", &dry, kilograms, DRY));
    let unit = Unit::KilogramPerSecond;
    parts.results.push(Figure::bare(
        "water taken up",
        Some(water),
        unit,
        kilograms,
        WATER,
    ));
    if let Some((low, high)) = within {
        let rule = basics.rule.unwrap_or_default();
        let judged = rule.judge("exhaust heat", &heat, (Some(low), Some(high)));
        parts.verdicts.extend(judged);
    }
    if duct.plan.basis.is_none() {
        parts
            .warnings
            .push("the heat takes the velocities as actual, which nobody has said".to_owned());
    }
    parts.inputs = duct.plan.feeds.into_iter().zip(duct.counted).collect();
    Ok(parts)
}
