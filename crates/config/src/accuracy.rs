//! Accuracies as data sheets state them: `0.1 % of reading + 2 mV`.

use zonda_model::written::Amount;
use zonda_model::{Quantity, Unit};

/// The limits ± within which an error lies: the sum of what is stated.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Accuracy {
    /// Share of the reading.
    pub of_reading: f64,
    /// Share of the span.
    pub of_span: f64,
    /// The same everywhere, SI.
    pub fixed: f64,
}

impl Accuracy {
    /// The limit at a reading, for a span of this width; all in SI. Never negative.
    pub fn limit(&self, reading: f64, span: f64) -> f64 {
        self.of_reading * reading.abs() + self.of_span * span.abs() + self.fixed
    }
}

/// An angle such as `5°`, in degrees.
pub(crate) fn read_angle(text: &str) -> Result<f64, String> {
    let number = text
        .trim_start_matches('±')
        .trim_end_matches("deg")
        .trim_end_matches('°')
        .trim();
    match number.parse::<f64>() {
        Ok(degrees) if (0.0..90.0).contains(&degrees) && number.len() < text.trim().len() => {
            Ok(degrees)
        }
        _ => Err(format!(
            "`{text}` is no angle from 0° to less than 90°, such as `5°`"
        )),
    }
}

/// Reads an accuracy of something that is measured in `quantity`.
pub(crate) fn read(text: &str, quantity: Quantity) -> Result<Accuracy, String> {
    let mut whole = Accuracy::default();
    for term in text.split('+').map(str::trim) {
        add(&mut whole, term.trim_start_matches('±').trim(), quantity)?;
    }
    Ok(whole)
}

fn add(whole: &mut Accuracy, term: &str, quantity: Quantity) -> Result<(), String> {
    if let Some((share, of)) = term.split_once(" of ") {
        let share = read_share(share)?;
        match of.trim() {
            "reading" => whole.of_reading += share,
            "span" => whole.of_span += share,
            amount => whole.fixed += share * difference(amount, quantity)?,
        }
        return Ok(());
    }
    let is_share = term.ends_with('%') && !quantity.accepts(Unit::Percent);
    if is_share {
        return Err(format!(
            "say of what `{term}` is, such as `{term} of reading`, `{term} of span` or `{term} of {}`",
            example(quantity)
        ));
    }
    whole.fixed += difference(term, quantity)?;
    Ok(())
}

/// A share such as `0.1 %`, as a plain number.
pub(crate) fn read_share(text: &str) -> Result<f64, String> {
    let amount: Amount = text
        .trim()
        .trim_start_matches('±')
        .parse()
        .map_err(|error: zonda_model::written::BadWriting| error.to_string())?;
    if amount.unit != Unit::Percent || !(0.0..=100.0).contains(&amount.value) {
        return Err(format!("`{text}` is no share between 0 and 100 %"));
    }
    Ok(amount.value / 100.0)
}

/// An amount as a difference, SI: `0.5 °C` and `0.5 K` are the same here.
pub(crate) fn difference(text: &str, quantity: Quantity) -> Result<f64, String> {
    let amount: Amount = text
        .trim_start_matches('±')
        .parse()
        .map_err(|error: zonda_model::written::BadWriting| error.to_string())?;
    let is_difference = quantity == Quantity::Temperature
        && amount.unit.quantity() == Quantity::TemperatureDifference;
    if !(quantity.accepts(amount.unit) || is_difference) {
        return Err(format!(
            "{} is a unit of {}, expected a unit of {quantity} such as {}",
            amount.unit,
            amount.unit.quantity(),
            quantity.si()
        ));
    }
    if amount.value < 0.0 {
        return Err(format!("an accuracy is not negative, as `{text}` is"));
    }
    Ok(amount.unit.difference_to_si(amount.value))
}

fn example(quantity: Quantity) -> String {
    match quantity {
        Quantity::Voltage => "10 V".to_owned(),
        Quantity::Current => "20 mA".to_owned(),
        other => format!("20 {}", other.si()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn accuracy(text: &str, quantity: Quantity) -> Accuracy {
        read(text, quantity).unwrap_or_else(|error| panic!("{error}"))
    }

    #[test]
    fn data_sheets_read_as_they_are_written() {
        let read = accuracy(
            "0.1 % of reading + 0.05 % of 10 V + 2 mV",
            Quantity::Voltage,
        );
        assert!((read.limit(5.0, 10.0) - (0.005 + 0.005 + 0.002)).abs() < 1e-15);
        let span = accuracy("±0.1 % of span", Quantity::Velocity);
        assert!((span.limit(1.0, 50.0) - 0.05).abs() < 1e-15);
        for text in ["0.9 °F", "0.5 °C", "0.5 K"] {
            let kelvin = accuracy(text, Quantity::Temperature).fixed;
            assert!((kelvin - 0.5).abs() < 1e-12, "{text}: {kelvin}");
        }
        assert!((accuracy("2 %", Quantity::Humidity).fixed - 0.02).abs() < 1e-15);
    }

    #[test]
    fn what_could_mean_two_things_is_asked_about() {
        let said = |text| read(text, Quantity::Current).unwrap_err();
        assert_eq!(
            said("0.05 %"),
            "say of what `0.05 %` is, such as `0.05 % of reading`, `0.05 % of span` or `0.05 % of 20 mA`"
        );
        assert!(said("2 mV").contains("expected a unit of current"));
        assert!(said("-2 mA").contains("not negative"));
        assert!(said("120 % of span").contains("no share"));
    }
}
