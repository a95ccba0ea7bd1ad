//! Apache Parquet: the same rows as in CSV, by column, compressed, with units in the fields' metadata.
//!
//! Times are timestamps in µs, adjusted to UTC; what is missing is null. The columns have the names
//! that they have in CSV. A row group at a time is in memory.

mod file;
mod gaps;
mod long;
mod wide;

pub(crate) use gaps::Gaps;
pub(crate) use long::Long;
pub(crate) use wide::Wide;
