//! The wires: what puts the bench on serial ports and TCP, at the true pace, with its faults.
//!
//! Pure parts first: [`lane`] is the pace of bytes, [`rtu_slave`] what a module answers,
//! [`bus`] and [`text`] are devices on a serial line as state machines. [`pty`], [`port`] and
//! [`tcp`] do the input and output.

pub(crate) mod bus;
pub(crate) mod lane;
pub(crate) mod port;
pub(crate) mod pty;
pub(crate) mod rtu_slave;
pub(crate) mod tcp;
pub(crate) mod text;

use std::time::Duration;

use crate::fault::{Fault, Faults};

/// How one device behaves under the faults that stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Manner {
    pub(crate) is_silent: bool,
    pub(crate) late: Duration,
    /// Share of the frames that are garbled.
    pub(crate) garbled: f64,
    pub(crate) exception: Option<u8>,
}

impl Manner {
    pub(crate) fn of(device: &str, faults: &Faults) -> Self {
        let is = |name: &zonda_model::Name| name.as_str() == device;
        let late = faults.find(|fault| match fault {
            Fault::Late(name, by) if is(name) => Some(*by),
            _ => None,
        });
        let garbled = faults.find(|fault| match fault {
            Fault::Garble(name, share) if is(name) => Some(share.share()),
            _ => None,
        });
        Self {
            is_silent: faults
                .find(|fault| matches!(fault, Fault::Silence(name) if is(name)).then_some(()))
                .is_some(),
            late: late.unwrap_or_default(),
            garbled: garbled.unwrap_or_default(),
            exception: faults.find(|fault| match fault {
                Fault::Exception(name, code) if is(name) => Some(*code),
                _ => None,
            }),
        }
    }
}

/// What stands on the line before each frame.
pub(crate) fn stray(line: &str, faults: &Faults) -> Vec<u8> {
    let found = faults.find(|fault| match fault {
        Fault::Stray(name, bytes) if name.as_str() == line => Some(bytes.clone()),
        _ => None,
    });
    found.unwrap_or_default()
}

/// True where the line hands the master's own bytes back.
pub(crate) fn echoes(line: &str, faults: &Faults) -> bool {
    faults
        .find(|fault| matches!(fault, Fault::Echo(name) if name.as_str() == line).then_some(()))
        .is_some()
}

/// Makes one byte of the frame another byte.
pub(crate) fn garble(frame: &mut [u8], dice: &mut crate::noise::Dice) {
    if !frame.is_empty() {
        let at = dice.below(frame.len());
        let flipped = u8::try_from(1 + dice.below(255)).unwrap_or(1);
        frame[at] ^= flipped;
    }
}
