//! Second virial coefficients: how far moist air is from an ideal gas.
//!
//! Up to about one atmosphere the second coefficient is all that matters: Z = 1 + B ρ. Each
//! coefficient is a sum of powers of temperature, so that its derivatives are exact.

/// B and what it does to enthalpy and heat capacity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Virial {
    /// B, m³/mol.
    pub(crate) b: f64,
    /// T dB/dT, m³/mol.
    pub(crate) t_db: f64,
    /// T² d²B/dT², m³/mol.
    pub(crate) t2_d2b: f64,
}

/// factor · Σ a (T/T*)^b.
struct PowerSum {
    reducing_temperature: f64,
    factor: f64,
    terms: &'static [(f64, f64)],
}

/// Air with air. The limit at zero density of Lemmon et al., J. Phys. Chem. Ref. Data 29 (2000) 331:
/// the terms of first order in density over the reducing density, 10 447.7 mol/m³.
const AIR_AIR: PowerSum = PowerSum {
    reducing_temperature: 132.6312,
    factor: 1.0 / 10_447.7,
    terms: &[
        (0.118_160_747_229, 0.0),
        (0.713_116_392_079, -0.33),
        (-1.618_241_920_67, -1.01),
        (-0.101_365_037_912, -1.6),
        (-0.146_629_609_713, -3.6),
        (0.014_828_789_197_8, -3.5),
    ],
};

/// Air with water. Harvey and Huang, Int. J. Thermophys. 28 (2007) 556; coefficients from memory,
/// held against CoolProp's by a test.
const AIR_WATER: PowerSum = PowerSum {
    reducing_temperature: 100.0,
    factor: 1e-6,
    terms: &[(66.5687, -0.237), (-238.834, -1.048), (-176.755, -3.183)],
};

/// Water with water. Harvey and Lemmon, J. Phys. Chem. Ref. Data 33 (2004) 369; coefficients from
/// memory, held against those of IAPWS-95 by a test.
const WATER_WATER: PowerSum = PowerSum {
    reducing_temperature: 100.0,
    factor: 1e-3,
    terms: &[
        (0.344_04, -0.5),
        (-0.758_26, -0.8),
        (-24.219, -3.35),
        (-3_978.2, -8.3),
    ],
};

impl PowerSum {
    fn at(&self, kelvin: f64) -> Virial {
        let theta = kelvin / self.reducing_temperature;
        let nothing = Virial {
            b: 0.0,
            t_db: 0.0,
            t2_d2b: 0.0,
        };
        self.terms.iter().fold(nothing, |sum, (a, b)| {
            let term = self.factor * a * theta.powf(*b);
            sum.plus(
                Virial {
                    b: term,
                    t_db: b * term,
                    t2_d2b: b * (b - 1.0) * term,
                },
                1.0,
            )
        })
    }
}

impl Virial {
    fn plus(self, other: Self, weight: f64) -> Self {
        Self {
            b: self.b + weight * other.b,
            t_db: self.t_db + weight * other.t_db,
            t2_d2b: self.t2_d2b + weight * other.t2_d2b,
        }
    }

    /// Of moist air with the mole fraction `x` of water: (1−x)² B_aa + 2x(1−x) B_aw + x² B_ww.
    pub(crate) fn of_moist_air(kelvin: f64, x: f64) -> Self {
        let nothing = Self {
            b: 0.0,
            t_db: 0.0,
            t2_d2b: 0.0,
        };
        let pairs = Pairs::at(kelvin);
        nothing
            .plus(pairs.air_air, (1.0 - x) * (1.0 - x))
            .plus(pairs.air_water, 2.0 * x * (1.0 - x))
            .plus(pairs.water_water, x * x)
    }
}

/// The coefficients of each kind of encounter.
pub(crate) struct Pairs {
    pub(crate) air_air: Virial,
    pub(crate) air_water: Virial,
    pub(crate) water_water: Virial,
}

impl Pairs {
    pub(crate) fn at(kelvin: f64) -> Self {
        Self {
            air_air: AIR_AIR.at(kelvin),
            air_water: AIR_WATER.at(kelvin),
            water_water: WATER_WATER.at(kelvin),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    /// HAPropsSI of CoolProp 8.0.0: the same coefficients for air and for air with water; for water
    /// with water those of IAPWS-95, which is no reference below 0 °C.
    #[test]
    fn coefficients_are_those_of_coolprop() {
        let all: Value =
            serde_json::from_str(include_str!("../tests/data/reference.json")).unwrap();
        let rows = all["virials"].as_array().unwrap();
        assert!(rows.len() > 20);
        for row in rows {
            let number = |key: &str| row[key].as_f64().unwrap();
            let pairs = Pairs::at(number("t") + 273.15);
            assert!((pairs.air_air.b - number("aa")).abs() < 1e-9, "{row}");
            assert!((pairs.air_water.b - number("aw")).abs() < 1e-9, "{row}");
            let deviation = (pairs.water_water.b / number("ww") - 1.0).abs();
            assert!(
                number("t") < 0.0 || deviation < 0.055,
                "{deviation} in {row}"
            );
        }
    }

    /// T dB/dT and T² d²B/dT² are what differences of B say.
    #[test]
    fn derivatives_are_slopes() {
        for kelvin in [250.0, 400.0, 800.0] {
            let at = |k| Virial::of_moist_air(k, 0.3);
            let step = 1e-3 * kelvin;
            let (below, here, above) = (at(kelvin - step).b, at(kelvin), at(kelvin + step).b);
            let slope = (above - below) / 2e-3;
            let curvature = (above - 2.0 * here.b + below) / 1e-6;
            assert!((here.t_db / slope - 1.0).abs() < 1e-4, "{kelvin} K");
            assert!((here.t2_d2b / curvature - 1.0).abs() < 1e-3, "{kelvin} K");
        }
    }
}
