//! Envelopes: `[envelope.NAME]`, temperature bands with the velocities believed in each.

use zonda_model::written::{Amount, Span};
use zonda_signal::Envelope;
use zonda_signal::envelope::Band;

use crate::check::NamedSection;
use crate::fault::{Fault, note};
use crate::section::At;

pub(crate) fn read(table: &NamedSection<'_, '_>, faults: &mut Vec<Fault>) -> Option<Envelope> {
    let before = faults.len();
    let section = &table.section;
    let temperature = section.parsed::<Span>("temperature", faults);
    let bands: Vec<_> = section
        .texts("velocity")?
        .into_iter()
        .filter_map(|At { value, span }| note(read_band(value), &span, faults))
        .collect();
    if faults.len() > before || section.is_misspelt() {
        return None;
    }
    let place = section.place("velocity");
    note(
        Envelope::new(&bands, temperature.map(|at| at.value)),
        &place,
        faults,
    )
}

/// `0-100 °C: 0.2-50 m/s`, or with two units `0-100 °C: 40 ft/min to 50 m/s`.
fn read_band(text: &str) -> Result<Band, String> {
    let shape = || format!("`{text}` is no band; write it such as `0-100 °C: 0.2-50 m/s`");
    let (temperature, velocity) = text.split_once(':').ok_or_else(shape)?;
    let temperature: Span = temperature
        .trim()
        .parse()
        .map_err(|error| format!("the temperatures of `{text}`: {error}"))?;
    let (velocity_min, velocity_max) = read_velocities(velocity.trim())
        .map_err(|error| format!("the velocities of `{text}`: {error}"))?;
    Ok(Band {
        temperature,
        velocity_min,
        velocity_max,
    })
}

fn read_velocities(text: &str) -> Result<(Amount, Amount), String> {
    if let Some((min, max)) = text.split_once(" to ")
        && let (Ok(min), Ok(max)) = (min.parse(), max.parse())
    {
        return Ok((min, max));
    }
    let span: Span = text
        .parse()
        .map_err(|error: zonda_model::written::BadWriting| error.to_string())?;
    let amount = |value| Amount {
        value,
        unit: span.unit,
    };
    Ok((amount(span.from), amount(span.to)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_model::Unit;

    #[test]
    fn bands_read_as_people_write_them() {
        let band = read_band("32-212 °F: 40-9840 ft/min").unwrap();
        assert_eq!(band.temperature.unit, Unit::DegreeFahrenheit);
        assert_eq!(band.velocity_min.unit, Unit::FootPerMinute);
        let mixed = read_band("0-100 °C: 40 ft/min to 50 m/s").unwrap();
        assert_eq!(mixed.velocity_max.unit, Unit::MetrePerSecond);
        assert!(read_band("0-100 °C").unwrap_err().contains("no band"));
        assert!(
            read_band("0-100 °C: fast")
                .unwrap_err()
                .contains("velocities")
        );
    }
}
