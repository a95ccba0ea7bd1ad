//! Heat capacity and enthalpy of dry air and of steam as ideal gases.
//!
//! Both references write the ideal-gas part of the Helmholtz energy as powers of τ = T*/T and
//! Planck-Einstein terms; c_p/R and h/(R T) follow by differentiation. The constant of the enthalpy
//! is left to the caller.

/// The ideal-gas part of a reference equation.
pub(crate) struct IdealGas {
    /// T*, K.
    reducing_temperature: f64,
    /// What is left of c_p/R when it is very cold.
    constant: f64,
    /// (n, i) of the terms n τ^i of the Helmholtz energy.
    powers: &'static [(f64, f64)],
    /// (n, θ) of the terms n ln(1 − exp(−θ/T)), θ in K: molecules that vibrate.
    oscillators: &'static [(f64, f64)],
}

/// Dry air. Lemmon, Jacobsen, Penoncello, Friend, J. Phys. Chem. Ref. Data 29 (2000) 331, as given by
/// CoolProp 8.0.0. The paper's last term (2/3 and exp of 11 580 K) adds less than 1.2e-5 of c_p below
/// 600 °C and is left out.
pub(crate) const DRY_AIR: IdealGas = IdealGas {
    reducing_temperature: 132.6312,
    constant: 3.490_888_032,
    powers: &[
        (6.057_194e-8, -3.0),
        (-2.102_747_69e-5, -2.0),
        (-1.588_607_16e-4, -1.0),
        (-1.953_634_2e-4, 1.5),
    ],
    oscillators: &[
        (0.791_309_509, 25.363_65 * 132.6312),
        (0.212_236_768, 16.907_41 * 132.6312),
    ],
};

/// Steam. IAPWS R6-95(2018), table 1, as given by CoolProp 8.0.0.
pub(crate) const STEAM: IdealGas = IdealGas {
    reducing_temperature: 647.096,
    constant: 4.006_32,
    powers: &[],
    oscillators: &[
        (0.012_436, 1.287_289_67 * 647.096),
        (0.973_15, 3.537_342_22 * 647.096),
        (1.279_50, 7.740_737_08 * 647.096),
        (0.969_56, 9.244_377_96 * 647.096),
        (0.248_73, 27.507_510_5 * 647.096),
    ],
};

impl IdealGas {
    /// c_p/R at `kelvin`.
    pub(crate) fn heat_capacity_over_r(&self, kelvin: f64) -> f64 {
        let tau = self.reducing_temperature / kelvin;
        let powers: f64 = self
            .powers
            .iter()
            .map(|(n, i)| -n * i * (i - 1.0) * tau.powf(*i))
            .sum();
        let oscillators: f64 = self
            .oscillators
            .iter()
            .map(|(n, theta)| {
                let u = theta / kelvin;
                n * (u / (2.0 * (u / 2.0).sinh())).powi(2)
            })
            .sum();
        self.constant + powers + oscillators
    }

    /// h/R at `kelvin`, K, but for a constant.
    pub(crate) fn enthalpy_over_r(&self, kelvin: f64) -> f64 {
        let tau = self.reducing_temperature / kelvin;
        let powers: f64 = self.powers.iter().map(|(n, i)| n * i * tau.powf(*i)).sum();
        let oscillators: f64 = self
            .oscillators
            .iter()
            .map(|(n, theta)| n * theta / (theta / kelvin).exp_m1())
            .sum();
        kelvin * (self.constant + powers) + oscillators
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// c_p is the slope of h, by the definition of an ideal gas.
    #[test]
    fn heat_capacity_is_the_slope_of_enthalpy() {
        for gas in [DRY_AIR, STEAM] {
            for kelvin in [240.0, 300.0, 450.0, 700.0, 870.0] {
                let slope = (gas.enthalpy_over_r(kelvin + 0.01)
                    - gas.enthalpy_over_r(kelvin - 0.01))
                    / 0.02;
                assert!(
                    (gas.heat_capacity_over_r(kelvin) / slope - 1.0).abs() < 1e-8,
                    "{kelvin} K"
                );
            }
        }
    }
}
