//! Steps: what is done, one after the other, to come from the signal to the value.
//!
//! Each step takes one quantity and gives one; [`Mapping`](crate::Mapping) checks that they fit
//! together. A step never clamps: outside its validity it flags what it extrapolates, or has no value.

use zonda_model::{Quality, Quantity, Unit};

use crate::certificate::Certificate;
use crate::companion::Companion;
use crate::line::Line;
use crate::platinum::{BadPlatinum, Platinum};
use crate::root::{Pitot, SquareRoot};
use crate::table::{Polynomial, Table};
use crate::thermocouple::{OutOfReach, Thermocouple};

/// One step from signal to value.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// A straight line between two spans.
    Line(Line),
    /// Square-root extraction from the signal of a differential pressure.
    SquareRoot(SquareRoot),
    /// From a differential pressure to the velocity before a pitot tube.
    Pitot(Pitot),
    /// A characteristic given by points.
    Table(Table),
    /// A characteristic given by coefficients.
    Polynomial(Polynomial),
    /// From the resistance of a platinum thermometer to its temperature.
    Platinum(Platinum),
    /// From a thermocouple's e.m.f. to its temperature.
    Thermocouple(Thermocouple, ColdJunction),
    /// From a reading to what a certificate says it stands for.
    Certificate(Box<Certificate>),
}

/// The temperature of the terminals where a thermocouple ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ColdJunction {
    /// Always this (°C): an ice bath, a thermostat, or 0 where the module has compensated already
    /// and states the e.m.f. against 0 °C.
    At(f64),
    /// Another channel measures it: the companion of [`Mapping::map_with`](crate::Mapping::map_with).
    Measured,
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

    /// No value, and why.
    const fn none(quality: Quality) -> Self {
        Self {
            value: None,
            quality,
        }
    }
}

impl Step {
    /// True where the step can be fed with this quantity.
    pub fn accepts(&self, quantity: Quantity) -> bool {
        match self {
            // humidity is a quantity of its own with the units of a ratio
            Self::Certificate(certificate) => certificate.quantity().accepts(quantity.si()),
            _ => quantity.accepts(self.input()),
        }
    }

    /// The unit in which its input is stated.
    pub fn input(&self) -> Unit {
        match self {
            Self::Line(line) => line.from().unit,
            Self::SquareRoot(root) => root.from().unit,
            Self::Pitot(_) => Unit::Pascal,
            Self::Table(table) => table.from(),
            Self::Polynomial(polynomial) => polynomial.domain().unit,
            Self::Platinum(_) => Unit::Ohm,
            Self::Thermocouple(..) => Unit::Volt,
            Self::Certificate(certificate) => certificate.unit(),
        }
    }

    /// The unit in which its output is stated.
    pub fn output(&self) -> Unit {
        match self {
            Self::Line(line) => line.to().unit,
            Self::SquareRoot(root) => root.to().unit,
            Self::Pitot(_) => Unit::MetrePerSecond,
            Self::Table(table) => table.to(),
            Self::Polynomial(polynomial) => polynomial.to(),
            Self::Platinum(_) | Self::Thermocouple(..) => Unit::DegreeCelsius,
            Self::Certificate(certificate) => certificate.unit(),
        }
    }

    /// Takes the step; input and output in SI. Only a thermocouple looks at its companion.
    pub fn take(&self, input: f64, companion: Companion) -> Stepped {
        match self {
            Self::Line(line) => Stepped::good(line.at(input)),
            Self::SquareRoot(root) => root.at(input),
            Self::Pitot(pitot) => pitot.at(input),
            Self::Table(table) => table.at(input),
            Self::Polynomial(polynomial) => polynomial.at(input),
            Self::Platinum(platinum) => thermometer(platinum, input),
            Self::Thermocouple(kind, ColdJunction::At(celsius)) => {
                couple(*kind, input, Companion::good(*celsius))
            }
            Self::Thermocouple(kind, ColdJunction::Measured) => couple(*kind, input, companion),
            Self::Certificate(certificate) => {
                let corrected = certificate.correct(input);
                Stepped {
                    value: Some(corrected.value),
                    quality: corrected.quality,
                }
            }
        }
    }

    /// An input (SI) from the middle of what the step is for, where its slope is typical.
    pub(crate) fn typical_input(&self) -> f64 {
        /// Where ovens work, °C.
        const WARM: f64 = 200.0;
        let middle = |(from, to): (f64, f64)| self.input().to_si(f64::midpoint(from, to));
        match self {
            Self::Line(line) => middle((line.from().from, line.from().to)),
            Self::SquareRoot(root) => middle((root.from().from, root.from().to)),
            Self::Pitot(_) => 100.0,
            Self::Table(table) => middle(table.curve().domain()),
            Self::Polynomial(polynomial) => {
                middle((polynomial.domain().from, polynomial.domain().to))
            }
            Self::Platinum(platinum) => platinum.resistance(WARM).unwrap_or_default(),
            Self::Thermocouple(kind, _) => {
                let (from, to) = kind.invertible();
                kind.emf(WARM.clamp(from, to)).unwrap_or_default()
            }
            Self::Certificate(certificate) => {
                middle((certificate.range().from, certificate.range().to))
            }
        }
    }
}

fn thermometer(platinum: &Platinum, ohm: f64) -> Stepped {
    match platinum.temperature(ohm) {
        Ok(celsius) => Stepped::good(celsius),
        Err(BadPlatinum::Resistance { to, .. }) if ohm > to => Stepped::none(Quality::OVER_RANGE),
        Err(_) => Stepped::none(Quality::UNDER_RANGE),
    }
}

/// A couple whose terminals' temperature is unknown has no value: compensation is no small matter.
fn couple(kind: Thermocouple, emf: f64, terminals: Companion) -> Stepped {
    let Some(celsius) = terminals.value else {
        return Stepped::none(Quality::MOVED);
    };
    let doubt = terminals.doubt();
    match kind.compensated(emf, celsius) {
        Ok(celsius) => Stepped {
            value: Some(celsius),
            quality: doubt,
        },
        Err(OutOfReach::Emf { millivolt, to, .. }) if millivolt > to => {
            Stepped::none(doubt | Quality::OVER_RANGE)
        }
        Err(OutOfReach::Emf { .. }) => Stepped::none(doubt | Quality::UNDER_RANGE),
        Err(OutOfReach::Temperature { .. }) => Stepped::none(Quality::MOVED),
    }
}
