//! A result as it stands in a report: rounded, with what its uncertainty rests on.

use std::fmt;

use zonda_model::Unit;

use crate::budget::{Budget, Expanded};
use crate::dof::{Level, TooFewDof};

/// U to two significant digits, the value to the place of the last of them: `(8.57 ± 0.48) m/s (k = 2.00, 95.45 %)`.
///
/// JCGM 100:2008, 7.2.6: two digits at most. To the nearest: that takes less than 5 % off U, so that EA-4/02 M, 6.3,
/// never asks for rounding up.
#[derive(Clone, Debug, PartialEq)]
pub struct Stated {
    value: String,
    expanded: String,
    unit: Unit,
    basis: Expanded,
}

impl Stated {
    /// Rounds a result for a report.
    ///
    /// # Errors
    /// [`TooFewDof`] below one effective degree of freedom.
    pub fn new(budget: &Budget, level: Level) -> Result<Self, TooFewDof> {
        let basis = budget.expanded(level)?;
        let place = last_place(basis.expanded);
        Ok(Self {
            value: place.map_or_else(
                || budget.value().to_string(),
                |place| rounded(budget.value(), place),
            ),
            expanded: place.map_or_else(|| "0".to_owned(), |place| rounded(basis.expanded, place)),
            unit: budget.unit(),
            basis,
        })
    }

    /// The value, rounded.
    pub fn value(&self) -> &str {
        &self.value
    }

    /// U, rounded.
    pub fn expanded(&self) -> &str {
        &self.expanded
    }

    /// U, unrounded, with its coverage factor and level.
    pub const fn basis(&self) -> Expanded {
        self.basis
    }
}

impl fmt::Display for Stated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            value,
            expanded,
            unit,
            basis,
        } = self;
        let percent = basis.level.p() * 100.0;
        let percent = format!("{percent:.2}");
        let percent = percent.trim_end_matches('0').trim_end_matches('.');
        write!(f, "({value} ± {expanded})")?;
        if *unit != Unit::One {
            write!(f, " {unit}")?;
        }
        write!(f, " (k = {:.2}, {percent} %)", basis.k)
    }
}

/// The power of ten of the second significant digit of U as rounded; `None` where U is nought.
fn last_place(expanded: f64) -> Option<i32> {
    if expanded <= 0.0 {
        return None;
    }
    // The formatter knows whether 9.96 becomes 10.
    let scientific = format!("{expanded:.1e}");
    let (_, exponent) = scientific.split_once('e')?;
    exponent.parse::<i32>().ok().map(|exponent| exponent - 1)
}

fn rounded(value: f64, place: i32) -> String {
    let text = usize::try_from(-place).map_or_else(
        |_| {
            let step = 10f64.powi(place);
            format!("{:.0}", (value / step).round() * step)
        },
        |decimals| format!("{value:.decimals$}"),
    );
    let is_nought = text.chars().all(|digit| "-0.".contains(digit));
    match text.strip_prefix('-') {
        Some(nought) if is_nought => nought.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 10.057 62 Ω with 27 mΩ is the example of 7.2.6 itself; the others are the rule, place by place.
    #[test]
    fn two_digits_and_the_value_to_their_place() {
        for (value, u, expected) in [
            (8.574_898, 0.478_24, ("8.57", "0.48")),
            (10.057_62, 0.027, ("10.058", "0.027")),
            (200.049, 0.996, ("200.0", "1.0")),
            (1234.5, 67.8, ("1234", "68")),
            (101_325.0, 1234.0, ("101300", "1200")),
            (-0.001, 0.31, ("0.00", "0.31")),
            (-3.21, 0.31, ("-3.21", "0.31")),
            (5.0, 0.000_099_6, ("5.00000", "0.00010")),
        ] {
            let place = last_place(u).unwrap();
            assert_eq!(
                (rounded(value, place).as_str(), rounded(u, place).as_str()),
                expected
            );
        }
    }
}
