//! In what lengths are written on a drawing.

use zonda_model::Unit;

/// Millimetres or inches.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Ruler {
    /// Whole millimetres.
    #[default]
    Millimetre,
    /// Inches to a hundredth.
    Inch,
}

impl Ruler {
    /// A length in m, without its unit: `128` or `5.04`.
    pub fn number(self, metres: f64) -> String {
        let number = match self {
            Self::Millimetre => format!("{:.0}", self.unit().from_si(metres)),
            Self::Inch => format!("{:.2}", self.unit().from_si(metres)),
        };
        // A hair's breadth below zero is zero.
        let is_zero = number.chars().all(|c| matches!(c, '-' | '0' | '.'));
        if is_zero {
            number.trim_start_matches('-').to_owned()
        } else {
            number
        }
    }

    /// A length in m with its unit: `128 mm` or `5.04 in`.
    pub fn say(self, metres: f64) -> String {
        format!("{} {}", self.number(metres), self.unit())
    }

    /// The unit.
    pub const fn unit(self) -> Unit {
        match self {
            Self::Millimetre => Unit::Millimetre,
            Self::Inch => Unit::Inch,
        }
    }

    /// A round length (m) of about a quarter of `whole` (m), for a scale.
    pub(crate) fn round_part(self, whole: f64) -> f64 {
        let target = self.unit().from_si(whole / 4.0);
        let decade = 10f64.powf(target.log10().floor());
        let steps = [1.0, 2.0, 5.0];
        let fits = steps.iter().rev().find(|step| **step * decade <= target);
        self.unit().to_si(fits.unwrap_or(&1.0) * decade)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_written_as_a_rule_shows_them() {
        assert_eq!(Ruler::Millimetre.say(0.1284), "128 mm");
        assert_eq!(Ruler::Inch.say(0.128), "5.04 in");
        assert_eq!(Ruler::Millimetre.say(-1e-9), "0 mm");
    }

    #[test]
    fn a_scale_is_round() {
        assert!((Ruler::Millimetre.round_part(0.4) - 0.1).abs() < 1e-12);
        assert!((Ruler::Inch.round_part(0.4) - 2.0 * 0.0254).abs() < 1e-12);
        assert!((Ruler::Millimetre.round_part(2.2) - 0.5).abs() < 1e-12);
    }
}
