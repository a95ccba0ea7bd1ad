//! What a Modbus RTU slave makes of a frame, written from the specification and nothing else.
//!
//! *MODBUS Application Protocol Specification V1.1b3*, sections 6.4, 6.21 and 7, and *MODBUS over Serial
//! Line V1.02*, section 2.5.1 and appendix B. The modules offer input registers, and say who they are.

use crc::{CRC_16_MODBUS, Crc};

/// The checksum, low byte first on the wire.
const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);

/// Function code: Read Input Registers.
const READ_INPUT_REGISTERS: u8 = 0x04;
/// Function code and type: Read Device Identification (section 6.21).
const IDENTIFY: (u8, u8) = (0x2B, 0x0E);
/// The objects of basic identification: vendor, product, revision.
const OBJECTS: usize = 3;
/// Most registers of one request (section 6.4).
const COUNT_MAX: u16 = 125;
const ILLEGAL_FUNCTION: u8 = 0x01;
const ILLEGAL_DATA_ADDRESS: u8 = 0x02;
const ILLEGAL_DATA_VALUE: u8 = 0x03;

/// A frame whose checksum is right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Request {
    pub(crate) unit: u8,
    pub(crate) function: u8,
    data: Vec<u8>,
}

impl Request {
    /// The request in a frame, or `None` where length or checksum say that it is none.
    pub(crate) fn parse(frame: &[u8]) -> Option<Self> {
        let (body, sum) = frame.split_at_checked(frame.len().checked_sub(2)?)?;
        let [unit, function, data @ ..] = body else {
            return None;
        };
        let is_intact = frame.len() <= 256 && sum == CRC.checksum(body).to_le_bytes();
        is_intact.then(|| Self {
            unit: *unit,
            function: *function,
            data: data.to_vec(),
        })
    }

    /// The answer of a unit with these input registers from address 0.
    pub(crate) fn answer(&self, registers: &[u16]) -> Vec<u8> {
        match self.read(registers) {
            Ok(values) => {
                let mut body = vec![
                    self.unit,
                    self.function,
                    u8::try_from(2 * values.len()).unwrap_or(u8::MAX),
                ];
                body.extend(values.iter().flat_map(|value| value.to_be_bytes()));
                seal(body)
            }
            Err(code) => self.exception(code),
        }
    }

    /// The answer of a unit of this name to the question who it is; `None` to any other question.
    ///
    /// The product code is the name, so that two swapped modules can be told. What is asked from an
    /// object that there is not begins with the first, as the specification wants it.
    pub(crate) fn identification(&self, name: &str) -> Option<Vec<u8>> {
        let [kind, category, first] = *self.data else {
            return None;
        };
        if (self.function, kind) != IDENTIFY {
            return None;
        }
        if !(1..=4).contains(&category) {
            return Some(self.exception(ILLEGAL_DATA_VALUE));
        }
        let all: [&str; OBJECTS] = ["Zonda's rig", name, env!("CARGO_PKG_VERSION")];
        let first = Some(usize::from(first))
            .filter(|first| *first < OBJECTS)
            .unwrap_or(0);
        let told = if category == 4 {
            first..first + 1
        } else {
            first..OBJECTS
        };
        let count = u8::try_from(told.len()).unwrap_or(u8::MAX);
        // Basic identification, by stream and one by one.
        let mut body = vec![self.unit, self.function, kind, category, 0x81, 0, 0, count];
        for id in told {
            body.push(u8::try_from(id).unwrap_or(u8::MAX));
            body.push(u8::try_from(all[id].len()).unwrap_or(u8::MAX));
            body.extend(all[id].as_bytes());
        }
        Some(seal(body))
    }

    /// The answer that refuses with this exception code.
    pub(crate) fn exception(&self, code: u8) -> Vec<u8> {
        seal(vec![self.unit, self.function | 0x80, code])
    }

    fn read<'a>(&self, registers: &'a [u16]) -> Result<&'a [u16], u8> {
        if self.function != READ_INPUT_REGISTERS {
            return Err(ILLEGAL_FUNCTION);
        }
        let [first_high, first_low, count_high, count_low] = *self.data else {
            return Err(ILLEGAL_DATA_VALUE);
        };
        let first = usize::from(u16::from_be_bytes([first_high, first_low]));
        let count = u16::from_be_bytes([count_high, count_low]);
        if !(1..=COUNT_MAX).contains(&count) {
            return Err(ILLEGAL_DATA_VALUE);
        }
        registers
            .get(first..first + usize::from(count))
            .ok_or(ILLEGAL_DATA_ADDRESS)
    }
}

fn seal(mut body: Vec<u8>) -> Vec<u8> {
    let sum = CRC.checksum(&body);
    body.extend(sum.to_le_bytes());
    body
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The frame 02 07 41 12 of *MODBUS over Serial Line V1.02*, appendix B.
    #[test]
    fn the_specification_s_checksum_is_accepted() {
        let request = Request::parse(&[0x02, 0x07, 0x41, 0x12]).unwrap();
        assert_eq!((request.unit, request.function), (2, 7));
        assert_eq!(request.answer(&[]), seal(vec![0x02, 0x87, 0x01]));
        assert_eq!(Request::parse(&[0x02, 0x07, 0x12, 0x41]), None);
        assert_eq!(Request::parse(&[]), None);
        assert_eq!(Request::parse(&[0xff, 0xff]), None);
    }

    /// The example of *Application Protocol V1.1b3*, section 6.4: register 8 holds 10. The answer's
    /// checksum of 01 04 02 00 0A is 0x3739 by crcmod and crccheck.
    #[test]
    fn the_specification_s_example_is_answered() {
        let mut registers = [0; 9];
        registers[8] = 10;
        let request = Request::parse(&seal(vec![1, 4, 0, 8, 0, 1])).unwrap();
        assert_eq!(request.answer(&registers), [1, 4, 2, 0, 0x0a, 0x39, 0x37]);
    }

    #[test]
    fn what_cannot_be_read_is_refused() {
        let answer = |body: &[u8]| {
            Request::parse(&seal(body.to_vec()))
                .unwrap()
                .answer(&[0; 16])
        };
        assert_eq!(answer(&[1, 3, 0, 0, 0, 1])[1..3], [0x83, 0x01]);
        assert_eq!(answer(&[1, 4, 0, 0, 0, 17])[1..3], [0x84, 0x02]);
        assert_eq!(answer(&[1, 4, 0, 16, 0, 1])[1..3], [0x84, 0x02]);
        assert_eq!(answer(&[1, 4, 0, 0, 0, 0])[1..3], [0x84, 0x03]);
        assert_eq!(answer(&[1, 4, 0, 0, 0, 126])[1..3], [0x84, 0x03]);
        assert_eq!(answer(&[1, 4, 0, 0, 0])[1..3], [0x84, 0x03]);
        assert_eq!(answer(&[1, 4, 0xff, 0xff, 0, 1])[1..3], [0x84, 0x02]);
    }

    /// The layout of *Application Protocol V1.1b3*, section 6.21.2: type, category, conformity, more,
    /// next object, count, then number, length and text of each.
    #[test]
    fn a_module_says_who_it_is() {
        let told = |body: &[u8]| {
            Request::parse(&seal(body.to_vec()))
                .unwrap()
                .identification("B")
        };
        let answer = told(&[1, 0x2B, 0x0E, 1, 1]).unwrap();
        assert_eq!(answer[..11], [1, 0x2B, 0x0E, 1, 0x81, 0, 0, 2, 1, 1, b'B']);
        assert_eq!(
            told(&[1, 0x2B, 0x0E, 4, 1]).unwrap()[..11],
            [1, 0x2B, 0x0E, 4, 0x81, 0, 0, 1, 1, 1, b'B']
        );
        assert_eq!(told(&[1, 0x2B, 0x0E, 3, 0x80]).unwrap()[7..9], [3, 0]);
        assert_eq!(told(&[1, 0x2B, 0x0E, 9, 0]).unwrap()[1..3], [0xAB, 0x03]);
        assert_eq!(told(&[1, 4, 0, 0, 0, 1]), None);
    }

    proptest! {
        #[test]
        fn no_frame_panics(mut frame: Vec<u8>) {
            let _ = Request::parse(&frame).map(|request| request.answer(&[1; 16]));
            frame = seal(frame);
            let _ = Request::parse(&frame).map(|request| request.answer(&[1; 16]));
        }
    }
}
