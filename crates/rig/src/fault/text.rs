//! Faults as one line of text each, both ways.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use zonda_model::written::{Amount, BadWriting, Span};
use zonda_model::{ChannelName, Name};

use super::{Fault, Percent, Zone};

/// Why a text is no [`Fault`].
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadFault {
    /// The first word is none of [`Fault::WORDS`].
    #[error("`{0}` is no fault; known are {words}", words = Fault::WORDS.join(", "))]
    Word(String),
    /// What follows does not fit.
    #[error("`{word}` needs {needs}, found `{found}`")]
    Rest {
        /// The fault's word.
        word: &'static str,
        /// What must follow.
        needs: &'static str,
        /// What was there.
        found: String,
    },
    /// The range cannot be read.
    #[error(transparent)]
    Range(#[from] BadWriting),
}

impl fmt::Display for Fault {
    /// The text that reads back.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())?;
        if let Some(place) = self.place() {
            write!(f, " {place}")?;
        }
        match self {
            Self::Range(_, Span { from, to, unit }) => write!(f, " {from} to {to} {unit}"),
            Self::Apply(_, Amount { value, unit }) => write!(f, " {value} {unit}"),
            Self::Late(_, by) => write!(f, " {} ms", by.as_millis()),
            Self::Garble(_, share) | Self::Door(share) => write!(f, " {} %", share.0),
            Self::Exception(_, code) => write!(f, " {code}"),
            Self::Stray(_, bytes) => bytes.iter().try_for_each(|byte| write!(f, " {byte:02x}")),
            _ => Ok(()),
        }
    }
}

impl FromStr for Fault {
    type Err = BadFault;

    fn from_str(text: &str) -> Result<Self, BadFault> {
        let (word, rest) = split(text);
        let word = Self::WORDS
            .into_iter()
            .find(|known| *known == word)
            .ok_or_else(|| BadFault::Word(word.to_owned()))?;
        let (place, tail) = split(rest);
        let needs = |needs| BadFault::Rest {
            word,
            needs,
            found: rest.to_owned(),
        };
        let a_loop = || {
            place
                .parse::<ChannelName>()
                .map_err(|_| needs("the name of a loop"))
        };
        let a_name = || {
            place
                .parse::<Name>()
                .map_err(|_| needs("the name of a device or line"))
        };
        let alone = |fault| {
            if tail.is_empty() {
                Ok(fault)
            } else {
                Err(needs("a name and nothing after it"))
            }
        };
        match word {
            "cut" => alone(Self::Cut(a_loop()?)),
            "stick" => alone(Self::Stick(a_loop()?)),
            "range" => Ok(Self::Range(a_loop()?, tail.parse()?)),
            "apply" => Ok(Self::Apply(a_loop()?, tail.parse()?)),
            "silence" => alone(Self::Silence(a_name()?)),
            "late" => {
                let by =
                    duration(tail).ok_or_else(|| needs("a name and a time such as `250 ms`"))?;
                Ok(Self::Late(a_name()?, by))
            }
            "garble" => {
                let share =
                    percent(tail).ok_or_else(|| needs("a name and a share such as `30 %`"))?;
                Ok(Self::Garble(a_name()?, share))
            }
            "exception" => {
                let code = tail.parse().ok().filter(|code| *code > 0);
                Ok(Self::Exception(
                    a_name()?,
                    code.ok_or_else(|| needs("a name and a code, 1 to 255"))?,
                ))
            }
            "stray" => {
                let bytes = tail
                    .split_whitespace()
                    .map(|byte| u8::from_str_radix(byte, 16).ok());
                let bytes = bytes
                    .collect::<Option<Vec<_>>>()
                    .filter(|bytes| (1..=64).contains(&bytes.len()));
                Ok(Self::Stray(
                    a_name()?,
                    bytes.ok_or_else(|| needs("a name and 1 to 64 bytes such as `00 ff`"))?,
                ))
            }
            "echo" => alone(Self::Echo(a_name()?)),
            "unplug" => alone(Self::Unplug(a_name()?)),
            "refuse" => alone(Self::Refuse(a_name()?)),
            "blackhole" => alone(Self::Blackhole(a_name()?)),
            "door" => percent(rest)
                .map(Self::Door)
                .ok_or_else(|| needs("a share such as `40 %`, or nothing")),
            _ => {
                let zone = rest.parse().ok().and_then(Zone::new);
                zone.map(Self::Fan).ok_or_else(|| needs("a zone, 1 to 3"))
            }
        }
    }
}

fn split(text: &str) -> (&str, &str) {
    let text = text.trim();
    let (head, tail) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
    (head, tail.trim())
}

fn duration(text: &str) -> Option<Duration> {
    let (number, factor) = match text.strip_suffix("ms") {
        Some(number) => (number, 1),
        None => (text.strip_suffix('s')?, 1000),
    };
    let number: u64 = number.trim().parse().ok()?;
    (number <= 3_600_000).then(|| Duration::from_millis(number * factor))
}

/// `30 %`; nothing means all.
fn percent(text: &str) -> Option<Percent> {
    if text.is_empty() {
        return Some(Percent::ALL);
    }
    Percent::new(text.strip_suffix('%')?.trim().parse().ok()?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_fault_reads_back() {
        for text in [
            "cut Z1-left.velocity",
            "stick Z1-left.velocity",
            "range Z1-left.velocity 0 to 50 m/s",
            "apply Z1-left.velocity 12 mA",
            "silence A",
            "late A 250 ms",
            "garble A 30 %",
            "exception A 6",
            "stray bench 00 ff",
            "echo bench",
            "unplug bench",
            "refuse utilities",
            "blackhole utilities",
            "door 40 %",
            "fan 2",
        ] {
            let fault: Fault = text.parse().unwrap();
            assert_eq!(fault.to_string(), text);
            assert!(Fault::WORDS.contains(&fault.word()));
        }
        assert_eq!("door".parse(), Ok(Fault::Door(Percent::ALL)));
        assert_eq!(
            "late A 2 s".parse::<Fault>().unwrap().to_string(),
            "late A 2000 ms"
        );
    }

    #[test]
    fn what_is_wrong_is_said() {
        let message = |text: &str| text.parse::<Fault>().unwrap_err().to_string();
        assert!(message("burn A").starts_with("`burn` is no fault; known are cut, stick,"));
        assert_eq!(
            message("late A"),
            "`late` needs a name and a time such as `250 ms`, found `A`"
        );
        assert_eq!(message("fan 4"), "`fan` needs a zone, 1 to 3, found `4`");
        assert_eq!(
            message("cut A.1 now"),
            "`cut` needs a name and nothing after it, found `A.1 now`"
        );
        assert_eq!(
            message("garble A 101 %"),
            "`garble` needs a name and a share such as `30 %`, found `A 101 %`"
        );
        assert_eq!(
            message("range A.1 0-50"),
            "the unit is missing; write it after the number, such as `0-50 m/s`"
        );
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "(cut|range|apply|late|garble|stray|door|fan|exception)? ?\\PC{0,30}") {
            if let Ok(fault) = text.parse::<Fault>() {
                prop_assert_eq!(fault.to_string().parse(), Ok(fault));
            }
        }
    }
}
