//! Modbus RTU: frames with a checksum, without a number.
//!
//! [`encode`] makes a request; an [`Awaiting`] takes whatever comes from the line and gives out the
//! one answer that can be believed: right unit, right function, as many bytes as were asked for,
//! right checksum. Everything else is passed over while the caller's deadline runs on.

mod master;

use crc::{CRC_16_MODBUS, Crc};

use super::pdu::{Reply, Request};

pub use master::{Counts, Failure, Master, Outcome, Patience};

const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);
/// Unit, function, and the checksum behind the data.
const AROUND: usize = 4;
/// Unit, function, code, checksum.
const EXCEPTION_LENGTH: usize = 5;
/// Room for the longest frame of the standard (256 bytes), an echo and noise.
const BUFFER_MAX: usize = 512;

/// The checksum of a frame, in the order of the wire: low byte first.
pub fn checksum(bytes: &[u8]) -> [u8; 2] {
    CRC.checksum(bytes).to_le_bytes()
}

/// The request as it goes over the line.
pub fn encode(request: Request) -> [u8; 8] {
    let [function, first_high, first_low, count_high, count_low] = request.pdu();
    let body = [
        request.unit.number(),
        function,
        first_high,
        first_low,
        count_high,
        count_low,
    ];
    let [low, high] = checksum(&body);
    let [unit, ..] = body;
    [
        unit, function, first_high, first_low, count_high, count_low, low, high,
    ]
}

/// How many bytes the full answer to a request has.
pub fn answer_length(request: Request) -> usize {
    AROUND + 1 + request.data_length()
}

/// What came in place of an answer, for the message when the time is up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// Bytes in all, without an echo of our own request.
    pub bytes: usize,
    /// Bytes passed over before a believed answer.
    pub stray: usize,
    /// A frame of the right unit and function with a wrong checksum.
    pub bad_checksum: bool,
    /// A whole frame with a right checksum that answers something else: another unit, function or length.
    pub other_answer: bool,
}

/// Waits for the answer to one request.
#[derive(Clone, Debug)]
pub struct Awaiting {
    request: Request,
    echo: [u8; 8],
    echo_is_possible: bool,
    buffer: Vec<u8>,
    seen: Seen,
}

/// What stands at one place of the buffer.
enum Look {
    Answer(Reply),
    /// Could become an answer with more bytes.
    Beginning,
    Nothing,
}

impl Awaiting {
    /// Waits for the answer to `request`.
    pub fn new(request: Request) -> Self {
        Self {
            request,
            echo: encode(request),
            echo_is_possible: true,
            buffer: Vec::new(),
            seen: Seen::default(),
        }
    }

    /// Takes bytes from the line; gives the answer once it is there.
    ///
    /// Some two-wire adapters hand our own request back first: an exact copy at the beginning is
    /// taken off, once.
    pub fn take(&mut self, bytes: &[u8]) -> Option<Reply> {
        self.buffer.extend_from_slice(bytes);
        self.seen.bytes += bytes.len();
        if self.echo_is_possible {
            self.strip_echo();
        }
        let reply = self.scan();
        if self.buffer.len() > BUFFER_MAX {
            let surplus = self.buffer.len() - BUFFER_MAX;
            self.buffer.drain(..surplus);
        }
        reply
    }

    /// What has come so far.
    pub const fn seen(&self) -> Seen {
        self.seen
    }

    fn strip_echo(&mut self) {
        if self.buffer.starts_with(&self.echo) {
            self.buffer.drain(..self.echo.len());
            self.seen.bytes -= self.echo.len();
            self.echo_is_possible = false;
        } else if !self.echo.starts_with(&self.buffer) {
            self.echo_is_possible = false;
        }
    }

    /// Looks for the answer at every place, because noise may stand before it. The first place that
    /// could still become one is waited for: what looks like a frame inside it may be its data.
    fn scan(&mut self) -> Option<Reply> {
        for at in 0..self.buffer.len() {
            match self.look(at) {
                Look::Answer(reply) => {
                    self.seen.stray = at;
                    self.buffer.clear();
                    return Some(reply);
                }
                Look::Beginning => return None,
                Look::Nothing => {}
            }
        }
        None
    }

    fn look(&mut self, at: usize) -> Look {
        let rest = &self.buffer[at..];
        let unit = self.request.unit.number();
        let (length, is_ours) = match *rest {
            [first, ..] if first != unit => return self.look_at_other(at),
            [_] => return Look::Beginning,
            [_, function, ..] if function == self.request.exception_function() => {
                (EXCEPTION_LENGTH, true)
            }
            [_, function] if function == self.request.table.function() => return Look::Beginning,
            [_, function, count, ..] if function == self.request.table.function() => (
                AROUND + 1 + usize::from(count),
                usize::from(count) == self.request.data_length(),
            ),
            _ => return self.look_at_other(at),
        };
        let Some(frame) = rest.get(..length) else {
            return if is_ours {
                Look::Beginning
            } else {
                Look::Nothing
            };
        };
        if !is_checked(frame) {
            self.seen.bad_checksum |= is_ours;
            return Look::Nothing;
        }
        if let Some(reply) = self.request.reply(&frame[1..length - 2]) {
            return Look::Answer(reply);
        }
        self.seen.other_answer = true;
        Look::Nothing
    }

    /// Notes a whole frame of another unit or function, for the message.
    fn look_at_other(&mut self, at: usize) -> Look {
        let rest = &self.buffer[at..];
        let length = match *rest {
            [_, function, ..] if function & 0x80 != 0 => EXCEPTION_LENGTH,
            [_, 3 | 4, count, ..] => AROUND + 1 + usize::from(count),
            _ => return Look::Nothing,
        };
        self.seen.other_answer |= rest.get(..length).is_some_and(is_checked);
        Look::Nothing
    }
}

fn is_checked(frame: &[u8]) -> bool {
    frame
        .split_last_chunk::<2>()
        .is_some_and(|(body, sum)| checksum(body) == *sum)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modbus::{Exception, RegisterSpan, Table, UnitId};
    use proptest::prelude::*;

    fn request(unit: u8, first: u16, count: u16) -> Request {
        Request {
            unit: UnitId::tcp(unit),
            table: Table::Input,
            span: RegisterSpan::new(first, count).unwrap(),
        }
    }

    fn framed(body: &[u8]) -> Vec<u8> {
        [body, &checksum(body)].concat()
    }

    fn answer(unit: u8, registers: &[u16]) -> Vec<u8> {
        let mut body = vec![unit, 4, u8::try_from(registers.len() * 2).unwrap()];
        for register in registers {
            body.extend(register.to_be_bytes());
        }
        framed(&body)
    }

    fn told(request: Request, bytes: &[u8]) -> Option<Reply> {
        Awaiting::new(request).take(bytes)
    }

    /// The worked example of the checksum, frame `02 07`, sent as `41 12`: MODBUS over Serial Line
    /// V1.02, section 6.2.2; and the catalogue check value 4B37 of CRC-16/MODBUS over "123456789".
    #[test]
    fn the_checksum_is_that_of_the_specification() {
        assert_eq!(checksum(&[0x02, 0x07]), [0x41, 0x12]);
        assert_eq!(checksum(b"123456789"), [0x37, 0x4B]);
    }

    /// The examples of functions 03 and 04: MODBUS Application Protocol V1.1b3, sections 6.3 and 6.4.
    #[test]
    fn requests_and_answers_are_those_of_the_specification() {
        let holding = Request {
            unit: UnitId::tcp(17),
            table: Table::Holding,
            span: RegisterSpan::new(0x006B, 3).unwrap(),
        };
        assert_eq!(holding.pdu(), [0x03, 0x00, 0x6B, 0x00, 0x03]);
        let frame = framed(&[17, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]);
        assert_eq!(
            told(holding, &frame),
            Some(Reply::Registers(vec![0x022B, 0, 0x64]))
        );
        let input = request(17, 0x0008, 1);
        assert_eq!(input.pdu(), [0x04, 0x00, 0x08, 0x00, 0x01]);
        assert_eq!(
            told(input, &framed(&[17, 0x04, 0x02, 0x00, 0x0A])),
            Some(Reply::Registers(vec![10]))
        );
    }

    #[test]
    fn what_is_no_answer_to_the_question_is_never_taken_for_one() {
        let asked = request(17, 8, 2);
        let good = answer(17, &[1, 2]);
        let cases: Vec<(&str, Vec<u8>)> = vec![
            ("another unit", answer(18, &[1, 2])),
            ("another function", framed(&[17, 3, 4, 0, 1, 0, 2])),
            ("fewer registers", answer(17, &[1])),
            ("more registers", answer(17, &[1, 2, 3])),
            ("an odd number of bytes", framed(&[17, 4, 3, 0, 1, 0])),
            ("a count that is not the length", framed(&[17, 4, 4, 0, 1])),
            ("cut short", good[..good.len() - 1].to_vec()),
            (
                "a wrong checksum",
                [&good[..good.len() - 1], &[good[good.len() - 1] ^ 1]].concat(),
            ),
            ("an exception to another function", framed(&[17, 0x83, 2])),
            ("an exception without a code", framed(&[17, 0x84, 0])),
            ("nothing", Vec::new()),
        ];
        for (what, bytes) in cases {
            assert_eq!(told(asked, &bytes), None, "{what}");
            // The true answer behind it is found all the same, unless it cannot be told from the beginning of another.
            if what != "cut short" && what != "a count that is not the length" {
                assert_eq!(
                    told(asked, &[bytes, good.clone()].concat()),
                    Some(Reply::Registers(vec![1, 2])),
                    "after {what}"
                );
            }
        }
    }

    #[test]
    fn every_exception_code_is_an_exception() {
        for code in 1..=255 {
            let reply = told(request(17, 0, 1), &framed(&[17, 0x84, code]));
            assert_eq!(reply, Exception::new(code).map(Reply::Exception));
        }
    }

    #[test]
    fn an_echo_of_our_own_request_is_taken_off() {
        let asked = request(17, 8, 2);
        let bytes = [encode(asked).to_vec(), answer(17, &[1, 2])].concat();
        let mut awaiting = Awaiting::new(asked);
        let reply = bytes.iter().find_map(|byte| awaiting.take(&[*byte]));
        assert_eq!(reply, Some(Reply::Registers(vec![1, 2])));
        assert_eq!(awaiting.seen().stray, 0);
        assert_eq!(told(asked, &encode(asked)), None);
    }

    proptest! {
        #[test]
        fn the_answer_is_found_in_noise_whatever_the_pieces(
            registers in proptest::collection::vec(any::<u16>(), 1..125),
            noise in proptest::collection::vec(any::<u8>().prop_filter("not the unit", |byte| *byte != 17), 0..40),
            piece in 1usize..20,
        ) {
            let asked = request(17, 0, u16::try_from(registers.len()).unwrap());
            let bytes = [noise.clone(), answer(17, &registers)].concat();
            let mut awaiting = Awaiting::new(asked);
            let replies: Vec<_> = bytes.chunks(piece).filter_map(|piece| awaiting.take(piece)).collect();
            prop_assert_eq!(replies, vec![Reply::Registers(registers)]);
            prop_assert_eq!(awaiting.seen().stray, noise.len());
        }

        #[test]
        fn one_changed_byte_never_yields_other_registers(
            registers in proptest::collection::vec(any::<u16>(), 1..30),
            place in any::<prop::sample::Index>(),
            change in 1u8..=255,
        ) {
            let asked = request(17, 0, u16::try_from(registers.len()).unwrap());
            let mut bytes = answer(17, &registers);
            let at = place.index(bytes.len());
            bytes[at] ^= change;
            prop_assert_eq!(told(asked, &bytes), None);
        }

        #[test]
        fn no_bytes_panic_or_grow_the_buffer(pieces in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..300), 0..20)) {
            let mut awaiting = Awaiting::new(request(17, 0, 16));
            for piece in pieces {
                let _ = awaiting.take(&piece);
                prop_assert!(awaiting.buffer.len() <= BUFFER_MAX);
            }
        }
    }
}
