//! How often fresh air renews the air of an oven.

use crate::humid::Air;
use crate::quantity::{MassFlow, Volume};

/// The renewal of an oven's air by fresh air, counted at the oven's own state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirChange {
    /// Fresh air as volume flow in the oven's state, m³/s.
    flow: f64,
    /// m³.
    volume: Volume,
}

/// Why there is no renewal.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum AirChangeError {
    /// No fresh air.
    #[error(
        "a fresh-air flow of {0} kg/s renews nothing; count only fresh air, not recirculated, and look at its sign"
    )]
    NoFlow(f64),
    /// No share of what there was.
    #[error(
        "{0} is not a share of the first concentration; state a ratio between 0 and 1, such as 0.01"
    )]
    Share(f64),
}

impl AirChange {
    /// By `fresh` kg/s of fresh air in a free `volume` (m³) full of air in the state `inside`.
    ///
    /// Mass flow is asked for because a volume flow without its temperature is ambiguous: 900 m³/h at 20 °C are
    /// 1392 m³/h at 180 °C. Recirculated air is not fresh air, and leakage is not proven to be.
    ///
    /// # Errors
    /// [`AirChangeError::NoFlow`] where `fresh` is not above zero.
    pub fn of(fresh: MassFlow, volume: Volume, inside: Air) -> Result<Self, AirChangeError> {
        if fresh.si() > 0.0 {
            Ok(Self {
                flow: fresh.si() / inside.density().value,
                volume,
            })
        } else {
            Err(AirChangeError::NoFlow(fresh.si()))
        }
    }

    /// Air changes an hour, Q/V, at the oven's temperature.
    pub fn per_hour(self) -> f64 {
        self.flow / self.volume.si() * 3600.0
    }

    /// Mean time that air stays, V/Q, s.
    pub fn residence_s(self) -> f64 {
        self.volume.si() / self.flow
    }

    /// Time until a concentration has fallen to `share` of what it was, V/Q · ln(1/share), s, once nothing more is
    /// released and the air is perfectly mixed. Dead corners take longer; never a time for a safety interlock.
    ///
    /// # Errors
    /// [`AirChangeError::Share`] outside 0 to 1, both excluded from below: 0 is never reached.
    pub fn decay_s(self, share: f64) -> Result<f64, AirChangeError> {
        if share > 0.0 && share <= 1.0 {
            Ok(self.residence_s() * -share.ln())
        } else {
            Err(AirChangeError::Share(share))
        }
    }
}
