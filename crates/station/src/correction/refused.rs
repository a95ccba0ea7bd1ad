//! Why a correction cannot be made, in sentences for the person who asked.

use zonda_model::written::BadWriting;
use zonda_model::{Quantity, Stamp};
use zonda_signal::line::BadLine;
use zonda_signal::{BadDescription, MappingError};
use zonda_store::{BadCorrection, StoreError};

/// Why a request cannot be met.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// The record, or the correction itself.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no such channel.
    #[error("there is no channel `{0}` in the record")]
    Unknown(String),
    /// Ends before it begins.
    #[error("the stretch ends at {1}, which is not after its beginning {0}; exchange them")]
    Reversed(Stamp, Stamp),
    /// The clock was set within the stretch.
    #[error(
        "the clock was set between {0} and {1}: correct the time before and the time after each by itself"
    )]
    ClockStepped(Stamp, Stamp),
    /// The stretch holds no sample of the channel.
    #[error("nothing of {0} was recorded between {1} and {2}; choose another stretch")]
    Nothing(String, Stamp, Stamp),
    /// No mapping is known for the stretch.
    #[error("the record does not say how the codes of {0} became values then")]
    NoMapping(String),
    /// Several are.
    #[error(
        "the mapping of {0} changed at {1}; correct the time before and the time after each by itself"
    )]
    Several(String, Stamp),
    /// It follows from other channels.
    #[error("{channel} is derived, as {law} of {inputs}: correct those, and it follows")]
    Derived {
        /// Which.
        channel: String,
        /// How.
        law: String,
        /// From what.
        inputs: String,
    },
    /// The mapping has no range to be exchanged.
    #[error(
        "{0} has no range: its values do not begin with a straight line from a signal. Give its new mapping by --config"
    )]
    NoRange(String),
    /// A range that cannot be.
    #[error("the range `{0}`: {1}")]
    Range(String, BadWriting),
    /// A range that does not fit.
    #[error("the range: {0}")]
    Line(#[from] BadLine),
    /// A mapping that cannot be.
    #[error("the mapping: {0}")]
    Mapping(#[from] MappingError),
    /// A description that cannot be.
    #[error("the mapping: {0}")]
    Description(#[from] BadDescription),
    /// A mapping to another quantity.
    #[error("{channel} is recorded as {was}; a mapping to {now} is another channel's")]
    Quantity {
        /// Whose.
        channel: String,
        /// What it is.
        was: Quantity,
        /// What it would be.
        now: Quantity,
    },
    /// It would change nothing.
    #[error("{0} has this mapping already")]
    Same(String),
}

impl From<BadCorrection> for Refused {
    fn from(error: BadCorrection) -> Self {
        Self::Store(error.into())
    }
}
