//! Slopes: by how much a value moves with the signal behind it, where both are known to lie on the way of a mapping.
//!
//! An uncertainty stated of the signal (a converter's accuracy, a shunt's tolerance) becomes one of the value by the slope at that
//! value. Each step has its own in closed form; the way's is their product, taken from the value backwards, since what is known
//! is the value.
//!
//! There is none where the value does not follow the signal: at the 0 that stands for everything below a root's cut-off, and
//! outside the domain of a polynomial or a thermometer's function. A value between that 0 and the root's own at the cut-off, as a
//! mean can have it, takes the root's slope there.

use crate::certificate::Certificate;
use crate::companion::Companion;
use crate::mapping::Mapping;
use crate::root::{Pitot, SquareRoot};
use crate::step::{ColdJunction, Step};
use crate::table::Polynomial;

/// A value's signal, and by how much the value moves with it; SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// The signal behind the value (V, A, or what the source says).
    pub signal: f64,
    /// dv/ds: the value's movement over the signal's.
    pub slope: f64,
}

impl Mapping {
    /// The signal behind a value (SI), and the slope of the whole way there, the certificate included. The terminals of a
    /// thermocouple are taken at 0 °C, where another channel measures them: that changes the e.m.f. and not the slope.
    ///
    /// `None` where the value does not follow the signal, or cannot come from this mapping.
    pub fn slope_at(&self, value: f64) -> Option<Slope> {
        let mut at = Slope {
            signal: value,
            slope: 1.0,
        };
        for step in self.steps().iter().rev() {
            let before = step.back(at.signal)?;
            at = Slope {
                signal: before.signal,
                slope: at.slope * before.slope,
            };
        }
        let is_one = at.signal.is_finite() && at.slope.is_finite() && at.slope != 0.0;
        is_one.then_some(at)
    }

    /// What the ends of the signal's span stand for, SI; `None` without a signal, or where an end stands for nothing.
    pub fn ends(&self) -> Option<(f64, f64)> {
        let span = self.signal()?.span();
        let end = |signal: f64| {
            let mut at = span.unit.to_si(signal);
            for step in self.steps() {
                at = step.take(at, Companion::good(0.0)).value?;
            }
            Some(at)
        };
        Some((end(span.from)?, end(span.to)?))
    }
}

impl Step {
    /// The input behind an output, and the step's slope there; SI.
    fn back(&self, output: f64) -> Option<Slope> {
        match self {
            Self::Line(line) => {
                let (low, high) = line.ends();
                let (from, to) = (line.from(), line.to());
                let width = from.unit.difference_to_si(from.to - from.from);
                let slope = to.unit.difference_to_si(to.to - to.from) / width;
                let share = (output - low) / (high - low);
                let signal = from.unit.to_si(from.from) + share * width;
                Some(Slope { signal, slope })
            }
            Self::SquareRoot(root) => root_back(root, output),
            Self::Pitot(pitot) => pitot_back(pitot, output),
            Self::Table(table) => {
                let (from, to) = (table.from(), table.to());
                let x = table.curve().back(to.from_si(output));
                let factor = to.difference_to_si(1.0) / from.difference_to_si(1.0);
                Some(Slope {
                    signal: from.to_si(x),
                    slope: table.curve().slope(x) * factor,
                })
            }
            Self::Polynomial(polynomial) => polynomial_back(polynomial, output),
            Self::Platinum(platinum) => Some(Slope {
                signal: platinum.resistance(output).ok()?,
                slope: 1.0 / platinum.sensitivity(output).ok()?,
            }),
            Self::Thermocouple(kind, junction) => {
                let terminals = match junction {
                    ColdJunction::At(celsius) => *celsius,
                    ColdJunction::Measured => 0.0,
                };
                Some(Slope {
                    signal: kind.emf(output).ok()? - kind.emf(terminals).ok()?,
                    slope: 1.0 / kind.seebeck(output).ok()?,
                })
            }
            Self::Certificate(certificate) => Some(certificate_back(certificate, output)),
        }
    }
}

/// y = Y·√f: f = (y/Y)², dy/df = Y²/(2 y).
fn root_back(root: &SquareRoot, output: f64) -> Option<Slope> {
    let (from, to) = (root.from(), root.to());
    let full = to.unit.to_si(to.to);
    let share = output / full;
    if share <= 0.0 {
        return None;
    }
    let width = from.unit.difference_to_si(from.to - from.from);
    Some(Slope {
        signal: from.unit.to_si(from.from) + share * share * width,
        slope: full / (2.0 * share * width),
    })
}

/// v = C·√(2 p/ρ): p = ρ/2·(v/C)², dv/dp = C²/(ρ v).
fn pitot_back(pitot: &Pitot, output: f64) -> Option<Slope> {
    if output <= 0.0 {
        return None;
    }
    let (c, density) = (pitot.coefficient(), pitot.density());
    Some(Slope {
        signal: density / 2.0 * (output / c).powi(2),
        slope: c * c / (density * output),
    })
}

fn polynomial_back(polynomial: &Polynomial, output: f64) -> Option<Slope> {
    let (domain, to) = (polynomial.domain(), polynomial.to());
    let wanted = to.from_si(output);
    let (at_from, at_to) = (
        polynomial.value(domain.from).0,
        polynomial.value(domain.to).0,
    );
    let (low, high) = (at_from.min(at_to), at_from.max(at_to));
    let margin = 1e-9 * (high - low);
    if !(low - margin..=high + margin).contains(&wanted) {
        return None;
    }
    let x = crate::invert::halve(|x| polynomial.value(x).0, (domain.from, domain.to), wanted);
    let factor = to.difference_to_si(1.0) / domain.unit.difference_to_si(1.0);
    Some(Slope {
        signal: domain.unit.to_si(x),
        slope: polynomial.value(x).1 * factor,
    })
}

/// Input and output of a certificate have one unit, so that its slope is the same in SI.
fn certificate_back(certificate: &Certificate, output: f64) -> Slope {
    let unit = certificate.unit();
    let (reading, slope) = certificate.reading_behind(unit.from_si(output));
    Slope {
        signal: unit.to_si(reading),
        slope,
    }
}
