//! Air as it is in a room, an oven or a duct: temperature, pressure, humidity, and what follows.
//!
//! Moist air is a mixture of two ideal gases corrected by second virial coefficients. Humidity is
//! kept as the humidity ratio, because that stays what it is while air is heated or throttled.
//! Relative humidity is for the room: measure it there and carry the air to the oven with
//! [`Air::at`]. At 150 °C one percent of relative humidity would already be 4.76 kPa of vapour.
//!
//! Not modelled: the gas of a directly fired oven. Its water is humidity like any other; its carbon
//! dioxide, in the place of oxygen, makes it denser by 0.41 % for each percent by volume (12.01/28.97).

use crate::conductivity;
use crate::constants::{GAS_CONSTANT, MOLAR_MASS_DRY, MOLAR_MASS_RATIO, MOLAR_MASS_WATER};
use crate::ideal_gas::{DRY_AIR, STEAM};
use crate::model::{CONDUCTIVITY, DENSITY, HEAT_CAPACITY, VISCOSITY};
use crate::property::Property;
use crate::quantity::{Pressure, Temperature};
use crate::saturation;
use crate::virial::Virial;
use crate::viscosity;

/// Where the models hold and their deviations have been measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Lowest and highest temperature, °C.
    pub temperature: (f64, f64),
    /// Lowest and highest absolute pressure, Pa.
    pub pressure: (f64, f64),
    /// Highest humidity ratio, kg of water per kg of dry air.
    pub humidity_ratio_max: f64,
}

/// -40 to 600 °C, 60 to 110 kPa, up to 1 kg of water per kg of dry air.
pub const RANGE: Range = Range {
    temperature: (-40.0, 600.0),
    pressure: (60e3, 110e3),
    humidity_ratio_max: 1.0,
};

/// How humid, in the words of whoever measured it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Humidity {
    /// No water at all.
    Dry,
    /// Relative humidity at the air's own temperature, as a ratio from 0 to 1: the mole fraction of
    /// vapour over that of saturated air. For room air; refused where water boils or freezes.
    Relative(f64),
    /// Dew point; below 0.01 °C the frost point.
    DewPoint(Temperature),
    /// Humidity ratio, kg of water per kg of dry air.
    Ratio(f64),
}

/// Why there is no such air, or none that is known here.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum AirError {
    /// Outside the temperatures for which the models hold.
    #[error(
        "air at {0} °C is outside -40 to 600 °C, where the properties of air are known here; look at the sensor and its unit"
    )]
    TemperatureOutOfRange(f64),
    /// Outside the pressures for which the models hold.
    #[error(
        "an absolute pressure of {0} Pa is outside 60 to 110 kPa; state the absolute pressure at the place (barometer plus duct static), not a gauge pressure, and look at the unit"
    )]
    PressureOutOfRange(f64),
    /// Relative humidity below 0 or above 1.
    #[error("a relative humidity of {percent} % cannot be: it lies between 0 and 100 %; 50 % is the ratio 0.5", percent = .0 * 100.0)]
    RelativeHumidityImpossible(f64),
    /// Relative humidity where water boils.
    #[error(
        "at {t} °C and {p} Pa water boils and relative humidity says nothing; state the humidity of the room at the room's temperature, or a dew point"
    )]
    RelativeHumidityTooHot {
        /// Temperature, °C.
        t: f64,
        /// Pressure, Pa.
        p: f64,
    },
    /// Relative humidity below freezing.
    #[error(
        "at {0} °C relative humidity has two meanings, over water and over ice; state the dew point instead"
    )]
    RelativeHumidityTooCold(f64),
    /// Dew point above dry bulb.
    #[error(
        "a dew point of {dew_point} °C lies above the air's own {t} °C, so water would be falling out; look at both sensors"
    )]
    DewPointAboveTemperature {
        /// Dew point, °C.
        dew_point: f64,
        /// Temperature of the air, °C.
        t: f64,
    },
    /// Dew point at which the air would be pure steam.
    #[error(
        "with a dew point of {0} °C there would be no air left beside the steam at this pressure; look at the sensor"
    )]
    DewPointIsSteam(f64),
    /// Humidity ratio that is negative, not a number, or above the range.
    #[error(
        "a humidity ratio of {0} kg/kg is outside 0 to 1 kg of water per kg of dry air, where moist air is known here"
    )]
    RatioOutOfRange(f64),
    /// More vapour than the air can hold at its temperature.
    #[error(
        "air of {t} °C holds {ratio_max:.5} kg of water per kg of dry air and not {ratio:.5}: the rest would be fog; look at temperature and humidity"
    )]
    Fog {
        /// Temperature, °C.
        t: f64,
        /// The humidity ratio asked for.
        ratio: f64,
        /// The humidity ratio of saturated air.
        ratio_max: f64,
    },
}

/// Air in one state. All of it can exist and lies in [`RANGE`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    temperature: Temperature,
    pressure: Pressure,
    /// kg of water per kg of dry air.
    humidity_ratio: f64,
}

impl Air {
    /// Air at `temperature` (°C), absolute `pressure` (Pa) at the place, and `humidity`.
    ///
    /// # Errors
    /// [`AirError`] where such air cannot exist (relative humidity beyond 100 %, dew point above the
    /// temperature, fog) or lies outside [`RANGE`].
    pub fn new(
        temperature: Temperature,
        pressure: Pressure,
        humidity: Humidity,
    ) -> Result<Self, AirError> {
        let (t, p) = (temperature.si(), pressure.si());
        if !within(RANGE.temperature, t) {
            return Err(AirError::TemperatureOutOfRange(t));
        }
        if !within(RANGE.pressure, p) {
            return Err(AirError::PressureOutOfRange(p));
        }
        let humidity_ratio = humidity.ratio(temperature, pressure)?;
        if !within((0.0, RANGE.humidity_ratio_max), humidity_ratio) {
            return Err(AirError::RatioOutOfRange(humidity_ratio));
        }
        Ok(Self {
            temperature,
            pressure,
            humidity_ratio,
        })
    }

    /// Dry air at `temperature` (°C) and absolute `pressure` (Pa).
    ///
    /// # Errors
    /// [`AirError`] outside [`RANGE`].
    pub fn dry(temperature: Temperature, pressure: Pressure) -> Result<Self, AirError> {
        Self::new(temperature, pressure, Humidity::Dry)
    }

    /// The same air, with its water, brought to another temperature (°C) and absolute pressure (Pa):
    /// how room air becomes oven air.
    ///
    /// # Errors
    /// [`AirError::Fog`] where water would fall out on the way, and outside [`RANGE`].
    pub fn at(self, temperature: Temperature, pressure: Pressure) -> Result<Self, AirError> {
        Self::new(temperature, pressure, Humidity::Ratio(self.humidity_ratio))
    }

    /// Dry air in a state that is plainly within [`RANGE`], for constants.
    pub(crate) const fn dry_constant(celsius: f64, pascal: f64) -> Self {
        Self {
            temperature: Temperature::made(celsius),
            pressure: Pressure::made(pascal),
            humidity_ratio: 0.0,
        }
    }

    /// Temperature, °C.
    pub const fn temperature(self) -> Temperature {
        self.temperature
    }

    /// Absolute pressure, Pa.
    pub const fn pressure(self) -> Pressure {
        self.pressure
    }

    /// Humidity ratio W, kg of water per kg of dry air.
    pub const fn humidity_ratio(self) -> f64 {
        self.humidity_ratio
    }

    /// Mole fraction of vapour, x = W/(W + ε), ε = M_w/M_d = 0.621 957.
    pub fn vapour_fraction(self) -> f64 {
        self.humidity_ratio / (self.humidity_ratio + MOLAR_MASS_RATIO)
    }

    /// Dew point (frost point below 0.01 °C); `None` where it is below -100 °C.
    /// Source and error: [`saturation::dew_point`]. Agrees with CoolProp 8.0.0 within 0.02 K (asserted).
    pub fn dew_point(self) -> Option<Temperature> {
        saturation::dew_point(self.vapour_fraction(), self.pressure)
    }

    /// Relative humidity as a ratio, x/x_sat; `None` where water boils at the air's temperature and the
    /// word has no meaning. Below 0.01 °C over ice.
    pub fn relative_humidity(self) -> Option<f64> {
        saturation::vapour_fraction_max(self.temperature, self.pressure)
            .map(|saturated| self.vapour_fraction() / saturated)
    }

    /// Molar mass M = (1 − x) M_d + x M_w, kg/mol.
    pub fn molar_mass(self) -> f64 {
        let x = self.vapour_fraction();
        (1.0 - x) * MOLAR_MASS_DRY + x * MOLAR_MASS_WATER
    }

    /// Compressibility factor Z = p V/(n R T) from Z² − Z = B p/(R T), the virial series Z = 1 + B ρ.
    pub fn compressibility(self) -> f64 {
        let kelvin = self.temperature.kelvin();
        let b = Virial::of_moist_air(kelvin, self.vapour_fraction()).b;
        let first_order = b * self.pressure.si() / (GAS_CONSTANT * kelvin);
        0.5 + (0.25 + first_order).sqrt()
    }

    /// Density ρ = p M/(Z R T), kg/m³ of moist air.
    ///
    /// Deviation from the reference equations (CoolProp 8.0.0) over [`RANGE`]: [`crate::model::DENSITY`].
    /// The ideal gas alone is off by up to 0.14 % at -40 °C, 0.06 % at 0 °C and 0.04 % from 20 to 500 °C (dry).
    pub fn density(self) -> Property {
        let density = self.pressure.si() * self.molar_mass()
            / (self.compressibility() * GAS_CONSTANT * self.temperature.kelvin());
        Property::new(density, DENSITY, self.vapour_fraction())
    }

    /// Specific heat capacity at constant pressure, J/(kg K), per kg of moist air:
    /// c_p = \[(1 − x) c_p,d⁰ + x c_p,w⁰ − p T B''\]/M.
    pub fn heat_capacity(self) -> Property {
        let (kelvin, x) = (self.temperature.kelvin(), self.vapour_fraction());
        let ideal = (1.0 - x) * DRY_AIR.heat_capacity_over_r(kelvin)
            + x * STEAM.heat_capacity_over_r(kelvin);
        let virial = Virial::of_moist_air(kelvin, x).t2_d2b * self.pressure.si() / kelvin;
        let per_kg = (GAS_CONSTANT * ideal - virial) / self.molar_mass();
        Property::new(per_kg, HEAT_CAPACITY, self.vapour_fraction())
    }

    /// Specific enthalpy, J per kg of **dry air** in the mixture: h = h_d + W h_w + p (B − T B')(1 + W)/M.
    ///
    /// Zero is dry air at 0 °C and 101.325 kPa and liquid water at 0.01 °C. Only differences have a
    /// meaning. The uncertainty is that of the heat capacity times the distance from 0 °C, and for the
    /// water 0.1 % of its heat of evaporation.
    pub fn enthalpy(self) -> Property {
        let (kelvin, w) = (self.temperature.kelvin(), self.humidity_ratio);
        let dry =
            GAS_CONSTANT * DRY_AIR.enthalpy_over_r(kelvin) / MOLAR_MASS_DRY - DRY_ENTHALPY_ZERO;
        let steam = self.steam_enthalpy();
        let virial = Virial::of_moist_air(kelvin, self.vapour_fraction());
        let real = self.pressure.si() * (virial.b - virial.t_db) * (1.0 + w) / self.molar_mass();
        let c = self.heat_capacity();
        let sensible_u = c.u * (1.0 + w) * self.temperature.si().abs();
        let latent_u = 0.001 * w * 2.5e6;
        Property {
            value: dry + w * steam + real,
            u: sensible_u.hypot(latent_u),
        }
    }

    /// Of one kg of its vapour as an ideal gas, J, from liquid at 0.01 °C.
    pub(crate) fn steam_enthalpy(self) -> f64 {
        let kelvin = self.temperature.kelvin();
        GAS_CONSTANT * STEAM.enthalpy_over_r(kelvin) / MOLAR_MASS_WATER - STEAM_ENTHALPY_ZERO
    }

    /// Dynamic viscosity µ, Pa·s. Dry air by Lemmon and Jacobsen (2004), steam by IAPWS R12-08, mixed by
    /// Wilke's rule.
    pub fn viscosity(self) -> Property {
        let (dry, steam) = self.viscosities();
        let mixed = viscosity::mixed(dry, steam, self.vapour_fraction());
        Property::new(mixed, VISCOSITY, self.vapour_fraction())
    }

    /// Thermal conductivity λ, W/(m K). Dry air by Lemmon and Jacobsen (2004), steam by IAPWS R15-11,
    /// mixed by Wassiljewa's rule.
    pub fn conductivity(self) -> Property {
        let kelvin = self.temperature.kelvin();
        let (dry, steam) = self.viscosities();
        let dry = (conductivity::of_dry_air(kelvin, self.molar_density()), dry);
        let steam = (conductivity::of_steam(kelvin), steam);
        let mixed = conductivity::mixed(dry, steam, self.vapour_fraction());
        Property::new(mixed, CONDUCTIVITY, self.vapour_fraction())
    }

    /// Kinematic viscosity ν = µ/ρ, m²/s.
    pub fn kinematic_viscosity(self) -> Property {
        quotient(self.viscosity(), self.density())
    }

    /// Prandtl number µ c_p/λ.
    pub fn prandtl(self) -> Property {
        let heat_capacity = self.heat_capacity();
        let viscosity = self.viscosity();
        let product = Property {
            value: viscosity.value * heat_capacity.value,
            u: viscosity.value
                * heat_capacity.value
                * viscosity.u_rel().hypot(heat_capacity.u_rel()),
        };
        quotient(product, self.conductivity())
    }

    /// Isentropic exponent γ = c_p/(c_p − R/M), for the compressibility of a pitot tube.
    pub fn isentropic_exponent(self) -> f64 {
        let heat_capacity = self.heat_capacity().value;
        heat_capacity / (heat_capacity - GAS_CONSTANT / self.molar_mass())
    }

    fn molar_density(self) -> f64 {
        self.pressure.si() / (GAS_CONSTANT * self.temperature.kelvin())
    }

    fn viscosities(self) -> (f64, f64) {
        let kelvin = self.temperature.kelvin();
        (
            viscosity::of_dry_air(kelvin, self.molar_density()),
            viscosity::of_steam(kelvin),
        )
    }
}

impl Humidity {
    /// The humidity ratio of air at `t` and `p`.
    fn ratio(self, t: Temperature, p: Pressure) -> Result<f64, AirError> {
        match self {
            Self::Dry => Ok(0.0),
            Self::Relative(relative) => ratio_of_relative(relative, t, p),
            Self::DewPoint(dew_point) => ratio_of_dew_point(dew_point, t, p),
            Self::Ratio(ratio) => ratio_without_fog(ratio, t, p),
        }
    }
}

fn ratio_of_relative(relative: f64, t: Temperature, p: Pressure) -> Result<f64, AirError> {
    if !within((0.0, 1.0), relative) {
        return Err(AirError::RelativeHumidityImpossible(relative));
    }
    if t.si() < 0.0 {
        return Err(AirError::RelativeHumidityTooCold(t.si()));
    }
    saturation::vapour_fraction_max(t, p)
        .map(|saturated| ratio_of_fraction(relative * saturated))
        .ok_or(AirError::RelativeHumidityTooHot {
            t: t.si(),
            p: p.si(),
        })
}

fn ratio_of_dew_point(
    dew_point: Temperature,
    t: Temperature,
    p: Pressure,
) -> Result<f64, AirError> {
    if dew_point > t {
        return Err(AirError::DewPointAboveTemperature {
            dew_point: dew_point.si(),
            t: t.si(),
        });
    }
    saturation::vapour_fraction_max(dew_point, p)
        .map(ratio_of_fraction)
        .ok_or(AirError::DewPointIsSteam(dew_point.si()))
}

fn ratio_without_fog(ratio: f64, t: Temperature, p: Pressure) -> Result<f64, AirError> {
    // Saturated air that is asked for again must not be fog for a last digit.
    const SLACK: f64 = 1.0 + 1e-9;
    match saturation::vapour_fraction_max(t, p).map(ratio_of_fraction) {
        Some(ratio_max) if ratio > ratio_max * SLACK => Err(AirError::Fog {
            t: t.si(),
            ratio,
            ratio_max,
        }),
        _ => Ok(ratio),
    }
}

/// W = ε x/(1 − x).
fn ratio_of_fraction(x: f64) -> f64 {
    MOLAR_MASS_RATIO * x / (1.0 - x)
}

fn within((low, high): (f64, f64), value: f64) -> bool {
    (low..=high).contains(&value)
}

fn quotient(above: Property, below: Property) -> Property {
    let value = above.value / below.value;
    Property {
        value,
        u: value.abs() * above.u_rel().hypot(below.u_rel()),
    }
}

/// Enthalpy of dry air at 0 °C and 101.325 kPa in the scale of [`DRY_AIR`], with its virial part, J/kg.
const DRY_ENTHALPY_ZERO: f64 = 273_504.479;
/// Enthalpy of liquid water at 0.01 °C in the scale of [`STEAM`], J/kg (IAPWS-95 by CoolProp 8.0.0).
const STEAM_ENTHALPY_ZERO: f64 = -1_995_912.0;
