//! Thermal conductivity of dry air, steam and their mixture, W/(m K).

use crate::viscosity;

/// Of dry air at `kelvin` and `density` in mol/m³. Lemmon and Jacobsen, Int. J. Thermophys. 25 (2004) 21:
/// the dilute gas and the term of first order in density. Uncertainty 2 % (k = 2, from memory).
pub(crate) fn of_dry_air(kelvin: f64, density: f64) -> f64 {
    let tau = 132.6312 / kelvin;
    let dilute_viscosity = viscosity::of_dry_air(kelvin, 0.0) * 1e6;
    let dilute = 1.308 * dilute_viscosity + 1.405 * tau.powf(-1.1) - 1.036 * tau.powf(-0.3);
    let residual = 8.743 * tau.powf(0.1) * density / 10_447.7;
    (dilute + residual) * 1e-3
}

/// Of steam at low density. IAPWS R15-11, equation 16; uncertainty 2 % (k = 2, from memory).
pub(crate) fn of_steam(kelvin: f64) -> f64 {
    let t = kelvin / 647.096;
    let sum = [
        4.096_266e-4,
        -3.454_586e-3,
        6.770_357e-3,
        1.323_095e-2,
        2.443_221e-3,
    ]
    .into_iter()
    .fold(0.0, |sum, l| sum / t + l);
    1e-3 * t.sqrt() / sum
}

/// Of a mixture with the mole fraction `x` of water, from those of its parts and their viscosities.
/// Wassiljewa's form with Wilke's φ (Mason and Saxena, Phys. Fluids 1 (1958) 361).
pub(crate) fn mixed(dry: (f64, f64), steam: (f64, f64), x: f64) -> f64 {
    let (air_by_water, water_by_air) = viscosity::hindrance(dry.1, steam.1);
    let air = 1.0 - x;
    air * dry.0 / (air + x * air_by_water) + x * steam.0 / (x + air * water_by_air)
}
