//! Codes and samples: what the device said, and what it stands for.

use crate::quality::Quality;
use crate::time::Stamp;

/// What the converter handed over, untouched.
///
/// A register's bits are kept as the unsigned number they form on the wire (`r0 << 16 | r1` for
/// two registers); sign, word order and coding belong to the mapping, so that a wrong setting found
/// in the morning can still be put right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Code {
    /// The bits of one or two registers, or a count of a converter.
    Count(i64),
    /// A number parsed from a text line. Always finite.
    Number(f64),
}

/// One stored sample of one channel.
///
/// `C` is how the channel is known where the sample is: an index on the way, a key in the store.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample<C> {
    /// The channel.
    pub channel: C,
    /// When, on the record's axis: the middle of the exchange that fetched it.
    pub at: Stamp,
    /// What the device said; `None` where it sent a status word in place of a number.
    pub code: Option<Code>,
    /// The value in the SI unit of the channel's quantity; `None` where the code stands for none. Always finite.
    pub value: Option<f64>,
    /// What the value is worth.
    pub quality: Quality,
}
