//! Reads the fixtures of check values and compares with their own tolerances.
#![allow(
    dead_code,
    unreachable_pub,
    reason = "each test file uses a part of it"
)]

use serde_json::Value;

/// One published or independently computed case.
pub struct Case(Value);

/// Every case of a fixture.
pub fn cases(text: &str) -> Vec<Case> {
    let fixture: Value = serde_json::from_str(text).expect("a fixture is JSON");
    let cases = fixture["cases"].as_array().expect("a fixture has cases");
    assert!(!cases.is_empty());
    cases.iter().cloned().map(Case).collect()
}

impl Case {
    pub fn id(&self) -> &str {
        self.0["id"].as_str().expect("a case has an id")
    }

    pub fn input(&self, key: &str) -> f64 {
        number(&self.0["inputs"][key], key)
    }

    pub fn has_input(&self, key: &str) -> bool {
        !self.0["inputs"][key].is_null()
    }

    pub fn inputs(&self, key: &str) -> Vec<f64> {
        numbers(&self.0["inputs"][key], key)
    }

    pub fn expected(&self, key: &str) -> f64 {
        number(&self.0["expected"][key], key)
    }

    pub fn expecteds(&self, key: &str) -> Vec<f64> {
        numbers(&self.0["expected"][key], key)
    }

    /// The raw JSON below `inputs` or `expected`.
    pub fn at(&self, pointer: &str) -> &Value {
        self.0.pointer(pointer).expect("the fixture has it")
    }

    /// Compares with the case's own tolerance.
    pub fn close(&self, found: f64, expected: f64) {
        let tolerance = &self.0["tolerance"];
        let allowed = match (tolerance["rel"].as_f64(), tolerance["abs"].as_f64()) {
            (Some(rel), _) => rel * expected.abs(),
            (_, Some(abs)) => abs,
            _ => 0.0,
        };
        // fixtures carry 12 significant digits
        let allowed = allowed.max(1e-11 * expected.abs());
        assert!(
            (found - expected).abs() <= allowed,
            "{}: found {found}, expected {expected} ± {allowed}",
            self.id()
        );
    }
}

pub fn number(value: &Value, key: &str) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("no number at {key}"))
}

fn numbers(value: &Value, key: &str) -> Vec<f64> {
    let list = value
        .as_array()
        .unwrap_or_else(|| panic!("no list at {key}"));
    list.iter().map(|value| number(value, key)).collect()
}
