//! A sheet of results: a heading, rows of value, unit and error, and what to know beside them. The
//! same sheet is printed as a table or as JSON, in SI or in the units of the United States.

use std::fmt::Display;
use std::io::Write;

use clap::ValueEnum;
use comfy_table::{Cell, CellAlignment, Table};
use serde_json::{Map, Value, json};
use zonda_model::Unit;

/// In which units results are stated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum Units {
    /// m/s, °C, kPa, m³/h, kg/h, kW.
    #[default]
    Si,
    /// ft/min, °F, inHg, ft³/min, lb/h, Btu/h.
    Us,
}

/// In what a result is stated: symbol and SI value of one unit, for each system.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Measure {
    /// By the table of units.
    Known { si: Unit, us: Unit },
    /// A property of air that no channel records: symbol and factor, SI and US.
    Property {
        si: (&'static str, f64),
        us: (&'static str, f64),
    },
    /// A plain number.
    Plain,
}

const BTU: f64 = 1_055.055_852_62;
const POUND: f64 = 0.453_592_37;
const FOOT: f64 = 0.3048;
/// The Fahrenheit degree, K.
const DEGREE: f64 = 5.0 / 9.0;

const fn known(si: Unit, us: Unit) -> Measure {
    Measure::Known { si, us }
}

/// What is stated on sheets. Factors follow from the foot, the pound and the International Table Btu (NIST SP 811, B.8).
impl Measure {
    pub(crate) const VELOCITY: Self = known(Unit::MetrePerSecond, Unit::FootPerMinute);
    pub(crate) const TEMPERATURE: Self = known(Unit::DegreeCelsius, Unit::DegreeFahrenheit);
    pub(crate) const PRESSURE: Self = known(Unit::Kilopascal, Unit::InchOfMercury);
    pub(crate) const DIFFERENCE: Self = known(Unit::Pascal, Unit::InchOfWater);
    pub(crate) const VOLUME_FLOW: Self = known(Unit::CubicMetrePerHour, Unit::CubicFootPerMinute);
    pub(crate) const MASS_FLOW: Self = known(Unit::KilogramPerHour, Unit::PoundPerHour);
    pub(crate) const HEAT: Self = known(Unit::Kilowatt, Unit::BtuPerHour);
    pub(crate) const DENSITY: Self = known(Unit::KilogramPerCubicMetre, Unit::PoundPerCubicFoot);
    pub(crate) const AREA: Self = known(Unit::SquareMetre, Unit::SquareFoot);
    pub(crate) const PERCENT: Self = known(Unit::Percent, Unit::Percent);
    pub(crate) const HUMIDITY_RATIO: Self = Self::Property {
        si: ("g/kg", 1e-3),
        us: ("gr/lb", 1.0 / 7000.0),
    };
    pub(crate) const VISCOSITY: Self = Self::Property {
        si: ("µPa·s", 1e-6),
        us: ("lb/(ft·h)", POUND / (FOOT * 3600.0)),
    };
    pub(crate) const KINEMATIC_VISCOSITY: Self = Self::Property {
        si: ("mm²/s", 1e-6),
        us: ("ft²/h", FOOT * FOOT / 3600.0),
    };
    pub(crate) const HEAT_CAPACITY: Self = Self::Property {
        si: ("J/(kg·K)", 1.0),
        us: ("Btu/(lb·°F)", BTU / (POUND * DEGREE)),
    };
    pub(crate) const CONDUCTIVITY: Self = Self::Property {
        si: ("mW/(m·K)", 1e-3),
        us: ("Btu/(h·ft·°F)", BTU / (3600.0 * FOOT * DEGREE)),
    };
    pub(crate) const ENTHALPY: Self = Self::Property {
        si: ("kJ/kg dry air", 1e3),
        us: ("Btu/lb dry air", BTU / POUND),
    };
    pub(crate) const MOLAR_MASS: Self = Self::Property {
        si: ("g/mol", 1e-3),
        us: ("lb/lbmol", 1e-3),
    };
    pub(crate) const TIME: Self = Self::Property {
        si: ("s", 1.0),
        us: ("s", 1.0),
    };
    pub(crate) const PER_HOUR: Self = Self::Property {
        si: ("1/h", 1.0),
        us: ("1/h", 1.0),
    };

    fn symbol(self, units: Units) -> &'static str {
        match (self, units) {
            (Self::Known { si, .. }, Units::Si) => si.symbol(),
            (Self::Known { us, .. }, Units::Us) => us.symbol(),
            (Self::Property { si, .. }, Units::Si) => si.0,
            (Self::Property { us, .. }, Units::Us) => us.0,
            (Self::Plain, _) => "",
        }
    }

    fn value(self, si_value: f64, units: Units) -> f64 {
        match (self, units) {
            (Self::Known { si, .. }, Units::Si) => si.from_si(si_value),
            (Self::Known { us, .. }, Units::Us) => us.from_si(si_value),
            (Self::Property { si, .. }, Units::Si) => si_value / si.1,
            (Self::Property { us, .. }, Units::Us) => si_value / us.1,
            (Self::Plain, _) => si_value,
        }
    }

    /// A difference: without the zero of °F.
    fn difference(self, si_value: f64, units: Units) -> f64 {
        self.value(si_value, units) - self.value(0.0, units)
    }

    /// As words, without idle zeros: `98.2 kPa`.
    pub(crate) fn say(self, si_value: f64, units: Units) -> String {
        let value = rounded(self.value(si_value, units), 6);
        let value = if value.contains('.') {
            value.trim_end_matches('0').trim_end_matches('.')
        } else {
            &value
        };
        format!("{value} {}", self.symbol(units))
    }
}

/// One result.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    key: &'static str,
    words: String,
    value: f64,
    measure: Measure,
    u: Option<f64>,
    basis: Option<String>,
}

impl Row {
    /// A result in SI.
    pub(crate) fn new(
        key: &'static str,
        words: impl Into<String>,
        value: f64,
        measure: Measure,
    ) -> Self {
        Self {
            key,
            words: words.into(),
            value,
            measure,
            u: None,
            basis: None,
        }
    }

    /// With its standard uncertainty (k = 1), SI.
    pub(crate) fn with_u(self, u: f64) -> Self {
        Self { u: Some(u), ..self }
    }

    /// With its relative standard uncertainty (k = 1).
    pub(crate) fn with_u_rel(self, u_rel: f64) -> Self {
        let u = self.value.abs() * u_rel;
        self.with_u(u)
    }

    /// With the basis that the number is meaningless without.
    pub(crate) fn on(self, basis: impl Display) -> Self {
        Self {
            basis: Some(basis.to_string()),
            ..self
        }
    }

    fn error(&self, units: Units) -> String {
        let Some(u) = self.u else {
            return String::new();
        };
        let is_temperature = matches!(
            self.measure,
            Measure::Known {
                si: Unit::DegreeCelsius,
                ..
            }
        );
        if is_temperature || self.value == 0.0 {
            let expanded = self.measure.difference(2.0 * u, units);
            return format!("± {} {}", two_figures(expanded), self.measure.symbol(units));
        }
        format!("± {} %", two_figures(200.0 * u / self.value.abs()))
    }

    fn as_json(&self, units: Units) -> Value {
        let mut row = Map::new();
        row.insert("value".into(), json!(self.measure.value(self.value, units)));
        row.insert("unit".into(), json!(self.measure.symbol(units)));
        if let Some(u) = self.u {
            row.insert("u".into(), json!(self.measure.difference(u, units)));
        }
        if let Some(basis) = &self.basis {
            row.insert("basis".into(), json!(basis));
        }
        Value::Object(row)
    }
}

/// Results with their heading and what to know beside them.
#[derive(Clone, Debug)]
pub(crate) struct Sheet {
    heading: String,
    rows: Vec<Row>,
    notes: Vec<String>,
}

impl Sheet {
    pub(crate) fn new(heading: impl Into<String>) -> Self {
        Self {
            heading: heading.into(),
            rows: Vec::new(),
            notes: Vec::new(),
        }
    }

    pub(crate) fn row(&mut self, row: Row) {
        self.rows.push(row);
    }

    /// What stands below the table. Each is a sentence.
    pub(crate) fn note(&mut self, note: impl Into<String>) {
        self.notes.push(note.into());
    }

    /// Prints it.
    pub(crate) fn print(&self, units: Units, as_json: bool) {
        let text = if as_json {
            format!("{:#}", self.as_json(units))
        } else {
            self.as_text(units)
        };
        say(&text);
    }

    fn as_json(&self, units: Units) -> Value {
        // Several rows of one key, such as standard velocities at several references, make a list.
        let mut results = Map::new();
        for row in &self.rows {
            let said = row.as_json(units);
            match results.get_mut(row.key) {
                None => {
                    results.insert(row.key.into(), said);
                }
                Some(Value::Array(list)) => list.push(said),
                Some(first) => {
                    let first_said = first.take();
                    *first = json!([first_said, said]);
                }
            }
        }
        json!({ "heading": self.heading, "results": results, "u": "standard uncertainty, k = 1", "notes": self.notes })
    }

    fn as_text(&self, units: Units) -> String {
        let mut table = Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        for row in &self.rows {
            let words = match &row.basis {
                Some(basis) => format!("{}, {basis}", row.words),
                None => row.words.clone(),
            };
            table.add_row([
                Cell::new(words),
                Cell::new(figures(row.measure.value(row.value, units)))
                    .set_alignment(CellAlignment::Right),
                Cell::new(row.measure.symbol(units)),
                Cell::new(row.error(units)),
            ]);
        }
        let mut text = format!("{}\n\n{}", self.heading, trimmed(&table.to_string()));
        if !self.notes.is_empty() {
            text.push('\n');
        }
        for note in &self.notes {
            text.push('\n');
            text.push_str(&wrapped(note, 92));
        }
        text
    }
}

/// Prints a text and a line's end. Whoever closes the pipe early has seen enough.
pub(crate) fn say(text: &str) {
    let _ = writeln!(std::io::stdout(), "{text}");
}

/// Without the blanks that a table leaves at the ends of its lines.
pub(crate) fn trimmed(table: &str) -> String {
    table
        .lines()
        .map(str::trim_end)
        .collect::<Vec<_>>()
        .join("\n")
}

/// Lines of at most `width` characters, the later ones indented.
pub(crate) fn wrapped(text: &str, width: usize) -> String {
    let mut out = String::new();
    let mut used = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > width {
            out.push_str("\n  ");
            used = 2;
        } else if used > 0 {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += length;
    }
    out
}

/// Five significant figures, whole numbers in full.
pub(crate) fn figures(value: f64) -> String {
    rounded(value, 5)
}

fn two_figures(value: f64) -> String {
    rounded(value, 2)
}

fn rounded(value: f64, significant: i32) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a power of ten of a double is below 309"
    )]
    let magnitude = value.abs().log10().floor() as i32;
    let decimals = usize::try_from(significant - 1 - magnitude)
        .unwrap_or(0)
        .min(12);
    format!("{value:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST SP 811, appendix B.8, prints these to seven figures.
    #[test]
    fn factors_are_those_of_the_printed_table() {
        let us = |measure: Measure| match measure {
            Measure::Property { us, .. } => us.1,
            _ => f64::NAN,
        };
        for (measure, printed) in [
            (Measure::VISCOSITY, 4.133_789e-4),
            (Measure::KINEMATIC_VISCOSITY, 2.580_640e-5),
            (Measure::HEAT_CAPACITY, 4.1868e3),
            (Measure::CONDUCTIVITY, 1.730_735),
            (Measure::ENTHALPY, 2.326e3),
        ] {
            assert!((us(measure) / printed - 1.0).abs() < 5e-7, "{measure:?}");
        }
    }

    #[test]
    fn figures_are_significant() {
        assert_eq!(figures(0.001_234_567), "0.0012346");
        assert_eq!(figures(1_234_567.0), "1234567");
        assert_eq!(figures(-40.0), "-40.000");
        assert_eq!(two_figures(0.0123), "0.012");
    }

    #[test]
    fn rows_of_one_key_make_a_list_and_keep_their_bases() {
        let mut sheet = Sheet::new("x");
        for (value, basis) in [(1.0, "one"), (2.0, "two"), (3.0, "three")] {
            sheet.row(Row::new("v", "velocity", value, Measure::VELOCITY).on(basis));
        }
        let json = sheet.as_json(Units::Us);
        assert_eq!(json["results"]["v"][2]["basis"], "three");
        assert_eq!(json["results"]["v"][0]["unit"], "ft/min");
        assert_eq!(json["results"]["v"].as_array().map(Vec::len), Some(3));
    }

    #[test]
    fn the_error_of_a_temperature_is_a_difference() {
        let row = Row::new("t", "dew point", 10.0, Measure::TEMPERATURE).with_u(0.5);
        assert_eq!(row.error(Units::Us), "± 1.8 °F");
    }
}
