//! How a serial line is set, and how long things take on it.
//!
//! A *character* is what carries one byte: start bit, data bits, parity bit if any, stop bits. The
//! times here are what the wire itself takes; converters and drivers add to them. Opening the port
//! is left to `zonda-lines`.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

/// Data bits of a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DataBits {
    /// 7, for ASCII text only.
    Seven,
    /// 8.
    Eight,
}

/// The parity bit of a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Parity {
    /// `N`: none.
    None,
    /// `E`: even.
    Even,
    /// `O`: odd.
    Odd,
}

/// Stop bits of a character.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum StopBits {
    /// 1.
    One,
    /// 2.
    Two,
}

/// Speed and framing of a serial line, written as `19200 8E1`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct SerialSettings {
    baud: u32,
    data_bits: DataBits,
    parity: Parity,
    stop_bits: StopBits,
}

/// Why a text is no [`SerialSettings`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadSettings {
    /// Not a speed and a framing.
    #[error("`{0}` is not a serial setting; write speed and framing, such as `19200 8E1`")]
    Shape(String),
    /// The speed is outside what ports do.
    #[error("{0} baud is outside {min} to {max}", min = SerialSettings::BAUD_MIN, max = SerialSettings::BAUD_MAX)]
    Baud(u32),
    /// The framing is not data bits, parity, stop bits.
    #[error(
        "`{0}` is not a framing; write data bits (7 or 8), parity (N, E or O) and stop bits (1 or 2), such as `8E1`"
    )]
    Framing(String),
}

impl SerialSettings {
    /// The slowest line: what old teleprinter-style loggers use.
    pub const BAUD_MIN: u32 = 110;
    /// The fastest that USB converters commonly reach.
    pub const BAUD_MAX: u32 = 4_000_000;
    /// What a Modbus serial device must support out of the box: 19 200 baud, even parity
    /// (Modbus over Serial Line V1.02, 2.5.1).
    pub const MODBUS: Self = Self {
        baud: 19_200,
        data_bits: DataBits::Eight,
        parity: Parity::Even,
        stop_bits: StopBits::One,
    };
    /// The fastest line whose silences are counted in characters; above it they are fixed
    /// (Modbus over Serial Line V1.02, 2.5.1.1).
    const BAUD_SILENCE_COUNTED: u32 = 19_200;
    /// The silence between frames on faster lines (the same place).
    const SILENCE_FIXED: Duration = Duration::from_micros(1750);

    /// # Errors
    /// A speed outside [`Self::BAUD_MIN`] to [`Self::BAUD_MAX`].
    pub fn new(
        baud: u32,
        data_bits: DataBits,
        parity: Parity,
        stop_bits: StopBits,
    ) -> Result<Self, BadSettings> {
        if !(Self::BAUD_MIN..=Self::BAUD_MAX).contains(&baud) {
            return Err(BadSettings::Baud(baud));
        }
        Ok(Self {
            baud,
            data_bits,
            parity,
            stop_bits,
        })
    }

    /// Bits a second.
    pub const fn baud(self) -> u32 {
        self.baud
    }

    /// Data bits of a character.
    pub const fn data_bits(self) -> DataBits {
        self.data_bits
    }

    /// The parity bit.
    pub const fn parity(self) -> Parity {
        self.parity
    }

    /// Stop bits.
    pub const fn stop_bits(self) -> StopBits {
        self.stop_bits
    }

    /// Bits that one byte costs on the wire, start and stop bits counted: 9 to 12.
    pub const fn bits_per_character(self) -> u32 {
        let data = match self.data_bits {
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        };
        let parity = match self.parity {
            Parity::None => 0,
            Parity::Even | Parity::Odd => 1,
        };
        let stop = match self.stop_bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        };
        1 + data + parity + stop
    }

    /// How long so many bytes, sent without a pause, are on the wire.
    pub fn wire_time(self, bytes: usize) -> Duration {
        self.bits_time(u64::from(self.bits_per_character()).saturating_mul(bytes as u64))
    }

    /// How long one byte is on the wire.
    pub fn character_time(self) -> Duration {
        self.wire_time(1)
    }

    /// The silence that parts two Modbus RTU frames: 3.5 characters up to 19 200 baud, 1.750 ms
    /// above (Modbus over Serial Line V1.02, 2.5.1.1).
    pub fn rtu_silence(self) -> Duration {
        if self.baud > Self::BAUD_SILENCE_COUNTED {
            Self::SILENCE_FIXED
        } else {
            self.bits_time(u64::from(self.bits_per_character()) * 7) / 2
        }
    }

    fn bits_time(self, bits: u64) -> Duration {
        Duration::from_nanos(bits.saturating_mul(1_000_000_000) / u64::from(self.baud))
    }
}

impl FromStr for SerialSettings {
    type Err = BadSettings;

    fn from_str(text: &str) -> Result<Self, BadSettings> {
        let shape = || BadSettings::Shape(text.to_owned());
        let mut words = text.split_whitespace();
        let (Some(baud), Some(framing), None) = (words.next(), words.next(), words.next()) else {
            return Err(shape());
        };
        let baud = baud.parse().map_err(|_| shape())?;
        let (data_bits, parity, stop_bits) =
            parse_framing(framing).ok_or_else(|| BadSettings::Framing(framing.to_owned()))?;
        Self::new(baud, data_bits, parity, stop_bits)
    }
}

fn parse_framing(text: &str) -> Option<(DataBits, Parity, StopBits)> {
    let &[data, parity, stop] = text.as_bytes() else {
        return None;
    };
    let data = match data {
        b'7' => DataBits::Seven,
        b'8' => DataBits::Eight,
        _ => return None,
    };
    let parity = match parity {
        b'N' | b'n' => Parity::None,
        b'E' | b'e' => Parity::Even,
        b'O' | b'o' => Parity::Odd,
        _ => return None,
    };
    let stop = match stop {
        b'1' => StopBits::One,
        b'2' => StopBits::Two,
        _ => return None,
    };
    Some((data, parity, stop))
}

impl fmt::Display for SerialSettings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let data = match self.data_bits {
            DataBits::Seven => 7,
            DataBits::Eight => 8,
        };
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        let stop = match self.stop_bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        };
        write!(f, "{} {data}{parity}{stop}", self.baud)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(text: &str) -> SerialSettings {
        text.parse().unwrap()
    }

    #[test]
    fn what_is_written_reads_back() {
        for text in ["19200 8E1", "9600 8N1", "2400 7O2", "115200 8N2"] {
            assert_eq!(settings(text).to_string(), text);
        }
        assert_eq!(settings("  19200   8e1 "), SerialSettings::MODBUS);
    }

    #[test]
    fn what_is_wrong_is_said() {
        let said = |text: &str| text.parse::<SerialSettings>().unwrap_err().to_string();
        assert_eq!(
            said("19200"),
            "`19200` is not a serial setting; write speed and framing, such as `19200 8E1`"
        );
        assert_eq!(
            said("5000000 8N1"),
            "5000000 baud is outside 110 to 4000000"
        );
        assert_eq!(
            said("9600 8X1"),
            "`8X1` is not a framing; write data bits (7 or 8), parity (N, E or O) and stop bits (1 or 2), such as `8E1`"
        );
        assert!("9600 8N1 x".parse::<SerialSettings>().is_err());
        assert!("fast 8N1".parse::<SerialSettings>().is_err());
    }

    /// Character time and silence by the rule of Modbus over Serial Line V1.02, 2.5.1.1, worked out
    /// in milliseconds to four places: t = bits/baud.
    #[test]
    fn silences_are_those_of_the_standard() {
        let cases = [
            ("9600 8N1", 1.0417, 3.6458),
            ("9600 8E1", 1.1458, 4.0104),
            ("19200 8N1", 0.5208, 1.8229),
            ("19200 8E1", 0.5729, 2.0052),
            ("38400 8E1", 0.2865, 1.7500),
            ("115200 8N1", 0.0868, 1.7500),
        ];
        for (text, character_ms, silence_ms) in cases {
            let character = settings(text).character_time().as_secs_f64() * 1e3;
            let silence = settings(text).rtu_silence().as_secs_f64() * 1e3;
            assert!(
                (character - character_ms).abs() < 6e-5,
                "{text}: {character}"
            );
            assert!((silence - silence_ms).abs() < 6e-5, "{text}: {silence}");
        }
    }
}
