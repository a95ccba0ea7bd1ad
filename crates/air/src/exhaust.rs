//! Heat that exhaust air carries out of an oven.
//!
//! Dryers are latent-heat machines: leaving moisture out can miss a third of the heat.

use crate::humid::Air;
use crate::property::Property;
use crate::quantity::MassFlow;

/// The heat that air takes up on its way through the oven.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ExhaustHeat {
    /// Heat flow with the model's standard uncertainty, W: ṁ_dry (h_out − h_in).
    pub total: Property,
    /// Of it, heating the air and the moisture that it brought: ṁ_dry (h(t_out, W_in) − h_in), W.
    pub sensible: f64,
    /// Of it, the moisture taken up: evaporated from liquid at 0.01 °C and heated, W. Negative where
    /// moisture was lost.
    pub moisture: f64,
    /// Water taken up, kg/s.
    pub water: f64,
}

/// Why the heat cannot be computed.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ExhaustError {
    /// Flow back into the oven.
    #[error("an exhaust of {0} kg/s flows back into the oven; look at the sign of the velocities")]
    Reversed(f64),
}

impl ExhaustHeat {
    /// Of `mass_dry` kg/s of dry air ([`crate::Flow::mass_dry`]) that enter as `inlet` and leave as `outlet`.
    ///
    /// Enthalpy is that of [`Air::enthalpy`]; with c_p = 1006 J/(kg K) throughout the result would be 0.7 %
    /// low at 200 °C and 1.5 % at 300 °C. Water is counted from liquid at 0.01 °C: where it enters warmer, its own
    /// heat, 4.2 kJ/(kg K), is not the oven's. Uncertainty: the model's alone; that of the flow comes on top.
    ///
    /// # Errors
    /// [`ExhaustError::Reversed`] for a negative mass flow.
    pub fn of(mass_dry: MassFlow, inlet: Air, outlet: Air) -> Result<Self, ExhaustError> {
        let mass = mass_dry.si();
        if mass < 0.0 {
            return Err(ExhaustError::Reversed(mass));
        }
        let rise = outlet.enthalpy().value - inlet.enthalpy().value;
        let taken_up = outlet.humidity_ratio() - inlet.humidity_ratio();
        let moisture = taken_up * outlet.steam_enthalpy();
        Ok(Self {
            total: Property {
                value: mass * rise,
                u: mass * rise_u(inlet, outlet),
            },
            sensible: mass * (rise - moisture),
            moisture: mass * moisture,
            water: mass * taken_up,
        })
    }
}

/// The heat capacity's uncertainty over the way from inlet to outlet, and 0.1 % of the heat of evaporation.
fn rise_u(inlet: Air, outlet: Air) -> f64 {
    let heat_capacity = outlet.heat_capacity();
    let way = (outlet.temperature().si() - inlet.temperature().si()).abs();
    let sensible = heat_capacity.u * (1.0 + outlet.humidity_ratio()) * way;
    let latent = 0.001 * 2.5e6 * (outlet.humidity_ratio() - inlet.humidity_ratio());
    sensible.hypot(latent)
}
