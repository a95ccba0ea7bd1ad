//! The physics of hot air that a test report rests on.
//!
//! What is here: the properties of dry and moist air ([`Air`]); velocity that never loses its basis
//! ([`Velocity`]); the pitot tube ([`Pitot`]); where to put a probe in a duct ([`duct`]) and what
//! flows through it ([`Flow`]); heat and fresh air of an oven ([`exhaust`],
//! [`air_change`], [`dilution`]); all of that with its uncertainty ([`known`], [`budget`]).
//!
//! Words: *actual* is what happens in the duct, *standard* is the same mass of air as if it had the
//! density of a stated reference, *normal* is standard at 0 °C and 101.325 kPa, the *humidity ratio*
//! is the mass of water vapour per mass of dry air.
//!
//! Everything is SI inside; temperatures are °C as shown and kelvin in the formulae. Pure: no I/O,
//! no clock. Layouts of an oven's work zone and statistics over time belong to `zonda-evaluate`.
//!
//! Marks in the docs: *from memory* is a figure recalled from a standard that has not been held
//! against the printed text; *common practice, no source* is what it says. A report prints such
//! marks with the figure.
//!
//! A thermal meter shows 6 m/s at 70 °F and 101.325 kPa in a duct of 0.4 m at 200 °C and 95 kPa; the room's air
//! had 23 °C and 50 % relative humidity:
//!
//! ```
//! use zonda_air::duct::Shape;
//! use zonda_air::flow::PointReading;
//! use zonda_air::{Air, Basis, Flow, Humidity, Length, Pressure, Reference, Temperature, Velocity};
//! use zonda_model::Unit;
//!
//! let pressure = Pressure::new(95.0, Unit::Kilopascal)?;
//! let room = Air::new(Temperature::new(23.0, Unit::DegreeCelsius)?, pressure, Humidity::Relative(0.5))?;
//! let duct = room.at(Temperature::new(200.0, Unit::DegreeCelsius)?, pressure)?;
//!
//! let shown = Velocity::standard(6.0, Reference::FAHRENHEIT_70)?;
//! let actual = shown.to(Basis::Actual, duct);
//! assert_eq!(shown.to_string(), "6.00 m/s (standard: 21.1 °C, 101.325 kPa, dry)");
//! assert_eq!(actual.to_string(), "10.35 m/s (actual)");
//!
//! let area = Shape::circular(Length::new(400.0, Unit::Millimetre)?).area();
//! let flow = Flow::of(PointReading { velocity: shown, air: duct }, area);
//! assert!((flow.mass().si() - 0.9047).abs() < 1e-4, "kg/s, whatever the duct's temperature");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

#![expect(
    clippy::doc_markdown,
    reason = "the docs are full of formulae, which code marks would make unreadable"
)]

pub mod air_change;
pub mod barometer;
pub mod budget;
mod conductivity;
pub mod constants;
pub mod dilution;
pub mod duct;
pub mod exhaust;
pub mod flow;
mod humid;
mod ideal_gas;
pub mod known;
pub mod law;
pub mod model;
mod pitot;
mod property;
mod quantity;
mod reference;
pub mod saturation;
mod velocity;
mod virial;
mod viscosity;
pub mod written;

pub use flow::Flow;
pub use humid::{Air, AirError, Humidity, RANGE, Range};
pub use known::{KnownAir, KnownVelocity, LawError};
pub use pitot::{Pitot, PitotError, PitotUncertainty};
pub use property::Property;
pub use quantity::{
    Area, BadQuantity, Density, Length, MassFlow, Pressure, PressureDifference, Temperature,
    Volume, VolumeFlow,
};
pub use reference::{Reference, ReferenceError};
pub use velocity::{Basis, Velocity, VelocityError};
