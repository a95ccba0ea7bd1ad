//! Times as people and programs hand them in.

use std::fmt;

use jiff::Timestamp;
use serde::de::{Deserialize, Deserializer, Visitor};
use zonda_model::Stamp;

use crate::problem::Problem;

/// A point in time, true UTC: RFC 3339 with an offset, or milliseconds since 1970 UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct When(pub(crate) Stamp);

impl When {
    fn parse(text: &str) -> Option<Self> {
        if let Ok(millis) = text.parse::<i64>() {
            return Some(Self(Stamp::from_millis(millis)));
        }
        // A plus sign in a query is a blank.
        let at: Timestamp = text.replace(' ', "+").parse().ok()?;
        Some(Self(Stamp::from_micros(at.as_microsecond())))
    }
}

impl<'de> Deserialize<'de> for When {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Reading;
        impl Visitor<'_> for Reading {
            type Value = When;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a time such as 2026-11-25T02:10:00Z or 2026-11-25T03:10:00+01:00, or milliseconds since 1970 UTC")
            }
            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<When, E> {
                When::parse(text)
                    .ok_or_else(|| E::invalid_value(serde::de::Unexpected::Str(text), &self))
            }
        }
        deserializer.deserialize_str(Reading)
    }
}

/// A stretch with its defaults filled in: up to now, and this long before.
///
/// # Errors
/// It ends before it begins.
pub(crate) fn stretch(
    from: Option<When>,
    to: Option<When>,
    now: Stamp,
    default: std::time::Duration,
) -> Result<(Stamp, Stamp), Problem> {
    let to = to.map_or(now, |to| to.0);
    let from = from.map_or(to.minus(default), |from| from.0);
    if from < to {
        Ok((from, to))
    } else {
        Err(Problem::bad_request(format!(
            "The stretch ends at {to}, which is not after its beginning {from}; exchange `from` and `to`."
        )))
    }
}

/// A time in an answer: RFC 3339, UTC.
pub(crate) fn rfc3339(at: Stamp) -> String {
    at.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3339, section 5.8: both name the same instant.
    #[test]
    fn a_time_is_read_as_it_is_written() {
        let utc = When::parse("1996-12-20T00:39:57Z").unwrap();
        assert_eq!(When::parse("1996-12-19T16:39:57-08:00"), Some(utc));
        assert_eq!(When::parse("851042397000"), Some(utc));
        assert_eq!(
            When::parse("1996-12-20T01:39:57 01:00"),
            Some(utc),
            "a plus sign that a query ate"
        );
        for text in ["", "yesterday", "1996-12-20", "1996-12-20T00:39:57", "1e3"] {
            assert_eq!(When::parse(text), None, "{text}");
        }
    }

    #[test]
    fn no_text_panics() {
        bolero::check!()
            .with_type::<String>()
            .for_each(|text: &String| {
                let _ = When::parse(text);
            });
    }
}
