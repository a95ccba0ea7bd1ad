//! Rates of the record.
fn main() {}
