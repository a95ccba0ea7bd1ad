//! Laws that need no physics: the mean, the difference, the spread, the sum and the product of results that have
//! budgets, with their derivatives in closed form.
//!
//! What goes in may share errors: those add up or cancel as they do in truth. Laws of air are in `zonda-air`.

use zonda_model::Unit;

use crate::budget::{BadBudget, Budget};
use crate::float;

/// Why a law has no result.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadLaw {
    /// Nothing to compute with.
    #[error("{what} needs {needed} or more values, there are {given}")]
    TooFew {
        /// What was asked for.
        what: String,
        /// How many there are.
        given: usize,
        /// How many it takes.
        needed: usize,
    },
    /// Units that cannot be taken together.
    #[error("{what} needs values in one unit; these are in {first} and {other}")]
    Units {
        /// What was asked for.
        what: String,
        /// One unit.
        first: Unit,
        /// The other.
        other: Unit,
    },
    /// Weights that are none.
    #[error("the weights of {0} are zero or more, and not all zero")]
    Weights(String),
    /// The result, or its budget, cannot be.
    #[error(transparent)]
    Budget(#[from] BadBudget),
}

/// Σ w·x / Σ w; ∂/∂x_i = w_i/Σ w. Weights are taken as exact; `(1.0, x)` for each is the plain mean.
///
/// # Errors
/// [`BadLaw`]: no values, several units, weights that are none.
pub fn mean(what: &str, values: &[(f64, &Budget)]) -> Result<Budget, BadLaw> {
    let inputs: Vec<&Budget> = values.iter().map(|(_, input)| *input).collect();
    let unit = one_unit(what, &inputs, 1)?;
    let weight: f64 = values.iter().map(|(weight, _)| weight).sum();
    let are_weights = values.iter().all(|(weight, _)| *weight >= 0.0);
    if !(are_weights && weight > 0.0 && weight.is_finite()) {
        return Err(BadLaw::Weights(what.to_owned()));
    }
    let shares: Vec<f64> = values.iter().map(|(share, _)| share / weight).collect();
    let value = shares
        .iter()
        .zip(&inputs)
        .map(|(share, x)| share * x.value())
        .sum();
    through(what, value, unit, &inputs, &shares)
}

/// a − b; of temperatures it is in K, or Δ°F.
///
/// # Errors
/// [`BadLaw::Units`].
pub fn difference(what: &str, a: &Budget, b: &Budget) -> Result<Budget, BadLaw> {
    let unit = one_unit(what, &[a, b], 1)?;
    through(
        what,
        a.value() - b.value(),
        of_differences(unit),
        &[a, b],
        &[1.0, -1.0],
    )
}

/// x₁ + x₂ + …
///
/// # Errors
/// [`BadLaw`]: no values, several units.
pub fn sum(what: &str, values: &[&Budget]) -> Result<Budget, BadLaw> {
    let unit = one_unit(what, values, 1)?;
    let value = values.iter().map(|x| x.value()).sum();
    through(what, value, unit, values, &vec![1.0; values.len()])
}

/// a·b in `unit`; both must be in the SI units of which that is the product. ∂/∂a = b, ∂/∂b = a.
///
/// # Errors
/// [`BadLaw::Budget`] where a value is no number.
pub fn product(what: &str, a: &Budget, b: &Budget, unit: Unit) -> Result<Budget, BadLaw> {
    through(
        what,
        a.value() * b.value(),
        unit,
        &[a, b],
        &[b.value(), a.value()],
    )
}

/// a/b as a plain number. ∂/∂a = 1/b, ∂/∂b = −a/b².
///
/// # Errors
/// [`BadLaw::Units`]; [`BadLaw::Budget`] where b is nought.
pub fn ratio(what: &str, a: &Budget, b: &Budget) -> Result<Budget, BadLaw> {
    one_unit(what, &[a, b], 1)?;
    let value = a.value() / b.value();
    through(
        what,
        value,
        Unit::One,
        &[a, b],
        &[b.value().recip(), -value / b.value()],
    )
}

/// The largest less the smallest; errors are those of these two.
///
/// Which two are the ends is taken as certain. Where several are within their uncertainty of an end, the range of what
/// was read is larger than that of what was: noise alone makes one.
///
/// # Errors
/// [`BadLaw`]: fewer than two values, several units.
pub fn range(what: &str, values: &[&Budget]) -> Result<Budget, BadLaw> {
    one_unit(what, values, 2)?;
    let largest = values.iter().max_by(|a, b| a.value().total_cmp(&b.value()));
    let smallest = values.iter().min_by(|a, b| a.value().total_cmp(&b.value()));
    match (largest, smallest) {
        (Some(largest), Some(smallest)) => difference(what, largest, smallest),
        _ => Err(too_few(what, values, 2)),
    }
}

/// s = √(Σ(x − x̄)²/(n − 1)) of values at several places; ∂s/∂x_i = (x_i − x̄)/((n − 1)·s).
///
/// First order: where the places differ by less than their errors, s says more of the errors than of the places.
///
/// # Errors
/// [`BadLaw`]: fewer than two values, several units; [`BadLaw::Budget`] where all values are alike, as s has no slope there.
pub fn spread(what: &str, values: &[&Budget]) -> Result<Budget, BadLaw> {
    let unit = one_unit(what, values, 2)?;
    let n = float::len(values.len());
    let mean = values.iter().map(|x| x.value()).sum::<f64>() / n;
    let away: Vec<f64> = values.iter().map(|x| x.value() - mean).collect();
    let spread = (away.iter().map(|d| d * d).sum::<f64>() / (n - 1.0)).sqrt();
    let slopes: Vec<f64> = away.iter().map(|d| d / ((n - 1.0) * spread)).collect();
    through(what, spread, of_differences(unit), values, &slopes)
}

/// Any other law: its value, and ∂f/∂x for each input.
///
/// # Errors
/// [`BadBudget`].
pub fn of(
    what: &str,
    value: f64,
    unit: Unit,
    inputs: &[(&Budget, f64)],
) -> Result<Budget, BadBudget> {
    let draft = Budget::draft(what, value, unit);
    inputs
        .iter()
        .fold(draft, |draft, (input, slope)| draft.through(input, *slope))
        .finish()
}

fn through(
    what: &str,
    value: f64,
    unit: Unit,
    inputs: &[&Budget],
    slopes: &[f64],
) -> Result<Budget, BadLaw> {
    let inputs: Vec<(&Budget, f64)> = inputs.iter().copied().zip(slopes.iter().copied()).collect();
    Ok(of(what, value, unit, &inputs)?)
}

fn one_unit(what: &str, values: &[&Budget], needed: usize) -> Result<Unit, BadLaw> {
    let first = match values.first() {
        Some(first) if values.len() >= needed => first.unit(),
        _ => return Err(too_few(what, values, needed)),
    };
    match values.iter().find(|value| value.unit() != first) {
        None => Ok(first),
        Some(other) => Err(BadLaw::Units {
            what: what.to_owned(),
            first,
            other: other.unit(),
        }),
    }
}

fn too_few(what: &str, values: &[&Budget], needed: usize) -> BadLaw {
    BadLaw::TooFew {
        what: what.to_owned(),
        given: values.len(),
        needed,
    }
}

/// The unit of differences of what is in `unit`: temperatures lose their zero.
const fn of_differences(unit: Unit) -> Unit {
    match unit {
        Unit::DegreeCelsius => Unit::Kelvin,
        Unit::DegreeFahrenheit => Unit::FahrenheitDegree,
        other => other,
    }
}
