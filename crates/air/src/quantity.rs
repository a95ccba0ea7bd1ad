//! Physical quantities as types: a number that has the right unit and can exist.
//!
//! The value inside is SI (temperature in °C, as the record keeps it). Units come in through
//! [`zonda_model::Unit`], the one table of factors, and go out through `Unit::from_si(x.si())`.

use zonda_model::{Quantity, Unit};

use crate::constants::ZERO_CELSIUS;

/// A number that cannot be what it is said to be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadQuantity {
    /// NaN or infinite.
    #[error("{value} is not a number that can stand for {what}; look at where it comes from")]
    NotFinite {
        /// Name of the quantity.
        what: &'static str,
        /// The offending number.
        value: f64,
    },
    /// A unit of something else.
    #[error("`{unit}` is not a unit for {what}; state it in `{si}`, for example")]
    WrongUnit {
        /// Name of the quantity.
        what: &'static str,
        /// The unit given.
        unit: Unit,
        /// A unit that would do.
        si: Unit,
    },
    /// Nothing physical has this value.
    #[error("{what} of {value} {si} cannot be: {rule}")]
    Impossible {
        /// Name of the quantity.
        what: &'static str,
        /// The value, in `si`.
        value: f64,
        /// The SI unit.
        si: Unit,
        /// Why it cannot be, and what to look at.
        rule: &'static str,
    },
}

macro_rules! quantities {
    ($( $(#[$doc:meta])* $name:ident: $quantity:ident, $what:literal, $possible:expr, $rule:literal; )*) => { $(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// From a number in any unit of this quantity.
            ///
            /// # Errors
            /// [`BadQuantity`] where the number is not finite, the unit measures something else, or nothing can have this value.
            pub fn new(value: f64, unit: Unit) -> Result<Self, BadQuantity> {
                if unit.quantity() != Quantity::$quantity {
                    return Err(BadQuantity::WrongUnit { what: $what, unit, si: Quantity::$quantity.si() });
                }
                Self::from_si(unit.to_si(value))
            }

            /// From a number in the SI unit in which the record keeps this quantity.
            ///
            /// # Errors
            /// [`BadQuantity`] where the number is not finite or nothing can have this value.
            pub fn from_si(value: f64) -> Result<Self, BadQuantity> {
                let possible: fn(f64) -> bool = $possible;
                if !value.is_finite() {
                    Err(BadQuantity::NotFinite { what: $what, value })
                } else if possible(value) {
                    Ok(Self(value))
                } else {
                    Err(BadQuantity::Impossible { what: $what, value, si: Quantity::$quantity.si(), rule: $rule })
                }
            }

            /// The value in the SI unit in which the record keeps this quantity.
            pub const fn si(self) -> f64 {
                self.0
            }

            /// For values that a formula of this crate has made and that cannot break the rule.
            #[allow(dead_code, reason = "not every quantity is also a result")]
            pub(crate) const fn made(value: f64) -> Self {
                Self(value)
            }
        }
    )* };
}

quantities! {
    /// A temperature, °C. Above absolute zero.
    Temperature: Temperature, "a temperature", |t| t > -ZERO_CELSIUS,
        "absolute zero is -273.15 °C; look at the unit and at an open sensor";
    /// An absolute pressure, Pa. Above zero.
    Pressure: Pressure, "an absolute pressure", |p| p > 0.0,
        "it is above zero; add the barometer to a gauge pressure";
    /// A pressure difference, Pa. Either sign.
    PressureDifference: Pressure, "a pressure difference", |_| true, "any sign will do";
    /// A length, m. Above zero.
    Length: Length, "a length", |l| l > 0.0, "it is above zero";
    /// An area, m². Above zero.
    Area: Area, "an area", |a| a > 0.0, "it is above zero";
    /// A volume, m³. Above zero.
    Volume: Volume, "a volume", |v| v > 0.0, "it is above zero";
    /// A density, kg/m³. Above zero.
    Density: Density, "a density", |d| d > 0.0, "it is above zero";
    /// A mass flow, kg/s. Negative where the air flows back.
    MassFlow: MassFlow, "a mass flow", |_| true, "any sign will do";
    /// A volume flow, m³/s. Negative where the air flows back.
    VolumeFlow: VolumeFlow, "a volume flow", |_| true, "any sign will do";
}

impl Temperature {
    /// The thermodynamic temperature, K.
    pub const fn kelvin(self) -> f64 {
        self.0 + ZERO_CELSIUS
    }
}

impl Pressure {
    /// The absolute pressure at a place whose pressure differs from this one by `gauge`, Pa:
    /// p = p_barometer + p_gauge. A duct's static pressure is stated as a gauge pressure.
    ///
    /// # Errors
    /// [`BadQuantity::Impossible`] where the sum is not above zero.
    pub fn plus(self, gauge: PressureDifference) -> Result<Self, BadQuantity> {
        Self::from_si(self.0 + gauge.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_impossible_is_refused_with_a_sentence() {
        let says = |result: Result<f64, BadQuantity>| result.unwrap_err().to_string();
        assert_eq!(
            says(Temperature::new(-300.0, Unit::DegreeCelsius).map(Temperature::si)),
            "a temperature of -300 °C cannot be: absolute zero is -273.15 °C; look at the unit and at an open sensor"
        );
        assert_eq!(
            says(Area::from_si(-0.5).map(Area::si)),
            "an area of -0.5 m² cannot be: it is above zero"
        );
        assert_eq!(
            says(Pressure::new(20.0, Unit::DegreeCelsius).map(Pressure::si)),
            "`°C` is not a unit for an absolute pressure; state it in `Pa`, for example"
        );
        assert!(says(Length::from_si(f64::NAN).map(Length::si)).contains("not a number"));
    }

    #[test]
    fn a_duct_under_suction_has_less_than_the_barometer() {
        let barometer = Pressure::new(1013.25, Unit::Hectopascal).unwrap();
        let suction = PressureDifference::new(-10.0, Unit::MillimetreOfWater).unwrap();
        assert!((barometer.plus(suction).unwrap().si() - (101_325.0 - 98.0665)).abs() < 1e-9);
        assert!(
            barometer
                .plus(PressureDifference::from_si(-2e5).unwrap())
                .is_err()
        );
    }

    proptest! {
        /// 70 °F is 21.111 °C whichever way it is written (NIST SP 811).
        #[test]
        fn the_unit_does_not_matter(fahrenheit in -400.0..1000.0f64) {
            let one = Temperature::new(fahrenheit, Unit::DegreeFahrenheit).unwrap();
            let other = Temperature::new((fahrenheit - 32.0) / 1.8, Unit::DegreeCelsius).unwrap();
            prop_assert!((one.si() - other.si()).abs() < 1e-10);
        }
    }
}
