//! The settings of a serial line and the time that a character takes on it.
//!
//! Character and silence times by *MODBUS over Serial Line, Specification and Implementation
//! Guide V1.02*, section 2.5.1.1: up to 19 200 baud by the character, above it fixed.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

/// The parity bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parity {
    /// No parity bit.
    None,
    /// An even number of ones.
    Even,
    /// An odd number of ones.
    Odd,
}

/// Speed and framing, written `19200 8E1`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SerialFormat {
    baud: u32,
    data_bits: u8,
    parity: Parity,
    stop_bits: u8,
}

/// Why a text is no [`SerialFormat`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is no serial setting; write speed, data bits, parity and stop bits, such as `19200 8E1`"
)]
pub struct BadSerialFormat(pub String);

impl SerialFormat {
    /// The default of the Modbus specification: 19 200 baud, 8 data bits, even parity, 1 stop bit.
    pub const MODBUS: Self = Self {
        baud: 19_200,
        data_bits: 8,
        parity: Parity::Even,
        stop_bits: 1,
    };
    /// What most instruments with a text line are delivered with (common practice, no source).
    pub const TEXT: Self = Self {
        baud: 9_600,
        data_bits: 8,
        parity: Parity::None,
        stop_bits: 1,
    };

    /// Bits per second.
    pub const fn baud(self) -> u32 {
        self.baud
    }

    /// Bits per character on the wire: start, data, parity and stop bits.
    pub const fn bits(self) -> u32 {
        let parity = match self.parity {
            Parity::None => 0,
            Parity::Even | Parity::Odd => 1,
        };
        1 + self.data_bits as u32 + parity + self.stop_bits as u32
    }

    /// The time of `count` characters back to back.
    pub fn characters(self, count: usize) -> Duration {
        let bits = u64::from(self.bits()) * count as u64;
        Duration::from_nanos(bits * 1_000_000_000 / u64::from(self.baud))
    }

    /// The silence that ends a Modbus RTU frame: 3.5 characters, 1.750 ms above 19 200 baud.
    pub fn silence(self) -> Duration {
        if self.baud > 19_200 {
            Duration::from_micros(1_750)
        } else {
            self.characters(7) / 2
        }
    }
}

impl fmt::Display for SerialFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        let Self {
            baud,
            data_bits,
            stop_bits,
            ..
        } = self;
        write!(f, "{baud} {data_bits}{parity}{stop_bits}")
    }
}

impl FromStr for SerialFormat {
    type Err = BadSerialFormat;

    fn from_str(text: &str) -> Result<Self, BadSerialFormat> {
        let refuse = || BadSerialFormat(text.to_owned());
        let (baud, framing) = text.trim().split_once(' ').ok_or_else(refuse)?;
        let baud = baud.parse().map_err(|_| refuse())?;
        let [data_bits @ (b'7' | b'8'), parity, stop_bits @ (b'1' | b'2')] =
            *framing.trim().as_bytes()
        else {
            return Err(refuse());
        };
        let parity = match parity {
            b'N' => Parity::None,
            b'E' => Parity::Even,
            b'O' => Parity::Odd,
            _ => return Err(refuse()),
        };
        if !(300..=4_000_000).contains(&baud) {
            return Err(refuse());
        }
        Ok(Self {
            baud,
            data_bits: data_bits - b'0',
            parity,
            stop_bits: stop_bits - b'0',
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn written_settings_read_back() {
        for text in ["19200 8E1", "9600 8N1", "115200 7O2"] {
            assert_eq!(text.parse::<SerialFormat>().unwrap().to_string(), text);
        }
        for text in [
            "19200",
            "19200 8X1",
            "0 8N1",
            "fast 8N1",
            "9600 9N1",
            "9600 8N1x",
        ] {
            assert!(text.parse::<SerialFormat>().is_err(), "{text}");
        }
    }

    /// Characters and silences of the specification's section 2.5.1.1, worked out to four digits.
    #[test]
    fn characters_take_their_time() {
        for (text, character_us, silence_us) in [
            ("9600 8N1", 1_041.7, 3_645.8),
            ("9600 8E1", 1_145.8, 4_010.4),
            ("19200 8E1", 572.9, 2_005.2),
            ("38400 8N1", 260.4, 1_750.0),
            ("115200 8E1", 95.5, 1_750.0),
        ] {
            let format: SerialFormat = text.parse().unwrap();
            let us = |time: Duration| time.as_secs_f64() * 1e6;
            assert!(
                (us(format.characters(1)) - character_us).abs() < 0.06,
                "{text}"
            );
            assert!((us(format.silence()) - silence_us).abs() < 0.06, "{text}");
        }
    }
}
