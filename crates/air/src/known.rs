//! Air and velocities with their budgets, and what follows from them with its own: the laws of hot air by which a
//! report's and a derived channel's figures are computed.
//!
//! Derivatives are those of the ideal mixture in closed form: ∂ln ρ/∂T = −1/T, ∂ln ρ/∂p = 1/p,
//! ∂ln ρ/∂W = 1/(1 + W) − 1/(ε + W); values are those of the real mixture. Both differ by less than 0.5 % of the
//! derivative within [`crate::RANGE`] up to a humidity ratio of 0.1 (asserted). What density and enthalpy themselves
//! are worth is a row of its own, one and the same wherever it enters.
//!
//! Errors that inputs share, such as those of one barometer, meet again in the result as one
//! ([`zonda_uncertainty::Origin`]). Which flags a result carries is for the derived channel to say.

use zonda_model::{Quantity, Unit};
use zonda_uncertainty::law::BadLaw;
use zonda_uncertainty::{BadBudget, BadSpread, Budget, Draft, Influence, Origin, Spread};

use crate::constants::MOLAR_MASS_RATIO;
use crate::duct::Traverse;
use crate::duct::shape::Shape;
use crate::exhaust::{ExhaustError, ExhaustHeat};
use crate::humid::{Air, AirError, Humidity};
use crate::quantity::{BadQuantity, MassFlow, Pressure, Temperature};
use crate::reference::Reference;
use crate::saturation;
use crate::velocity::{Basis, Velocity, VelocityError};

/// A velocity with its budget. It never loses its basis.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownVelocity {
    velocity: Velocity,
    budget: Budget,
}

/// Air in one state, with the budgets of what was measured of it.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownAir {
    air: Air,
    temperature: Budget,
    pressure: Budget,
    humidity_ratio: Budget,
}

/// Why a law has no result.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LawError {
    /// An input of another unit.
    #[error("{what} is needed in {expected} here, not in {found}")]
    Unit {
        /// The input.
        what: String,
        /// In what it is needed.
        expected: Unit,
        /// In what it is.
        found: Unit,
    },
    /// An input that cannot be.
    #[error(transparent)]
    Quantity(#[from] BadQuantity),
    /// Air that cannot be.
    #[error(transparent)]
    Air(#[from] AirError),
    /// A velocity that cannot be.
    #[error(transparent)]
    Velocity(#[from] VelocityError),
    /// An exhaust that flows back.
    #[error(transparent)]
    Exhaust(#[from] ExhaustError),
    /// An uncertainty that cannot be.
    #[error(transparent)]
    Spread(#[from] BadSpread),
    /// A result without a budget.
    #[error(transparent)]
    Budget(#[from] BadBudget),
    /// Values that cannot be taken together.
    #[error(transparent)]
    Law(#[from] BadLaw),
    /// Air that holds no vapour to speak of, or can take any amount.
    #[error("the air has no dew point that could be told: it is dry, or hotter than water boils")]
    NoDewPoint,
    /// Not one value a point.
    #[error(
        "the layout has {points} points but there are {values} values; measure the missing points, they cannot be filled in"
    )]
    Count {
        /// Points of the layout.
        points: usize,
        /// Values given.
        values: usize,
    },
}

impl KnownVelocity {
    /// A velocity in m/s of a basis.
    ///
    /// # Errors
    /// [`LawError::Unit`] for another unit.
    pub fn new(budget: Budget, basis: Basis) -> Result<Self, LawError> {
        let velocity = Velocity::from_si(si(&budget, Quantity::Velocity)?, basis)?;
        Ok(Self { velocity, budget })
    }

    /// The velocity.
    pub const fn velocity(&self) -> Velocity {
        self.velocity
    }

    /// Its budget, m/s.
    pub const fn budget(&self) -> &Budget {
        &self.budget
    }
}

impl KnownAir {
    /// Air of a temperature (°C), an absolute pressure (Pa) and a humidity ratio (kg of water per kg of dry air). Dry
    /// air is [`KnownAir::dry`].
    ///
    /// # Errors
    /// [`LawError`] for other units and air that cannot exist.
    pub fn new(
        temperature: Budget,
        pressure: Budget,
        humidity_ratio: Budget,
    ) -> Result<Self, LawError> {
        let t = Temperature::from_si(si(&temperature, Quantity::Temperature)?)?;
        let p = Pressure::from_si(si(&pressure, Quantity::Pressure)?)?;
        let w = si(&humidity_ratio, Quantity::Ratio)?;
        Ok(Self {
            air: Air::new(t, p, Humidity::Ratio(w))?,
            temperature,
            pressure,
            humidity_ratio,
        })
    }

    /// Air that is taken as dry, without a doubt about that.
    ///
    /// # Errors
    /// [`LawError`] for other units and air that cannot exist.
    pub fn dry(temperature: Budget, pressure: Budget) -> Result<Self, LawError> {
        let dry = Budget::draft("humidity ratio", 0.0, Unit::One).finish()?;
        Self::new(temperature, pressure, dry)
    }

    /// The air.
    pub const fn air(&self) -> Air {
        self.air
    }

    /// Density, kg/m³.
    ///
    /// # Errors
    /// [`LawError::Budget`].
    pub fn density(&self) -> Result<Budget, LawError> {
        let density = self.air.density().value;
        let draft = Budget::draft("density", density, Unit::KilogramPerCubicMetre);
        Ok(self.by_density(draft, density, 1.0).finish()?)
    }

    /// The velocity on another basis, v·ρ_from/ρ_to, ρ of a standard basis being exact.
    ///
    /// # Errors
    /// [`LawError::Budget`].
    pub fn velocity(&self, from: &KnownVelocity, to: Basis) -> Result<KnownVelocity, LawError> {
        let velocity = from.velocity.to(to, self.air);
        let gain = from.velocity.basis().density(self.air) / to.density(self.air);
        let draft = Budget::draft(
            format!("velocity ({to})"),
            velocity.si(),
            Unit::MetrePerSecond,
        )
        .through(&from.budget, gain);
        let power = local_power(from.velocity.basis()) - local_power(to);
        let budget = self.by_density(draft, velocity.si(), power).finish()?;
        Ok(KnownVelocity { velocity, budget })
    }

    /// Mass flow of the moist air through an area (m²), ṁ = ρ·v·A, kg/s; of a standard velocity ρ is that of the
    /// reference, and temperature, pressure and humidity do not enter.
    ///
    /// # Errors
    /// [`LawError::Unit`], [`LawError::Budget`].
    pub fn mass_flow(&self, velocity: &KnownVelocity, area: &Budget) -> Result<Budget, LawError> {
        let a = si(area, Quantity::Area)?;
        let flux = velocity.velocity.mass_flux(self.air);
        let density = velocity.velocity.basis().density(self.air);
        let draft = Budget::draft("mass flow", flux * a, Unit::KilogramPerSecond)
            .through(&velocity.budget, density * a)
            .through(area, flux);
        let power = local_power(velocity.velocity.basis());
        Ok(self.by_density(draft, flux * a, power).finish()?)
    }

    /// Volume flow through an area (m²) as it passes, V̇ = v_act·A, m³/s.
    ///
    /// # Errors
    /// [`LawError::Unit`], [`LawError::Budget`].
    pub fn actual_flow(&self, velocity: &KnownVelocity, area: &Budget) -> Result<Budget, LawError> {
        let a = si(area, Quantity::Area)?;
        let actual = self.velocity(velocity, Basis::Actual)?;
        let v = actual.velocity.si();
        let draft = Budget::draft("actual volume flow", v * a, Unit::CubicMetrePerSecond);
        Ok(draft.through(&actual.budget, a).through(area, v).finish()?)
    }

    /// Volume flow of the moist air at the density of a reference, V̇ = ṁ/ρ_ref, m³/s; see [`crate::Flow::standard`].
    ///
    /// # Errors
    /// [`LawError::Unit`], [`LawError::Budget`].
    pub fn standard_flow(
        &self,
        velocity: &KnownVelocity,
        area: &Budget,
        reference: Reference,
    ) -> Result<Budget, LawError> {
        let mass = self.mass_flow(velocity, area)?;
        let by = reference.density().recip();
        let draft = Budget::draft(
            "standard volume flow",
            mass.value() * by,
            Unit::CubicMetrePerSecond,
        );
        Ok(draft.through(&mass, by).finish()?)
    }

    /// Of a mass flow of this moist air that of its dry air, ṁ/(1 + W), kg/s.
    ///
    /// # Errors
    /// [`LawError::Unit`], [`LawError::Budget`].
    pub fn dry_part(&self, mass: &Budget) -> Result<Budget, LawError> {
        let by = (1.0 + self.air.humidity_ratio()).recip();
        let dry = si(mass, Quantity::MassFlow)? * by;
        let draft = Budget::draft("mass flow of dry air", dry, Unit::KilogramPerSecond)
            .through(mass, by)
            .through(&self.humidity_ratio, -dry * by);
        Ok(draft.finish()?)
    }

    /// Dew point, °C (frost point below 0.01 °C): p_sat(t_d) = p_v, dt_d = dp_v/p_sat′(t_d), p_v = p·W/(ε + W).
    ///
    /// # Errors
    /// [`LawError::NoDewPoint`] of dry air.
    pub fn dew_point(&self) -> Result<Budget, LawError> {
        let dew_point = self.air.dew_point().ok_or(LawError::NoDewPoint)?;
        let steepness = saturation::slope(dew_point).ok_or(LawError::NoDewPoint)?;
        let (p, w) = (self.air.pressure().si(), self.air.humidity_ratio());
        let by_ratio = p * MOLAR_MASS_RATIO / (MOLAR_MASS_RATIO + w).powi(2) / steepness;
        let by_pressure = self.air.vapour_fraction() / steepness;
        let draft = Budget::draft("dew point", dew_point.si(), Unit::DegreeCelsius)
            .through(&self.humidity_ratio, by_ratio)
            .through(&self.pressure, by_pressure);
        Ok(draft.finish()?)
    }

    /// Rows for a result that goes with the local density to some power.
    fn by_density(&self, draft: Draft, result: f64, power: f64) -> Draft {
        if power == 0.0 {
            return draft;
        }
        let (slopes, by) = (density_slopes(self.air), power * result);
        draft
            .through(&self.temperature, by * slopes.temperature)
            .through(&self.pressure, by * slopes.pressure)
            .through(&self.humidity_ratio, by * slopes.humidity_ratio)
            .row(density_model(self.air), by)
    }
}

/// By which power of the local density a mass flux goes with a velocity: standard velocity is mass already.
pub(crate) const fn local_power(basis: Basis) -> f64 {
    match basis {
        Basis::Actual => 1.0,
        Basis::Standard(_) => 0.0,
    }
}

/// ∂ln ρ of the ideal mixture.
pub(crate) struct DensitySlopes {
    /// Per kelvin.
    pub(crate) temperature: f64,
    /// Per pascal.
    pub(crate) pressure: f64,
    /// Per kg/kg.
    pub(crate) humidity_ratio: f64,
}

pub(crate) fn density_slopes(air: Air) -> DensitySlopes {
    let w = air.humidity_ratio();
    DensitySlopes {
        temperature: -air.temperature().kelvin().recip(),
        pressure: air.pressure().si().recip(),
        humidity_ratio: (1.0 + w).recip() - (MOLAR_MASS_RATIO + w).recip(),
    }
}

/// What the model of density is worth, relative: one and the same error wherever a density enters.
pub(crate) fn density_model(air: Air) -> Influence {
    // The model's own uncertainty is above zero for all air that there is.
    let spread = Spread::normal(air.density().u_rel()).unwrap_or(Spread::EXACT);
    Influence::new(Origin::new("air", "model of density"), Unit::One, spread)
}

/// Area of a duct called `name`, m², with standard uncertainties of its dimensions (m), in the order of its shape and
/// independent of each other; the second of a circle is not used.
///
/// # Errors
/// [`LawError::Spread`] for a negative one.
pub fn area(name: &str, shape: Shape, u: [f64; 2]) -> Result<Budget, LawError> {
    let mut draft = Budget::draft("area", shape.area().si(), Unit::SquareMetre);
    for ((dimension, slope), u) in shape.area_slopes().into_iter().zip(u) {
        let origin = Origin::new(name, dimension);
        draft.add(
            Influence::new(origin, Unit::Metre, Spread::normal(u)?),
            slope,
        );
    }
    Ok(draft.finish()?)
}

/// Humidity ratio of air whose relative humidity (0 to 1), temperature (°C) and absolute pressure (Pa) were measured,
/// W = ε·x/(1 − x), x = φ·f·p_sat(t)/p; derivatives without those of the enhancement factor f.
///
/// # Errors
/// [`LawError`] for other units and air that cannot exist, or is hotter than water boils.
pub fn humidity_ratio(
    relative: &Budget,
    temperature: &Budget,
    pressure: &Budget,
) -> Result<Budget, LawError> {
    let t = Temperature::from_si(si(temperature, Quantity::Temperature)?)?;
    let p = Pressure::from_si(si(pressure, Quantity::Pressure)?)?;
    let relative_humidity = si(relative, Quantity::Ratio)?;
    let air = Air::new(t, p, Humidity::Relative(relative_humidity))?;
    let saturated = saturation::vapour_fraction_max(t, p).ok_or(LawError::NoDewPoint)?;
    let steepness = saturation::slope(t).zip(saturation::pressure(t));
    let (steepness, at) = steepness.ok_or(LawError::NoDewPoint)?;
    let x = air.vapour_fraction();
    let by_fraction = MOLAR_MASS_RATIO / (1.0 - x).powi(2);
    let draft = Budget::draft("humidity ratio", air.humidity_ratio(), Unit::One)
        .through(relative, by_fraction * saturated)
        .through(temperature, by_fraction * x * steepness / at)
        .through(pressure, -by_fraction * x / p.si());
    Ok(draft.finish()?)
}

/// The heat that `mass_dry` (kg/s of dry air) carries out of an oven, ṁ·(h_out − h_in), W: see [`ExhaustHeat`].
/// ∂h/∂t = c_p·(1 + W), ∂h/∂W = h of the vapour.
///
/// # Errors
/// [`LawError::Exhaust`] for a negative flow; [`LawError::Unit`].
pub fn exhaust_heat(
    mass_dry: &Budget,
    inlet: &KnownAir,
    outlet: &KnownAir,
) -> Result<Budget, LawError> {
    let mass = MassFlow::from_si(si(mass_dry, Quantity::MassFlow)?)?;
    let heat = ExhaustHeat::of(mass, inlet.air, outlet.air)?.total;
    let rise = outlet.air.enthalpy().value - inlet.air.enthalpy().value;
    let model = Influence::new(
        Origin::new("air", "model of enthalpy"),
        Unit::Watt,
        Spread::normal(heat.u.abs())?,
    );
    let mut draft = Budget::draft("exhaust heat", heat.value, Unit::Watt)
        .through(mass_dry, rise)
        .row(model, 1.0);
    for (known, sign) in [(outlet, mass.si()), (inlet, -mass.si())] {
        let air = known.air;
        let by_temperature = air.heat_capacity().value * (1.0 + air.humidity_ratio());
        draft = draft
            .through(&known.temperature, sign * by_temperature)
            .through(&known.humidity_ratio, sign * air.steam_enthalpy());
    }
    Ok(draft.finish()?)
}

/// What the points of a traverse do not say of the flow, relative to it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Beyond {
    /// Standard uncertainty of taking points for the whole area ([`Traverse::power_law_error`]).
    pub integration: f64,
    /// By what share the flow changed while one probe went from point to point, by its first point; `None` where all points were
    /// read at once.
    pub drift: Option<f64>,
}

/// The flow through a duct from one flow a point (each as if the whole area had that point's velocity and air), Σ w_i·x_i,
/// with what the points do not say. A flow that changed by d while the probe went round was read anywhere from d/2 below to d/2 above
/// what it was half-way: a rectangular distribution of half-width |d|/2 (JCGM 100:2008, 4.3.7).
///
/// A probe that is moved from point to point brings the same certificate to each: its points share that error, and
/// only their scatter shrinks with their number.
///
/// # Errors
/// [`LawError::Count`], [`LawError::Law`] for mixed units, [`LawError::Spread`].
pub fn through_points(
    what: &str,
    traverse: &Traverse,
    flows: &[Budget],
    beyond: Beyond,
) -> Result<Budget, LawError> {
    let points = traverse.points();
    if points.len() != flows.len() {
        return Err(LawError::Count {
            points: points.len(),
            values: flows.len(),
        });
    }
    let weighted: Vec<(f64, &Budget)> =
        points.iter().map(|point| point.weight).zip(flows).collect();
    let mean = zonda_uncertainty::law::mean(what, &weighted)?;
    let integration = Influence::new(
        Origin::new(what, "points for the whole area"),
        Unit::One,
        Spread::normal(beyond.integration)?,
    );
    let mut draft = Budget::draft(what, mean.value(), mean.unit())
        .through(&mean, 1.0)
        .row(integration, mean.value());
    if let Some(change) = beyond.drift {
        let changing = Influence::new(
            Origin::new(what, "drift over the traverse"),
            Unit::One,
            Spread::rectangular(change.abs() / 2.0)?,
        );
        draft = draft.row(changing, mean.value());
    }
    Ok(draft.finish()?)
}

/// The value, where the unit is the quantity's SI one.
fn si(budget: &Budget, quantity: Quantity) -> Result<f64, LawError> {
    if budget.unit() == quantity.si() {
        Ok(budget.value())
    } else {
        Err(LawError::Unit {
            what: budget.what().to_owned(),
            expected: quantity.si(),
            found: budget.unit(),
        })
    }
}
