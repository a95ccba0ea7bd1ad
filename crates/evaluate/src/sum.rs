//! A sum of floating-point numbers as if it were computed with twice the digits.
//!
//! Means over a night add millions of samples, and variances subtract two nearly equal sums: in
//! plain arithmetic the second can lose every digit (NIST's series `NumAcc4` is made to show it).
//! Here every rounding error is caught and carried along (Ogita, Rump and Oishi, *Accurate sum and
//! dot product*, SIAM J. Sci. Comput. 26 (2005), algorithms `Sum2` and `Dot2`). Sums of parts can be
//! added to each other, and since the order of adding changes only what lies beyond the 30th digit,
//! the same samples give the same result however they were cut.

/// A running sum; relative error about n·10⁻³² of Σ|x|.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Sum {
    high: f64,
    low: f64,
}

impl Sum {
    /// Nothing added yet.
    pub(crate) const ZERO: Self = Self {
        high: 0.0,
        low: 0.0,
    };

    /// Adds a number.
    pub(crate) fn add(&mut self, x: f64) {
        let (sum, error) = two_sum(self.high, x);
        self.high = sum;
        self.low += error;
    }

    /// Adds the product of two numbers, with its rounding error.
    pub(crate) fn add_product(&mut self, x: f64, y: f64) {
        let (product, error) = two_product(x, y);
        self.add(product);
        self.low += error;
    }

    /// Adds another sum.
    pub(crate) fn join(&mut self, other: Self) {
        self.add(other.high);
        self.low += other.low;
    }

    /// The sum as the nearest number.
    pub(crate) fn value(self) -> f64 {
        self.high + self.low
    }

    /// Σxy − a·Σy − b·Σx + n·a·b, which is Σ(x − a)(y − b), where `self` is Σxy; each factor is its sum and its centre.
    pub(crate) fn cross_centred(self, one: (Self, f64), two: (Self, f64), n: f64) -> f64 {
        let mut all = self;
        for (sum, centre) in [(one.0, two.1), (two.0, one.1)] {
            all.add_product(-centre, sum.high);
            all.low -= centre * sum.low;
        }
        let (product, error) = two_product(one.1, two.1);
        all.add_product(n, product);
        all.low += n * error;
        all.value()
    }

    /// Σxy − m·(Σx + Σy) + n·m², which is Σ(x − m)(y − m), where `self` is Σxy and `both` Σx + Σy.
    pub(crate) fn centred(self, both: Self, n: f64, m: f64) -> f64 {
        let mut all = self;
        all.add_product(-m, both.high);
        all.low -= m * both.low;
        let (square, error) = two_product(m, m);
        all.add_product(n, square);
        all.low += n * error;
        all.value()
    }
}

/// The sum and its rounding error, exactly (Knuth).
fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let b_seen = sum - a;
    let a_seen = sum - b_seen;
    (sum, (a - a_seen) + (b - b_seen))
}

/// The product and its rounding error, exactly (Dekker), for factors below 10¹⁵⁰.
fn two_product(a: f64, b: f64) -> (f64, f64) {
    let product = a * b;
    let (a_high, a_low) = split(a);
    let (b_high, b_low) = split(b);
    let error = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low;
    (product, error)
}

/// Two halves of 26 bits (Veltkamp).
fn split(a: f64) -> (f64, f64) {
    const HALVES: f64 = 134_217_729.0; // 2^27 + 1
    let scaled = HALVES * a;
    let high = scaled - (scaled - a);
    (high, a - high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    #[expect(clippy::float_cmp, reason = "the point is that nothing is lost")]
    fn what_plain_addition_loses_is_kept() {
        let mut sum = Sum::default();
        for x in [1e16, 1.0, -1e16, 1e-3] {
            sum.add(x);
        }
        assert_eq!(sum.value(), 1.001);
    }

    proptest! {
        /// Both halves together are the exact product: checked in integers.
        #[test]
        fn a_product_keeps_its_error(a in -(1i64 << 53)..1 << 53, b in -(1i64 << 53)..1 << 53) {
            let (product, error) = two_product(to_float(a), to_float(b));
            prop_assert_eq!(to_integer(product) + to_integer(error), i128::from(a) * i128::from(b));
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "up to 2^53 it is exact")]
    fn to_float(a: i64) -> f64 {
        a as f64
    }

    #[expect(clippy::cast_possible_truncation, reason = "products stay below 2^106")]
    fn to_integer(a: f64) -> i128 {
        a as i128
    }
}
