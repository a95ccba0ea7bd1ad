//! What is the same on every wire: the request, the answer, the exception.

use std::fmt;
use std::num::NonZeroU8;


/// What a device answers when it cannot: a code of 1 to 255.
///
/// Names by Application Protocol V1.1b3, section 7; the codes it does not name are kept as numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Exception(NonZeroU8);

/// What an exception asks of the one who got it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ExceptionKind {
    /// 5 and 6: busy now; ask again shortly.
    TryAgain,
    /// 1, 2 and 3: the configuration asks for what the device does not have.
    Configuration,
    /// 10 and 11: the gateway is well, the unit behind it is not.
    UnitBehindGateway,
    /// 4, 8 and every code without a name: the device says that it has failed.
    Device,
}

impl Exception {
    /// From the code on the wire; 0 is none.
    pub const fn new(code: u8) -> Option<Self> {
        match NonZeroU8::new(code) {
            Some(code) => Some(Self(code)),
            None => None,
        }
    }

    /// The code on the wire, 1 to 255.
    pub const fn code(self) -> u8 {
        self.0.get()
    }

    /// What to do about it.
    pub const fn kind(self) -> ExceptionKind {
        match self.code() {
            5 | 6 => ExceptionKind::TryAgain,
            1..=3 => ExceptionKind::Configuration,
            10 | 11 => ExceptionKind::UnitBehindGateway,
            _ => ExceptionKind::Device,
        }
    }

    const fn words(self) -> &'static str {
        match self.code() {
            1 => "illegal function",
            2 => "illegal data address",
            3 => "illegal data value",
            4 => "server device failure",
            5 => "acknowledge, still at work",
            6 => "server device busy",
            8 => "memory parity error",
            10 => "gateway path unavailable",
            11 => "gateway target device failed to respond",
            _ => "a code that the standard does not name",
        }
    }
}

impl fmt::Display for Exception {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "exception {} ({})", self.code(), self.words())
    }
}
