//! When a run begins and when it ends, as people write it.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use super::condition::{BadCondition, Condition};
use crate::time::Stamp;

/// When a run begins.
#[derive(Clone, Debug, PartialEq)]
pub enum Begin {
    /// As soon as it is asked for.
    Now,
    /// At a time, true UTC.
    At(Stamp),
    /// When live values meet a condition: at the sample that does.
    When(Condition),
}

/// When a run ends.
#[derive(Clone, Debug, PartialEq)]
pub enum Finish {
    /// When somebody stops it.
    ByHand,
    /// So long after it began, on the record's axis.
    After(Duration),
    /// At a time, true UTC.
    At(Stamp),
    /// When live values meet a condition: at the sample that does.
    When(Condition),
}

/// Why a text says no begin or end.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadLimits {
    /// None of the words for a begin.
    #[error(
        "`{0}` does not say when to begin; write `now`, `at 2026-11-25T22:00:00Z`, or `when CHANNEL above 180 °C for 5 min`"
    )]
    Begin(String),
    /// None of the words for an end.
    #[error(
        "`{0}` does not say when to end; write `by hand`, `after 8 h`, `at 2026-11-26T06:00:00Z`, or `when CHANNEL below 60 °C`"
    )]
    Finish(String),
    /// Not a time.
    #[error("`{0}` is not a time; write it with its offset, such as `2026-11-25T22:00:00Z`")]
    Time(String),
    /// Not a length of time, or none at all.
    #[error(
        "`{0}` is not how long a run can last; write it as `20 s`, `5 min` or `8 h`, up to a year"
    )]
    Duration(String),
    /// Not a condition.
    #[error(transparent)]
    Condition(#[from] BadCondition),
    /// The end would come before the begin.
    #[error("the run would end at {until}, which is not after its begin at {since}")]
    Backwards {
        /// When it would begin.
        since: Stamp,
        /// When it would end.
        until: Stamp,
    },
}

/// Longer runs are a slip of the pen.
const LONGEST: Duration = Duration::from_hours(366 * 24);

impl Begin {
    /// The condition, where it hangs on one.
    pub const fn condition(&self) -> Option<&Condition> {
        match self {
            Self::When(condition) => Some(condition),
            _ => None,
        }
    }

    /// Refuses an end that lies before the begin, or before now, as far as that can be known.
    ///
    /// # Errors
    /// [`BadLimits::Backwards`].
    pub fn check(&self, finish: &Finish, now_utc: Stamp) -> Result<(), BadLimits> {
        let since = match self {
            Self::At(at) => now_utc.max(*at),
            Self::Now | Self::When(_) => now_utc,
        };
        match finish {
            Finish::At(until) if *until <= since => Err(BadLimits::Backwards {
                since,
                until: *until,
            }),
            _ => Ok(()),
        }
    }
}

impl Finish {
    /// The condition, where it hangs on one.
    pub const fn condition(&self) -> Option<&Condition> {
        match self {
            Self::When(condition) => Some(condition),
            _ => None,
        }
    }
}

impl FromStr for Begin {
    type Err = BadLimits;

    fn from_str(text: &str) -> Result<Self, BadLimits> {
        let text = text.trim();
        if text == "now" {
            return Ok(Self::Now);
        }
        match text.split_once(' ') {
            Some(("at", at)) => Ok(Self::At(time(at)?)),
            Some(("when", condition)) => Ok(Self::When(condition.trim().parse()?)),
            _ => Err(BadLimits::Begin(text.to_owned())),
        }
    }
}

impl FromStr for Finish {
    type Err = BadLimits;

    fn from_str(text: &str) -> Result<Self, BadLimits> {
        let text = text.trim();
        match text.split_once(' ') {
            Some(("by", "hand")) => Ok(Self::ByHand),
            Some(("after", span)) => match duration(span) {
                Some(span) if !span.is_zero() && span <= LONGEST => Ok(Self::After(span)),
                _ => Err(BadLimits::Duration(span.trim().to_owned())),
            },
            Some(("at", at)) => Ok(Self::At(time(at)?)),
            Some(("when", condition)) => Ok(Self::When(condition.trim().parse()?)),
            _ => Err(BadLimits::Finish(text.to_owned())),
        }
    }
}

impl fmt::Display for Begin {
    /// As it is read.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Now => f.write_str("now"),
            Self::At(at) => write!(f, "at {at}"),
            Self::When(condition) => write!(f, "when {condition}"),
        }
    }
}

impl fmt::Display for Finish {
    /// As it is read.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ByHand => f.write_str("by hand"),
            Self::After(span) => write!(f, "after {}", spelled(*span)),
            Self::At(at) => write!(f, "at {at}"),
            Self::When(condition) => write!(f, "when {condition}"),
        }
    }
}

fn time(text: &str) -> Result<Stamp, BadLimits> {
    let at = text.trim().parse::<jiff::Timestamp>();
    at.map(|at| Stamp::from_micros(at.as_microsecond()))
        .map_err(|_| BadLimits::Time(text.trim().to_owned()))
}

/// A length of time as people write it; `None` where it is none or negative.
pub fn duration(text: &str) -> Option<Duration> {
    let span = text.trim().parse::<jiff::SignedDuration>().ok()?;
    Duration::try_from(span).ok()
}

/// A length of time as people read it: `1 h 30 min`, `12.5 s`. What is shorter than a millisecond is
/// left out.
pub fn spelled(span: Duration) -> String {
    let whole = span.as_secs();
    let (hours, minutes) = (whole / 3600, whole / 60 % 60);
    let millis = whole % 60 * 1000 + u64::from(span.subsec_millis());
    let seconds = f64::from(u32::try_from(millis).unwrap_or(0)) / 1e3;
    let mut parts = Vec::new();
    if hours > 0 {
        parts.push(format!("{hours} h"));
    }
    if minutes > 0 {
        parts.push(format!("{minutes} min"));
    }
    if seconds > 0.0 || parts.is_empty() {
        parts.push(format!("{seconds} s"));
    }
    parts.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn begin_and_end_are_written_as_they_are_read() {
        for text in [
            "now",
            "at 2026-11-25T22:00:00.000000Z",
            "when Z1 above 180 °C",
        ] {
            assert_eq!(text.parse::<Begin>().unwrap().to_string(), text);
        }
        for text in [
            "by hand",
            "after 1 h 30 min",
            "after 2.5 s",
            "at 2026-11-25T22:00:00.000000Z",
            "when Z1 falls below 60 °C for 5 min",
        ] {
            assert_eq!(text.parse::<Finish>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn what_is_wrong_is_said() {
        let begin = |text: &str| text.parse::<Begin>().unwrap_err().to_string();
        let finish = |text: &str| text.parse::<Finish>().unwrap_err().to_string();
        assert!(begin("soon").contains("does not say when to begin"));
        assert!(begin("at noon").contains("`noon` is not a time"));
        assert!(finish("after 0 s").contains("not how long a run can last"));
        assert!(finish("after -5 min").contains("not how long a run can last"));
        assert!(finish("after 9000 h").contains("up to a year"));
        assert!(finish("").contains("does not say when to end"));
    }

    #[test]
    fn an_end_before_the_begin_is_refused() {
        let at = |s: i64| Stamp::from_millis(s * 1000);
        let check = |begin: Begin, finish| begin.check(&finish, at(100));
        assert_eq!(check(Begin::Now, Finish::At(at(101))), Ok(()));
        assert!(check(Begin::Now, Finish::At(at(99))).is_err());
        assert!(check(Begin::At(at(200)), Finish::At(at(150))).is_err());
        assert_eq!(
            check(Begin::At(at(200)), Finish::After(Duration::from_millis(1))),
            Ok(())
        );
    }

    proptest! {
        #[test]
        fn a_length_of_time_is_read_as_it_is_written(millis in 1u64..40_000_000_000) {
            let span = Duration::from_millis(millis);
            prop_assert_eq!(duration(&spelled(span)), Some(span));
        }

        #[test]
        fn no_text_panics(text in "\\PC{0,60}") {
            let _ = text.parse::<Begin>();
            let _ = text.parse::<Finish>();
            let _ = format!("when {text}").parse::<Begin>();
        }
    }
}
