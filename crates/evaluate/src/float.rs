//! Counts and spans of time as floating-point numbers, in one place.

use std::time::Duration;

/// A count as a number; exact up to 2⁵³, far beyond any record.
#[expect(
    clippy::cast_precision_loss,
    reason = "a record holds fewer than 2^53 samples"
)]
pub(crate) const fn count(count: u64) -> f64 {
    count as f64
}

/// A length as a number.
#[expect(
    clippy::cast_precision_loss,
    reason = "memory holds fewer than 2^53 numbers"
)]
pub(crate) const fn len(len: usize) -> f64 {
    len as f64
}

/// Microseconds as a number; exact until the year 2255.
#[expect(
    clippy::cast_precision_loss,
    reason = "records end before the year 2255"
)]
pub(crate) const fn whole(micros: i64) -> f64 {
    micros as f64
}

/// Whole microseconds of a span; saturates after 292 000 years.
pub(crate) fn micros(span: Duration) -> i64 {
    i64::try_from(span.as_micros()).unwrap_or(i64::MAX)
}
