//! Certificates: `[certificate.NAME]`, points in the file itself or in a CSV table beside it.

use jiff::civil::Date;
use zonda_model::Quantity;
use zonda_model::written::Span;
use zonda_signal::certificate::{Heading, Point};
use zonda_signal::{Certificate, Method, certificate_csv};

use crate::accuracy::{self, Accuracy};
use crate::check::NamedSection;
use crate::fault::{Fault, note};
use crate::section::{At, Section};
use crate::tables::Tables;

/// What a table says of a certificate, beside what the certificate itself does.
#[derive(Debug)]
pub(crate) struct Certified {
    pub(crate) certificate: Certificate,
    pub(crate) drift_per_year: Option<Accuracy>,
}

/// Keys that a CSV table brings itself.
const OWN: [&str; 8] = [
    "number",
    "laboratory",
    "date",
    "due",
    "quantity",
    "range",
    "points",
    "k",
];

pub(crate) fn read(
    table: &NamedSection<'_, '_>,
    tables: &mut Tables<'_>,
    faults: &mut Vec<Fault>,
) -> Option<Certified> {
    let section = &table.section;
    let method = section.read("method", read_method, faults);
    let is_known = method.is_some() || !section.has("method");
    let method = method.map(|at| at.value).unwrap_or_default();
    let certificate = match section.text("table") {
        Some(path) => {
            let why = "stands in the table already";
            section.refuse(&OWN, why, "leave it out here", faults);
            from_table(&path, method, tables, faults)
        }
        None => written(section, method, faults),
    };
    let certificate = certificate.filter(|_| is_known)?;
    let quantity = certificate.quantity();
    let drift = |text: &str| accuracy::read(text, quantity);
    let drift_per_year = section.read("drift_per_year", drift, faults);
    if section.is_misspelt() || (section.has("drift_per_year") && drift_per_year.is_none()) {
        return None;
    }
    Some(Certified {
        certificate,
        drift_per_year: drift_per_year.map(|at| at.value),
    })
}

fn from_table(
    path: &At<&str>,
    method: Method,
    tables: &mut Tables<'_>,
    faults: &mut Vec<Fault>,
) -> Option<Certificate> {
    let text = note(tables.text(path.value), &path.span, faults)?;
    match certificate_csv::read(&text, method) {
        Ok(certificate) => Some(certificate),
        Err(certificate_csv::Faults(list)) => {
            let said = list.into_iter().map(|fault| {
                Fault::new(path.span.clone(), format!("in `{}`, {fault}", path.value))
            });
            faults.extend(said);
            None
        }
    }
}

fn written(
    section: &Section<'_, '_>,
    method: Method,
    faults: &mut Vec<Fault>,
) -> Option<Certificate> {
    let before = faults.len();
    for key in ["number", "date", "due", "quantity", "range", "points"] {
        if !section.has(key) && !section.is_misspelt() {
            let what = format!("`{key}` is missing, or `table` in place of all");
            faults.push(Fault::new(section.span.clone(), what).help(section.example(key)));
        }
    }
    let date = section.read("date", read_date, faults);
    let due = section.read("due", read_date, faults);
    let quantity = section.parsed::<Quantity>("quantity", faults);
    let range = section.parsed::<Span>("range", faults);
    let k = section.number("k", (1.0, 10.0), faults).unwrap_or(2.0);
    let points: Vec<_> = section
        .texts("points")
        .unwrap_or_default()
        .into_iter()
        .filter_map(|At { value, span }| note(read_point(value, k), &span, faults))
        .collect();
    if faults.len() > before {
        return None;
    }
    let text = |key| section.text(key).map_or("", |at| at.value).to_owned();
    let heading = Heading {
        number: text("number"),
        laboratory: text("laboratory"),
        date: date?.value,
        due: due?.value,
    };
    let made = Certificate::new(heading, quantity?.value, range?.value, points, method);
    made.map_err(|error| {
        let place = section.place(place_of(&error));
        faults.push(Fault::new(place, error.to_string()));
    })
    .ok()
}

const fn place_of(error: &zonda_signal::certificate::BadCertificate) -> &'static str {
    use zonda_signal::certificate::BadCertificate as Bad;
    match error {
        Bad::NumberMissing => "number",
        Bad::DueBeforeDate { .. } => "due",
        Bad::Range(_) | Bad::RangeReversed(_) => "range",
        Bad::Coverage { .. } => "k",
        _ => "points",
    }
}

fn read_method(text: &str) -> Result<Method, String> {
    match text {
        "interpolation" => Ok(Method::Interpolation),
        "least squares" => Ok(Method::LeastSquares),
        other => Err(format!(
            "`{other}` is neither `interpolation` nor `least squares`"
        )),
    }
}

fn read_date(text: &str) -> Result<Date, String> {
    text.parse()
        .map_err(|_| format!("`{text}` is no date such as 2026-03-02"))
}

/// `0.50: 0.47 ± 0.03`: the reference, the reading and the expanded uncertainty.
fn read_point(text: &str, k: f64) -> Result<Point, String> {
    let shape = || {
        format!(
            "`{text}` is no point; write reference, reading and expanded uncertainty in the range's unit, such as `0.50: 0.47 ± 0.03`"
        )
    };
    let (reference, rest) = text.split_once(':').ok_or_else(shape)?;
    let (reading, uncertainty) = rest
        .split_once('±')
        .or_else(|| rest.split_once("+/-"))
        .ok_or_else(shape)?;
    let number = |part: &str| {
        let plain = part.trim().replace('−', "-");
        let number = plain.parse::<f64>().ok();
        number.filter(|number| number.is_finite()).ok_or_else(shape)
    };
    Ok(Point {
        reference: number(reference)?,
        reading: number(reading)?,
        uncertainty: number(uncertainty)?,
        k,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_read_as_people_write_them() {
        let point = read_point("0.50: 0.47 ± 0.03", 2.0).unwrap();
        let numbers = [point.reference, point.reading, point.uncertainty, point.k];
        assert_eq!(format!("{numbers:?}"), "[0.5, 0.47, 0.03, 2.0]");
        let cold = read_point("-20: −19.8 +/- 0.4", 2.0).unwrap();
        assert!((cold.reading + 19.8).abs() < 1e-12);
        assert!(read_point("0.5 0.47 0.03", 2.0).is_err());
        assert!(read_point("0.5: 0.47", 2.0).is_err());
    }
}
