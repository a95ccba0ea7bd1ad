//! How well a flow is known: its uncertainty with each component's share.
//!
//! Relative and first-order (JCGM 100:2008, 5.1.6; ISO 5168). Calibration of one probe used at all points is common to
//! all of them and does not shrink with their number; only scatter does. Which inputs count depends on what
//! was measured: standard velocity gives mass flow without temperature and pressure, actual velocity gives
//! actual volume flow without them.

use std::fmt;

use crate::duct::shape::Shape;
use crate::humid::Air;
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

/// Where uncertainty comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Component {
    /// The duct's dimensions.
    Dimensions,
    /// The probe's calibration.
    Calibration,
    /// Points for area.
    Integration,
    /// Positions and angles.
    Position,
    /// Scatter and drift.
    Repeat,
    /// Temperature of the air.
    Temperature,
    /// Absolute pressure.
    Pressure,
    /// Humidity.
    Humidity,
    /// The model of density.
    DensityModel,
}

/// One line of the budget.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Where it comes from.
    pub component: Component,
    /// Its contribution to the relative standard uncertainty of the flow.
    pub u_rel: f64,
    /// Its part of the variance; all parts sum to 1.
    pub part: f64,
    /// Degrees of freedom; infinite where the figure was taken as known.
    pub dof: f64,
}

/// A budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    figure: Figure,
    u_rel: f64,
    shares: Vec<Share>,
}

/// An input that is no uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error(
    "{value} is not a standard uncertainty for the {component}: it is zero or more, and its degrees of freedom are above zero"
)]
pub struct BadUncertainty {
    /// Which input.
    pub component: Component,
    /// What it was.
    pub value: f64,
}

impl Budget {
    /// For `figure` of a flow through `shape`, measured as velocity of `basis` in air of the state `air`.
    ///
    /// # Errors
    /// [`BadUncertainty`] for an input that is negative or not a number.
    pub fn of(
        figure: Figure,
        basis: Basis,
        shape: Shape,
        air: Air,
        inputs: FlowInputs,
    ) -> Result<Self, BadUncertainty> {
        let mut lines = measured(shape, inputs);
        if needs_density(figure, basis) {
            lines.extend(density(air, inputs));
        }
        for (component, value) in &lines {
            check(*component, *value >= 0.0 && value.is_finite(), *value)?;
        }
        check(
            Component::Repeat,
            inputs.repeat_dof > 0.0,
            inputs.repeat_dof,
        )?;
        let variance: f64 = lines.iter().map(|(_, u)| u * u).sum();
        let dof = |component| {
            if component == Component::Repeat {
                inputs.repeat_dof
            } else {
                f64::INFINITY
            }
        };
        let shares = lines
            .into_iter()
            .map(|(component, u_rel)| Share {
                component,
                u_rel,
                part: if variance > 0.0 {
                    u_rel * u_rel / variance
                } else {
                    0.0
                },
                dof: dof(component),
            })
            .collect();
        Ok(Self {
            figure,
            u_rel: variance.sqrt(),
            shares,
        })
    }

    /// Which figure it is for.
    pub const fn figure(&self) -> Figure {
        self.figure
    }

    /// Combined relative standard uncertainty, k = 1.
    pub const fn u_rel(&self) -> f64 {
        self.u_rel
    }

    /// Relative expanded uncertainty, k·u; k = 2 covers about 95 % where [`Budget::dof`] is above some 30.
    pub fn expanded_rel(&self, k: f64) -> f64 {
        k * self.u_rel
    }

    /// The components in a fixed order.
    pub fn shares(&self) -> &[Share] {
        &self.shares
    }

    /// Effective degrees of freedom, u⁴/Σ(u_i⁴/ν_i) (Welch and Satterthwaite; JCGM 100:2008, G.4.1);
    /// infinite where nothing scatters.
    pub fn dof(&self) -> f64 {
        let sum: f64 = self
            .shares
            .iter()
            .map(|share| share.u_rel.powi(4) / share.dof)
            .sum();
        if sum > 0.0 {
            self.u_rel.powi(4) / sum
        } else {
            f64::INFINITY
        }
    }
}

fn check(component: Component, good: bool, value: f64) -> Result<(), BadUncertainty> {
    if good {
        Ok(())
    } else {
        Err(BadUncertainty { component, value })
    }
}

/// Standard velocity is mass already; actual velocity is volume already.
const fn needs_density(figure: Figure, basis: Basis) -> bool {
    matches!(
        (figure, basis),
        (Figure::Mass, Basis::Actual) | (Figure::ActualVolume, Basis::Standard(_))
    )
}

fn measured(shape: Shape, inputs: FlowInputs) -> Vec<(Component, f64)> {
    vec![
        (Component::Dimensions, shape.area_u_rel(inputs.dimensions_m)),
        (Component::Calibration, inputs.calibration_rel),
        (Component::Integration, inputs.integration_rel),
        (Component::Position, inputs.position_rel),
        (Component::Repeat, inputs.repeat_rel),
    ]
}

/// ∂ln ρ/∂ln T = −1, ∂ln ρ/∂ln p = 1, ∂ln ρ/∂W = 1/(1 + W) − 1/(ε + W) of the ideal mixture.
fn density(air: Air, inputs: FlowInputs) -> [(Component, f64); 4] {
    let w = air.humidity_ratio();
    let by_humidity = 1.0 / (crate::constants::MOLAR_MASS_RATIO + w) - 1.0 / (1.0 + w);
    [
        (
            Component::Temperature,
            inputs.temperature_k / air.temperature().kelvin(),
        ),
        (
            Component::Pressure,
            inputs.pressure_pa / air.pressure().si(),
        ),
        (Component::Humidity, by_humidity * inputs.humidity_ratio),
        (Component::DensityModel, air.density().u_rel()),
    ]
}

impl fmt::Display for Component {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Dimensions => "dimensions of the duct",
            Self::Calibration => "calibration of the probe",
            Self::Integration => "points for the whole area",
            Self::Position => "position of the probe",
            Self::Repeat => "scatter and drift",
            Self::Temperature => "temperature of the air",
            Self::Pressure => "absolute pressure",
            Self::Humidity => "humidity",
            Self::DensityModel => "model of density",
        })
    }
}
