//! The physical quantities that a channel can record.

use std::fmt;
use std::str::FromStr;

use crate::unit::Unit;

/// What is measured. Each quantity has one SI unit in which the record keeps it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Speed of the air, m/s.
    Velocity,
    /// Temperature as shown, °C.
    Temperature,
    /// A difference of two temperatures, K: it never takes the 32 of °F.
    TemperatureDifference,
    /// Pressure or pressure difference, Pa.
    Pressure,
    /// Relative humidity, as a ratio.
    Humidity,
    /// Volume flow, m³/s.
    VolumeFlow,
    /// Mass flow, kg/s.
    MassFlow,
    /// Density, kg/m³.
    Density,
    /// Heat flow or power, W.
    Power,
    /// Voltage, V.
    Voltage,
    /// Current, A.
    Current,
    /// Resistance, Ω.
    Resistance,
    /// Length, m.
    Length,
    /// Area, m².
    Area,
    /// Volume, m³.
    Volume,
    /// Frequency or rotational frequency, Hz.
    Frequency,
    /// A ratio without a unit.
    Ratio,
}

impl Quantity {
    /// Every quantity.
    pub const ALL: [Self; 17] = [
        Self::Velocity,
        Self::Temperature,
        Self::TemperatureDifference,
        Self::Pressure,
        Self::Humidity,
        Self::VolumeFlow,
        Self::MassFlow,
        Self::Density,
        Self::Power,
        Self::Voltage,
        Self::Current,
        Self::Resistance,
        Self::Length,
        Self::Area,
        Self::Volume,
        Self::Frequency,
        Self::Ratio,
    ];

    /// The word used in the configuration, the store and the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Velocity => "velocity",
            Self::Temperature => "temperature",
            Self::TemperatureDifference => "temperature_difference",
            Self::Pressure => "pressure",
            Self::Humidity => "humidity",
            Self::VolumeFlow => "volume_flow",
            Self::MassFlow => "mass_flow",
            Self::Density => "density",
            Self::Power => "power",
            Self::Voltage => "voltage",
            Self::Current => "current",
            Self::Resistance => "resistance",
            Self::Length => "length",
            Self::Area => "area",
            Self::Volume => "volume",
            Self::Frequency => "frequency",
            Self::Ratio => "ratio",
        }
    }

    /// The unit in which the record keeps this quantity.
    pub const fn si(self) -> Unit {
        match self {
            Self::Velocity => Unit::MetrePerSecond,
            Self::Temperature => Unit::DegreeCelsius,
            Self::TemperatureDifference => Unit::Kelvin,
            Self::Pressure => Unit::Pascal,
            Self::Humidity | Self::Ratio => Unit::One,
            Self::VolumeFlow => Unit::CubicMetrePerSecond,
            Self::MassFlow => Unit::KilogramPerSecond,
            Self::Density => Unit::KilogramPerCubicMetre,
            Self::Power => Unit::Watt,
            Self::Voltage => Unit::Volt,
            Self::Current => Unit::Ampere,
            Self::Resistance => Unit::Ohm,
            Self::Length => Unit::Metre,
            Self::Area => Unit::SquareMetre,
            Self::Volume => Unit::CubicMetre,
            Self::Frequency => Unit::Hertz,
        }
    }

    /// The unit in which people in the United States speak of it (common practice, no source).
    pub const fn us(self) -> Unit {
        match self {
            Self::Velocity => Unit::FootPerMinute,
            Self::Temperature => Unit::DegreeFahrenheit,
            Self::TemperatureDifference => Unit::FahrenheitDegree,
            Self::Pressure => Unit::InchOfWater,
            Self::Humidity => Unit::Percent,
            Self::VolumeFlow => Unit::CubicFootPerMinute,
            Self::MassFlow => Unit::PoundPerHour,
            Self::Density => Unit::PoundPerCubicFoot,
            Self::Power => Unit::BtuPerHour,
            Self::Length => Unit::Inch,
            Self::Area => Unit::SquareFoot,
            Self::Volume => Unit::CubicFoot,
            Self::Frequency => Unit::PerMinute,
            Self::Voltage | Self::Current | Self::Resistance | Self::Ratio => self.si(),
        }
    }

    /// True where a number says nothing before it is said what it is one of: the air as it moves, or the same mass of it at the
    /// density of a reference.
    pub const fn has_basis(self) -> bool {
        matches!(self, Self::Velocity | Self::VolumeFlow)
    }

    /// The words for the basis of a channel of this quantity: what is `stated`, or that nothing is; `None` where there is none to
    /// state. Nobody assumes one: from 0 °C to 25 °C the reference changes a number by 9.15 %.
    pub fn basis_words(self, stated: Option<String>) -> Option<String> {
        self.has_basis()
            .then(|| stated.unwrap_or_else(|| Self::BASIS_NOT_STATED.to_owned()))
    }

    /// Where nobody has said what a velocity or volume flow is one of.
    pub const BASIS_NOT_STATED: &'static str = "basis not stated";

    /// True where a value of this quantity may be stated in `unit`.
    pub fn accepts(self, unit: Unit) -> bool {
        let same = unit.quantity() == self;
        match self {
            Self::Humidity => unit.quantity() == Self::Ratio,
            _ => same,
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// The text is not the word of any [`Quantity`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a quantity")]
pub struct UnknownQuantity(pub String);

impl FromStr for Quantity {
    type Err = UnknownQuantity;

    fn from_str(word: &str) -> Result<Self, UnknownQuantity> {
        Self::ALL
            .into_iter()
            .find(|quantity| quantity.word() == word)
            .ok_or_else(|| UnknownQuantity(word.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_reads_back_and_every_quantity_accepts_its_own_unit() {
        for quantity in Quantity::ALL {
            assert_eq!(quantity.word().parse(), Ok(quantity));
            assert!(quantity.accepts(quantity.si()), "{quantity}");
        }
        assert!(Quantity::Humidity.accepts(Unit::Percent));
        assert!(!Quantity::Velocity.accepts(Unit::DegreeCelsius));
        assert!(!Quantity::TemperatureDifference.accepts(Unit::DegreeFahrenheit));
    }
}
