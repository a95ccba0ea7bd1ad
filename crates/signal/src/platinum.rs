//! Platinum resistance thermometers by IEC 60751, in both directions.
//!
//! R(t) = R₀·(1 + A t + B t² + C (t − 100) t³), C only below 0 °C (Callendar and Van Dusen), from
//! −200 to 850 °C. Temperatures in °C, resistances in Ω. A lead's resistance reads as temperature
//! (some 2.6 K/Ω with 100 Ω): two-wire connections need it subtracted before.

use crate::invert::invert;

/// Why there is no such thermometer, or it has no answer.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadPlatinum {
    /// Coefficients whose resistance does not rise with the temperature, or is not positive.
    #[error(
        "with these coefficients the resistance does not rise from -200 to 850 °C: check R0, A, B and C"
    )]
    NotRising,
    /// A temperature where the function is not defined.
    #[error("platinum thermometers are defined from -200 to 850 °C, not at {0} °C")]
    Temperature(f64),
    /// A resistance that no temperature gives.
    #[error(
        "this thermometer has {from:.2} to {to:.2} Ω, not {ohm:.2} Ω: is a wire broken or shorted?"
    )]
    Resistance {
        /// What was asked, Ω.
        ohm: f64,
        /// At −200 °C, Ω.
        from: f64,
        /// At 850 °C, Ω.
        to: f64,
    },
}

/// A platinum thermometer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Platinum {
    r0: f64,
    a: f64,
    b: f64,
    c: f64,
}

impl Platinum {
    /// Where the function is defined, °C.
    pub const RANGE: (f64, f64) = (-200.0, 850.0);
    /// Coefficients of IEC 60751:2008, for α = 0.003851 K⁻¹.
    const IEC: (f64, f64, f64) = (3.9083e-3, -5.775e-7, -4.183e-12);
    /// 100 Ω at 0 °C.
    pub const PT100: Self = Self::iec(100.0);
    /// 500 Ω at 0 °C.
    pub const PT500: Self = Self::iec(500.0);
    /// 1000 Ω at 0 °C.
    pub const PT1000: Self = Self::iec(1000.0);

    const fn iec(r0: f64) -> Self {
        let (a, b, c) = Self::IEC;
        Self { r0, a, b, c }
    }

    /// A thermometer of other R₀ (Ω), A (K⁻¹), B (K⁻²) and C (K⁻⁴), such as its certificate states.
    ///
    /// # Errors
    /// [`BadPlatinum::NotRising`].
    pub fn new(r0: f64, a: f64, b: f64, c: f64) -> Result<Self, BadPlatinum> {
        let candidate = Self { r0, a, b, c };
        // at most quartic: a turn within the range shows on a grid of 1 K
        let is_rising = (-200..=850).all(|t| candidate.slope(f64::from(t)) > 0.0);
        let is_positive =
            candidate.at(Self::RANGE.0) > 0.0 && candidate.at(Self::RANGE.1).is_finite();
        if is_rising && is_positive {
            Ok(candidate)
        } else {
            Err(BadPlatinum::NotRising)
        }
    }

    /// R₀, A, B and C.
    pub const fn coefficients(&self) -> (f64, f64, f64, f64) {
        (self.r0, self.a, self.b, self.c)
    }

    fn at(&self, t: f64) -> f64 {
        let cold = if t < 0.0 {
            self.c * (t - 100.0) * t * t * t
        } else {
            0.0
        };
        self.r0 * (1.0 + self.a * t + self.b * t * t + cold)
    }

    fn slope(&self, t: f64) -> f64 {
        let cold = if t < 0.0 {
            self.c * (4.0 * t - 300.0) * t * t
        } else {
            0.0
        };
        self.r0 * (self.a + 2.0 * self.b * t + cold)
    }

    /// The resistance (Ω) at a temperature (°C).
    ///
    /// # Errors
    /// [`BadPlatinum::Temperature`].
    pub fn resistance(&self, celsius: f64) -> Result<f64, BadPlatinum> {
        check(celsius).map(|celsius| self.at(celsius))
    }

    /// dR/dt (Ω/K) at a temperature (°C).
    ///
    /// # Errors
    /// [`BadPlatinum::Temperature`].
    pub fn sensitivity(&self, celsius: f64) -> Result<f64, BadPlatinum> {
        check(celsius).map(|celsius| self.slope(celsius))
    }

    /// The temperature (°C) at a resistance (Ω): in closed form from 0 °C up, by Newton's steps below.
    ///
    /// # Errors
    /// [`BadPlatinum::Resistance`].
    pub fn temperature(&self, ohm: f64) -> Result<f64, BadPlatinum> {
        let (from, to) = (self.at(Self::RANGE.0), self.at(Self::RANGE.1));
        if !(from..=to).contains(&ohm) {
            return Err(BadPlatinum::Resistance { ohm, from, to });
        }
        if ohm >= self.r0 {
            return Ok(self.quadratic_root(ohm));
        }
        let cold = (Self::RANGE.0, 0.0);
        Ok(invert(|t| (self.at(t), self.slope(t)), cold, ohm))
    }

    /// The root in the form that also holds for B = 0.
    fn quadratic_root(&self, ohm: f64) -> f64 {
        let rest = 1.0 - ohm / self.r0;
        -2.0 * rest / (self.a + (self.a * self.a - 4.0 * self.b * rest).sqrt())
    }
}

fn check(celsius: f64) -> Result<f64, BadPlatinum> {
    let (from, to) = Platinum::RANGE;
    if (from..=to).contains(&celsius) {
        Ok(celsius)
    } else {
        Err(BadPlatinum::Temperature(celsius))
    }
}
