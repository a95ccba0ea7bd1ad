//! One cause of doubt: what it comes from, how large it is, and with whom it is shared.

use std::fmt;

use serde::Serialize;
use zonda_model::Unit;

use crate::spread::Spread;

/// Whose doubt it is and what it comes from: `Z1-left.velocity`, `certificate`.
///
/// Two rows of one origin are one and the same error, wherever it enters: it adds up, or cancels.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct Origin {
    /// The channel, instrument or input.
    pub of: String,
    /// What it comes from.
    pub what: String,
}

impl Origin {
    /// `what` of `of`.
    pub fn new(of: impl Into<String>, what: impl Into<String>) -> Self {
        Self {
            of: of.into(),
            what: what.into(),
        }
    }
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.of, self.what)
    }
}

/// How much of an error is common to all that share its cause.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Common {
    /// All of it: correlation 1.
    Wholly,
    /// This share of its variance, 0 to 1: two that share it are correlated by √(r₁·r₂).
    Partly(f64),
    /// Nobody knows. Then the worse is assumed: what adds up is taken as common, what would cancel as not.
    Unknown,
}

/// A cause that several errors share: a converter, a reference standard, a certificate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Shared {
    /// The cause's name; equal names are one cause.
    pub by: String,
    /// How much of the error it makes up.
    pub common: Common,
}

/// One cause of doubt.
#[derive(Clone, Debug, PartialEq)]
pub struct Influence {
    /// What it comes from.
    pub origin: Origin,
    /// The unit of its spread; of temperatures, K.
    pub unit: Unit,
    /// Its distribution about nought.
    pub spread: Spread,
    /// With whom it is shared.
    pub shared: Option<Shared>,
}

impl Influence {
    /// An error of its own.
    pub fn new(origin: Origin, unit: Unit, spread: Spread) -> Self {
        Self {
            origin,
            unit,
            spread,
            shared: None,
        }
    }

    /// The same error, shared with all that name the same cause.
    pub fn shared(self, by: impl Into<String>, common: Common) -> Self {
        let by = by.into();
        Self {
            shared: Some(Shared { by, common }),
            ..self
        }
    }
}
