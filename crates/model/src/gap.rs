//! Why there is no sample: the cause that every stretch of missing time carries.

use std::fmt;
use std::str::FromStr;

/// Why a channel has no samples over a stretch.
///
/// A gap without a cause does not exist: the reader of a record must never have to guess whether
/// there was no air or no data.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// The device did not answer in time.
    Timeout,
    /// The device has stayed silent for so long that it is asked ever less often.
    NoAnswer,
    /// An answer came and could not be believed (checksum, length, unit, grammar).
    BadFrame,
    /// The device answered that it cannot (a Modbus exception, an error text).
    DeviceError,
    /// The port or connection is gone.
    Unplugged,
    /// The disk took no data for longer than memory could bridge.
    DiskStalled,
    /// The daemon was not running.
    DaemonStopped,
    /// The clock was stepped over this stretch.
    ClockStepped,
    /// The channel was switched off in the configuration.
    Disabled,
    /// The daemon ran, and the tick passed before its turn came (an overloaded line or machine).
    Overrun,
    /// What is there is not what the configuration says: another device under the same name, or
    /// another scale. It is refused, because its numbers would look right.
    Mismatch,
}

impl Cause {
    /// Every cause, in the order of the documentation.
    pub const ALL: [Self; 11] = [
        Self::Timeout,
        Self::NoAnswer,
        Self::BadFrame,
        Self::DeviceError,
        Self::Unplugged,
        Self::DiskStalled,
        Self::DaemonStopped,
        Self::ClockStepped,
        Self::Disabled,
        Self::Overrun,
        Self::Mismatch,
    ];

    /// The word used in the store, the API and the CSV.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Timeout => "timeout",
            Self::NoAnswer => "no_answer",
            Self::BadFrame => "bad_frame",
            Self::DeviceError => "device_error",
            Self::Unplugged => "unplugged",
            Self::DiskStalled => "disk_stalled",
            Self::DaemonStopped => "daemon_stopped",
            Self::ClockStepped => "clock_stepped",
            Self::Disabled => "disabled",
            Self::Overrun => "overrun",
            Self::Mismatch => "mismatch",
        }
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// The text is not the word of any [`Cause`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a cause of a gap")]
pub struct UnknownCause(pub String);

impl FromStr for Cause {
    type Err = UnknownCause;

    fn from_str(word: &str) -> Result<Self, UnknownCause> {
        Self::ALL
            .into_iter()
            .find(|cause| cause.word() == word)
            .ok_or_else(|| UnknownCause(word.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_reads_back() {
        for cause in Cause::ALL {
            assert_eq!(cause.word().parse(), Ok(cause));
        }
        assert!("asleep".parse::<Cause>().is_err());
    }
}
