//! CSV as RFC 4180 describes it: CRLF after every record, a heading, quotes where they are needed, UTF-8.
//!
//! Three layouts: [`Long`] (a record per sample, nothing left out), [`Wide`] (a record per step of a
//! grid, a column per channel) and [`Gaps`] (a record per stretch of missing time). Each is a
//! writer of records into a buffer: no I/O and no store here. What a step of the wide layout holds is
//! [`crate::grid`]'s.

mod cells;
mod gaps;
mod long;
mod moment;
mod preamble;
mod wide;

use jiff::tz::TimeZone;

pub(crate) use cells::is_formula;
pub use gaps::{GapRow, Gaps};
pub use long::Long;
pub(crate) use preamble::write_preamble;
pub use wide::Wide;

/// The byte order mark that makes some spreadsheets read UTF-8 as UTF-8.
pub const BOM: &[u8] = "\u{feff}".as_bytes();

/// Which signs separate cells and decimals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Dialect {
    /// Comma between cells, decimal point: what RFC 4180 and every program read.
    #[default]
    Comma,
    /// Semicolon between cells, decimal comma: what spreadsheets of continental Europe expect.
    Semicolon,
}

impl Dialect {
    /// The word used in file names and the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Comma => "comma",
            Self::Semicolon => "semicolon",
        }
    }

    const fn separator(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
        }
    }
}

/// Whose clock the times are written by.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Zone {
    /// One column, RFC 3339 in UTC.
    #[default]
    Utc,
    /// Beside it two more: the local date and time as a spreadsheet reads them, and the offset that
    /// keeps the hour of the autumn clock change apart from the one before.
    Local(TimeZone),
}

/// How the text is written, whatever the layout.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Form {
    /// Separators.
    pub dialect: Dialect,
    /// Times.
    pub zone: Zone,
}
