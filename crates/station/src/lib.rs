//! The daemon without its doors: lines, mapping, recorder and live board, wired together.
//!
//! The way of the data is one direction, without loops:
//!
//! ```text
//! lines ─scans─▶ desk ─samples─▶ recorder ─▶ the record
//!                  ├────────────▶ board      ─▶ whoever looks
//!                  └────────────▶ live       ─▶ whoever listens
//! ```
//!
//! The HTTP side and the command line look in from outside; nothing here knows them.

pub mod agreement;
pub mod board;
pub mod correction;
mod derived;
mod desk;
mod finding;
pub mod loopcheck;
mod mapper;
mod pairing;
mod patience;
mod presence;
pub mod prestart;
pub mod runs;
mod standing;
mod station;
mod still;
mod supervisor;

pub use station::{StartError, Station, Stopped};

use std::sync::Arc;

use zonda_model::Sample;

/// Live samples of one hand-over; `channel` is the index in the configuration.
pub type Samples = Arc<[Sample<usize>]>;
