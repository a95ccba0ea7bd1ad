//! Square roots: from a differential pressure, or the signal that stands for one, to a velocity.
//!
//! The root must be taken exactly once along the chain: a transmitter that extracts it already is
//! mapped by a [`Line`](crate::Line). Below the cut-off the result is 0 and flagged as below the
//! threshold, because there the root turns the smallest noise into velocity.

use zonda_model::Quality;
use zonda_model::written::Span;

use crate::line::fraction;
use crate::step::Stepped;

/// How far below a cut-off rounding alone can put a fraction that stands at it.
const ROUNDING: f64 = 1e-12;

/// Why a root cannot be taken.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadRoot {
    /// A span with both ends alike, or not finite.
    #[error("a span from {from} to {to} {unit} is empty", from = .0.from, to = .0.to, unit = .0.unit)]
    Empty(Span),
    /// The result does not begin at zero.
    #[error(
        "square-root extraction begins at zero: write `0-{to} {unit}`, not `{from}-{to} {unit}`",
        from = .0.from, to = .0.to, unit = .0.unit
    )]
    NotFromZero(Span),
    /// A cut-off outside 0 to 1.
    #[error("the cut-off is a fraction of the pressure's span, from 0 to less than 1, not {0}")]
    CutOff(f64),
    /// A number that must be positive.
    #[error("{what} must be a positive number, not {value}")]
    NotPositive {
        /// What it is.
        what: &'static str,
        /// What was given.
        value: f64,
    },
}

/// Square-root extraction: y = full scale · √x, x the fraction of the span that stands for the
/// differential pressure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SquareRoot {
    from: Span,
    to: Span,
    cut_off: f64,
}

impl SquareRoot {
    /// The cut-off usual for differential-pressure velocities, 1 % of the pressure's span, which is
    /// 10 % of the velocity's (common practice, no source).
    pub const CUT_OFF_USUAL: f64 = 0.01;

    /// From the span of a signal or pressure to `0 - full scale`; 0 below `cut_off`, a fraction of `from`.
    ///
    /// # Errors
    /// [`BadRoot`].
    pub fn new(from: Span, to: Span, cut_off: f64) -> Result<Self, BadRoot> {
        for span in [from, to] {
            if !(span.to - span.from).is_normal() {
                return Err(BadRoot::Empty(span));
            }
        }
        if to.from != 0.0 || to.unit.to_si(0.0) != 0.0 {
            return Err(BadRoot::NotFromZero(to));
        }
        if !(0.0..1.0).contains(&cut_off) {
            return Err(BadRoot::CutOff(cut_off));
        }
        Ok(Self { from, to, cut_off })
    }

    /// The span that it comes from, as written.
    pub const fn from(&self) -> Span {
        self.from
    }

    /// The span that it goes to, as written.
    pub const fn to(&self) -> Span {
        self.to
    }

    /// Below which fraction of the span the result is 0.
    pub const fn cut_off(&self) -> f64 {
        self.cut_off
    }

    /// The result for `x`; both in SI.
    pub fn at(&self, x: f64) -> Stepped {
        let fraction = fraction(self.from, x);
        if fraction < self.cut_off - ROUNDING {
            return CUT;
        }
        Stepped::good(self.to.unit.to_si(self.to.to * fraction.max(0.0).sqrt()))
    }
}

/// The velocity of air before a pitot tube, v = C·√(2 Δp/ρ), of incompressible flow: at 50 m/s the
/// air's compressibility makes 0.3 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pitot {
    coefficient: f64,
    density: f64,
    cut_off: f64,
}

impl Pitot {
    /// A tube of this coefficient (about 1 for the L shape; the S shape needs its own calibration),
    /// in air of this actual density (kg/m³); 0 below `cut_off` (Pa).
    ///
    /// # Errors
    /// [`BadRoot::NotPositive`].
    pub fn new(coefficient: f64, density: f64, cut_off: f64) -> Result<Self, BadRoot> {
        let checks = [
            ("the tube's coefficient", coefficient),
            ("the air's density", density),
        ];
        for (what, value) in checks {
            if !(value.is_normal() && value > 0.0) {
                return Err(BadRoot::NotPositive { what, value });
            }
        }
        if !(cut_off.is_finite() && cut_off >= 0.0) {
            return Err(BadRoot::NotPositive {
                what: "the cut-off pressure",
                value: cut_off,
            });
        }
        Ok(Self {
            coefficient,
            density,
            cut_off,
        })
    }

    /// The tube's coefficient.
    pub const fn coefficient(&self) -> f64 {
        self.coefficient
    }

    /// The air's density, kg/m³.
    pub const fn density(&self) -> f64 {
        self.density
    }

    /// Below which pressure the velocity is 0, Pa.
    pub const fn cut_off(&self) -> f64 {
        self.cut_off
    }

    /// The velocity (m/s) at a differential pressure (Pa).
    pub fn at(&self, pressure: f64) -> Stepped {
        if pressure < self.cut_off {
            return CUT;
        }
        Stepped::good(self.coefficient * (2.0 * pressure / self.density).sqrt())
    }
}

const CUT: Stepped = Stepped {
    value: Some(0.0),
    quality: Quality::BELOW_THRESHOLD,
};
