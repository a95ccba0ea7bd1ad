//! How well a flow is known where only sums are stated: its budget from a few relative figures, as a desk has them before
//! anything was measured.
//!
//! Relative and first-order (JCGM 100:2008, 5.1.6; ISO 5168). Calibration of one probe used at all points is common to
//! all of them and does not shrink with their number; only scatter does. Which inputs count depends on what
//! was measured: standard velocity gives mass flow without temperature and pressure, actual velocity gives
//! actual volume flow without them. From measured channels with budgets of their own, [`crate::known`] goes the
//! same way.

use zonda_model::Unit;
use zonda_uncertainty::{BadBudget, BadSpread, Budget, Dof, Influence, Origin, Spread};

use crate::duct::shape::Shape;
use crate::humid::Air;
use crate::known::{density_model, density_slopes, local_power};
use crate::velocity::Basis;

/// Relative standard uncertainties and those of the dimensions and the state, all k = 1 and independent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlowInputs {
    /// Of the duct's dimensions in the order of its shape, m.
    pub dimensions_m: [f64; 2],
    /// Of the probe's calibration, relative.
    pub calibration_rel: f64,
    /// Of taking the mean over points for the mean over the area, relative; see
    /// [`crate::duct::Traverse::power_law_error`].
    pub integration_rel: f64,
    /// Of the probe's positions and angles, relative.
    pub position_rel: f64,
    /// Of scatter and drift of the mean over the points, relative.
    pub repeat_rel: f64,
    /// Degrees of freedom of `repeat_rel`.
    pub repeat_dof: f64,
    /// Of the air's temperature, K.
    pub temperature_k: f64,
    /// Of the absolute pressure, Pa.
    pub pressure_pa: f64,
    /// Of the humidity ratio, kg/kg.
    pub humidity_ratio: f64,
}

/// Which figure the budget is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Figure {
    /// Mass flow and every standard or normal volume flow of the moist air.
    Mass,
    /// Volume flow as it passes.
    ActualVolume,
}

/// Why a flow has no budget.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadFlowInputs {
    /// An input that is no uncertainty.
    #[error("{row}: {why}")]
    Spread {
        /// Which input.
        row: &'static str,
        /// What is wrong with it.
        why: BadSpread,
    },
    /// A flow that is no number.
    #[error(transparent)]
    Budget(#[from] BadBudget),
}

/// The budget of `value` (in `unit`), which is the `figure` of a flow through `shape`, measured as velocity of `basis` in
/// air of the state `air`. [`Budget::u_rel`] does not depend on the value: 1 in [`Unit::One`] gives it alone.
///
/// # Errors
/// [`BadFlowInputs`] for an input that is negative or not a number.
pub fn of_flow(
    (value, unit): (f64, Unit),
    figure: Figure,
    basis: Basis,
    shape: Shape,
    air: Air,
    inputs: FlowInputs,
) -> Result<Budget, BadFlowInputs> {
    let what = match figure {
        Figure::Mass => "mass flow",
        Figure::ActualVolume => "actual volume flow",
    };
    let mut draft = Budget::draft(what, value, unit);
    let mut add =
        |row: &'static str, in_unit: Unit, spread: Result<Spread, BadSpread>, slope_rel: f64| {
            let spread = spread.map_err(|why| BadFlowInputs::Spread { row, why })?;
            draft.add(
                Influence::new(Origin::new("flow", row), in_unit, spread),
                value * slope_rel,
            );
            Ok::<(), BadFlowInputs>(())
        };
    for ((dimension, slope), u) in shape.area_slopes().into_iter().zip(inputs.dimensions_m) {
        add(
            dimension,
            Unit::Metre,
            Spread::normal(u),
            slope / shape.area().si(),
        )?;
    }
    let scatter = Dof::new(inputs.repeat_dof)
        .map_err(BadSpread::from)
        .and_then(|dof| Spread::scatter(inputs.repeat_rel, dof));
    add(
        CALIBRATION,
        Unit::One,
        Spread::normal(inputs.calibration_rel),
        1.0,
    )?;
    add(
        INTEGRATION,
        Unit::One,
        Spread::normal(inputs.integration_rel),
        1.0,
    )?;
    add(
        POSITION,
        Unit::One,
        Spread::normal(inputs.position_rel),
        1.0,
    )?;
    add(REPEAT, Unit::One, scatter, 1.0)?;
    let power = density_power(figure, basis);
    if power != 0.0 {
        let slopes = density_slopes(air);
        add(
            TEMPERATURE,
            Unit::Kelvin,
            Spread::normal(inputs.temperature_k),
            power * slopes.temperature,
        )?;
        add(
            PRESSURE,
            Unit::Pascal,
            Spread::normal(inputs.pressure_pa),
            power * slopes.pressure,
        )?;
        add(
            HUMIDITY,
            Unit::One,
            Spread::normal(inputs.humidity_ratio),
            power * slopes.humidity_ratio,
        )?;
        draft.add(density_model(air), value * power);
    }
    Ok(draft.finish()?)
}

/// The row of the probe's calibration.
pub const CALIBRATION: &str = "calibration of the probe";
/// The row of points for area.
pub const INTEGRATION: &str = "points for the whole area";
/// The row of positions and angles.
pub const POSITION: &str = "position of the probe";
/// The row of scatter and drift.
pub const REPEAT: &str = "scatter and drift";
/// The row of the air's temperature.
pub const TEMPERATURE: &str = "temperature of the air";
/// The row of the absolute pressure.
pub const PRESSURE: &str = "absolute pressure";
/// The row of humidity.
pub const HUMIDITY: &str = "humidity";

/// By which power of the local density the figure goes.
const fn density_power(figure: Figure, basis: Basis) -> f64 {
    match figure {
        Figure::Mass => local_power(basis),
        Figure::ActualVolume => local_power(basis) - local_power(Basis::Actual),
    }
}
