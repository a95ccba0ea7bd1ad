//! Dynamic viscosity of dry air, steam and their mixture, Pa·s.

use crate::constants::{MOLAR_MASS_DRY, MOLAR_MASS_RATIO, MOLAR_MASS_WATER};

/// Of dry air at `kelvin` and `density` in mol/m³. Lemmon and Jacobsen, Int. J. Thermophys. 25 (2004) 21:
/// the dilute gas by its collision integral, and the terms of first order in density.
/// Uncertainty 1 % (k = 2, from memory).
pub(crate) fn of_dry_air(kelvin: f64, density: f64) -> f64 {
    let x = (kelvin / 103.3).ln();
    let collision = [-0.003_31, 0.005_341, 0.084_06, -0.462_3, 0.431]
        .into_iter()
        .fold(0.0, |sum, b| sum * x + b)
        .exp();
    let dilute = 0.026_695_8 * (28.958_6 * kelvin).sqrt() / (0.36 * 0.36 * collision);
    let tau = 132.6312 / kelvin;
    let delta = density / 10_447.7;
    let residual = delta * (10.72 * tau.powf(0.2) - 8.876 * tau.powf(0.6) * (-delta).exp());
    (dilute + residual) * 1e-6
}

/// Of steam at low density. IAPWS R12-08, equation 11; uncertainty 2 % (k = 2, from memory).
pub(crate) fn of_steam(kelvin: f64) -> f64 {
    let t = kelvin / 647.096;
    let sum = 1.677_52 + (2.204_62 + (0.636_656_4 - 0.241_605 / t) / t) / t;
    1e-4 * t.sqrt() / sum
}

/// Of a mixture with the mole fraction `x` of water, from those of its parts. Wilke, J. Chem. Phys. 18
/// (1950) 517.
pub(crate) fn mixed(dry: f64, steam: f64, x: f64) -> f64 {
    let (air_by_water, water_by_air) = hindrance(dry, steam);
    let air = 1.0 - x;
    air * dry / (air + x * air_by_water) + x * steam / (x + air * water_by_air)
}

/// Wilke's φ of air among water and of water among air.
pub(crate) fn hindrance(dry: f64, steam: f64) -> (f64, f64) {
    let phi = |viscosities: f64, masses: f64| {
        (1.0 + viscosities.sqrt() * masses.powf(-0.25)).powi(2) / (8.0 * (1.0 + masses)).sqrt()
    };
    (
        phi(dry / steam, MOLAR_MASS_DRY / MOLAR_MASS_WATER),
        phi(steam / dry, MOLAR_MASS_RATIO),
    )
}
