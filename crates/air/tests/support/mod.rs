//! The fixtures, and a way to compare with them.

#![allow(dead_code, reason = "each suite uses its own part")]

use serde_json::Value;
use zonda_air::{Air, Humidity, Pressure, Temperature};

/// What general-purpose libraries say; written by `data/make_reference.py`.
pub(crate) fn reference() -> Value {
    serde_json::from_str(include_str!("../data/reference.json")).unwrap()
}

pub(crate) fn rows<'a>(table: &'a Value, name: &str) -> &'a [Value] {
    let rows = table[name].as_array().unwrap();
    assert!(!rows.is_empty(), "{name}");
    rows
}

pub(crate) fn number(row: &Value, key: &str) -> f64 {
    row[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} in {row}"))
}

pub(crate) fn celsius(t: f64) -> Temperature {
    Temperature::from_si(t).unwrap()
}

pub(crate) fn pascal(p: f64) -> Pressure {
    Pressure::from_si(p).unwrap()
}

pub(crate) fn dry(t: f64, p: f64) -> Air {
    Air::dry(celsius(t), pascal(p)).unwrap()
}

pub(crate) fn moist(t: f64, p: f64, w: f64) -> Air {
    Air::new(celsius(t), pascal(p), Humidity::Ratio(w)).unwrap()
}

/// The largest |found/expected − 1| over the rows, and where it is.
pub(crate) fn deviation_max(
    rows: &[Value],
    compare: impl Fn(&Value) -> (f64, f64),
) -> (f64, Value) {
    rows.iter()
        .map(|row| {
            let (found, expected) = compare(row);
            ((found / expected - 1.0).abs(), row.clone())
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap()
}

/// What is expected in the check value `id`: the part of the project's reference tables that concerns
/// air, with the source of each beside it in the file.
pub(crate) fn check_value(id: &str) -> Value {
    let table: Value = serde_json::from_str(include_str!("../data/check_values.json")).unwrap();
    let all = table["checks"].as_array().unwrap();
    let check = all
        .iter()
        .find(|check| check["id"] == id)
        .unwrap_or_else(|| panic!("{id}"));
    check["expected"].clone()
}
