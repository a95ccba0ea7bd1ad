//! Plots as SVG: courses over time, a zone by number and grey, a profile along a traverse.
//!
//! Black on white with greys, as a copy of a copy still shows them: a band from the lowest to the highest
//! value of each bucket, the mean as a line, hatching where samples are missing. Pure: numbers in, text out.

mod course;
mod map;
mod paper;
mod profile;

pub use course::{Course, Mark};
pub use map::{Dot, map};
pub use profile::profile;
