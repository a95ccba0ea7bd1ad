//! The definitions in words, as a report prints them beside the figures.

use std::fmt;
use std::time::Duration;

use zonda_model::run::spelled;

use super::CourseRule;

/// A figure of a transient; its text is its definition.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Definition {
    /// [`super::Course::crossing`].
    Crossing,
    /// [`super::Course::entry`].
    Entry,
    /// [`super::Course::steepest`].
    Steepest {
        /// The length of the window.
        window: Duration,
    },
    /// [`super::Course::mean_rate`].
    MeanRate,
    /// [`super::Course::overshoot`].
    Overshoot,
    /// [`super::Course::settling`].
    Settling {
        /// How long it has to stay.
        dwell: Duration,
    },
    /// [`super::Course::soak`].
    Soak,
    /// [`super::Course::recovery`].
    Recovery {
        /// How long it has to stay.
        dwell: Duration,
    },
}

impl fmt::Display for Definition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Crossing => write!(
                f,
                "the first time at or beyond the level, by a straight line between samples"
            ),
            Self::Entry => write!(f, "the first time in the band about the setpoint"),
            Self::Steepest { window } => {
                write!(
                    f,
                    "the steepest least-squares line through {} of samples, not smoothed",
                    spelled(*window)
                )
            }
            Self::MeanRate => write!(
                f,
                "the mean rate from 10 to 90 % of the step, by the first time at each"
            ),
            Self::Overshoot => write!(
                f,
                "the farthest beyond the setpoint after it was first passed"
            ),
            Self::Settling { dwell } => write!(
                f,
                "the last time that the band was entered, and known to have been kept for {}",
                spelled(*dwell)
            ),
            Self::Soak => write!(
                f,
                "time between samples in band of which both are good and none is missing between, not smoothed"
            ),
            Self::Recovery { dwell } => write!(
                f,
                "from the event until the band was last entered, and known to have been kept for {}",
                spelled(*dwell)
            ),
        }
    }
}

impl fmt::Display for CourseRule {
    /// How the course was smoothed, for a note under the figures.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.smoothing.is_zero() {
            write!(f, "of the samples as they are")
        } else {
            write!(
                f,
                "of local least-squares lines over {}",
                spelled(self.smoothing)
            )
        }
    }
}
