//! What flows through a duct: mass and volume from the velocities at the points of a traverse.
//!
//! Mass flow is summed point by point, ṁ = A Σ w_i G_i, because density differs from point to point with
//! temperature; mean density times mean velocity can be off by half a percent.

use crate::constants::MOLAR_MASS_WATER;
use crate::duct::traverse::Traverse;
use crate::humid::Air;
use crate::quantity::{Area, MassFlow, VolumeFlow};
use crate::reference::Reference;
use crate::velocity::{Basis, Velocity, VelocityError};

/// The air and its velocity at one point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointReading {
    /// Velocity with its basis.
    pub velocity: Velocity,
    /// The air at that point: its own temperature, the plane's absolute pressure, its humidity.
    pub air: Air,
}

/// A flow of air through a plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flow {
    area: Area,
    /// kg/s, with its moisture.
    mass: f64,
    /// kg/s, without its moisture.
    mass_dry: f64,
    /// m³/s as it passes.
    actual: f64,
}

/// Why no flow can be computed.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FlowError {
    /// Not one reading a point.
    #[error(
        "the layout has {points} points but there are {readings} readings; measure the missing points, they cannot be filled in"
    )]
    Count {
        /// Points of the layout.
        points: usize,
        /// Readings given.
        readings: usize,
    },
    /// Velocities of different bases.
    #[error(transparent)]
    Velocity(#[from] VelocityError),
    /// Only a density is known of the reference.
    #[error(
        "a reference that is a density alone ({0}) does not say what volume moist air would have; state a reference temperature and pressure"
    )]
    NoState(Reference),
    /// Actual velocities where standard ones are needed.
    #[error("mass flow without temperature and pressure needs standard velocities; these are {0}")]
    NotStandard(Basis),
}

/// Whether a standard volume counts the vapour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vapour {
    /// All of the moist air (wet basis).
    Counted,
    /// The dry air in it only (dry basis).
    LeftOut,
}

impl Flow {
    /// From one reading a point, in the order of the traverse's points; all velocities of one basis.
    ///
    /// # Errors
    /// [`FlowError::Count`], [`FlowError::Velocity`] for mixed bases.
    pub fn from_points(traverse: &Traverse, readings: &[PointReading]) -> Result<Self, FlowError> {
        let points = traverse.points();
        if points.len() != readings.len() {
            return Err(FlowError::Count {
                points: points.len(),
                readings: readings.len(),
            });
        }
        let velocities: Vec<Velocity> = readings.iter().map(|reading| reading.velocity).collect();
        Velocity::mean(&velocities)?;
        let area = traverse.shape().area();
        let nothing = Self {
            area,
            mass: 0.0,
            mass_dry: 0.0,
            actual: 0.0,
        };
        Ok(points
            .iter()
            .zip(readings)
            .fold(nothing, |sum, (point, reading)| {
                let share = Self::of(*reading, area);
                Self {
                    area,
                    mass: sum.mass + point.weight * share.mass,
                    mass_dry: sum.mass_dry + point.weight * share.mass_dry,
                    actual: sum.actual + point.weight * share.actual,
                }
            }))
    }

    /// Through `area` with one mean velocity of air in one state.
    pub fn of(reading: PointReading, area: Area) -> Self {
        let PointReading { velocity, air } = reading;
        let mass = velocity.mass_flux(air) * area.si();
        Self {
            area,
            mass,
            mass_dry: mass / (1.0 + air.humidity_ratio()),
            actual: velocity.to(Basis::Actual, air).si() * area.si(),
        }
    }

    /// Mass flow of the moist air, kg/s.
    pub const fn mass(self) -> MassFlow {
        MassFlow::made(self.mass)
    }

    /// Mass flow of the dry air in it, kg/s: what stays the same when moisture is added or taken.
    pub const fn mass_dry(self) -> MassFlow {
        MassFlow::made(self.mass_dry)
    }

    /// Volume flow as it passes the plane, m³/s.
    pub const fn actual(self) -> VolumeFlow {
        VolumeFlow::made(self.actual)
    }

    /// Mean actual velocity, actual volume flow over area.
    pub fn velocity(self) -> Velocity {
        Velocity::made(self.actual / self.area.si(), Basis::Actual)
    }

    /// Mean density, mass flow over actual volume flow, kg/m³; NaN where nothing flows.
    pub fn density(self) -> f64 {
        self.mass / self.actual
    }

    /// Standard volume flow in the sense of a thermal meter: ṁ/ρ_ref, m³/s. At [`Reference::NORMAL`] it is the
    /// normal volume flow. For dry air [`Flow::standard_gas`] is the same number; for moist air it differs
    /// by x·38 % of the vapour's mole fraction x.
    pub fn standard(self, reference: Reference) -> VolumeFlow {
        VolumeFlow::made(self.mass / reference.density())
    }

    /// Standard volume flow in the sense of stack testing: the volume that the same amount of substance would fill at
    /// the reference as an ideal mixture, n Z R T_ref/p_ref, m³/s, with or without its vapour.
    ///
    /// # Errors
    /// [`FlowError::NoState`] for a reference that is a density alone.
    pub fn standard_gas(
        self,
        reference: Reference,
        vapour: Vapour,
    ) -> Result<VolumeFlow, FlowError> {
        let molar_volume = reference
            .molar_volume()
            .ok_or(FlowError::NoState(reference))?;
        let dry = self.mass_dry / crate::constants::MOLAR_MASS_DRY;
        let water = (self.mass - self.mass_dry) / MOLAR_MASS_WATER;
        let moles = match vapour {
            Vapour::Counted => dry + water,
            Vapour::LeftOut => dry,
        };
        Ok(VolumeFlow::made(moles * molar_volume))
    }
}

/// Mass flow from standard velocities alone, ṁ = ρ_ref v̄_std A, kg/s: no temperature, pressure or humidity of the duct
/// enters, which makes it the most certain figure that thermal meters can give.
///
/// # Errors
/// [`FlowError::Count`], [`FlowError::Velocity`] for mixed bases, [`FlowError::NotStandard`] for actual velocities.
pub fn mass_from_standard(
    traverse: &Traverse,
    velocities: &[Velocity],
) -> Result<MassFlow, FlowError> {
    let values: Vec<f64> = velocities.iter().map(|velocity| velocity.si()).collect();
    let mean = traverse.mean(&values).ok_or(FlowError::Count {
        points: traverse.points().len(),
        readings: velocities.len(),
    })?;
    match Velocity::mean(velocities)?.basis() {
        Basis::Standard(reference) => Ok(MassFlow::made(
            reference.density() * mean * traverse.shape().area().si(),
        )),
        Basis::Actual => Err(FlowError::NotStandard(Basis::Actual)),
    }
}

/// The drift of a flow during a slow traverse taken out: v_i · v_ref(start)/v_ref(i), where `start` and `now` are
/// readings of a second probe that stands still.
///
/// # Errors
/// [`VelocityError::MixedBases`] where the two readings of the reference probe differ in basis;
/// [`VelocityError::NotFinite`] where the reference probe read nothing at that moment.
pub fn without_drift(
    velocity: Velocity,
    start: Velocity,
    now: Velocity,
) -> Result<Velocity, VelocityError> {
    Velocity::from_si(velocity.si() * start.ratio(now)?, velocity.basis())
}
