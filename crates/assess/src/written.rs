//! What people write in an [`Ask`](crate::Ask): lengths of time, amounts, moments, flags; each is one text, in JSON as
//! on the command line.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use zonda_model::run::{duration, spelled};
use zonda_model::written::{Amount, Span};
use zonda_model::{Quality, Stamp};

/// A text that is not what it should be, in a sentence.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct BadText(pub String);

/// A length of time, such as `10 min`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Length(pub Duration);

/// A number with its unit, such as `200 °C`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantified(pub Amount);

/// From where to where, such as `195-205 °C`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach(pub Span);

/// A moment: after the beginning of the run, before its end, or a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    /// So long after the run began: `30 min`.
    AfterBegin(Duration),
    /// So long before it ended: `-30 min`.
    BeforeEnd(Duration),
    /// At a time, true UTC: `2026-11-25T22:00:00Z`.
    At(Stamp),
}

/// Flags by their words, such as `["late", "calibration_overdue"]`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Flags(pub Quality);

impl FromStr for Length {
    type Err = BadText;

    fn from_str(text: &str) -> Result<Self, BadText> {
        match duration(text) {
            Some(span) if !span.is_zero() => Ok(Self(span)),
            _ => Err(BadText(format!(
                "`{text}` is not a length of time; write it as `20 s`, `5 min` or `1 h 30 min`"
            ))),
        }
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&spelled(self.0))
    }
}

impl FromStr for Quantified {
    type Err = BadText;

    fn from_str(text: &str) -> Result<Self, BadText> {
        let amount: Amount = text
            .parse()
            .map_err(|error| BadText(format!("`{text}` is not an amount: {error}")))?;
        Ok(Self(amount))
    }
}

impl fmt::Display for Quantified {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.0.value, self.0.unit)
    }
}

impl FromStr for Reach {
    type Err = BadText;

    fn from_str(text: &str) -> Result<Self, BadText> {
        let span: Span = text.parse().map_err(|error| {
            BadText(format!(
                "`{text}` does not say from where to where: {error}"
            ))
        })?;
        if span.from < span.to {
            Ok(Self(span))
        } else {
            Err(BadText(format!(
                "`{text}` goes from the higher to the lower; write the lower first"
            )))
        }
    }
}

impl fmt::Display for Reach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {} {}", self.0.from, self.0.to, self.0.unit)
    }
}

impl FromStr for Edge {
    type Err = BadText;

    fn from_str(text: &str) -> Result<Self, BadText> {
        let text = text.trim();
        if let Ok(at) = text.parse::<jiff::Timestamp>() {
            return Ok(Self::At(Stamp::from_micros(at.as_microsecond())));
        }
        let (before_end, length) = match text.strip_prefix(['-', '−']) {
            Some(rest) => (true, rest),
            None => (false, text.strip_prefix('+').unwrap_or(text)),
        };
        match duration(length) {
            Some(span) if before_end => Ok(Self::BeforeEnd(span)),
            Some(span) => Ok(Self::AfterBegin(span)),
            None => Err(BadText(format!(
                "`{text}` says no moment of a run; write `30 min` (after it began), `-30 min` (before it ended) or a time with its offset, such as `2026-11-25T22:00:00Z`"
            ))),
        }
    }
}

impl fmt::Display for Edge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::AfterBegin(span) => f.write_str(&spelled(*span)),
            Self::BeforeEnd(span) => write!(f, "-{}", spelled(*span)),
            Self::At(at) => write!(f, "{at}"),
        }
    }
}

macro_rules! as_text {
    ($($name:ty),*) => { $(
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = String::deserialize(deserializer)?;
                text.parse().map_err(D::Error::custom)
            }
        }
    )* };
}

as_text!(Length, Quantified, Reach, Edge);

impl Flags {
    /// The words, in the order of their bits.
    pub fn words(self) -> Vec<String> {
        self.0.words().collect()
    }
}

impl Serialize for Flags {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.words().serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Flags {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let words = Vec::<String>::deserialize(deserializer)?;
        let mut flags = Quality::empty();
        for word in words {
            let flag = Quality::from_word(&word).ok_or_else(|| {
                D::Error::custom(format!(
                    "`{word}` is not the word of a flag; docs/flags.md lists them"
                ))
            })?;
            flags |= flag;
        }
        Ok(Self(flags))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read() {
        let same = |text: &str| assert_eq!(text.parse::<Edge>().unwrap().to_string(), text);
        same("30 min");
        same("-1 h 30 min");
        same("2026-11-25T22:00:00.000000Z");
        assert_eq!("10 min".parse::<Length>().unwrap().to_string(), "10 min");
        assert_eq!(
            "195-205 °C".parse::<Reach>().unwrap().to_string(),
            "195 to 205 °C"
        );
    }

    #[test]
    fn what_is_none_is_said() {
        let said = |text: &str| text.parse::<Edge>().unwrap_err().to_string();
        assert!(said("noon").contains("`noon` says no moment"));
        assert!("0 s".parse::<Length>().is_err());
        assert!("205-195 °C".parse::<Reach>().is_err());
        let flags: Result<Flags, _> = serde_json::from_str("[\"lateish\"]");
        assert!(flags.unwrap_err().to_string().contains("lateish"));
    }
}
