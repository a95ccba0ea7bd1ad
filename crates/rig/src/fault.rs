//! What can be made to fail while the rig runs, as types and as one line of text each.
//!
//! A fault stands until it is cleared. One fault of a kind may stand at each place; applying it
//! again replaces it. A *device* is a module (`A`) or the meter behind a text line (by the line's
//! name); a *loop* is one analog signal (`Z1-left.velocity`).

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use zonda_model::written::{BadWriting, Span};
use zonda_model::{ChannelName, Name};

use crate::wiring::{Wire, Wiring};

/// One thing that fails.
#[derive(Clone, Debug, PartialEq)]
pub enum Fault {
    /// `cut Z1-left.velocity`: the loop is open; 0 mA or 0 V.
    Cut(ChannelName),
    /// `stick Z1-left.velocity`: the meter's output stays as it is.
    Stick(ChannelName),
    /// `range Z1-left.velocity 0-50 m/s`: the meter's output has another range than the channel.
    Range(ChannelName, Span),
    /// `silence A`: the device does not answer, or sends nothing.
    Silence(Name),
    /// `late A 250 ms`: the device answers that much later.
    Late(Name, Duration),
    /// `garble A 30 %`: in that share of its frames one byte is wrong; without a share, in all.
    Garble(Name, Percent),
    /// `exception A 6`: the module answers everything with this exception code.
    Exception(Name, u8),
    /// `stray bench 00 ff`: these bytes stand on the line before each frame of a device.
    Stray(Name, Vec<u8>),
    /// `echo bench`: what the master sends comes back to it.
    Echo(Name),
    /// `unplug bench`: the port hangs up and its link is gone; cleared, it is there again.
    Unplug(Name),
    /// `refuse utilities`: the TCP connection is closed and every new one refused.
    Refuse(Name),
    /// `blackhole utilities`: TCP stays open and swallows everything.
    Blackhole(Name),
    /// `door 40 %`: the door stands open so wide; without a share, wide open.
    Door(Percent),
    /// `fan 2`: the fan of that zone stands still.
    Fan(Zone),
}

/// A share, 0 to 100 %.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Percent(u8);

impl Percent {
    /// All of it.
    pub const ALL: Self = Self(100);

    /// A share, or `None` above 100.
    pub const fn new(percent: u8) -> Option<Self> {
        if percent > 100 {
            None
        } else {
            Some(Self(percent))
        }
    }

    /// 0 to 1.
    pub fn share(self) -> f64 {
        f64::from(self.0) / 100.0
    }
}

/// A zone of the oven, 1 to 3.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Zone(u8);

impl Zone {
    /// The zone of this number, or `None` where there is none.
    pub const fn new(number: u8) -> Option<Self> {
        if number >= 1 && number <= 3 {
            Some(Self(number))
        } else {
            None
        }
    }

    /// Counted from 0.
    pub fn index(self) -> usize {
        usize::from(self.0 - 1)
    }
}

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

/// The rig has no such place.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("this rig has no {kind} named `{name}`; it has {known}")]
pub struct UnknownPlace {
    /// Loop, device or line.
    pub kind: &'static str,
    /// What was asked for.
    pub name: String,
    /// What there is.
    pub known: String,
}

impl Fault {
    /// The words that faults begin with.
    pub const WORDS: [&str; 14] = [
        "cut",
        "stick",
        "range",
        "silence",
        "late",
        "garble",
        "exception",
        "stray",
        "echo",
        "unplug",
        "refuse",
        "blackhole",
        "door",
        "fan",
    ];

    /// The word it begins with.
    pub const fn word(&self) -> &'static str {
        Self::WORDS[match self {
            Self::Cut(_) => 0,
            Self::Stick(_) => 1,
            Self::Range(..) => 2,
            Self::Silence(_) => 3,
            Self::Late(..) => 4,
            Self::Garble(..) => 5,
            Self::Exception(..) => 6,
            Self::Stray(..) => 7,
            Self::Echo(_) => 8,
            Self::Unplug(_) => 9,
            Self::Refuse(_) => 10,
            Self::Blackhole(_) => 11,
            Self::Door(_) => 12,
            Self::Fan(_) => 13,
        }]
    }

    /// True where both are of one kind at one place, so that only one of them can stand.
    pub fn same_place(&self, other: &Self) -> bool {
        self.word() == other.word() && self.place() == other.place()
    }

    fn place(&self) -> Option<String> {
        match self {
            Self::Cut(name) | Self::Stick(name) | Self::Range(name, _) => Some(name.to_string()),
            Self::Silence(name)
            | Self::Late(name, _)
            | Self::Garble(name, _)
            | Self::Exception(name, _)
            | Self::Stray(name, _)
            | Self::Echo(name)
            | Self::Unplug(name)
            | Self::Refuse(name)
            | Self::Blackhole(name) => Some(name.to_string()),
            Self::Door(_) => None,
            Self::Fan(zone) => Some(zone.0.to_string()),
        }
    }

    /// Checks that the place exists on this rig.
    ///
    /// # Errors
    /// [`UnknownPlace`] says what there is instead.
    pub fn check(&self, wiring: &Wiring) -> Result<(), UnknownPlace> {
        let (kind, known) = match self {
            Self::Cut(_) | Self::Stick(_) | Self::Range(..) => (
                "loop",
                wiring
                    .all_loops()
                    .map(|wired| wired.name.to_string())
                    .collect(),
            ),
            Self::Silence(_) | Self::Late(..) | Self::Garble(..) => ("device", devices(wiring)),
            Self::Exception(..) => (
                "module",
                wiring
                    .modules()
                    .map(|module| module.name.to_string())
                    .collect(),
            ),
            Self::Stray(..) => ("line", lines(wiring, |_| true)),
            Self::Echo(_) | Self::Unplug(_) => (
                "serial line",
                lines(wiring, |wire| !matches!(wire, Wire::ModbusTcp { .. })),
            ),
            Self::Refuse(_) | Self::Blackhole(_) => (
                "TCP line",
                lines(wiring, |wire| matches!(wire, Wire::ModbusTcp { .. })),
            ),
            Self::Door(_) | Self::Fan(_) => return Ok(()),
        };
        match self.place() {
            Some(name) if !known.contains(&name) => Err(UnknownPlace {
                kind,
                name,
                known: known.join(", "),
            }),
            _ => Ok(()),
        }
    }
}

fn lines(wiring: &Wiring, wanted: impl Fn(&Wire) -> bool) -> Vec<String> {
    let lines = wiring.lines.iter().filter(|line| wanted(&line.wire));
    lines.map(|line| line.name.to_string()).collect()
}

fn devices(wiring: &Wiring) -> Vec<String> {
    let modules = wiring.modules().map(|module| module.name.to_string());
    modules
        .chain(lines(wiring, |wire| matches!(wire, Wire::Text { .. })))
        .collect()
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

/// The faults that stand.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Faults(Vec<Fault>);

impl Faults {
    pub(crate) fn apply(&mut self, fault: Fault) {
        self.clear(&fault);
        self.0.push(fault);
    }

    pub(crate) fn clear(&mut self, fault: &Fault) {
        self.0.retain(|standing| !standing.same_place(fault));
    }

    pub(crate) fn all(&self) -> &[Fault] {
        &self.0
    }

    /// The first answer of `read` over the faults that stand.
    pub(crate) fn find<T>(&self, read: impl FnMut(&Fault) -> Option<T>) -> Option<T> {
        self.0.iter().find_map(read)
    }

    pub(crate) fn stands(&self, fault: &Fault) -> bool {
        self.0.contains(fault)
    }
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

    #[test]
    fn one_of_a_kind_stands_at_a_place() {
        let mut faults = Faults::default();
        faults.apply("late A 100 ms".parse().unwrap());
        faults.apply("late A 200 ms".parse().unwrap());
        faults.apply("late B 100 ms".parse().unwrap());
        assert_eq!(faults.all().len(), 2);
        faults.clear(&"late A 1 ms".parse().unwrap());
        assert_eq!(faults.all(), ["late B 100 ms".parse().unwrap()]);
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "(cut|range|late|garble|stray|door|fan|exception)? ?\\PC{0,30}") {
            if let Ok(fault) = text.parse::<Fault>() {
                prop_assert_eq!(fault.to_string().parse(), Ok(fault));
            }
        }
    }
}
