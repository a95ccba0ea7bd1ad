//! The fixtures, and ways to compare with them.

#![allow(dead_code, reason = "each suite uses its own part")]

use serde_json::Value;
use zonda_evaluate::Reading;
use zonda_model::Stamp;

/// What general-purpose libraries say; written by `data/make_reference.py`.
pub(crate) fn reference() -> Value {
    serde_json::from_str(include_str!("../data/reference.json")).unwrap()
}

/// The check value `id`: its inputs, what is expected, and its source.
pub(crate) fn check_value(id: &str) -> Value {
    let table: Value = serde_json::from_str(include_str!("../data/check_values.json")).unwrap();
    let all = table["checks"].as_array().unwrap();
    let check = all.iter().find(|check| check["id"] == id);
    check.unwrap_or_else(|| panic!("{id}")).clone()
}

pub(crate) fn rows(table: &Value) -> &[Value] {
    let rows = table.as_array().unwrap();
    assert!(!rows.is_empty());
    rows
}

pub(crate) fn number(row: &Value, key: &str) -> f64 {
    row[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} in {row}"))
}

pub(crate) fn numbers(row: &Value) -> Vec<f64> {
    rows(row).iter().map(|x| x.as_f64().unwrap()).collect()
}

/// Asserts |found − expected| ≤ tolerance·|expected|.
#[track_caller]
pub(crate) fn assert_rel(found: f64, expected: f64, tolerance: f64) {
    let error = (found - expected).abs();
    assert!(
        error <= tolerance * expected.abs(),
        "{found} is not {expected}"
    );
}

/// Asserts |found − expected| ≤ tolerance.
#[track_caller]
pub(crate) fn assert_abs(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not {expected}"
    );
}

/// This many seconds after the epoch.
pub(crate) fn second(at: f64) -> Stamp {
    #[expect(clippy::cast_possible_truncation, reason = "tests stay near the epoch")]
    Stamp::from_micros((at * 1e6).round() as i64)
}

/// Good readings, one every `step` seconds from the epoch on.
pub(crate) fn series(values: &[f64], step: f64) -> impl Iterator<Item = Reading> {
    values
        .iter()
        .enumerate()
        .map(move |(k, value)| Reading::good(second(float(k) * step), *value))
}

#[expect(clippy::cast_precision_loss, reason = "tests count to millions")]
pub(crate) fn float(k: usize) -> f64 {
    k as f64
}

/// The project's deterministic test noise: mean 0, variance about 1 (`lcg_generator` in the check values).
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new() -> Self {
        Self(12345)
    }

    fn state(&mut self) -> u64 {
        self.0 = (1_103_515_245 * self.0 + 12345) % (1 << 31);
        self.0
    }
}

impl Iterator for Noise {
    type Item = f64;

    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53")]
    fn next(&mut self) -> Option<f64> {
        let sum: u64 = (0..12).map(|_| self.state()).sum();
        let half = 6.0 * (1u64 << 31) as f64;
        Some((sum as f64 - half) / (1u64 << 31) as f64)
    }
}

/// The series `z` of the check values.
pub(crate) fn white() -> Vec<f64> {
    Noise::new().take(200).collect()
}

/// The series `y` of the check values: y[k] = 0.5·y[k−1] + z[k].
pub(crate) fn remembering() -> Vec<f64> {
    let recall = |before: &mut f64, z| {
        *before = 0.5 * *before + z;
        Some(*before)
    };
    Noise::new().take(200).scan(0.0, recall).collect()
}
