//! Air as people write it: `6 m/s standard 70 °F`, `900 m³/h actual`, `50 % at 23 °C`, `8 g/kg`.
//!
//! A velocity or a volume flow is read only with its basis, so that none enters without it. Plain
//! amounts with a unit belong to [`zonda_model::written`].

use std::str::FromStr;

use zonda_model::written::{Amount, BadWriting as BadAmount};
use zonda_model::{Quantity, Unit};

use crate::humid::{Air, AirError, Humidity};
use crate::quantity::{BadQuantity, Density, MassFlow, Pressure, Temperature, VolumeFlow};
use crate::reference::{Reference, ReferenceError};
use crate::velocity::{Basis, Velocity, VelocityError};

/// Why a text says nothing about air.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadWriting {
    /// No number with a unit.
    #[error(transparent)]
    Amount(#[from] BadAmount),
    /// Nothing physical has this value.
    #[error(transparent)]
    Quantity(#[from] BadQuantity),
    /// Not usable as a reference.
    #[error(transparent)]
    Reference(#[from] ReferenceError),
    /// Not usable as a velocity.
    #[error(transparent)]
    Velocity(#[from] VelocityError),
    /// A velocity or flow without a basis.
    #[error(
        "`{0}` does not say what it is: write `{0} actual` for the air as it moves, or `{0} standard 70 °F` with the reference of the meter (0, 15, 20, 25 °C and 70 °F are usual; the meter's papers say which)"
    )]
    BasisMissing(String),
    /// `standard` without its reference.
    #[error(
        "standard at which temperature? write the reference after it, such as `standard 70 °F` or `standard 20 °C, 101.325 kPa`; from 0 to 25 °C it changes the number by 9 %"
    )]
    ReferenceMissing,
    /// Neither actual nor standard.
    #[error("`{0}` is no basis; write `actual`, `normal` or `standard 20 °C`")]
    Basis(String),
    /// Not a humidity.
    #[error(
        "`{0}` is no humidity; write `50 % at 23 °C` (relative, of the room), `dew point 12 °C`, `8 g/kg` (water per dry air) or `dry`"
    )]
    Humidity(String),
    /// Not a flow.
    #[error("`{0}` is a unit of {quantity}; a flow is stated as mass, such as `0.3 kg/s`, or as volume with its basis, such as `900 m³/h actual`", quantity = .0.quantity())]
    NoFlow(Unit),
}

/// A humidity, and at which temperature it was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StatedHumidity {
    /// The humidity.
    pub humidity: Humidity,
    /// Where relative humidity was measured elsewhere, the temperature of that place: the room's.
    pub at: Option<Temperature>,
}

/// A flow as stated: of mass, or of volume on a basis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StatedFlow {
    /// Mass of the moist air.
    Mass(MassFlow),
    /// Volume on a basis.
    Volume(VolumeFlow, Basis),
}

impl StatedHumidity {
    /// No water.
    pub const DRY: Self = Self {
        humidity: Humidity::Dry,
        at: None,
    };

    /// Air of this humidity at `temperature` and absolute `pressure`. Where the humidity was measured at
    /// another temperature, the air keeps its water on the way.
    ///
    /// # Errors
    /// [`AirError`] where such air cannot be.
    pub fn air(self, temperature: Temperature, pressure: Pressure) -> Result<Air, AirError> {
        match self.at {
            Some(room) => Air::new(room, pressure, self.humidity)?.at(temperature, pressure),
            None => Air::new(temperature, pressure, self.humidity),
        }
    }
}

impl StatedFlow {
    /// Mass flow of the moist air, where it is in the state `local`.
    pub fn mass(self, local: Air) -> MassFlow {
        match self {
            Self::Mass(mass) => mass,
            Self::Volume(volume, basis) => MassFlow::made(volume.si() * basis.density(local)),
        }
    }

    /// Whether the mass depends on the density of the local air.
    pub fn is_actual(self) -> bool {
        matches!(self, Self::Volume(_, Basis::Actual))
    }
}

impl FromStr for Reference {
    type Err = BadWriting;

    /// `normal`, `20 °C`, `70 °F, 101.325 kPa`, `1.2 kg/m³`, and what [`Reference`] itself prints.
    fn from_str(text: &str) -> Result<Self, BadWriting> {
        let text = text.trim();
        if text.is_empty() {
            return Err(BadWriting::ReferenceMissing);
        }
        if text == "normal" {
            return Ok(Self::NORMAL);
        }
        let text = text.strip_suffix("dry").unwrap_or(text);
        let mut parts = text
            .split(',')
            .map(str::trim)
            .filter(|part| !part.is_empty());
        let first: Amount = parts.next().ok_or(BadWriting::ReferenceMissing)?.parse()?;
        if first.unit.quantity() == Quantity::Density {
            return Ok(Self::of_density(Density::new(first.value, first.unit)?)?);
        }
        let pressure = match parts.next() {
            None => Pressure::made(crate::constants::STANDARD_ATMOSPHERE),
            Some(part) => {
                let amount: Amount = part.parse()?;
                Pressure::new(amount.value, amount.unit)?
            }
        };
        Ok(Self::at(
            Temperature::new(first.value, first.unit)?,
            pressure,
        )?)
    }
}

impl FromStr for Basis {
    type Err = BadWriting;

    /// `actual`, `normal`, `standard 20 °C`, `standard: 21.1 °C, 101.325 kPa, dry`.
    fn from_str(text: &str) -> Result<Self, BadWriting> {
        let text = text
            .trim()
            .trim_start_matches('(')
            .trim_end_matches(')')
            .trim();
        match text {
            "actual" => Ok(Self::Actual),
            "normal" => Ok(Self::Standard(Reference::NORMAL)),
            _ => {
                let reference = text
                    .strip_prefix("standard")
                    .ok_or_else(|| BadWriting::Basis(text.to_owned()))?;
                Ok(Self::Standard(reference.trim_start_matches(':').parse()?))
            }
        }
    }
}

impl FromStr for Velocity {
    type Err = BadWriting;

    /// `10.3 m/s actual`, `1200 ft/min standard 70 °F`.
    fn from_str(text: &str) -> Result<Self, BadWriting> {
        let (amount, basis) = split_basis(text);
        let amount: Amount = amount.parse()?;
        // A wrong unit is the nearer mistake.
        Self::new(amount.value, amount.unit, Basis::Actual)?;
        let basis = basis.ok_or_else(|| BadWriting::BasisMissing(text.trim().to_owned()))?;
        Ok(Self::new(amount.value, amount.unit, basis.parse()?)?)
    }
}

impl FromStr for StatedFlow {
    type Err = BadWriting;

    /// `0.3 kg/s`, `900 m³/h standard 20 °C`, `500 ft³/min actual`.
    fn from_str(text: &str) -> Result<Self, BadWriting> {
        let (amount, basis) = split_basis(text);
        let amount: Amount = amount.parse()?;
        match amount.unit.quantity() {
            Quantity::MassFlow => Ok(Self::Mass(MassFlow::new(amount.value, amount.unit)?)),
            Quantity::VolumeFlow => {
                let basis =
                    basis.ok_or_else(|| BadWriting::BasisMissing(text.trim().to_owned()))?;
                let volume = VolumeFlow::new(amount.value, amount.unit)?;
                Ok(Self::Volume(volume, basis.parse()?))
            }
            _ => Err(BadWriting::NoFlow(amount.unit)),
        }
    }
}

impl FromStr for StatedHumidity {
    type Err = BadWriting;

    /// `dry`, `50 %`, `50 % at 23 °C`, `dew point 12 °C`, `8 g/kg`, `0.008 kg/kg`, `56 gr/lb`.
    fn from_str(text: &str) -> Result<Self, BadWriting> {
        let text = text.trim();
        let plain = |humidity| Self { humidity, at: None };
        if text == "dry" {
            return Ok(Self::DRY);
        }
        if let Some(point) = text.strip_prefix("dew point") {
            return Ok(plain(Humidity::DewPoint(temperature(point)?)));
        }
        if let Some(ratio) = humidity_ratio(text) {
            return Ok(plain(Humidity::Ratio(ratio)));
        }
        let (relative, at) = match text.split_once(" at ") {
            Some((relative, at)) => (relative, Some(temperature(at)?)),
            None => (text, None),
        };
        let relative = relative.replace("RH", "");
        let amount: Amount = relative
            .parse()
            .map_err(|_| BadWriting::Humidity(text.to_owned()))?;
        if amount.unit.quantity() != Quantity::Ratio {
            return Err(BadWriting::Humidity(text.to_owned()));
        }
        Ok(Self {
            humidity: Humidity::Relative(amount.unit.to_si(amount.value)),
            at,
        })
    }
}

fn temperature(text: &str) -> Result<Temperature, BadWriting> {
    let amount: Amount = text.parse()?;
    Ok(Temperature::new(amount.value, amount.unit)?)
}

/// Water per dry air, kg/kg. A grain is a 7000th of a pound, exactly.
fn humidity_ratio(text: &str) -> Option<f64> {
    [
        ("g/kg", 1e-3),
        ("kg/kg", 1.0),
        ("gr/lb", 1.0 / 7000.0),
        ("lb/lb", 1.0),
    ]
    .into_iter()
    // `kg/kg` ends in `g/kg` too, and then leaves no number.
    .find_map(|(unit, factor)| {
        let number = text.strip_suffix(unit)?.trim().replace('−', "-");
        let number: f64 = number.parse().ok()?;
        Some(number * factor)
    })
}

/// Splits the basis off, where there is one.
fn split_basis(text: &str) -> (&str, Option<&str>) {
    let begin = ["actual", "standard", "normal"]
        .iter()
        .filter_map(|word| text.find(word))
        .min();
    match begin {
        Some(begin) => (
            text[..begin].trim_end_matches([' ', '(']),
            Some(&text[begin..]),
        ),
        None => (text, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn says<T: std::fmt::Debug, E: std::fmt::Display>(result: Result<T, E>) -> String {
        result.map_err(|error| error.to_string()).unwrap_err()
    }

    #[test]
    fn a_velocity_is_read_with_its_basis_or_not_at_all() {
        let actual: Velocity = "1000 ft/min actual".parse().unwrap();
        assert_eq!((actual.si(), actual.basis()), (5.08, Basis::Actual));
        let standard: Velocity = "6 m/s (standard: 21.1 °C, 101.325 kPa, dry)"
            .parse()
            .unwrap();
        assert!(
            standard
                .basis()
                .agrees_with(Basis::Standard(Reference::FAHRENHEIT_70))
        );
        assert!(says("6 m/s".parse::<Velocity>()).contains("`6 m/s actual`"));
        assert!(says("6 m/s standard".parse::<Velocity>()).contains("at which temperature"));
        assert!(says("6 Pa actual".parse::<Velocity>()).contains("not a unit of velocity"));
        assert!(says("6 m/s standard 1 kg/s".parse::<Velocity>()).contains("temperature"));
    }

    #[test]
    fn references_are_read_as_papers_state_them() {
        let is = |text: &str, reference: Reference| {
            text.parse::<Reference>().unwrap().agrees_with(reference)
        };
        assert!(is("70 °F", Reference::FAHRENHEIT_70));
        assert!(is("20 °C, 1013.25 hPa", Reference::CELSIUS_20));
        assert!(is("0.075 lb/ft³", Reference::STANDARD_AIR));
        assert!(is("normal", Reference::NORMAL));
        assert!(says("20 kg/m³".parse::<Reference>()).contains("look at its unit"));
        assert!(says("20 °C, 101 Pa".parse::<Reference>()).contains("cannot be a reference"));
    }

    #[test]
    fn humidity_is_read_in_the_words_of_whoever_measured_it() {
        let read = |text: &str| text.parse::<StatedHumidity>().unwrap();
        assert_eq!(read("dry"), StatedHumidity::DRY);
        assert_eq!(read("50 %").humidity, Humidity::Relative(0.5));
        assert_eq!(read("50 %RH at 23 °C").at.map(Temperature::si), Some(23.0));
        assert_eq!(read("8 g/kg").humidity, Humidity::Ratio(0.008));
        assert_eq!(read("0.008 kg/kg").humidity, Humidity::Ratio(0.008));
        assert_eq!(read("70 gr/lb").humidity, Humidity::Ratio(0.01));
        assert!(matches!(
            read("dew point 12 °C").humidity,
            Humidity::DewPoint(_)
        ));
        assert!(says("wet".parse::<StatedHumidity>()).contains("is no humidity"));
        assert!(says("5 m/s".parse::<StatedHumidity>()).contains("is no humidity"));
    }

    #[test]
    fn room_air_keeps_its_water_on_the_way_to_the_oven() {
        let humidity: StatedHumidity = "50 % at 23 °C".parse().unwrap();
        let pressure = Pressure::from_si(101_325.0).unwrap();
        let oven = humidity
            .air(Temperature::from_si(180.0).unwrap(), pressure)
            .unwrap();
        let room = Air::new(
            Temperature::from_si(23.0).unwrap(),
            pressure,
            Humidity::Relative(0.5),
        );
        let room = room.unwrap();
        assert!((oven.humidity_ratio() - room.humidity_ratio()).abs() < 1e-15);
        assert!(
            says(
                "50 %"
                    .parse::<StatedHumidity>()
                    .unwrap()
                    .air(oven.temperature(), pressure)
            )
            .contains("water boils")
        );
    }

    #[test]
    fn a_flow_of_mass_needs_no_basis_and_one_of_volume_does() {
        let air = Air::dry(
            Temperature::from_si(180.0).unwrap(),
            Pressure::from_si(101_325.0).unwrap(),
        )
        .unwrap();
        let mass = |text: &str| text.parse::<StatedFlow>().unwrap().mass(air).si();
        assert!((mass("0.3 kg/s") - 0.3).abs() < 1e-15);
        assert!((mass("3600 m³/h actual") / air.density().value - 1.0).abs() < 1e-12);
        assert!((mass("1 m³/s normal") / Reference::NORMAL.density() - 1.0).abs() < 1e-12);
        assert!(says("900 m³/h".parse::<StatedFlow>()).contains("900 m³/h actual"));
        assert!(says("9 m/s".parse::<StatedFlow>()).contains("a flow is stated"));
    }

    proptest! {
        /// What the display prints, the parser reads.
        #[test]
        fn what_is_printed_is_read(celsius in 0.0..40.0f64, value in -50.0..50.0f64) {
            let pressure = Pressure::from_si(101_325.0).unwrap();
            let reference = Reference::at(Temperature::from_si(celsius).unwrap(), pressure).unwrap();
            let velocity = Velocity::standard(value, reference).unwrap();
            let again: Velocity = format!("{velocity:.9}").parse().unwrap();
            prop_assert!((again.si() - value).abs() < 1e-8);
            prop_assert!((Reference::density(reference) / again.basis().density(Air::dry(Temperature::from_si(20.0).unwrap(), pressure).unwrap()) - 1.0).abs() < 2e-4);
        }

        /// Whatever is typed, it is read or refused.
        #[test]
        fn nothing_typed_brings_it_down(text in "\\PC{0,40}") {
            let _ = text.parse::<Velocity>();
            let _ = text.parse::<StatedFlow>();
            let _ = text.parse::<StatedHumidity>();
            let _ = text.parse::<Basis>();
        }
    }
}
