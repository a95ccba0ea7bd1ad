//! What is the same on every wire: the request, the answer, the exception.

use std::fmt;
use std::num::NonZeroU8;

use super::{RegisterSpan, Table, UnitId};

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

impl std::error::Error for Exception {}

/// One question to one unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Request {
    /// Whom.
    pub unit: UnitId,
    /// Which table.
    pub table: Table,
    /// Which registers.
    pub span: RegisterSpan,
}

/// What a device says to a [`Request`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reply {
    /// Just as many registers as were asked for.
    Registers(Vec<u16>),
    /// The device answered that it cannot.
    Exception(Exception),
}

/// A believed answer, and whether it is the first one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// What the device said.
    pub reply: Reply,
    /// True for the first registers after the unit had been out of step.
    pub resynced: bool,
}

impl Request {
    /// Function, first register, count: the five bytes that are the same on every wire.
    pub const fn pdu(self) -> [u8; 5] {
        let [first_high, first_low] = self.span.first().to_be_bytes();
        let [count_high, count_low] = self.span.count().to_be_bytes();
        [
            self.table.function(),
            first_high,
            first_low,
            count_high,
            count_low,
        ]
    }

    /// The function code of an exception to this request.
    pub(crate) const fn exception_function(self) -> u8 {
        self.table.function() | 0x80
    }

    /// Bytes of registers that the answer must announce.
    pub(crate) fn data_length(self) -> usize {
        2 * usize::from(self.span.count())
    }

    /// Reads an answer that is complete: function, and registers or exception code, and nothing else.
    ///
    /// `None` where it is no answer to this request.
    pub(crate) fn reply(self, pdu: &[u8]) -> Option<Reply> {
        match *pdu {
            [function, code] if function == self.exception_function() => {
                Exception::new(code).map(Reply::Exception)
            }
            [function, length, ref data @ ..] if function == self.table.function() => {
                let is_whole =
                    usize::from(length) == self.data_length() && data.len() == self.data_length();
                let register = |pair: &[u8]| {
                    pair.iter()
                        .fold(0, |register, byte| register << 8 | u16::from(*byte))
                };
                is_whole.then(|| Reply::Registers(data.chunks_exact(2).map(register).collect()))
            }
            _ => None,
        }
    }
}
