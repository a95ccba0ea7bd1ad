//! Absolute pressure where there is no barometer, or only a weather service's.

use crate::constants::STANDARD_ATMOSPHERE;
use crate::property::Property;
use crate::quantity::{BadQuantity, Pressure};

/// Temperature at sea level of the standard atmosphere, K.
const SEA_LEVEL_KELVIN: f64 = 288.15;
/// Fall of temperature with height, K/m.
const LAPSE: f64 = 0.0065;
/// g₀ M₀/(R L) of the standard atmosphere.
const EXPONENT: f64 = 5.255_876;

/// Why no pressure can be named.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BarometerError {
    /// No place where an oven stands.
    #[error(
        "an elevation of {0} m is outside -500 to 5000 m; state metres above sea level, and look at the unit (1000 ft is 304.8 m)"
    )]
    Elevation(f64),
    /// No pressure of the weather.
    #[error(
        "a sea-level pressure of {0} Pa is outside 87 to 109 kPa, beyond any weather; look at the unit: 1013.25 hPa is 101325 Pa"
    )]
    SeaLevel(f64),
    /// The result is no pressure.
    #[error(transparent)]
    Quantity(#[from] BadQuantity),
}

/// Pressure of the standard atmosphere at `elevation` m above sea level: 101 325 (1 − 0.0065 z/288.15)^5.2559 Pa.
///
/// Valid -500 to 5000 m. The formula is exact by convention (ISO 2533; US Standard Atmosphere 1976);
/// the weather moves the real pressure by ±3 % (common practice, no source), evenly spread: u = 1.7 %,
/// and so is a flow or velocity computed from it. A barometer is better.
///
/// # Errors
/// [`BarometerError::Elevation`].
pub fn pressure_at(elevation: f64) -> Result<Property, BarometerError> {
    let value = STANDARD_ATMOSPHERE * thinning(elevation)?.powf(EXPONENT);
    Ok(Property {
        value,
        u: value * 0.03 / 3f64.sqrt(),
    })
}

/// Pressure at a station `elevation` m above sea level from the pressure that a weather service or airport
/// gives *reduced to sea level* by the standard atmosphere (QNH): p = (q^k − p₀^k · 0.0065 z/288.15)^(1/k),
/// k = 1/5.2559.
///
/// Valid -500 to 5000 m. Using `sea_level` itself for the pressure of the place would be wrong by 1.2 %
/// for each 100 m. Services that reduce by the day's temperature (QFF) differ from this by up to some
/// hPa, growing with elevation (common practice, no source).
/// Source: definition of the altimeter setting (ICAO Doc 8896, from memory); agrees with `MetPy` 1.7.1, which
/// adds 30 Pa by an American convention, within 10 Pa (asserted).
///
/// # Errors
/// [`BarometerError`].
pub fn station_pressure(sea_level: Pressure, elevation: f64) -> Result<Pressure, BarometerError> {
    if !(87e3..=109e3).contains(&sea_level.si()) {
        return Err(BarometerError::SeaLevel(sea_level.si()));
    }
    let rise = 1.0 - thinning(elevation)?;
    let k = 1.0 / EXPONENT;
    let power = sea_level.si().powf(k) - STANDARD_ATMOSPHERE.powf(k) * rise;
    Ok(Pressure::from_si(power.powf(EXPONENT))?)
}

/// 1 − L z/T₀.
fn thinning(elevation: f64) -> Result<f64, BarometerError> {
    if (-500.0..=5000.0).contains(&elevation) {
        Ok(1.0 - LAPSE * elevation / SEA_LEVEL_KELVIN)
    } else {
        Err(BarometerError::Elevation(elevation))
    }
}
