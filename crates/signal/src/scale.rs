//! Scales: what one count of a code stands for.

use zonda_model::Unit;
use zonda_model::written::Amount;

/// Why a scale cannot be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BadScale {
    /// One count stands for nothing.
    #[error("one count must stand for a number other than 0, not {0}")]
    Step(f64),
    /// The zero is no number.
    #[error("the count at zero must be a number, not {0}")]
    Zero(f64),
}

/// measured = (count − zero) · per count, in a stated unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    per_count: Amount,
    zero_count: f64,
}

impl Scale {
    /// One count stands for this amount, such as 0.3125 mV, 1 µA or 0.1 °C.
    ///
    /// # Errors
    /// [`BadScale::Step`] where it is 0 or not finite.
    pub fn per_count(amount: Amount) -> Result<Self, BadScale> {
        if !amount.value.is_normal() {
            return Err(BadScale::Step(amount.value));
        }
        Ok(Self {
            per_count: amount,
            zero_count: 0.0,
        })
    }

    /// All 2ⁿ steps of a converter of `bits` bits together stand for this amount: from the lowest to
    /// the highest input, so a bipolar ±10.24 V has 20.48 V. Divided by 2ⁿ, never by 2ⁿ − 1.
    ///
    /// # Errors
    /// [`BadScale::Step`].
    pub fn full_scale(amount: Amount, bits: u8) -> Result<Self, BadScale> {
        Self::per_count(Amount {
            value: amount.value / 2_f64.powi(i32::from(bits)),
            unit: amount.unit,
        })
    }

    /// The code is the number in `unit` itself, as text lines and floats carry it.
    pub const fn unity(unit: Unit) -> Self {
        Self {
            per_count: Amount { value: 1.0, unit },
            zero_count: 0.0,
        }
    }

    /// The same, with its zero at this count. The Linux kernel's IIO `offset` is the negative of it.
    ///
    /// # Errors
    /// [`BadScale::Zero`] where it is not finite.
    pub fn with_zero(self, count: f64) -> Result<Self, BadScale> {
        if !count.is_finite() {
            return Err(BadScale::Zero(count));
        }
        Ok(Self {
            zero_count: count,
            ..self
        })
    }

    /// The unit in which a count is stated.
    pub const fn unit(self) -> Unit {
        self.per_count.unit
    }

    /// What one count stands for, in that unit.
    pub const fn step(self) -> f64 {
        self.per_count.value
    }

    /// The count at which the measured quantity is zero.
    pub const fn zero_count(self) -> f64 {
        self.zero_count
    }

    /// What a count stands for, in the SI unit of the scale's quantity.
    pub const fn measured(self, count: f64) -> f64 {
        self.per_count
            .unit
            .to_si((count - self.zero_count) * self.per_count.value)
    }

    /// The count at which this (SI) is measured. A count that is whole but for rounding is made whole.
    pub(crate) fn count_of(self, measured: f64) -> f64 {
        let count = self.per_count.unit.from_si(measured) / self.per_count.value + self.zero_count;
        let whole = count.round();
        if (count - whole).abs() <= 1e-12 * whole.abs().max(1.0) {
            whole
        } else {
            count
        }
    }

    /// The size of one count, in SI; always positive.
    pub const fn step_si(self) -> f64 {
        self.per_count
            .unit
            .difference_to_si(self.per_count.value)
            .abs()
    }
}
