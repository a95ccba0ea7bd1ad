//! Units: one table of symbols and exact factors, used only where numbers come in or go out.
//!
//! Inside everything is in the SI unit of its quantity. Factors are exact by definition unless the
//! line says otherwise (international foot 0.3048 m, pound 0.45359237 kg, standard gravity
//! 9.80665 m/s²; NIST SP 811, appendix B.8).

use std::fmt;
use std::str::FromStr;

use crate::quantity::Quantity;

macro_rules! units {
    ($( $(#[$doc:meta])* $unit:ident = $quantity:ident, $symbol:literal, [$($alias:literal),*], $factor:expr, $offset:expr; )*) => {
        /// A unit of measurement.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Unit { $( $(#[$doc])* $unit, )* }

        impl Unit {
            /// Every unit.
            pub const ALL: &[Self] = &[ $( Self::$unit, )* ];

            /// The quantity it measures.
            pub const fn quantity(self) -> Quantity {
                match self { $( Self::$unit => Quantity::$quantity, )* }
            }

            /// The symbol shown to people.
            pub const fn symbol(self) -> &'static str {
                match self { $( Self::$unit => $symbol, )* }
            }

            /// Other spellings that are read, beside the symbol.
            pub const fn aliases(self) -> &'static [&'static str] {
                match self { $( Self::$unit => &[$($alias),*], )* }
            }

            /// SI value = (value − zero) · factor.
            const fn line(self) -> (f64, f64) {
                match self { $( Self::$unit => ($factor, $offset), )* }
            }
        }
    };
}

const FOOT: f64 = 0.3048;
const INCH: f64 = 0.0254;
const POUND: f64 = 0.453_592_37;
const GRAVITY: f64 = 9.806_65;

units! {
    /// m/s
    MetrePerSecond = Velocity, "m/s", ["m·s⁻¹"], 1.0, 0.0;
    /// km/h
    KilometrePerHour = Velocity, "km/h", [], 1.0 / 3.6, 0.0;
    /// ft/min
    FootPerMinute = Velocity, "ft/min", ["fpm", "FPM"], FOOT / 60.0, 0.0;
    /// ft/s
    FootPerSecond = Velocity, "ft/s", [], FOOT, 0.0;
    /// °C
    DegreeCelsius = Temperature, "°C", ["degC", "deg C", "℃", "C"], 1.0, 0.0;
    /// °F
    DegreeFahrenheit = Temperature, "°F", ["degF", "deg F", "℉", "F"], 5.0 / 9.0, 32.0;
    /// K, as a temperature difference
    Kelvin = TemperatureDifference, "K", ["delta °C", "Δ°C"], 1.0, 0.0;
    /// °F, as a temperature difference
    FahrenheitDegree = TemperatureDifference, "Δ°F", ["delta °F", "delta degF"], 5.0 / 9.0, 0.0;
    /// Pa
    Pascal = Pressure, "Pa", [], 1.0, 0.0;
    /// hPa
    Hectopascal = Pressure, "hPa", [], 100.0, 0.0;
    /// kPa
    Kilopascal = Pressure, "kPa", [], 1000.0, 0.0;
    /// mbar
    Millibar = Pressure, "mbar", [], 100.0, 0.0;
    /// bar
    Bar = Pressure, "bar", [], 1e5, 0.0;
    /// inH₂O, conventional (water of 1000 kg/m³, standard gravity)
    InchOfWater = Pressure, "inH₂O", ["inH2O", "inWC", "in w.c."], INCH * 1000.0 * GRAVITY, 0.0;
    /// mmH₂O, conventional
    MillimetreOfWater = Pressure, "mmH₂O", ["mmH2O"], GRAVITY, 0.0;
    /// mmHg, conventional (13 595.1 kg/m³)
    MillimetreOfMercury = Pressure, "mmHg", [], 13.5951 * GRAVITY, 0.0;
    /// inHg, conventional
    InchOfMercury = Pressure, "inHg", [], 25.4 * 13.5951 * GRAVITY, 0.0;
    /// psi
    PoundPerSquareInch = Pressure, "psi", ["lbf/in²"], POUND * GRAVITY / (INCH * INCH), 0.0;
    /// m³/s
    CubicMetrePerSecond = VolumeFlow, "m³/s", ["m3/s"], 1.0, 0.0;
    /// m³/h
    CubicMetrePerHour = VolumeFlow, "m³/h", ["m3/h"], 1.0 / 3600.0, 0.0;
    /// l/s
    LitrePerSecond = VolumeFlow, "l/s", ["L/s"], 1e-3, 0.0;
    /// l/h
    LitrePerHour = VolumeFlow, "l/h", ["L/h"], 1e-3 / 3600.0, 0.0;
    /// US gal/h (a gallon is 231 in³)
    GallonPerHour = VolumeFlow, "US gal/h", [], 231.0 * INCH * INCH * INCH / 3600.0, 0.0;
    /// ft³/min
    CubicFootPerMinute = VolumeFlow, "ft³/min", ["ft3/min", "cfm", "CFM"], FOOT * FOOT * FOOT / 60.0, 0.0;
    /// kg/s
    KilogramPerSecond = MassFlow, "kg/s", [], 1.0, 0.0;
    /// kg/h
    KilogramPerHour = MassFlow, "kg/h", [], 1.0 / 3600.0, 0.0;
    /// lb/min
    PoundPerMinute = MassFlow, "lb/min", [], POUND / 60.0, 0.0;
    /// lb/h
    PoundPerHour = MassFlow, "lb/h", [], POUND / 3600.0, 0.0;
    /// kg/m³
    KilogramPerCubicMetre = Density, "kg/m³", ["kg/m3"], 1.0, 0.0;
    /// lb/ft³
    PoundPerCubicFoot = Density, "lb/ft³", ["lb/ft3"], POUND / (FOOT * FOOT * FOOT), 0.0;
    /// W
    Watt = Power, "W", [], 1.0, 0.0;
    /// kW
    Kilowatt = Power, "kW", [], 1000.0, 0.0;
    /// Btu/h (International Table)
    BtuPerHour = Power, "Btu/h", ["BTU/h"], 1_055.055_852_62 / 3600.0, 0.0;
    /// V
    Volt = Voltage, "V", [], 1.0, 0.0;
    /// mV
    Millivolt = Voltage, "mV", [], 1e-3, 0.0;
    /// µV
    Microvolt = Voltage, "µV", ["uV", "μV"], 1e-6, 0.0;
    /// A
    Ampere = Current, "A", [], 1.0, 0.0;
    /// mA
    Milliampere = Current, "mA", [], 1e-3, 0.0;
    /// µA
    Microampere = Current, "µA", ["uA", "μA"], 1e-6, 0.0;
    /// Ω
    Ohm = Resistance, "Ω", ["ohm", "Ohm", "Ω"], 1.0, 0.0;
    /// kΩ
    Kiloohm = Resistance, "kΩ", ["kohm", "kOhm"], 1000.0, 0.0;
    /// m
    Metre = Length, "m", [], 1.0, 0.0;
    /// cm
    Centimetre = Length, "cm", [], 1e-2, 0.0;
    /// mm
    Millimetre = Length, "mm", [], 1e-3, 0.0;
    /// in
    Inch = Length, "in", ["inch"], INCH, 0.0;
    /// ft
    Foot = Length, "ft", [], FOOT, 0.0;
    /// m²
    SquareMetre = Area, "m²", ["m2"], 1.0, 0.0;
    /// ft²
    SquareFoot = Area, "ft²", ["ft2"], FOOT * FOOT, 0.0;
    /// m³
    CubicMetre = Volume, "m³", ["m3"], 1.0, 0.0;
    /// l
    Litre = Volume, "l", ["L"], 1e-3, 0.0;
    /// ft³
    CubicFoot = Volume, "ft³", ["ft3"], FOOT * FOOT * FOOT, 0.0;
    /// Hz
    Hertz = Frequency, "Hz", [], 1.0, 0.0;
    /// min⁻¹, of a rotating shaft
    PerMinute = Frequency, "min⁻¹", ["1/min", "rpm"], 1.0 / 60.0, 0.0;
    /// 1, a plain ratio
    One = Ratio, "1", [], 1.0, 0.0;
    /// %
    Percent = Ratio, "%", ["%RH", "% RH"], 1e-2, 0.0;
}

impl Unit {
    /// A value in this unit, in the SI unit of the quantity.
    pub const fn to_si(self, value: f64) -> f64 {
        let (factor, zero) = self.line();
        (value - zero) * factor
    }

    /// An SI value, in this unit.
    pub const fn from_si(self, si: f64) -> f64 {
        let (factor, zero) = self.line();
        si / factor + zero
    }

    /// A difference in this unit, in SI: without the zero of °F.
    pub const fn difference_to_si(self, difference: f64) -> f64 {
        difference * self.line().0
    }

    /// An SI difference, in this unit: without the zero of °F.
    pub const fn difference_from_si(self, si: f64) -> f64 {
        si / self.line().0
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.symbol())
    }
}

/// The text is no unit that the table knows.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a unit known here")]
pub struct UnknownUnit(pub String);

impl FromStr for Unit {
    type Err = UnknownUnit;

    fn from_str(text: &str) -> Result<Self, UnknownUnit> {
        let text = text.trim();
        Self::ALL
            .iter()
            .copied()
            .find(|unit| unit.symbol() == text || unit.aliases().contains(&text))
            .ok_or_else(|| UnknownUnit(text.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::HashSet;

    /// Factors as the library pint 0.25.3 gives them, or in closed form from the definitions above.
    #[test]
    fn factors_agree_with_published_ones() {
        let cases = [
            (Unit::FootPerMinute, 1.0, 0.005_08),
            (Unit::FootPerMinute, 9840.0, 49.9872),
            (Unit::CubicFootPerMinute, 1.0, 4.719_474_432e-4),
            (Unit::InchOfWater, 1.0, 249.088_91),
            (Unit::MillimetreOfMercury, 1.0, 133.322_387_415),
            (Unit::InchOfMercury, 1.0, 3_386.388_640_341),
            (Unit::PoundPerSquareInch, 1.0, 6_894.757_293_168),
            (Unit::PoundPerCubicFoot, 1.0, 16.018_463_373_96),
            (Unit::DegreeFahrenheit, 392.0, 200.0),
            (Unit::DegreeFahrenheit, 70.0, 21.111_111_111_11),
            (Unit::FahrenheitDegree, 5.0, 2.777_777_777_78),
        ];
        for (unit, value, si) in cases {
            assert!(
                (unit.to_si(value) / si - 1.0).abs() < 1e-11,
                "{unit}: {}",
                unit.to_si(value)
            );
        }
    }

    #[test]
    fn no_spelling_means_two_units() {
        let mut seen = HashSet::new();
        for unit in Unit::ALL {
            assert_eq!(unit.symbol().parse(), Ok(*unit));
            let spellings: HashSet<_> = unit
                .aliases()
                .iter()
                .chain([&unit.symbol()])
                .copied()
                .collect();
            for spelling in spellings {
                assert!(seen.insert(spelling), "{spelling}");
            }
        }
        assert!("furlong".parse::<Unit>().is_err());
    }

    proptest! {
        #[test]
        fn conversions_invert(index in 0..Unit::ALL.len(), value in -1e6f64..1e6) {
            let unit = Unit::ALL[index];
            prop_assert!((unit.from_si(unit.to_si(value)) - value).abs() <= 1e-9 * value.abs().max(1.0));
            prop_assert!((unit.difference_from_si(unit.difference_to_si(value)) - value).abs() <= 1e-9 * value.abs().max(1.0));
        }
    }
}
