//! Steps: what is done, one after the other, to come from the signal to the value.
//!
//! Each step takes one quantity and gives one; [`Mapping`](crate::Mapping) checks that they fit
//! together. A step never clamps: outside its validity it flags what it extrapolates, or has no value.

use zonda_model::{Quality, Quantity, Unit};

use crate::line::Line;
use crate::root::{Pitot, SquareRoot};

/// One step from signal to value.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// A straight line between two spans.
    Line(Line),
    /// Square-root extraction from the signal of a differential pressure.
    SquareRoot(SquareRoot),
    /// From a differential pressure to the velocity before a pitot tube.
    Pitot(Pitot),
}

/// What a step makes of a number: a value in SI, or none, and what is to be said of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stepped {
    /// The value, SI.
    pub value: Option<f64>,
    /// What is to be said of it.
    pub quality: Quality,
}

impl Stepped {
    /// A value that nothing speaks against.
    pub const fn good(value: f64) -> Self {
        Self {
            value: Some(value),
            quality: Quality::empty(),
        }
    }
}

impl Step {
    /// True where the step can be fed with this quantity.
    pub fn accepts(&self, quantity: Quantity) -> bool {
        match self {
            Self::Line(line) => line.accepts(quantity),
            Self::SquareRoot(root) => root.accepts(quantity),
            Self::Pitot(_) => quantity.accepts(Pitot::INPUT),
        }
    }

    /// The unit in which its input is stated.
    pub const fn input(&self) -> Unit {
        match self {
            Self::Line(line) => line.from().unit,
            Self::SquareRoot(root) => root.from().unit,
            Self::Pitot(_) => Pitot::INPUT,
        }
    }

    /// The unit in which its output is stated.
    pub const fn output(&self) -> Unit {
        match self {
            Self::Line(line) => line.to().unit,
            Self::SquareRoot(root) => root.to().unit,
            Self::Pitot(_) => Pitot::OUTPUT,
        }
    }

    /// Takes the step; input and output in SI.
    pub fn take(&self, input: f64) -> Stepped {
        match self {
            Self::Line(line) => Stepped::good(line.at(input)),
            Self::SquareRoot(root) => root.at(input),
            Self::Pitot(pitot) => pitot.at(input),
        }
    }
}
