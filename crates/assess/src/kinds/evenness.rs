//! How even velocities are, whether in a duct or in a zone.

use zonda_evaluate::uncertainty::Budget;
use zonda_evaluate::worth::EvennessBudgets;
use zonda_model::Unit;

use crate::outcome::Figure;
use crate::work::Parts;

/// Adds what the velocities, each with the area that it stands for, say of their evenness; or why they say nothing.
pub(super) fn add(velocities: &[(Budget, f64)], parts: &mut Parts) {
    let even = match EvennessBudgets::of(velocities) {
        Ok(even) => even,
        Err(why) => {
            let what = format!("the evenness of the velocities cannot be told: {why}");
            parts.warnings.push(what);
            return;
        }
    };
    if let Some(cv) = &even.cv {
        parts.results.push(Figure::known(
            "coefficient of variation",
            cv,
            Unit::One,
            "standard deviation of the points' velocities over their plain mean",
        ));
    }
    parts.results.push(Figure::known(
        "uniformity index",
        &even.index,
        Unit::One,
        "index γ = 1 − Σ w|v − v̄|/(2 v̄): 1 is even",
    ));
    parts.results.push(Figure::bare(
        "largest over smallest",
        even.figures.max_over_min,
        Unit::One,
        Unit::One,
        "largest of the points' velocities over the smallest",
    ));
}
