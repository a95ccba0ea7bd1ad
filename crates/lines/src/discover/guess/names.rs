//! What to call a line's numbers: by their units, or else by their size. Pure.

use std::collections::BTreeSet;

use zonda_model::Quantity;

use super::number::Number;
use super::{Basis, Field};

/// The fastest air that is measured here, and the coldest and hottest, in m/s and °C (common practice,
/// no source): what is outside is no such field.
const VELOCITY_MAX: f64 = 60.0;
const TEMPERATURE: (f64, f64) = (-60.0, 1200.0);

/// Names for numbers, by their units or else by their size.
pub(super) fn name_all<'a>(numbers: impl Iterator<Item = &'a Number>) -> Vec<Field> {
    let numbers: Vec<_> = numbers.collect();
    let by_size = by_size(&numbers);
    let mut names = BTreeSet::new();
    let mut fields = Vec::new();
    for (at, number) in numbers.iter().enumerate() {
        let (quantity, basis) = match (number.unit, by_size[at]) {
            (Some(unit), _) => (Some(unit.quantity()), Basis::Unit),
            (None, Some(quantity)) => (Some(quantity), Basis::Size),
            (None, None) => (None, Basis::None),
        };
        let stem = quantity.map_or_else(|| "value".to_owned(), |quantity| quantity.to_string());
        let numbered = (1..).map(|number| format!("{stem}{number}"));
        let plain = quantity.map(|_| stem.clone()).into_iter();
        let name = plain
            .chain(numbered)
            .find(|name| !names.contains(name))
            .unwrap_or(stem);
        names.insert(name.clone());
        fields.push(Field {
            name,
            quantity,
            unit: number.unit,
            suffix: number.suffix.clone(),
            decimals: number.decimals,
            basis,
        });
    }
    fields
}

/// Of two numbers without units the one that air's velocity can be, and the one that its temperature
/// can be and that is larger; of one number, or more than two, nothing is said.
fn by_size(numbers: &[&Number]) -> Vec<Option<Quantity>> {
    let unnamed: Vec<usize> = (0..numbers.len())
        .filter(|at| numbers[*at].unit.is_none())
        .collect();
    let mut found = vec![None; numbers.len()];
    let [a, b] = unnamed[..] else {
        return found;
    };
    let is_velocity = |at: usize| numbers[at].least >= 0.0 && numbers[at].most <= VELOCITY_MAX;
    let is_temperature =
        |at: usize| numbers[at].least >= TEMPERATURE.0 && numbers[at].most <= TEMPERATURE.1;
    let middle = |at: usize| f64::midpoint(numbers[at].least, numbers[at].most);
    let (slow, hot) = if middle(a) <= middle(b) {
        (a, b)
    } else {
        (b, a)
    };
    if is_velocity(slow) && is_temperature(hot) {
        found[slow] = Some(Quantity::Velocity);
        found[hot] = Some(Quantity::Temperature);
    }
    found
}
