//! The second reading that some judgements need: another channel's, at the same tick.

use zonda_model::Quality;

/// What another channel read at the same tick, in SI: the terminals' temperature of a thermocouple,
/// the temperature beside a velocity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Companion {
    /// Its value, if it has one.
    pub value: Option<f64>,
    /// What is said of it.
    pub quality: Quality,
}

impl Companion {
    /// There is none.
    pub const NONE: Self = Self {
        value: None,
        quality: Quality::empty(),
    };

    /// A companion that nothing speaks against.
    pub const fn good(value: f64) -> Self {
        Self {
            value: Some(value),
            quality: Quality::empty(),
        }
    }

    /// [`Quality::MOVED`] where it is missing or flawed: what is derived from it is in doubt.
    pub const fn doubt(self) -> Quality {
        match self.value {
            Some(value) if value.is_finite() && self.quality.is_good() => Quality::empty(),
            _ => Quality::MOVED,
        }
    }
}
