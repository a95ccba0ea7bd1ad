//! Characteristics: how an electrical quantity becomes the physical one.

use zonda_model::Quantity;
use zonda_model::written::{BadWriting, Span};

/// Why a range cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadRange {
    /// The unit is one of another quantity.
    #[error(transparent)]
    Quantity(BadWriting),
    /// Both ends alike, or not finite.
    #[error("the range from {0} to {1} is empty")]
    Empty(f64, f64),
}

/// The span of the physical quantity that the signal's span stands for. It may be reversed:
/// 4-20 mA ↔ 500-0 °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    written: Span,
    /// Value at the signal's low end, SI.
    at_low: f64,
    /// Value at the signal's high end, SI.
    at_high: f64,
}

impl Range {
    /// A range of `quantity`.
    ///
    /// # Errors
    /// [`BadRange`] where the unit belongs to another quantity or both ends are alike.
    pub fn new(quantity: Quantity, written: Span) -> Result<Self, BadRange> {
        let (at_low, at_high) = written.si(quantity).map_err(BadRange::Quantity)?;
        if !(at_high - at_low).is_normal() {
            return Err(BadRange::Empty(written.from, written.to));
        }
        Ok(Self {
            written,
            at_low,
            at_high,
        })
    }

    /// The range as written.
    pub const fn written(self) -> Span {
        self.written
    }

    /// The value at a fraction of the signal's span, SI; it goes on in a straight line outside 0 to 1.
    pub fn at(self, fraction: f64) -> f64 {
        self.at_low + fraction * (self.at_high - self.at_low)
    }

    /// The width, SI; always positive.
    pub const fn width_si(self) -> f64 {
        (self.at_high - self.at_low).abs()
    }
}

/// How what was measured becomes the value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Characteristic {
    /// What was measured is the value: a device that speaks in units, or a channel that records volts.
    Direct,
    /// A straight line from the signal's span to a range.
    Linear(Range),
}
