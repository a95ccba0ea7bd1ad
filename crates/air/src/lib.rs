//! tmp
mod conductivity;
pub mod constants;
mod humid;
mod ideal_gas;
mod property;
mod quantity;
pub mod saturation;
mod virial;
mod viscosity;
pub use humid::{Air, AirError, Humidity, RANGE, Range};
pub use property::Property;
pub use quantity::*;
