//! Counts as floating-point numbers, in one place.

/// A length as a number.
#[expect(
    clippy::cast_precision_loss,
    reason = "memory holds fewer than 2^53 numbers"
)]
pub(crate) const fn len(len: usize) -> f64 {
    len as f64
}
