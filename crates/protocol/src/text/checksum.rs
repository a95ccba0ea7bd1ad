//! Checksums of text lines: one byte, written as two hexadecimal digits at the end of the line.

use std::fmt;
use std::str::FromStr;

/// What the two digits are computed as. Named by what they compute.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sum {
    /// All covered bytes combined by exclusive or.
    Xor,
    /// The sum of all covered bytes, modulo 256.
    Sum,
    /// The two's complement of [`Sum::Sum`]: covered bytes and checksum add up to zero, modulo 256.
    NegatedSum,
}

impl Sum {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::Xor, Self::Sum, Self::NegatedSum];

    /// The word used in the configuration.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Xor => "xor",
            Self::Sum => "sum",
            Self::NegatedSum => "negated_sum",
        }
    }

    /// The checksum of `bytes`.
    pub fn over<'a>(self, bytes: impl IntoIterator<Item = &'a u8>) -> u8 {
        let bytes = bytes.into_iter();
        match self {
            Self::Xor => bytes.fold(0, |sum, byte| sum ^ byte),
            Self::Sum => bytes.fold(0, |sum, byte| sum.wrapping_add(*byte)),
            Self::NegatedSum => bytes.fold(0, |sum, byte| sum.wrapping_sub(*byte)),
        }
    }
}

impl fmt::Display for Sum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// The text is not the word of any [`Sum`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a checksum known here; `xor`, `sum` and `negated_sum` are")]
pub struct UnknownSum(pub String);

impl FromStr for Sum {
    type Err = UnknownSum;

    fn from_str(word: &str) -> Result<Self, UnknownSum> {
        Self::ALL
            .into_iter()
            .find(|sum| sum.word() == word)
            .ok_or_else(|| UnknownSum(word.to_owned()))
    }
}

/// A checksum at the end of every line: body, separator, two hexadecimal digits of either case.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checksum {
    /// What is computed.
    pub sum: Sum,
    /// What stands between the body and the digits, such as `*`. It may not occur in the body. Empty
    /// only where every line has one fixed length.
    pub separator: String,
    /// Which bytes count beside the body, which always does.
    pub covers: Covers,
}

impl Checksum {
    /// How many bytes it takes up at the end of a line.
    pub const fn length(&self) -> usize {
        self.separator.len() + Self::DIGITS
    }

    /// Two hexadecimal digits.
    pub(super) const DIGITS: usize = 2;
}

/// The bytes that a checksum covers beside the body.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Covers {
    /// The line's fixed prefix counts too.
    pub prefix: bool,
    /// The separator before the digits counts too.
    pub separator: bool,
}
