//! What a device says it is: Read Device Identification (function 43, type 14).
//!
//! An *object* is one such saying, such as the maker or the serial number; it has a number. A device
//! streams objects from the asked one on, as many as fit into one frame. Not every device knows the
//! function; those that do not answer with an exception.
//!
//! Source: MODBUS Application Protocol Specification V1.1b3, section 6.21.

use std::fmt;
use std::str::FromStr;

use super::UnitId;
use super::pdu::Exception;
use super::rtu::checksum;

/// Encapsulated Interface Transport.
const FUNCTION: u8 = 0x2B;
/// The type of interface: device identification.
const TYPE: u8 = 0x0E;
/// Function, type, read code, conformity, more follows, next object, number of objects.
const HEADER: usize = 7;

/// One of the things that a device says of itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ObjectId(u8);

/// The objects that the standard names.
const NAMED: [(u8, &str); 7] = [
    (0, "vendor"),
    (1, "product"),
    (2, "revision"),
    (3, "url"),
    (4, "product_name"),
    (5, "model"),
    (6, "application"),
];
/// From here on the objects are the maker's own; serial numbers are often among them.
const PRIVATE: u8 = 0x80;

/// The text names no object.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is no object of a device's identification; use vendor, product, revision, url, product_name, model, application, or a number from 128 to 255"
)]
pub struct UnknownObject(pub String);

impl ObjectId {
    /// The first of all.
    pub const FIRST: Self = Self(0);
    /// The first of the maker's own.
    pub const FIRST_PRIVATE: Self = Self(PRIVATE);

    /// The number on the wire.
    pub const fn number(self) -> u8 {
        self.0
    }

    /// The code of the category that an object is in: basic, regular, extended.
    const fn category(self) -> u8 {
        match self.0 {
            0..=2 => 1,
            3..PRIVATE => 2,
            PRIVATE.. => 3,
        }
    }
}

impl fmt::Display for ObjectId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match NAMED.iter().find(|(number, _)| *number == self.0) {
            Some((_, name)) => f.write_str(name),
            None => write!(f, "{}", self.0),
        }
    }
}

impl FromStr for ObjectId {
    type Err = UnknownObject;

    fn from_str(text: &str) -> Result<Self, UnknownObject> {
        let named = NAMED.iter().find(|(_, name)| *name == text);
        let private = || text.parse().ok().filter(|number| *number >= PRIVATE);
        named
            .map(|(number, _)| *number)
            .or_else(private)
            .map(Self)
            .ok_or_else(|| UnknownObject(text.to_owned()))
    }
}

/// Asks a unit for its objects from one on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Question {
    /// Whom.
    pub unit: UnitId,
    /// The object to begin with.
    pub first: ObjectId,
}

/// What a unit says to a [`Question`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Told {
    /// Its objects, in ascending order.
    Objects(Vec<(ObjectId, String)>),
    /// It cannot, most often because it does not know the function.
    Exception(Exception),
}

impl Question {
    /// Function, type, category, first object: the same on every wire.
    pub const fn pdu(self) -> [u8; 4] {
        [FUNCTION, TYPE, self.first.category(), self.first.number()]
    }

    /// The question as it goes over a serial line.
    pub fn rtu(self) -> Vec<u8> {
        let mut frame = vec![self.unit.number()];
        frame.extend(self.pdu());
        frame.extend(checksum(&frame));
        frame
    }

    /// The question as it goes over a connection.
    pub fn tcp(self, transaction: u16) -> Vec<u8> {
        let [high, low] = transaction.to_be_bytes();
        let mut frame = vec![high, low, 0, 0, 0, 5, self.unit.number()];
        frame.extend(self.pdu());
        frame
    }

    /// Looks for the answer in what came over a serial line, at every place, because noise or an
    /// echo may stand before it.
    pub fn told_rtu(self, bytes: &[u8]) -> Option<Told> {
        (0..bytes.len()).find_map(|at| self.told_at(&bytes[at..]))
    }

    fn told_at(self, bytes: &[u8]) -> Option<Told> {
        let (unit, pdu) = bytes.split_first()?;
        if *unit != self.unit.number() {
            return None;
        }
        let (told, length) = read(pdu)?;
        let (frame, rest) = bytes.split_at_checked(1 + length)?;
        (rest.get(..2)? == checksum(frame)).then_some(told)
    }

    /// The answer in a frame of a connection; `None` where it answers something else.
    pub fn told_tcp(self, unit: u8, pdu: &[u8]) -> Option<Told> {
        let (told, length) = read(pdu)?;
        (unit == self.unit.number() && length == pdu.len()).then_some(told)
    }
}

/// The answer that a PDU begins with, and its length.
fn read(pdu: &[u8]) -> Option<(Told, usize)> {
    match *pdu {
        [function, code, ..] if function == FUNCTION | 0x80 => {
            Some((Told::Exception(Exception::new(code)?), 2))
        }
        [FUNCTION, TYPE, _, _, _, _, count, ..] => {
            let mut objects = Vec::new();
            let mut at = HEADER;
            for _ in 0..count {
                let (&id, &length) = (pdu.get(at)?, pdu.get(at + 1)?);
                let end = at + 2 + usize::from(length);
                objects.push((ObjectId(id), text(pdu.get(at + 2..end)?)));
                at = end;
            }
            Some((Told::Objects(objects), at))
        }
        _ => None,
    }
}

/// Objects are ASCII; the maker's own may be anything. Padding is no part of them.
fn text(bytes: &[u8]) -> String {
    let padding = |c: char| c == '\0' || c.is_whitespace();
    String::from_utf8_lossy(bytes)
        .trim_matches(padding)
        .chars()
        .flat_map(|c| {
            let shown = c.is_control().then(|| c.escape_default());
            let plain = (!c.is_control()).then_some(c);
            shown.into_iter().flatten().chain(plain)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn question(unit: u8, first: u8) -> Question {
        Question {
            unit: UnitId::tcp(unit),
            first: ObjectId(first),
        }
    }

    /// The layout of section 6.21.2, filled in.
    fn answer(unit: u8, objects: &[(u8, &str)]) -> Vec<u8> {
        let count = u8::try_from(objects.len()).unwrap();
        let mut frame = vec![unit, 0x2B, 0x0E, 0x01, 0x01, 0x00, 0x00, count];
        for (id, text) in objects {
            frame.extend([*id, u8::try_from(text.len()).unwrap()]);
            frame.extend(text.as_bytes());
        }
        frame.extend(checksum(&frame));
        frame
    }

    /// The request of the example in section 6.21.3: 2B 0E 01 00.
    #[test]
    fn the_question_is_that_of_the_specification() {
        assert_eq!(question(1, 0).pdu(), [0x2B, 0x0E, 0x01, 0x00]);
        assert_eq!(question(1, 4).pdu(), [0x2B, 0x0E, 0x02, 0x04]);
        assert_eq!(question(1, 0x80).pdu(), [0x2B, 0x0E, 0x03, 0x80]);
        assert_eq!(
            question(7, 0).tcp(0x0102),
            [1, 2, 0, 0, 0, 5, 7, 0x2B, 0x0E, 1, 0]
        );
    }

    #[test]
    fn objects_are_found_among_noise_and_behind_an_echo() {
        let bytes = [
            &[0][..],
            &question(5, 0).rtu(),
            &answer(5, &[(0, "Maker"), (1, "M-16 \0")]),
            &[9],
        ]
        .concat();
        let told = question(5, 0).told_rtu(&bytes);
        let expected = vec![
            (ObjectId(0), "Maker".to_owned()),
            (ObjectId(1), "M-16".to_owned()),
        ];
        assert_eq!(told, Some(Told::Objects(expected)));
        assert_eq!(question(6, 0).told_rtu(&bytes), None, "another unit's");
        assert_eq!(
            question(5, 0).told_rtu(&bytes[..bytes.len() - 2]),
            None,
            "not whole yet"
        );
    }

    #[test]
    fn a_device_that_does_not_know_the_function_says_so() {
        let mut frame = vec![5, 0xAB, 1];
        frame.extend(checksum(&frame));
        let told = question(5, 0).told_rtu(&frame);
        assert_eq!(told, Some(Told::Exception(Exception::new(1).unwrap())));
        assert_eq!(question(5, 0).told_tcp(5, &[0xAB, 1]), told);
        assert_eq!(question(5, 0).told_tcp(6, &[0xAB, 1]), None);
    }

    #[test]
    fn objects_have_names_or_numbers() {
        assert_eq!("vendor".parse(), Ok(ObjectId(0)));
        assert_eq!("129".parse(), Ok(ObjectId(129)));
        assert_eq!(ObjectId(5).to_string(), "model");
        assert!("7".parse::<ObjectId>().is_err() && "256".parse::<ObjectId>().is_err());
    }

    proptest! {
        #[test]
        fn no_bytes_panic_and_one_wrong_byte_is_never_believed(
            bytes in proptest::collection::vec(any::<u8>(), 0..300), at in 0usize..20, by in 1u8..
        ) {
            let _ = question(5, 0).told_rtu(&bytes);
            let _ = question(5, 0).told_tcp(5, &bytes);
            let mut frame = answer(5, &[(0, "Maker"), (1, "M-16")]);
            let at = at % frame.len();
            frame[at] ^= by;
            prop_assert_eq!(question(5, 0).told_rtu(&frame), None);
        }
    }
}
