//! From stored samples to statements that stand in a test report.
//!
//! What is here: means over stretches, windows and moving windows ([`mean`], [`windows`], [`moving`]),
//! since when and until when a channel is steady ([`steadiness`]); how even a work zone is ([`zone`]); how fast something rises,
//! settles and recovers ([`transient`]); how far a channel and its means may be off ([`doubt`]), and a survey's figures with
//! them ([`worth`]).
//!
//! Words: a *reading* is a value with its quality and time; a *stretch* is a piece of time; *coverage* is the
//! share of a stretch that good readings speak for. Gaps are never filled and nothing is carried across them. Every result says
//! how many readings it used, how many it left out and why, and is refused where too little is left.
//!
//! Values are in the SI unit of their quantity (°C for temperatures as shown, K for their differences). Pure: no I/O, no
//! clock, no hidden randomness; the same samples give the same result on any day. The physics of air and the
//! flow through ducts belong to `zonda-air`.
//!
//! Marks in the docs: *from memory* is a figure recalled from a standard that has not been held
//! against the printed text; *common practice, no source* is what it says. A report prints such
//! marks with the figure.
//!
//! A probe in a curing oven reads 180 °C a minute long, and twenty of the readings are below its threshold:
//!
//! ```
//! use zonda_evaluate::{Averaging, MeanRule, Reading, Stretch};
//! use zonda_model::{Period, Quality, Stamp};
//!
//! let minute = Stretch::new(Stamp::from_millis(0), Stamp::from_millis(60_000))?;
//! let mut averaging = Averaging::new(minute, MeanRule::every(Period::SECOND));
//! for second in 0..60 {
//!     let reading = Reading::good(Stamp::from_millis(1000 * second), 180.0);
//!     let quality = if second < 20 { Quality::BELOW_THRESHOLD } else { Quality::empty() };
//!     averaging.push(&Reading { quality, ..reading })?;
//! }
//! let refusal = averaging.finish().unwrap_err();
//! assert_eq!(refusal.tally.to_string(), "40 used, 20 left out: below_threshold 20");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

#![expect(
    clippy::doc_markdown,
    reason = "the docs are full of formulae, which code marks would make unreadable"
)]

pub mod allan;
mod band;
mod bend;
mod blocks;
pub mod coverage;
pub mod doubt;
pub mod effective;
mod float;
mod local_line;
pub mod mean;
pub mod moments;
pub mod moved;
pub mod moving;
mod reading;
pub mod robust;
pub mod soak;
pub mod steadiness;
mod stretch;
mod sum;
pub mod transient;
pub mod weighted;
pub mod windows;
pub mod worth;
pub mod zone;

pub use band::{BadBand, Band};
pub use doubt::{ChannelDoubts, Doubt};
pub use mean::{Averaging, Mean, MeanRule};
pub use moments::Moments;
pub use reading::{Reading, Sieve, Tally};
pub use soak::{InBand, Soak, Soaking};
pub use steadiness::{State, Steadiness, SteadyRule, steady_stretches};
pub use stretch::{EmptyStretch, Stretch};
pub use transient::Course;

/// Straight lines, budgets and their checks, as every evaluation uses them.
pub use zonda_uncertainty as uncertainty;
