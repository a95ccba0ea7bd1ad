//! The configuration: one TOML file, the truth about the wiring.
//!
//! Text goes in, a checked [`Config`] or every mistake at once comes out ([`check`]). Nothing here
//! opens a file or a port. The keys are data ([`keys`]): the check for unknown ones, the JSON Schema
//! for editors and the reference in the documentation are all made from the one list.

mod check;
mod code;
pub mod fault;
pub mod iio;
pub mod keys;
mod line;
mod module;
mod output;
mod plan;
pub mod reference;
mod rules;
pub mod schema;
mod section;
mod signal;
mod source;
mod syntax;
mod text;

pub use check::{Checked, check};
pub use fault::{Fault, Faults};
pub use iio::{IioChannel, IioDevice, IioPlan, IioReading};
pub use plan::*;
