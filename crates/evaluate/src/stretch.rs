//! A stretch of time: from one moment up to, and without, another.

use std::fmt;
use std::time::Duration;

use zonda_model::Stamp;

/// A stretch [from, to) of the record's axis; never empty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Stretch {
    from: Stamp,
    to: Stamp,
}

/// An end that does not come after the beginning.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the stretch ends at {to}, which is not after its beginning at {from}")]
pub struct EmptyStretch {
    /// The beginning.
    pub from: Stamp,
    /// The end.
    pub to: Stamp,
}

impl Stretch {
    /// From `from` up to, and without, `to`.
    ///
    /// # Errors
    /// [`EmptyStretch`] where `to` is not after `from`.
    pub fn new(from: Stamp, to: Stamp) -> Result<Self, EmptyStretch> {
        if from < to {
            Ok(Self { from, to })
        } else {
            Err(EmptyStretch { from, to })
        }
    }

    /// The first moment.
    pub const fn from(self) -> Stamp {
        self.from
    }

    /// The moment after the last.
    pub const fn to(self) -> Stamp {
        self.to
    }

    /// How long it is.
    pub fn length(self) -> Duration {
        self.to.since(self.from)
    }

    /// True for a moment inside.
    pub fn contains(self, at: Stamp) -> bool {
        self.from <= at && at < self.to
    }

    /// What both have in common.
    pub fn overlap(self, other: Self) -> Option<Self> {
        Self::new(self.from.max(other.from), self.to.min(other.to)).ok()
    }
}

impl fmt::Display for Stretch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.from, self.to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretch(from: i64, to: i64) -> Stretch {
        Stretch::new(Stamp::from_millis(from), Stamp::from_millis(to)).unwrap()
    }

    #[test]
    fn the_end_is_not_inside() {
        let hour = stretch(0, 3_600_000);
        assert!(hour.contains(Stamp::from_millis(0)));
        assert!(!hour.contains(hour.to()));
        assert_eq!(hour.length(), Duration::from_hours(1));
        assert_eq!(hour.overlap(stretch(3_600_000, 3_600_001)), None);
        assert_eq!(hour.overlap(stretch(-5, 7)), Some(stretch(0, 7)));
    }

    #[test]
    fn a_stretch_that_ends_before_it_begins_is_refused_with_a_sentence() {
        let error = Stretch::new(Stamp::from_millis(1), Stamp::from_millis(1)).unwrap_err();
        assert_eq!(
            error.to_string(),
            "the stretch ends at 1970-01-01T00:00:00.001000Z, which is not after its beginning at 1970-01-01T00:00:00.001000Z"
        );
    }
}
