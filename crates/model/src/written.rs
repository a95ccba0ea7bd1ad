//! Values as people write them: `250 ms`, `40 ft/min`, `0-50 m/s`, `-20 to 80 °C`.
//!
//! Parsed once, where text comes in; the unit is always required.

use std::str::FromStr;

use crate::quantity::Quantity;
use crate::unit::{Unit, UnknownUnit};

/// A number with its unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Amount {
    /// The number as written.
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
}

/// Two numbers with one unit, in the order written: `500-0 °C` is a reversed span and stays so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// The number on the left.
    pub from: f64,
    /// The number on the right.
    pub to: f64,
    /// Their unit.
    pub unit: Unit,
}

/// Why a text is no amount or span.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadWriting {
    /// No number where one was expected.
    #[error("expected a number, found `{0}`")]
    Number(String),
    /// A number and nothing after it.
    #[error("the unit is missing; write it after the number, such as `{0} m/s`")]
    UnitMissing(String),
    /// A unit that the table does not know.
    #[error(transparent)]
    Unit(#[from] UnknownUnit),
    /// One number where two were expected.
    #[error("expected two numbers and a unit, such as `0-50 m/s`")]
    NotASpan,
    /// Both ends are the same number.
    #[error("both ends are {0}; a span needs two different ends")]
    EmptySpan(f64),
    /// The unit belongs to another quantity.
    #[error("{found} is a unit of {}, expected a unit of {expected} such as {}", .found.quantity(), .expected.si())]
    WrongQuantity {
        /// The unit written.
        found: Unit,
        /// The quantity needed here.
        expected: Quantity,
    },
}

impl Amount {
    /// The amount in SI, if its unit is one of `quantity`.
    ///
    /// # Errors
    /// [`BadWriting::WrongQuantity`].
    pub fn si(self, quantity: Quantity) -> Result<f64, BadWriting> {
        check(quantity, self.unit)?;
        Ok(self.unit.to_si(self.value))
    }
}

impl Span {
    /// Both ends in SI, if the unit is one of `quantity`.
    ///
    /// # Errors
    /// [`BadWriting::WrongQuantity`].
    pub fn si(self, quantity: Quantity) -> Result<(f64, f64), BadWriting> {
        check(quantity, self.unit)?;
        Ok((self.unit.to_si(self.from), self.unit.to_si(self.to)))
    }
}

fn check(quantity: Quantity, unit: Unit) -> Result<(), BadWriting> {
    if quantity.accepts(unit) {
        Ok(())
    } else {
        Err(BadWriting::WrongQuantity {
            found: unit,
            expected: quantity,
        })
    }
}

/// Splits a leading decimal number off; a true minus sign is read as `-`.
fn take_number(text: &str) -> Result<(f64, &str), BadWriting> {
    let text = text.trim_start();
    let mut end = 0;
    let mut chars = text.char_indices().peekable();
    while let Some((at, c)) = chars.next() {
        let is_sign = at == 0 && matches!(c, '-' | '−' | '+');
        let is_exponent = matches!(c, 'e' | 'E')
            && at > 0
            && text[at + 1..]
                .trim_start_matches(['-', '+'])
                .starts_with(|c: char| c.is_ascii_digit());
        if is_exponent && let Some((_, '-' | '+')) = chars.peek() {
            chars.next();
            end = at + 2;
        } else if is_sign || is_exponent || c.is_ascii_digit() || c == '.' {
            end = at + c.len_utf8();
        } else {
            break;
        }
    }
    let (digits, rest) = text.split_at(end);
    match digits.replace('−', "-").parse::<f64>() {
        Ok(value) if value.is_finite() => Ok((value, rest)),
        _ => Err(BadWriting::Number(text.to_owned())),
    }
}

impl FromStr for Amount {
    type Err = BadWriting;

    fn from_str(text: &str) -> Result<Self, BadWriting> {
        let (value, rest) = take_number(text)?;
        if rest.trim().is_empty() {
            return Err(BadWriting::UnitMissing(text.trim().to_owned()));
        }
        Ok(Self {
            value,
            unit: rest.parse()?,
        })
    }
}

impl FromStr for Span {
    type Err = BadWriting;

    fn from_str(text: &str) -> Result<Self, BadWriting> {
        let (from, rest) = take_number(text)?;
        let rest = rest.trim_start();
        let rest = ["to", "…", "..", "–", "-"]
            .iter()
            .find_map(|joint| rest.strip_prefix(joint))
            .ok_or(BadWriting::NotASpan)?;
        let (to, rest) = take_number(rest)?;
        if rest.trim().is_empty() {
            return Err(BadWriting::UnitMissing(text.trim().to_owned()));
        }
        #[expect(
            clippy::float_cmp,
            reason = "two ends written alike are an empty span; anything else is not"
        )]
        if from == to {
            return Err(BadWriting::EmptySpan(from));
        }
        Ok(Self {
            from,
            to,
            unit: rest.parse()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn span(text: &str) -> Result<(f64, f64, Unit), BadWriting> {
        text.parse().map(|Span { from, to, unit }| (from, to, unit))
    }

    #[test]
    fn spans_read_as_people_write_them() {
        assert_eq!(span("0-50 m/s"), Ok((0.0, 50.0, Unit::MetrePerSecond)));
        assert_eq!(span("4-20 mA"), Ok((4.0, 20.0, Unit::Milliampere)));
        assert_eq!(span("500-0°C"), Ok((500.0, 0.0, Unit::DegreeCelsius)));
        assert_eq!(span("-20 to 80 °C"), Ok((-20.0, 80.0, Unit::DegreeCelsius)));
        assert_eq!(span("−20…80 °C"), Ok((-20.0, 80.0, Unit::DegreeCelsius)));
        assert_eq!(span("-50--10 Pa"), Ok((-50.0, -10.0, Unit::Pascal)));
        assert_eq!(span("1e-3 .. 2.5e2 Pa"), Ok((1e-3, 250.0, Unit::Pascal)));
    }

    #[test]
    fn what_is_wrong_is_said() {
        assert_eq!(span("0-50"), Err(BadWriting::UnitMissing("0-50".into())));
        assert_eq!(span("50 m/s"), Err(BadWriting::NotASpan));
        assert_eq!(span("5-5 V"), Err(BadWriting::EmptySpan(5.0)));
        assert_eq!(
            span("0-50 furlong"),
            Err(BadWriting::Unit(UnknownUnit("furlong".into())))
        );
        assert_eq!(
            "fast".parse::<Amount>(),
            Err(BadWriting::Number("fast".into()))
        );
        let wrong = "0-50 °C"
            .parse::<Span>()
            .unwrap()
            .si(Quantity::Velocity)
            .unwrap_err();
        assert_eq!(
            wrong.to_string(),
            "°C is a unit of temperature, expected a unit of velocity such as m/s"
        );
    }

    #[test]
    fn amounts_convert() {
        let least: Amount = "40 ft/min".parse().unwrap();
        assert!((least.si(Quantity::Velocity).unwrap() - 0.2032).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "\\PC{0,40}") {
            let _ = text.parse::<Amount>();
            let _ = text.parse::<Span>();
        }

        #[test]
        fn a_written_span_reads_back(from in -1000i32..1000, to in -1000i32..1000) {
            prop_assume!(from != to);
            let text = format!("{from} to {to} Pa");
            prop_assert_eq!(span(&text), Ok((f64::from(from), f64::from(to), Unit::Pascal)));
        }
    }
}
