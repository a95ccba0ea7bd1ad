//! How well a number is known.
//!
//! What is here: straight lines through points with the uncertainty of what they say ([`mod@line`]); budgets by the
//! *Guide to the expression of uncertainty in measurement*, JCGM 100:2008 ([`budget`]), and how they are stated
//! ([`stated`]); laws that carry budgets from inputs to results ([`law`]); their cross-check by drawing, JCGM 101:2008
//! ([`trial`]); whether a result is within its limits ([`conformity`]).
//!
//! Words: u is a *standard* uncertainty (a standard deviation), U = k·u an *expanded* one; an *influence* is one cause
//! of doubt, its *sensitivity* is by how much the result moves with it.
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

pub mod budget;
mod causes;
pub mod conformity;
pub mod dof;
mod draw;
mod drawing;
mod figures;
mod float;
pub mod influence;
pub mod law;
pub mod line;
mod matrix;
mod sheet;
pub mod slope;
pub mod spread;
pub mod stated;
pub mod trial;

pub use budget::{BadBudget, Budget, Draft, Expanded, Row, Tie};
pub use dof::{Dof, Level};
pub use influence::{Common, Influence, Origin, Shared};
pub use line::{BadLine, Line, NoisyPoint};
pub use spread::{BadSpread, Evaluation, Shape, Spread};
pub use stated::Stated;
pub use trial::{Outcome, Trial};
