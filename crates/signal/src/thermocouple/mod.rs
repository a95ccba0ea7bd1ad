//! Thermocouples: the reference functions of IEC 60584-1 in both directions, and the cold junction.
//!
//! E(t) is the e.m.f. of a couple at t with its other end at 0 °C. A couple whose other end is at
//! t₀ gives E(t) − E(t₀): compensation adds e.m.f.s, never temperatures. The way back solves the
//! reference function itself, as the published inverse polynomials are only good to some 0.05 K.
//! Temperatures in °C, e.m.f.s in V.

mod coefficients;

use std::fmt;
use std::str::FromStr;

use crate::invert::invert;

/// One stretch of a reference function: E = Σ cᵢ tⁱ, and for type K above 0 °C also a·exp(b·(t − c)²).
#[derive(Debug)]
struct Piece {
    from: f64,
    to: f64,
    powers: &'static [f64],
    bell: Option<[f64; 3]>,
}

impl Piece {
    /// E in mV.
    fn emf(&self, t: f64) -> f64 {
        let polynomial = self.powers.iter().rev().fold(0.0, |sum, c| sum * t + c);
        polynomial + self.bell.map_or(0.0, |bell| bell_at(bell, t))
    }

    /// dE/dt in mV/K.
    fn slope(&self, t: f64) -> f64 {
        let mut sum = 0.0;
        let mut slope = 0.0;
        for c in self.powers.iter().rev() {
            slope = slope * t + sum;
            sum = sum * t + c;
        }
        slope
            + self
                .bell
                .map_or(0.0, |bell| bell_at(bell, t) * 2.0 * bell[1] * (t - bell[2]))
    }
}

fn bell_at([height, width, centre]: [f64; 3], t: f64) -> f64 {
    height * (width * (t - centre) * (t - centre)).exp()
}

/// A type of thermocouple, by its letter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Thermocouple {
    /// Platinum-rhodium 30 % against platinum-rhodium 6 %.
    B,
    /// Nickel-chromium against copper-nickel.
    E,
    /// Iron against copper-nickel.
    J,
    /// Nickel-chromium against nickel-aluminium.
    K,
    /// Nickel-chromium-silicon against nickel-silicon.
    N,
    /// Platinum-rhodium 13 % against platinum.
    R,
    /// Platinum-rhodium 10 % against platinum.
    S,
    /// Copper against copper-nickel.
    T,
}

/// Tolerance classes of IEC 60584-1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ToleranceClass {
    /// Class 1, the tighter.
    One,
    /// Class 2.
    Two,
}

/// Why a thermocouple has no answer.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum OutOfReach {
    /// A temperature where the reference function is not defined.
    #[error("type {kind} is defined from {from} to {to} °C, not at {celsius} °C")]
    Temperature {
        /// The type.
        kind: Thermocouple,
        /// What was asked.
        celsius: f64,
        /// Lowest temperature, °C.
        from: f64,
        /// Highest temperature, °C.
        to: f64,
    },
    /// An e.m.f. that no temperature of the invertible stretch gives.
    #[error(
        "type {kind} gives {from:.3} to {to:.3} mV, not {millivolt:.3} mV: is the wire broken, reversed or of another type?"
    )]
    Emf {
        /// The type.
        kind: Thermocouple,
        /// What was asked, mV.
        millivolt: f64,
        /// Lowest e.m.f., mV.
        from: f64,
        /// Highest e.m.f., mV.
        to: f64,
    },
}

impl Thermocouple {
    /// Every type.
    pub const ALL: [Self; 8] = [
        Self::B,
        Self::E,
        Self::J,
        Self::K,
        Self::N,
        Self::R,
        Self::S,
        Self::T,
    ];

    /// Its letter.
    pub const fn letter(self) -> &'static str {
        match self {
            Self::B => "B",
            Self::E => "E",
            Self::J => "J",
            Self::K => "K",
            Self::N => "N",
            Self::R => "R",
            Self::S => "S",
            Self::T => "T",
        }
    }

    const fn pieces(self) -> &'static [Piece] {
        match self {
            Self::B => coefficients::B,
            Self::E => coefficients::E,
            Self::J => coefficients::J,
            Self::K => coefficients::K,
            Self::N => coefficients::N,
            Self::R => coefficients::R,
            Self::S => coefficients::S,
            Self::T => coefficients::T,
        }
    }

    /// Where the reference function is defined, °C.
    pub fn range(self) -> (f64, f64) {
        let pieces = self.pieces();
        (pieces[0].from, pieces[pieces.len() - 1].to)
    }

    /// Where it can be inverted, °C: the range of NIST's inverse functions. Below, an e.m.f. is
    /// nearly flat, and that of type B turns around near 21 °C.
    pub fn invertible(self) -> (f64, f64) {
        let (from, to) = self.range();
        match self {
            Self::B => (250.0, to),
            Self::E | Self::K | Self::N | Self::T => (-200.0, to),
            Self::J | Self::R | Self::S => (from, to),
        }
    }

    fn piece_at(self, celsius: f64) -> Result<&'static Piece, OutOfReach> {
        let (from, to) = self.range();
        self.pieces()
            .iter()
            .find(|piece| celsius >= piece.from && celsius <= piece.to)
            .ok_or(OutOfReach::Temperature {
                kind: self,
                celsius,
                from,
                to,
            })
    }

    /// E(t): the e.m.f. (V) at a temperature (°C), the other end at 0 °C.
    ///
    /// # Errors
    /// [`OutOfReach::Temperature`].
    pub fn emf(self, celsius: f64) -> Result<f64, OutOfReach> {
        Ok(self.piece_at(celsius)?.emf(celsius) * 1e-3)
    }

    /// S = dE/dt (V/K): by how much the e.m.f. rises with the temperature.
    ///
    /// # Errors
    /// [`OutOfReach::Temperature`].
    pub fn seebeck(self, celsius: f64) -> Result<f64, OutOfReach> {
        Ok(self.piece_at(celsius)?.slope(celsius) * 1e-3)
    }

    /// The temperature (°C) that gives an e.m.f. (V), the other end at 0 °C; to better than 10⁻⁹ K.
    ///
    /// # Errors
    /// [`OutOfReach::Emf`].
    pub fn temperature(self, emf: f64) -> Result<f64, OutOfReach> {
        let millivolt = emf * 1e3;
        let (coldest, hottest) = self.invertible();
        let pieces = self.pieces();
        let last = &pieces[pieces.len() - 1];
        let lowest = self.piece_at(coldest)?.emf(coldest);
        let highest = last.emf(hottest);
        if !(lowest..=highest).contains(&millivolt) {
            return Err(OutOfReach::Emf {
                kind: self,
                millivolt,
                from: lowest,
                to: highest,
            });
        }
        let piece = pieces
            .iter()
            .find(|piece| millivolt <= piece.emf(piece.to))
            .unwrap_or(last);
        let bracket = (piece.from.max(coldest), piece.to);
        Ok(invert(
            |t| (piece.emf(t), piece.slope(t)),
            bracket,
            millivolt,
        ))
    }

    /// The temperature (°C) of the measuring junction from what was measured (V) and the
    /// temperature (°C) of the terminals where the couple ends.
    ///
    /// # Errors
    /// [`OutOfReach`]: the terminals are outside the range, or the sum of both e.m.f.s is.
    pub fn compensated(self, measured: f64, terminals: f64) -> Result<f64, OutOfReach> {
        self.temperature(measured + self.emf(terminals)?)
    }

    /// How far a couple of this class may be off (K, ±) at a temperature (°C), whichever is greater
    /// of a fixed and a relative limit; IEC 60584-1:2013 as reproduced in public tables. `None`
    /// where the class does not reach, and for types whose classes are not kept here.
    pub fn tolerance(self, class: ToleranceClass, celsius: f64) -> Option<f64> {
        use ToleranceClass::{One, Two};
        let (fixed, relative, to) = match (self, class) {
            (Self::K | Self::N, One) => (1.5, 0.004, 1000.0),
            (Self::K | Self::N, Two) => (2.5, 0.0075, 1200.0),
            (Self::J, One) => (1.5, 0.004, 750.0),
            (Self::J, Two) => (2.5, 0.0075, 750.0),
            (Self::T, One) => (0.5, 0.004, 350.0),
            (Self::T, Two) => (1.0, 0.0075, 350.0),
            _ => return None,
        };
        let is_inside = (-40.0..=to).contains(&celsius);
        is_inside.then(|| f64::max(fixed, relative * celsius.abs()))
    }
}

impl fmt::Display for Thermocouple {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.letter())
    }
}

/// The text is not the letter of a thermocouple.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no type of thermocouple; known are B, E, J, K, N, R, S and T")]
pub struct UnknownThermocouple(pub String);

impl FromStr for Thermocouple {
    type Err = UnknownThermocouple;

    fn from_str(letter: &str) -> Result<Self, UnknownThermocouple> {
        Self::ALL
            .into_iter()
            .find(|kind| kind.letter() == letter)
            .ok_or_else(|| UnknownThermocouple(letter.to_owned()))
    }
}
