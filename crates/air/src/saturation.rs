//! When water condenses: saturation pressure, enhancement factor, dew point.
//!
//! Above 0.01 °C saturation is over liquid water, below it over ice, so that a dew point below
//! 0 °C is a frost point. In air at atmospheric pressure a little more vapour is needed than over
//! pure water; the ratio is the enhancement factor (1.004 at 20 °C and 101.325 kPa).

use crate::constants::GAS_CONSTANT;
use crate::quantity::{Pressure, Temperature};
use crate::virial::Pairs;

/// Triple point of water, °C. Exact by definition until 2019, and within its uncertainty since.
const TRIPLE_POINT: f64 = 0.01;
/// Critical point of water, °C: above it nothing condenses (IAPWS-IF97).
const CRITICAL_POINT: f64 = 373.946;
/// The coldest dew point that is looked for, °C: air drier than that counts as dry.
const DEW_POINT_MIN: f64 = -100.0;

/// Saturation pressure of water at `t`, Pa; `None` above the critical point, 373.946 °C.
///
/// Over liquid water IAPWS-IF97, equation 30 (uncertainty 0.025 % at k = 2, from memory); over ice
/// IAPWS R14-08(2011), equation 6. Valid from -223 °C. Agrees with the library iapws 1.5.5 within
/// 1e-8 (asserted).
pub fn pressure(t: Temperature) -> Option<f64> {
    match t.si() {
        cold if cold < TRIPLE_POINT => Some(pressure_over_ice(t.kelvin())),
        warm if warm <= CRITICAL_POINT => Some(pressure_over_water(t.kelvin())),
        _ => None,
    }
}

/// dp_sat/dt at `t`, Pa/K, by central differences of 0.01 K (relative error below 1e-6); `None` above the critical point.
pub(crate) fn slope(t: Temperature) -> Option<f64> {
    const STEP: f64 = 0.005;
    let at = |t: f64| pressure(Temperature::made(t));
    // Over ice and over water the curves meet with different slopes: stay on one.
    let middle = if (t.si() - TRIPLE_POINT).abs() < STEP {
        TRIPLE_POINT + STEP
    } else {
        t.si()
    };
    Some((at(middle + STEP)? - at(middle - STEP)?) / (2.0 * STEP))
}

/// IAPWS-IF97, region 4: the quadratic in (p/1 MPa)^¼ and ϑ = T + n₉/(T − n₁₀).
fn pressure_over_water(kelvin: f64) -> f64 {
    let theta = kelvin - 0.238_555_575_678_49 / (kelvin - 650.175_348_447_98);
    let a = (theta + 1_167.052_145_276_7) * theta - 724_213.167_032_06;
    let b = (-17.073_846_940_092 * theta + 12_020.824_702_470) * theta - 3_232_555.032_233_3;
    let c = (14.915_108_613_530 * theta - 4_823.265_736_159_1) * theta + 405_113.405_420_57;
    (2.0 * c / (-b + (b * b - 4.0 * a * c).sqrt())).powi(4) * 1e6
}

/// IAPWS R14-08(2011): ln(p/p_t) = Σ a θ^b / θ with θ = T/273.16 K.
fn pressure_over_ice(kelvin: f64) -> f64 {
    const TRIPLE_PRESSURE: f64 = 611.657;
    let theta = kelvin / 273.16;
    let sum = -21.214_400_6 * theta.powf(0.003_333_333_33)
        + 27.320_381_9 * theta.powf(1.206_666_67)
        - 6.105_981_30 * theta.powf(1.703_333_33);
    TRIPLE_PRESSURE * (sum / theta).exp()
}

/// Mole fraction of vapour in saturated air, f·p_sat/p; `None` where air can take any amount, because
/// water boils at `t` under `p`.
///
/// f is the enhancement factor by second virial coefficients (Hyland and Wexler, ASHRAE Trans. 89
/// (1983) 500, without third coefficients and dissolved air):
/// ln f = \[(p − p_s) v + x_a² p (B_aa − 2 B_aw) − (p − p_s − x_a² p) B_ww\] / (R T), x_a = 1 − f p_s/p.
/// Agrees with CoolProp 8.0.0 within 4e-4 to 70 °C (asserted).
pub fn vapour_fraction_max(t: Temperature, p: Pressure) -> Option<f64> {
    let saturation = pressure(t).filter(|saturation| *saturation < p.si())?;
    Some(enhancement(t, p.si(), saturation) * saturation / p.si())
}

fn enhancement(t: Temperature, p: f64, saturation: f64) -> f64 {
    // Molar volumes of water and ice at 0 °C, m³/mol; they change by 4 % to 100 °C, 0.003 % of f.
    let volume = if t.si() < TRIPLE_POINT {
        19.65e-6
    } else {
        18.02e-6
    };
    let pairs = Pairs::at(t.kelvin());
    let next = |f: f64| {
        let air = (1.0 - f * saturation / p).max(0.0);
        let dry = air * air * p * (pairs.air_air.b - 2.0 * pairs.air_water.b);
        let wet = (p - saturation - air * air * p) * pairs.water_water.b;
        (((p - saturation) * volume + dry - wet) / (GAS_CONSTANT * t.kelvin())).exp()
    };
    next(next(next(1.0)))
}

/// Dew point (frost point below 0.01 °C) of air with the mole fraction `x` of vapour at `p`; `None` where
/// it is below -100 °C, which is dry for every purpose here.
///
/// Solves f(t, p) p_sat(t) = x p by halving, to 1e-9 K.
pub fn dew_point(x: f64, p: Pressure) -> Option<Temperature> {
    let condenses =
        |t: f64| vapour_fraction_max(Temperature::made(t), p).is_some_and(|max| max <= x);
    if !condenses(DEW_POINT_MIN) {
        return None;
    }
    let (mut wet, mut dry) = (DEW_POINT_MIN, CRITICAL_POINT);
    while dry - wet > 1e-9 {
        let middle = f64::midpoint(wet, dry);
        if condenses(middle) {
            wet = middle;
        } else {
            dry = middle;
        }
    }
    Some(Temperature::made(f64::midpoint(wet, dry)))
}
