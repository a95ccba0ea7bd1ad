//! Code → signal → value: what a converter hands over becomes a number in SI with its quality.
//!
//! The words: a *code* is what the device said, untouched; a [`CodeFormat`] says how its bits are
//! read; a [`Scale`] says what one count stands for; a [`Signal`] is the electrical span of an
//! instrument's output with its fault bands; a [`Characteristic`] turns it into the quantity. A
//! [`Mapping`] holds one of each, checked against one another, and does the whole way in [`Mapping::map`].
//!
//! Pure: no I/O, no clock. What a line knows about an answer (`late`, `held`, …) and what the rest
//! of the station knows about a channel (`stuck`, `noisy`) is left to them.

pub mod characteristic;
pub mod code;
pub mod mapping;
pub mod scale;
pub mod signal;

pub use characteristic::{Characteristic, Range};
pub use code::{CodeFormat, Coding, EndCodes, Integer, WordOrder};
pub use mapping::{Mapping, MappingBuilder, MappingError};
pub use scale::Scale;
pub use signal::{FailureBands, Outside, Reaction, Signal, SpanRule};
