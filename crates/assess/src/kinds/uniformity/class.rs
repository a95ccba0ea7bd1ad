//! Which tolerance class a zone of temperatures reaches.

use zonda_evaluate::zone::{Class, Column};
use zonda_model::Unit;

use crate::outcome::Figure;

/// The class in each column, by the farthest reading from the setpoint, `half_width` K: of itself, and with its expanded
/// uncertainty, K, where that is known. The columns are not conversions of each other, so both are named.
pub(super) fn figures(half_width: f64, expanded: Option<f64>) -> Vec<Figure> {
    let columns = [
        ("class in °C", Column::Celsius, Unit::DegreeCelsius),
        ("class in °F", Column::Fahrenheit, Unit::DegreeFahrenheit),
    ];
    columns
        .into_iter()
        .map(|(name, column, unit)| {
            let class = |kelvins: f64| Class::of(unit.difference_from_si(kelvins), column);
            let reached = class(half_width);
            let stated = reached.map_or_else(|| "beyond class 6".to_owned(), |class| class.to_string());
            let definition = "tightest class of AMS2750 (from memory) whose tolerance holds for every reading, without the uncertainty of measurement; ask for the decision rule before the test";
            let figure = Figure::in_words(name, reached.and_then(number), "1", stated, definition);
            match expanded.map(|expanded| class(half_width + expanded)) {
                Some(guarded) if guarded != reached => figure.noting(guarded.map_or_else(
                    || "with the expanded uncertainty beyond class 6".to_owned(),
                    |class| format!("with the expanded uncertainty {class}"),
                )),
                _ => figure,
            }
        })
        .collect()
}

fn number(class: Class) -> Option<f64> {
    u32::try_from(class.number()).ok().map(f64::from)
}

#[cfg(test)]
mod tests {
    use super::figures;

    /// AMS2750 (from memory): ±8 °C and ±15 °F are both class 3, and 8.2 K lies between them.
    #[test]
    fn the_columns_are_no_conversions_of_each_other() {
        let both = figures(8.2, None);
        assert_eq!(both[0].stated, "AMS2750 class 4 (±10 °C)");
        assert_eq!(both[1].stated, "AMS2750 class 3 (±15 °F)");
    }

    #[test]
    fn the_uncertainty_can_change_the_class() {
        let both = figures(2.8, Some(0.5));
        assert!(both[0].stated.contains("class 1"));
        assert_eq!(
            both[0].note.as_deref(),
            Some("with the expanded uncertainty AMS2750 class 2 (±6 °C)")
        );
        assert_eq!(
            figures(28.0, Some(0.1))[0].note.as_deref(),
            Some("with the expanded uncertainty beyond class 6")
        );
        assert_eq!(figures(30.0, None)[0].value, None);
    }
}
