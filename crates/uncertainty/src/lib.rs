//! How well a number is known.
//!
//! What is here: straight lines through points with the uncertainty of what they say ([`line`]).
//!
//! Words: u is a *standard* uncertainty (a standard deviation), U = k·u an *expanded* one.
//!
//! Pure: no I/O, no clock. What is measured, and with what, belongs to others: this crate knows numbers,
//! units and names.
//!
//! Marks in the docs: *from memory* is a figure recalled from a standard that has not been held
//! against the printed text; *common practice, no source* is what it says.

#![expect(
    clippy::doc_markdown,
    reason = "the docs are full of formulae, which code marks would make unreadable"
)]

mod float;
pub mod line;

pub use line::{BadLine, Line, NoisyPoint};
