//! The pitot tube: velocity from a pressure difference.

use crate::humid::Air;
use crate::quantity::{Density, PressureDifference};
use crate::velocity::{Basis, Velocity};

/// A pitot tube with its coefficient C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pitot {
    coefficient: f64,
}

/// Why a pitot tube gives no velocity.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PitotError {
    /// The coefficient is none of a pitot tube.
    #[error(
        "{0} is not the coefficient of a pitot tube (0.5 to 1.2): a standard tube has about 1.00, an S-type about 0.84; take it from the certificate"
    )]
    Coefficient(f64),
    /// The pressure difference is negative.
    #[error(
        "a pressure difference of {0} Pa is negative: the flow comes from behind, or the tubes are swapped, or the zero has drifted"
    )]
    Negative(f64),
    /// The flow would be too fast for the formula.
    #[error(
        "a pressure difference of {0} Pa means more than Mach 0.3, where this formula is not checked; look at the unit"
    )]
    TooFast(f64),
}

/// Standard uncertainties of what goes into a pitot velocity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PitotUncertainty {
    /// Of the coefficient, relative.
    pub coefficient_rel: f64,
    /// Of the pressure difference, Pa.
    pub difference_pa: f64,
    /// Of the density, relative: temperature, pressure, humidity and model together.
    pub density_rel: f64,
}

/// Δp/p at Mach 0.3 in air: (1 + 0.2 · 0.09)^3.5 − 1.
const RATIO_MAX: f64 = 0.064;

impl Pitot {
    /// A standard (L-type) tube, C = 1.00 (from memory; some methods say 0.99).
    pub const STANDARD: Self = Self { coefficient: 1.0 };
    /// An S-type tube before calibration, C = 0.84 (from memory; US EPA Method 2).
    pub const S_TYPE: Self = Self { coefficient: 0.84 };

    /// A tube with the coefficient of its certificate.
    ///
    /// # Errors
    /// [`PitotError::Coefficient`] outside 0.5 to 1.2.
    pub fn new(coefficient: f64) -> Result<Self, PitotError> {
        if (0.5..=1.2).contains(&coefficient) {
            Ok(Self { coefficient })
        } else {
            Err(PitotError::Coefficient(coefficient))
        }
    }

    /// The coefficient C.
    pub const fn coefficient(self) -> f64 {
        self.coefficient
    }

    /// Actual velocity from the difference Δp (Pa) between total and static pressure, in air `local`
    /// at the duct's static pressure:
    /// v = C √(2γ/(γ−1) · p/ρ · \[(1 + Δp/p)^((γ−1)/γ) − 1\]), which is C √(2 Δp/ρ) but for M²/8
    /// (0.27 % at 50 m/s and 20 °C).
    ///
    /// Below some 2 to 3 m/s the difference is under 5 Pa and a usual transmitter reads noise
    /// (common practice, no source); [`Pitot::u`] says how much.
    /// Source: isentropic stagnation of a perfect gas, any textbook of gas dynamics; ISO 3966.
    ///
    /// # Errors
    /// [`PitotError::Negative`]; [`PitotError::TooFast`] above Mach 0.3.
    pub fn velocity(
        self,
        difference: PressureDifference,
        local: Air,
    ) -> Result<Velocity, PitotError> {
        let ratio = difference.si() / local.pressure().si();
        if ratio < 0.0 {
            return Err(PitotError::Negative(difference.si()));
        }
        if ratio > RATIO_MAX {
            return Err(PitotError::TooFast(difference.si()));
        }
        let gamma = local.isentropic_exponent();
        let power = (gamma - 1.0) / gamma;
        let rise = (power * ratio.ln_1p()).exp_m1();
        let square = 2.0 / power * local.pressure().si() / local.density().value * rise;
        Ok(Velocity::made(
            self.coefficient * square.sqrt(),
            Basis::Actual,
        ))
    }

    /// C √(2 Δp/ρ) for Δp in Pa and ρ in kg/m³: the formula of the hand calculation, without
    /// compressibility.
    ///
    /// # Errors
    /// [`PitotError::Negative`].
    pub fn incompressible(
        self,
        difference: PressureDifference,
        density: Density,
    ) -> Result<Velocity, PitotError> {
        if difference.si() < 0.0 {
            return Err(PitotError::Negative(difference.si()));
        }
        let velocity = self.coefficient * (2.0 * difference.si() / density.si()).sqrt();
        Ok(Velocity::made(velocity, Basis::Actual))
    }

    /// The pressure difference that a velocity would give in air `local`, ρ v²/(2 C²) with the actual
    /// velocity v, without compressibility: for choosing a transmitter.
    pub fn difference_at(self, velocity: Velocity, local: Air) -> PressureDifference {
        let actual = velocity.to(Basis::Actual, local).si() / self.coefficient;
        PressureDifference::made(local.density().value * actual * actual / 2.0)
    }

    /// Standard uncertainty (k = 1) of the velocity from `difference`, m/s:
    /// u(v)/v = √(u_C² + (u(Δp)/(2 Δp))² + (u_ρ/2)²).
    ///
    /// Source: JCGM 100:2008, 5.1.2, first order. Where Δp is no larger than its own uncertainty the order
    /// is not enough, and the velocity of a difference of one u is given, C √(2 u(Δp)/ρ).
    ///
    /// # Errors
    /// Those of [`Pitot::velocity`].
    pub fn u(
        self,
        difference: PressureDifference,
        local: Air,
        inputs: PitotUncertainty,
    ) -> Result<f64, PitotError> {
        let velocity = self.velocity(difference, local)?.si();
        if difference.si() <= inputs.difference_pa {
            let density = local.density().value;
            return Ok(self.coefficient * (2.0 * inputs.difference_pa / density).sqrt());
        }
        let u_rel = inputs
            .coefficient_rel
            .hypot(inputs.difference_pa / (2.0 * difference.si()))
            .hypot(inputs.density_rel / 2.0);
        Ok(velocity * u_rel)
    }
}
