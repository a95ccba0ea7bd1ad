//! A computed property with what its model is worth.

/// A property of air and the standard uncertainty of the model behind it.
///
/// The uncertainty is that of the model alone: √((a/√3)² + u_ref²), where `a` is the largest
/// deviation from the reference equation over the whole [`crate::RANGE`] (measured; a test asserts
/// it) and `u_ref` is what the reference itself is worth. What temperature, pressure and humidity
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

/// What a model is worth. Both parts grow with the mole fraction of vapour.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Model {
    /// Largest relative deviation from the reference equation.
    pub(crate) deviation: Growing,
    /// Relative standard uncertainty of the reference itself.
    pub(crate) reference: Growing,
}

/// dry + x · `per_vapour`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Growing {
    pub(crate) dry: f64,
    pub(crate) per_vapour: f64,
}

impl Growing {
    pub(crate) fn at(self, x: f64) -> f64 {
        self.dry + x * self.per_vapour
    }
}

impl Model {
    /// The two together; the deviation counts as evenly spread (JCGM 100:2008, 4.3.7).
    pub(crate) fn u_rel(self, x: f64) -> f64 {
        (self.deviation.at(x) / 3f64.sqrt()).hypot(self.reference.at(x))
    }
}
