//! The words of the trade as types: names, units, quantities, codes, samples, quality, gaps, time.
//!
//! Everyone may use this crate; it uses nobody. No I/O, no clock, no async: a [`time::Stamp`] is
//! handed in, never asked for. Types here do not serialise themselves: what goes over HTTP, into a
//! row or into a file is a type of its own at that edge.

pub mod gap;
pub mod name;
pub mod quality;
pub mod quantity;
pub mod run;
pub mod sample;
pub mod scan;
pub mod time;
mod true_utc;
pub mod unit;
pub mod written;

pub use gap::Cause;
pub use name::{ChannelName, Name};
pub use quality::Quality;
pub use quantity::Quantity;
pub use run::RunId;
pub use sample::{Code, Sample};
pub use scan::{Coded, Miss, Scan, SourceId};
pub use time::{Period, Stamp};
pub use true_utc::TrueUtc;
pub use unit::Unit;
