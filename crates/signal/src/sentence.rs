//! A mapping in one line for people: `16 bit two's complement, 0.3125 mV a count, 4-20 mA across 249 Ω, 0-50 m/s`.
//!
//! For the page, the report and the log; the record keeps the exact [`Description`](crate::Description).

use std::fmt;

use zonda_model::written::Span;

use crate::certificate::Certificate;
use crate::code::{CodeFormat, Coding, Integer};
use crate::mapping::Mapping;
use crate::signal::Signal;
use crate::step::{ColdJunction, Step};

impl fmt::Display for Mapping {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let scale = self.scale();
        write!(f, "{}", self.format())?;
        if self.format().has_counts() {
            write!(f, ", {} {} a count", scale.step(), scale.unit())?;
        } else {
            write!(f, " in {}", scale.unit())?;
        }
        if scale.zero_count() != 0.0 {
            write!(f, " from {} on", scale.zero_count())?;
        }
        if let Some(signal) = self.signal() {
            write!(f, ", {signal}")?;
        }
        for step in self.steps() {
            write!(f, ", {step}")?;
        }
        match (self.envelope(), self.companion()) {
            (None, None) => Ok(()),
            (None, Some(channel)) => write!(f, " by {channel}"),
            (Some(_), None) => f.write_str(", within its envelope"),
            (Some(_), Some(channel)) => write!(f, ", within its envelope by {channel}"),
        }
    }
}

impl fmt::Display for CodeFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Integer(integer) => integer.fmt(f),
            Self::Float32(_) => f.write_str("32 bit float"),
            Self::Count => f.write_str("count"),
            Self::Number => f.write_str("number"),
        }
    }
}

impl fmt::Display for Integer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let coding = match self.coding {
            Coding::Unsigned => "straight binary",
            Coding::Signed => "two's complement",
            Coding::OffsetBinary => "offset binary",
        };
        write!(f, "{} bit {coding}", self.bits)?;
        if self.left_justified {
            f.write_str(", left-justified")?;
        }
        Ok(())
    }
}

impl fmt::Display for Signal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_span(f, self.span())?;
        match self.shunt() {
            Some(shunt) => write!(f, " across {} {}", shunt.value, shunt.unit),
            None => Ok(()),
        }
    }
}

impl fmt::Display for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(line) => write_span(f, line.to()),
            Self::SquareRoot(root) => {
                f.write_str("square root to ")?;
                write_span(f, root.to())
            }
            Self::Pitot(pitot) => write!(
                f,
                "pitot tube of coefficient {} in {} kg/m³",
                pitot.coefficient(),
                pitot.density()
            ),
            Self::Table(table) => {
                let points = table.curve().points().len();
                write!(f, "table of {points} points to {}", table.to())
            }
            Self::Polynomial(polynomial) => write!(
                f,
                "polynomial of {} coefficients to {}",
                polynomial.coefficients().len(),
                polynomial.to()
            ),
            Self::Platinum(platinum) => write!(f, "Pt{}", platinum.coefficients().0),
            Self::Thermocouple(kind, ColdJunction::At(celsius)) => {
                write!(f, "thermocouple type {kind}, terminals at {celsius} °C")
            }
            Self::Thermocouple(kind, ColdJunction::Measured) => {
                write!(f, "thermocouple type {kind}, terminals measured")
            }
            Self::Certificate(certificate) => certificate.fmt(f),
        }
    }
}

impl fmt::Display for Certificate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let heading = self.heading();
        write!(f, "certificate {} of {}", heading.number, heading.date)
    }
}

/// As it was written; a dash between numbers below zero would not be read.
fn write_span(f: &mut fmt::Formatter<'_>, Span { from, to, unit }: Span) -> fmt::Result {
    let joint = if from < 0.0 || to < 0.0 { " to " } else { "-" };
    write!(f, "{from}{joint}{to} {unit}")
}
