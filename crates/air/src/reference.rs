//! Reference conditions: the density at which a mass of air is stated as a velocity or a volume.
//!
//! There is no default. From 0 °C to 25 °C the reference changes the number by 9.15 %.

use std::fmt;

use crate::constants::{GAS_CONSTANT, STANDARD_ATMOSPHERE};
use crate::humid::{Air, AirError};
use crate::quantity::{Density, Pressure, Temperature};

/// A reference for standard velocity and standard volume: dry air in a stated state, or a stated density.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reference(Kind);

#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    State(Air),
    Density(Density),
}

/// Why something cannot serve as a reference.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ReferenceError {
    /// No dry air is known there.
    #[error("this cannot be a reference: {0}")]
    Air(#[from] AirError),
    /// A density that is none of air at any usual reference.
    #[error(
        "{0} kg/m³ is not a density of air near room conditions (0.5 to 2 kg/m³); look at its unit: 0.075 lb/ft³ is 1.2014 kg/m³"
    )]
    Density(f64),
}

impl Reference {
    /// 0 °C, 101.325 kPa: normal conditions (DIN 1343, from memory).
    pub const NORMAL: Self = Self::constant(0.0);
    /// 15 °C, 101.325 kPa (ISO 2533 and ISO 13443, from memory).
    pub const CELSIUS_15: Self = Self::constant(15.0);
    /// 20 °C (68 °F), 101.325 kPa (ISO fan standards, from memory; US EPA: 528 °R, 29.92 inHg).
    pub const CELSIUS_20: Self = Self::constant(20.0);
    /// 70 °F (21.11 °C, often written 21.1 °C), 101.325 kPa (many US instruments; common practice, no source).
    pub const FAHRENHEIT_70: Self = Self::constant((70.0 - 32.0) / 1.8);
    /// 25 °C, 101.325 kPa (many thermal anemometers; common practice, no source).
    pub const CELSIUS_25: Self = Self::constant(25.0);
    /// 0.075 lb/ft³ = 1.201 385 kg/m³, the standard air of American ventilation practice (ASHRAE and AMCA, from memory).
    pub const STANDARD_AIR: Self = Self(Kind::Density(Density::made(1.201_384_753_047)));

    /// The five usual states, coldest first.
    pub const USUAL: [Self; 5] = [
        Self::NORMAL,
        Self::CELSIUS_15,
        Self::CELSIUS_20,
        Self::FAHRENHEIT_70,
        Self::CELSIUS_25,
    ];

    const fn constant(celsius: f64) -> Self {
        Self(Kind::State(Air::dry_constant(celsius, STANDARD_ATMOSPHERE)))
    }

    /// Dry air at `temperature` (°C) and absolute `pressure` (Pa).
    ///
    /// # Errors
    /// [`ReferenceError::Air`] outside the range in which air is known.
    pub fn at(temperature: Temperature, pressure: Pressure) -> Result<Self, ReferenceError> {
        Ok(Self(Kind::State(Air::dry(temperature, pressure)?)))
    }

    /// A stated density (kg/m³), where the maker or a standard names no state.
    ///
    /// # Errors
    /// [`ReferenceError::Density`] outside 0.5 to 2 kg/m³.
    pub fn of_density(density: Density) -> Result<Self, ReferenceError> {
        if (0.5..=2.0).contains(&density.si()) {
            Ok(Self(Kind::Density(density)))
        } else {
            Err(ReferenceError::Density(density.si()))
        }
    }

    /// ρ_ref, kg/m³: that of [`Air::density`] for dry air in the state, or as stated.
    ///
    /// By the real gas; tables of ideal-gas densities lie 0.03 to 0.06 % lower.
    pub fn density(self) -> f64 {
        match self.0 {
            Kind::State(air) => air.density().value,
            Kind::Density(density) => density.si(),
        }
    }

    /// Molar volume of dry air in the state, Z R T/p, m³/mol; `None` where only a density is stated.
    pub(crate) fn molar_volume(self) -> Option<f64> {
        match self.0 {
            Kind::State(air) => Some(
                air.compressibility() * GAS_CONSTANT * air.temperature().kelvin()
                    / air.pressure().si(),
            ),
            Kind::Density(_) => None,
        }
    }

    /// Molar volume of an ideal gas in the state, R T/p, m³/mol; `None` where only a density is stated.
    pub(crate) fn ideal_molar_volume(self) -> Option<f64> {
        match self.0 {
            Kind::State(air) => {
                Some(GAS_CONSTANT * air.temperature().kelvin() / air.pressure().si())
            }
            Kind::Density(_) => None,
        }
    }

    /// True where two references mean the same density within 0.01 %: 21.1 °C and 70 °F do.
    pub fn agrees_with(self, other: Self) -> bool {
        (self.density() / other.density() - 1.0).abs() < 1e-4
    }
}

impl fmt::Display for Reference {
    /// As a report prints it: `21.1 °C, 101.325 kPa, dry`, or `1.2014 kg/m³`; by `{:#}` with every digit, as a record
    /// needs it that has to be read back.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Kind::State(air) if f.alternate() => {
                let (t, p) = (air.temperature().si(), air.pressure().si());
                write!(f, "{t} °C, {p} Pa, dry")
            }
            Kind::Density(density) if f.alternate() => write!(f, "{} kg/m³", density.si()),
            Kind::State(air) => {
                let (t, p) = (air.temperature().si(), air.pressure().si() / 1000.0);
                let t = (t * 10.0).round() / 10.0;
                let p = (p * 1000.0).round() / 1000.0;
                write!(f, "{t} °C, {p} kPa, dry")
            }
            Kind::Density(density) => write!(f, "{:.4} kg/m³", density.si()),
        }
    }
}
