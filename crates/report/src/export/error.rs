//! Why an export cannot be made, or not be finished.

use zonda_model::{ChannelName, Quantity, Stamp, Unit};
use zonda_store::StoreError;

use crate::report::NoReport;
use crate::rows::BadRow;
use crate::xlsx;

/// Why an export cannot be made, or not be finished.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// No such channel.
    #[error("the record has no channel `{0}`; the list of channels says how each is written")]
    UnknownChannel(ChannelName),
    /// Nothing lies between the two times.
    #[error("the export ends at {to}, which is not after its beginning {from}")]
    EmptyRange {
        /// Its beginning.
        from: Stamp,
        /// Its end.
        to: Stamp,
    },
    /// A channel cannot be written in the unit asked for.
    #[error("`{name}` is a {quantity} and cannot be written in {unit}; it can in {possible}")]
    UnfitUnit {
        /// The channel.
        name: ChannelName,
        /// What it measures.
        quantity: Quantity,
        /// What was asked for.
        unit: Unit,
        /// What would do.
        possible: String,
    },
    /// A workbook is more than its wide data.
    #[error(
        "a workbook is made of a run, in the wide layout; name the run, or cut one out of what is recorded (`zonda run cut`)"
    )]
    NoWorkbook,
    /// More rows than a sheet holds.
    #[error(
        "the workbook would need {rows} rows and a sheet holds {}; ask for a step of {step_s} s or more, or write CSV or Parquet",
        xlsx::ROWS_MAX
    )]
    TooManyRows {
        /// Rows it would need.
        rows: u64,
        /// The least step with which it would fit, s.
        step_s: u64,
    },
    /// An evaluation of the run could not be worked out, and not for want of data.
    #[error(transparent)]
    Evaluation(#[from] NoReport),
    /// The record cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The format takes no such row.
    #[error(transparent)]
    Row(#[from] BadRow),
}
