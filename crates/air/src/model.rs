//! What the models of air are worth: their largest deviations from the reference equations and the
//! references' own uncertainty.
//!
//! Deviations are the largest over [`crate::RANGE`] of the fixtures in `tests/data`; tests assert that
//! they are neither exceeded nor idle. Moist ones were measured from 0 to 350 °C, where the library
//! ends; compressibility also to 600 °C against a mixture equation (within 5e-5).
//!
//! References: the density of dry air is published with 0.1 % (k = 2, from memory) but agrees with
//! CIPM-2007 within 4.1e-5 where both hold, so 5e-5 is taken; heat capacity is published with 1 %
//! (k = 2, from memory) for all pressures, of which 0.4 % is taken near one atmosphere, where it is that of
//! the ideal gas (common practice, no source); viscosity 1 %, conductivity 2 % (k = 2, from memory).
//! What vapour adds is common practice, no source: no library at hand is a reference for viscosity and
//! conductivity of hot moist air.

/// What a model is worth. Both parts grow with the mole fraction of vapour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Model {
    deviation: Growing,
    reference: Growing,
}

/// dry + x · `per_vapour`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Growing {
    dry: f64,
    per_vapour: f64,
}

/// Of [`crate::Air::density`].
pub const DENSITY: Model = model((2e-5, 3e-4), (5e-5, 2e-4));
/// Of [`crate::Air::heat_capacity`].
pub const HEAT_CAPACITY: Model = model((2e-5, 1e-2), (2e-3, 5e-3));
/// Of [`crate::Air::viscosity`]; the deviation is that of the arithmetic, the rule of mixing counts as reference.
pub const VISCOSITY: Model = model((2e-6, 2e-6), (5e-3, 2.5e-2));
/// Of [`crate::Air::conductivity`]; the deviation includes that between two rules of mixing.
pub const CONDUCTIVITY: Model = model((3e-5, 0.095), (1e-2, 3e-2));

const fn model(deviation: (f64, f64), reference: (f64, f64)) -> Model {
    Model {
        deviation: Growing {
            dry: deviation.0,
            per_vapour: deviation.1,
        },
        reference: Growing {
            dry: reference.0,
            per_vapour: reference.1,
        },
    }
}

impl Model {
    /// Largest relative deviation from the reference equation in air with the mole fraction `x` of vapour.
    pub fn deviation_max(self, x: f64) -> f64 {
        self.deviation.at(x)
    }

    /// Relative standard uncertainty (k = 1): √((a/√3)² + u_ref²), the deviation `a` counting as evenly
    /// spread (JCGM 100:2008, 4.3.7).
    pub fn u_rel(self, x: f64) -> f64 {
        (self.deviation.at(x) / 3f64.sqrt()).hypot(self.reference.at(x))
    }
}

impl Growing {
    fn at(self, x: f64) -> f64 {
        self.dry + x * self.per_vapour
    }
}
