//! What can be made to fail while the rig runs, as types and as one line of text each.
//!
//! A fault stands until it is cleared. One fault of a kind may stand at each place; applying it
//! again replaces it. A *device* is a module (`A`) or the meter behind a text line (by the line's
//! name); a *loop* is one analog signal (`Z1-left.velocity`).

mod text;

use std::time::Duration;

use zonda_model::written::{Amount, Span};
use zonda_model::{ChannelName, Name, Quantity, Unit};

use crate::wiring::{Wire, Wiring};

pub use text::BadFault;

/// One thing that fails.
#[derive(Clone, Debug, PartialEq)]
pub enum Fault {
    /// `cut Z1-left.velocity`: the loop is open; 0 mA or 0 V.
    Cut(ChannelName),
    /// `stick Z1-left.velocity`: the meter's output stays as it is.
    Stick(ChannelName),
    /// `range Z1-left.velocity 0-50 m/s`: the meter's output has another range than the channel.
    Range(ChannelName, Span),
    /// `apply Z1-left.velocity 12 mA`: a calibrator on the loop drives this signal in the meter's place.
    Apply(ChannelName, Amount),
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

/// Why the rig does not accept a fault.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unfit {
    /// It has no such place.
    #[error("this rig has no {kind} named `{name}`; it has {known}")]
    Place {
        /// Loop, device, module or line.
        kind: &'static str,
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// A range in the unit of another quantity.
    #[error("`{name}` carries {quantity}, and {unit} is no unit of it; write a range such as `0-10 {}`", .quantity.si())]
    Unit {
        /// The loop.
        name: ChannelName,
        /// What it carries.
        quantity: Quantity,
        /// The unit written.
        unit: Unit,
    },
    /// A signal of another kind than the loop's.
    #[error(
        "the loop `{name}` carries a signal in {expected}, and {unit} is none; apply it in {expected}"
    )]
    Signal {
        /// The loop.
        name: ChannelName,
        /// The unit of its signal.
        expected: Unit,
        /// The unit written.
        unit: Unit,
    },
}

impl Fault {
    /// The words that faults begin with.
    pub const WORDS: [&str; 15] = [
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
        "apply",
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
            Self::Apply(..) => 14,
        }]
    }

    /// True where both are of one kind at one place, so that only one of them can stand.
    pub fn same_place(&self, other: &Self) -> bool {
        self.word() == other.word() && self.place() == other.place()
    }

    fn place(&self) -> Option<String> {
        match self {
            Self::Cut(name) | Self::Stick(name) | Self::Range(name, _) | Self::Apply(name, _) => {
                Some(name.to_string())
            }
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

    /// Checks that the rig has the place, and that a range fits its loop.
    ///
    /// # Errors
    /// [`Unfit`] says what there is instead.
    pub fn check(&self, wiring: &Wiring) -> Result<(), Unfit> {
        if let (Some(name), Some((kind, known))) = (self.place(), self.places(wiring))
            && !known.contains(&name)
        {
            let known = known.join(", ");
            return Err(Unfit::Place { kind, name, known });
        }
        match self {
            Self::Range(name, Span { unit, .. }) => match wiring.find_loop(name.as_str()) {
                Some(wired) if !wired.quantity.accepts(*unit) => Err(Unfit::Unit {
                    name: name.clone(),
                    quantity: wired.quantity,
                    unit: *unit,
                }),
                _ => Ok(()),
            },
            Self::Apply(name, Amount { unit, .. }) => match wiring.find_loop(name.as_str()) {
                Some(wired) if wired.signal.unit.quantity() != unit.quantity() => {
                    Err(Unfit::Signal {
                        name: name.clone(),
                        expected: wired.signal.unit,
                        unit: *unit,
                    })
                }
                _ => Ok(()),
            },
            _ => Ok(()),
        }
    }

    /// What kind of place it needs and which ones there are, if it needs one of the wiring's.
    fn places(&self, wiring: &Wiring) -> Option<(&'static str, Vec<String>)> {
        let is_tcp = |wire: &Wire| matches!(wire, Wire::ModbusTcp { .. });
        let is_text = |wire: &Wire| matches!(wire, Wire::Text { .. });
        let modules = || wiring.modules().map(|module| module.name.to_string());
        let found = match self {
            Self::Cut(_) | Self::Stick(_) | Self::Range(..) | Self::Apply(..) => {
                let loops = wiring.all_loops().map(|wired| wired.name.to_string());
                ("loop", loops.collect())
            }
            Self::Silence(_) | Self::Late(..) | Self::Garble(..) => {
                ("device", modules().chain(lines(wiring, is_text)).collect())
            }
            Self::Exception(..) => ("module", modules().collect()),
            Self::Stray(..) => ("line", lines(wiring, |_| true)),
            Self::Echo(_) | Self::Unplug(_) => ("serial line", lines(wiring, |wire| !is_tcp(wire))),
            Self::Refuse(_) | Self::Blackhole(_) => ("TCP line", lines(wiring, is_tcp)),
            Self::Door(_) | Self::Fan(_) => return None,
        };
        Some(found)
    }
}

fn lines(wiring: &Wiring, wanted: impl Fn(&Wire) -> bool) -> Vec<String> {
    let lines = wiring.lines.iter().filter(|line| wanted(&line.wire));
    lines.map(|line| line.name.to_string()).collect()
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
}
