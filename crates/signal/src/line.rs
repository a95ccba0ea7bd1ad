//! Straight lines from one span to another: 4-20 mA ↔ 0-50 m/s.

use zonda_model::written::Span;

/// Why a line cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadLine {
    /// A span with both ends alike, or not finite.
    #[error("a span from {from} to {to} {unit} is empty", from = .0.from, to = .0.to, unit = .0.unit)]
    Empty(Span),
}

/// A straight line through two points; it goes on beyond them. Either span may be reversed:
/// 4-20 mA ↔ 500-0 °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    from: Span,
    to: Span,
    /// Both ends of `to`, SI.
    ends: (f64, f64),
}

impl Line {
    /// The line that takes `from`'s ends to `to`'s ends.
    ///
    /// # Errors
    /// [`BadLine::Empty`].
    pub fn new(from: Span, to: Span) -> Result<Self, BadLine> {
        for span in [from, to] {
            if !(span.to - span.from).is_normal() {
                return Err(BadLine::Empty(span));
            }
        }
        Ok(Self {
            from,
            to,
            ends: (to.unit.to_si(to.from), to.unit.to_si(to.to)),
        })
    }

    /// The span that it comes from, as written.
    pub const fn from(&self) -> Span {
        self.from
    }

    /// The span that it goes to, as written.
    pub const fn to(&self) -> Span {
        self.to
    }

    /// Both ends of [`to`](Self::to), SI.
    pub(crate) const fn ends(&self) -> (f64, f64) {
        self.ends
    }

    /// The value for `x`; both in SI.
    pub fn at(&self, x: f64) -> f64 {
        let (at_from, at_to) = self.ends;
        at_from + fraction(self.from, x) * (at_to - at_from)
    }
}

/// Where in a span `x` (SI) stands: 0 at its first end, 1 at its second, beyond them outside it.
pub(crate) fn fraction(span: Span, x: f64) -> f64 {
    (span.unit.from_si(x) - span.from) / (span.to - span.from)
}
