//! Code formats: how the bits of a register, or the number of a text line, are read.
//!
//! A [`Code::Count`] carries the bits of one or two registers as the unsigned number they form on
//! the wire; sign, word order and justification are applied here. What one count stands for is
//! left to [`Scale`](crate::Scale).

use zonda_model::{Code, Quality};

/// How a binary number is coded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    /// Straight binary: 0 to 2ⁿ − 1.
    Unsigned,
    /// Two's complement: −2ⁿ⁻¹ to 2ⁿ⁻¹ − 1.
    Signed,
    /// Offset binary: the middle code 2ⁿ⁻¹ is zero.
    OffsetBinary,
}

/// In which order two registers carry the four bytes A B C D of a number, A the most significant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WordOrder {
    /// AB CD: the high word first, as most devices do.
    #[default]
    HighFirst,
    /// CD AB: the low word first.
    LowFirst,
    /// BA DC: the high word first, the bytes of each word swapped.
    HighFirstBytesSwapped,
    /// DC BA: the low word first, the bytes of each word swapped.
    LowFirstBytesSwapped,
}

impl WordOrder {
    /// Every order.
    pub const ALL: [Self; 4] = [
        Self::HighFirst,
        Self::LowFirst,
        Self::HighFirstBytesSwapped,
        Self::LowFirstBytesSwapped,
    ];

    /// The number A B C D of two registers read as `first << 16 | second`.
    pub const fn restore(self, wire: u32) -> u32 {
        match self {
            Self::HighFirst => wire,
            Self::LowFirst => wire.rotate_left(16),
            Self::HighFirstBytesSwapped => wire.swap_bytes().rotate_left(16),
            Self::LowFirstBytesSwapped => wire.swap_bytes(),
        }
    }
}

/// Which of a converter's end codes are flagged as saturated: beyond them the true value is unknown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum EndCodes {
    /// The lowest and the highest code.
    #[default]
    Both,
    /// The highest code only: for unipolar converters whose lowest code is also an honest zero.
    Highest,
    /// None: for integers that are no converter's code.
    Ignored,
}

/// How many registers carry an integer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Registers {
    One,
    Two(WordOrder),
}

impl Registers {
    const fn width(self) -> u8 {
        match self {
            Self::One => 16,
            Self::Two(_) => 32,
        }
    }
}

/// Why a code format cannot be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadFormat {
    /// The resolution is outside what converters have.
    #[error("a converter has {min} to {max} bits, not {0}", min = Integer::BITS_MIN, max = Integer::BITS_MAX)]
    Bits(u8),
}

/// An integer of n bits in one or two registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Integer {
    pub(crate) coding: Coding,
    pub(crate) bits: u8,
    pub(crate) registers: Registers,
    pub(crate) left_justified: bool,
    pub(crate) end_codes: EndCodes,
}

impl Integer {
    /// The lowest resolution.
    pub const BITS_MIN: u8 = 8;
    /// The highest resolution.
    pub const BITS_MAX: u8 = 32;

    /// The code of a converter of `bits` bits, right-justified in one register, or in two with the
    /// high word first where it does not fit into one. Both end codes count as saturated.
    ///
    /// # Errors
    /// [`BadFormat::Bits`].
    pub const fn converter(coding: Coding, bits: u8) -> Result<Self, BadFormat> {
        if bits < Self::BITS_MIN || bits > Self::BITS_MAX {
            return Err(BadFormat::Bits(bits));
        }
        let registers = if bits <= 16 {
            Registers::One
        } else {
            Registers::Two(WordOrder::HighFirst)
        };
        Ok(Self {
            coding,
            bits,
            registers,
            left_justified: false,
            end_codes: EndCodes::Both,
        })
    }

    /// A number in one register, such as tenths of a degree; its ends mean nothing special.
    pub const fn register(coding: Coding) -> Self {
        Self {
            coding,
            bits: 16,
            registers: Registers::One,
            left_justified: false,
            end_codes: EndCodes::Ignored,
        }
    }

    /// A number in two registers; its ends mean nothing special.
    pub const fn two_registers(coding: Coding, order: WordOrder) -> Self {
        Self {
            coding,
            bits: 32,
            registers: Registers::Two(order),
            left_justified: false,
            end_codes: EndCodes::Ignored,
        }
    }

    /// The same, carried by two registers in this order.
    pub const fn in_two_registers(mut self, order: WordOrder) -> Self {
        self.registers = Registers::Two(order);
        self
    }

    /// The same, with its most significant bit at the top of its 16 or 32 bits. What stands below
    /// its least significant bit is not part of the number and is not looked at.
    pub const fn left_justified(mut self) -> Self {
        self.left_justified = true;
        self
    }

    /// The same, with these end codes flagged.
    pub const fn with_end_codes(mut self, end_codes: EndCodes) -> Self {
        self.end_codes = end_codes;
        self
    }

    /// The resolution, in bits.
    pub const fn bits(self) -> u8 {
        self.bits
    }

    /// The lowest and the highest count.
    pub const fn ends(self) -> (i64, i64) {
        let steps = 1_i64 << self.bits;
        match self.coding {
            Coding::Unsigned => (0, steps - 1),
            Coding::Signed | Coding::OffsetBinary => (-steps / 2, steps / 2 - 1),
        }
    }

    /// The signed count that these bits stand for.
    ///
    /// `None` where they cannot be such a code: more bits than the registers have, or bits set
    /// beside the n bits of a right-justified code (other than copies of its sign).
    pub fn count(self, wire: i64) -> Option<i64> {
        let wire = u32::try_from(wire).ok()?;
        let width = u32::from(self.registers.width());
        let spare = width - u32::from(self.bits).min(width);
        let word = match self.registers {
            Registers::One => u32::from(u16::try_from(wire).ok()?),
            Registers::Two(order) => order.restore(wire),
        };
        let word = i64::from(word);
        if self.left_justified {
            return Some(self.signed(word >> spare));
        }
        let steps = 1_i64 << self.bits;
        let (field, beside) = (word % steps, word / steps);
        let copies_of_sign = (1_i64 << spare) - 1;
        let is_extended =
            matches!(self.coding, Coding::Signed) && field >= steps / 2 && beside == copies_of_sign;
        (beside == 0 || is_extended).then(|| self.signed(field))
    }

    const fn signed(self, field: i64) -> i64 {
        let steps = 1_i64 << self.bits;
        match self.coding {
            Coding::Signed if field >= steps / 2 => field - steps,
            Coding::Unsigned | Coding::Signed => field,
            Coding::OffsetBinary => field - steps / 2,
        }
    }

    fn is_saturated(self, count: i64) -> bool {
        let (lowest, highest) = self.ends();
        match self.end_codes {
            EndCodes::Both => count == lowest || count == highest,
            EndCodes::Highest => count == highest,
            EndCodes::Ignored => false,
        }
    }
}

/// How a code is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CodeFormat {
    /// An integer in one or two registers.
    Integer(Integer),
    /// An IEEE 754 single-precision number in two registers.
    Float32(WordOrder),
    /// A signed count that the device's driver has already put right.
    Count,
    /// A number of a text line.
    Number,
}

/// A number read from a code, with what there is to say about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decoded {
    /// The count, or the number itself. Always finite.
    pub number: f64,
    /// [`Quality::SATURATED`] or empty.
    pub quality: Quality,
}

impl CodeFormat {
    /// Reads a code; `None` where it stands for no number: a float that is not finite or is
    /// denormal (the mark of swapped words), bits that the format cannot have, a code of another kind.
    pub fn decode(self, code: Code) -> Option<Decoded> {
        let (number, quality) = match (self, code) {
            (Self::Integer(integer), Code::Count(wire)) => {
                let count = integer.count(wire)?;
                let quality = if integer.is_saturated(count) {
                    Quality::SATURATED
                } else {
                    Quality::empty()
                };
                (exact(count), quality)
            }
            (Self::Float32(order), Code::Count(wire)) => {
                let number = f32::from_bits(order.restore(u32::try_from(wire).ok()?));
                let is_usable = number.is_normal() || number == 0.0;
                (f64::from(is_usable.then_some(number)?), Quality::empty())
            }
            (Self::Count, Code::Count(count)) => (exact(count), Quality::empty()),
            (Self::Number, Code::Number(number)) => (number, Quality::empty()),
            _ => return None,
        };
        number.is_finite().then_some(Decoded { number, quality })
    }

    /// True where one count is a step that the device cannot go below.
    pub const fn has_counts(self) -> bool {
        matches!(self, Self::Integer(_) | Self::Count)
    }

    /// By how much a number that was written as a decimal may differ from it, relative to it.
    ///
    /// Limits are compared with this margin, so that 3.8 mA is at 3.8 mA however it was coded.
    pub(crate) const fn rounding(self) -> f64 {
        match self {
            Self::Float32(_) => f32::EPSILON as f64,
            _ => 1e-12,
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts have at most 32 bits; a driver's count beyond 2^53 is rounded, not wrapped"
)]
const fn exact(count: i64) -> f64 {
    count as f64
}
