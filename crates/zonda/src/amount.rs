//! Amounts on the command line as people write them: `180 °C`, `400 mm`, `98.2 kPa`.

use std::ffi::OsString;
use std::fmt::Display;

use zonda_air::{
    Area, BadQuantity, Density, Length, Pressure, PressureDifference, Temperature, Volume,
};
use zonda_model::Unit;
use zonda_model::written::Amount;

fn read<T>(text: &str, new: fn(f64, Unit) -> Result<T, BadQuantity>) -> Result<T, String> {
    let amount: Amount = text.parse().map_err(says)?;
    new(amount.value, amount.unit).map_err(says)
}

fn says(error: impl Display) -> String {
    error.to_string()
}

macro_rules! readers {
    ($( $(#[$doc:meta])* $name:ident -> $kind:ident; )*) => { $(
        $(#[$doc])*
        pub(crate) fn $name(text: &str) -> Result<$kind, String> {
            read(text, $kind::new)
        }
    )* };
}

readers! {
    /// `180 °C`
    temperature -> Temperature;
    /// `98.2 kPa`, absolute
    pressure -> Pressure;
    /// `-120 Pa`
    difference -> PressureDifference;
    /// `400 mm`
    length -> Length;
    /// `0.12 m²`
    area -> Area;
    /// `6 m³`
    volume -> Volume;
    /// `870 kg/m³`
    density -> Density;
}

/// Metres above sea level: `350 m`, `-10 m`.
pub(crate) fn elevation(text: &str) -> Result<f64, String> {
    let amount: Amount = text.parse().map_err(says)?;
    amount.si(zonda_model::Quantity::Length).map_err(says)
}

/// A share from `1.1 %` or `0.011 1`.
pub(crate) fn share(text: &str) -> Result<f64, String> {
    let amount: Amount = text.parse().map_err(says)?;
    amount.si(zonda_model::Quantity::Ratio).map_err(says)
}

/// Any amount.
pub(crate) fn any(text: &str) -> Result<Amount, String> {
    text.parse().map_err(says)
}

/// The command line with a true minus (U+2212) before every negative number, so that `-20 °C` is not
/// taken for a flag. No flag of ours begins with a digit.
pub(crate) fn with_true_minus(
    arguments: impl Iterator<Item = OsString>,
) -> impl Iterator<Item = OsString> {
    arguments.map(
        |argument| match argument.to_str().and_then(|text| text.strip_prefix('-')) {
            Some(number) if number.starts_with(|c: char| c.is_ascii_digit() || c == '.') => {
                format!("−{number}").into()
            }
            _ => argument,
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_negative_amount_is_no_flag() {
        let given = ["zonda", "-20 °C", "--last", "-h", "-.5 Pa"].map(OsString::from);
        let read: Vec<_> = with_true_minus(given.into_iter()).collect();
        assert_eq!(
            read,
            ["zonda", "−20 °C", "--last", "-h", "−.5 Pa"].map(OsString::from)
        );
        assert_eq!(temperature("−20 °C").map(Temperature::si), Ok(-20.0));
        assert_eq!(difference("−.5 Pa").map(PressureDifference::si), Ok(-0.5));
    }
}
