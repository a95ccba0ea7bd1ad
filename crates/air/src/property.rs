//! A computed property with what its model is worth.

use crate::model::Model;

/// A property of air and the standard uncertainty of the model behind it.
///
/// The uncertainty is that of the model alone ([`crate::model`] says how it was found). What temperature, pressure and humidity
/// are known to comes on top: 1 K at 200 °C is 0.21 % of density, 1 kPa is 1 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Property {
    /// The value, in the unit that the function states.
    pub value: f64,
    /// Standard uncertainty (k = 1) of the model, in the same unit.
    pub u: f64,
}

impl Property {
    /// A value by `model` in air with the mole fraction `x` of vapour.
    pub(crate) fn new(value: f64, model: Model, x: f64) -> Self {
        Self {
            value,
            u: model.u_rel(x) * value.abs(),
        }
    }

    /// The model's standard uncertainty relative to the value; infinite for a value of zero.
    pub fn u_rel(self) -> f64 {
        self.u / self.value.abs()
    }
}
