//! Code → signal → value: what a converter hands over becomes a number in SI with its quality.
//!
//! The words: a *code* is what the device said, untouched; a [`CodeFormat`] says how its bits are
//! read; a [`Scale`] says what one count stands for; a [`Signal`] is the electrical span of an
//! instrument's output with its fault bands; [`Step`]s lead from it to the
//! quantity. A [`Mapping`] holds them all, checked against one another, and goes the whole way in
//! [`Mapping::map`].
//!
//! Pure: no I/O, no clock. What a line knows about an answer (`late`, `held`, …) and what the rest
//! of the station knows about a channel (`stuck`, `noisy`) is left to them.

pub mod certificate;
pub mod certificate_csv;
pub mod code;
pub mod companion;
pub mod curve;
pub mod description;
pub mod envelope;
pub mod fit;
mod invert;
pub mod line;
pub mod mapping;
pub mod platinum;
pub mod root;
pub mod scale;
mod sentence;
pub mod signal;
pub mod slope;
pub mod step;
pub mod table;
pub mod thermocouple;

pub use certificate::{Certificate, Method};
pub use code::{CodeFormat, Coding, EndCodes, Integer, WordOrder};
pub use companion::Companion;
pub use curve::{Curve, Interpolation};
pub use description::{BadDescription, Description};
pub use envelope::Envelope;
pub use fit::Fit;
pub use line::Line;
pub use mapping::{Mapping, MappingBuilder, MappingError};
pub use platinum::Platinum;
pub use root::{Pitot, SquareRoot};
pub use scale::Scale;
pub use signal::{FailureBands, Outside, Reaction, Signal, SpanRule};
pub use slope::Slope;
pub use step::{ColdJunction, Step, Stepped};
pub use table::{Polynomial, Table};
pub use thermocouple::Thermocouple;
