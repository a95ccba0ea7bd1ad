//! Modbus TCP: frames with a number, without a checksum.
//!
//! [`encode`] makes a request; a [`Reader`] cuts the stream into frames. A frame whose number is not
//! awaited is an old answer and is passed over. A frame that is wrong in itself means that the
//! stream cannot be trusted any more: the connection must be dropped.

use super::identification::{Question, Told};
use super::pdu::{Reply, Request};

/// Transaction number, protocol, length, unit.
const HEADER: usize = 7;
/// The longest frame of the standard behind the length field: unit and 253 bytes.
const LENGTH_MAX: u16 = 254;

/// The request as it goes over the connection.
pub fn encode(request: Request, transaction: u16) -> [u8; 12] {
    let [number_high, number_low] = transaction.to_be_bytes();
    let [function, first_high, first_low, count_high, count_low] = request.pdu();
    let unit = request.unit.number();
    [
        number_high,
        number_low,
        0,
        0,
        0,
        6,
        unit,
        function,
        first_high,
        first_low,
        count_high,
        count_low,
    ]
}

/// A frame as it came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// Its number.
    pub transaction: u16,
    unit: u8,
    pdu: Vec<u8>,
}

/// The stream is not Modbus TCP, or no longer in step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Broken {
    /// The protocol field is not 0.
    #[error("protocol {0} in place of Modbus")]
    Protocol(u16),
    /// A length that no answer has.
    #[error("a frame of {0} bytes, 3 to 254 are possible")]
    Length(u16),
    /// The awaited number on an answer to something else.
    #[error("answer {0} is not one to the request of that number")]
    OtherAnswer(u16),
}

impl Frame {
    /// What the unit says to a question of what it is, if that is what this frame answers.
    pub fn told(&self, question: Question) -> Option<Told> {
        question.told_tcp(self.unit, &self.pdu)
    }

    /// The answer to `request`, which was sent with this frame's number.
    ///
    /// # Errors
    /// [`Broken::OtherAnswer`]: another unit, function or length under the right number.
    pub fn reply(&self, request: Request) -> Result<Reply, Broken> {
        let is_ours = self.unit == request.unit.number();
        is_ours
            .then(|| request.reply(&self.pdu))
            .flatten()
            .ok_or(Broken::OtherAnswer(self.transaction))
    }
}

/// Cuts a stream into frames. Holds at most one frame that is not whole.
#[derive(Clone, Debug, Default)]
pub struct Reader {
    buffer: Vec<u8>,
}

impl Reader {
    /// Takes bytes as they come. Call [`next_frame`](Self::next_frame) until there is none.
    pub fn take(&mut self, bytes: &[u8]) {
        self.buffer.extend_from_slice(bytes);
    }

    /// The next whole frame.
    ///
    /// # Errors
    /// [`Broken`]: drop the connection.
    pub fn next_frame(&mut self) -> Result<Option<Frame>, Broken> {
        let [
            number_high,
            number_low,
            protocol_high,
            protocol_low,
            length_high,
            length_low,
            unit,
            ..,
        ] = self.buffer[..]
        else {
            return Ok(None);
        };
        let protocol = u16::from_be_bytes([protocol_high, protocol_low]);
        if protocol != 0 {
            return Err(Broken::Protocol(protocol));
        }
        let length = u16::from_be_bytes([length_high, length_low]);
        if !(3..=LENGTH_MAX).contains(&length) {
            return Err(Broken::Length(length));
        }
        let end = HEADER - 1 + usize::from(length);
        let Some(pdu) = self.buffer.get(HEADER..end) else {
            return Ok(None);
        };
        let frame = Frame {
            transaction: u16::from_be_bytes([number_high, number_low]),
            unit,
            pdu: pdu.to_vec(),
        };
        self.buffer.drain(..end);
        Ok(Some(frame))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modbus::{Exception, RegisterSpan, Table, UnitId};
    use proptest::prelude::*;

    fn request(count: u16) -> Request {
        Request {
            unit: UnitId::tcp(0x11),
            table: Table::Holding,
            span: RegisterSpan::new(0x6B, count).unwrap(),
        }
    }

    fn frame(transaction: u16, body: &[u8]) -> Vec<u8> {
        let length = u16::try_from(body.len()).unwrap();
        [
            &transaction.to_be_bytes()[..],
            &[0, 0],
            &length.to_be_bytes(),
            body,
        ]
        .concat()
    }

    /// Header by MODBUS Messaging on TCP/IP V1.0b, section 3.1.3, around the example of function 03
    /// (Application Protocol V1.1b3, section 6.3).
    #[test]
    fn frames_are_those_of_the_specification() {
        assert_eq!(
            encode(request(3), 0x1501),
            [0x15, 0x01, 0, 0, 0, 6, 0x11, 3, 0, 0x6B, 0, 3]
        );
        let mut reader = Reader::default();
        reader.take(&frame(0x1501, &[0x11, 3, 6, 0x02, 0x2B, 0, 0, 0, 0x64]));
        let answer = reader.next_frame().unwrap().unwrap();
        assert_eq!(answer.transaction, 0x1501);
        assert_eq!(
            answer.reply(request(3)),
            Ok(Reply::Registers(vec![0x22B, 0, 0x64]))
        );
    }

    #[test]
    fn what_is_no_answer_to_the_question_breaks_the_connection() {
        let bodies: [&[u8]; 6] = [
            &[0x12, 3, 2, 0, 1],
            &[0x11, 4, 2, 0, 1],
            &[0x11, 3, 4, 0, 1, 0, 2],
            &[0x11, 3, 2, 0, 1, 0],
            &[0x11, 3, 2, 0],
            &[0x11, 0x84, 2],
        ];
        for body in bodies {
            let mut reader = Reader::default();
            reader.take(&frame(7, body));
            let answer = reader.next_frame().unwrap().unwrap();
            assert_eq!(
                answer.reply(request(1)),
                Err(Broken::OtherAnswer(7)),
                "{body:?}"
            );
        }
        let mut reader = Reader::default();
        reader.take(&frame(7, &[0x11, 0x83, 6]));
        let busy = reader.next_frame().unwrap().unwrap().reply(request(1));
        assert_eq!(busy, Ok(Reply::Exception(Exception::new(6).unwrap())));
    }

    #[test]
    fn a_stream_that_is_not_modbus_is_broken() {
        for (bytes, broken) in [
            (&b"HTTP/1.1 400 Bad Request"[..], Broken::Protocol(0x5450)),
            (&[0, 1, 0, 0, 0, 2, 0x11], Broken::Length(2)),
            (&[0, 1, 0, 0, 1, 0, 0x11], Broken::Length(256)),
        ] {
            let mut reader = Reader::default();
            reader.take(bytes);
            assert_eq!(reader.next_frame(), Err(broken));
        }
    }

    proptest! {
        #[test]
        fn frames_come_out_whatever_the_pieces(numbers in proptest::collection::vec(any::<u16>(), 1..20), piece in 1usize..30) {
            let bytes: Vec<u8> = numbers.iter().flat_map(|number| frame(*number, &[0x11, 3, 2, 0, 1])).collect();
            let mut reader = Reader::default();
            let mut found = Vec::new();
            for piece in bytes.chunks(piece) {
                reader.take(piece);
                while let Some(frame) = reader.next_frame().unwrap() {
                    found.push(frame.transaction);
                }
            }
            prop_assert_eq!(found, numbers);
        }

        #[test]
        fn no_bytes_panic(pieces in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..300), 0..20)) {
            let mut reader = Reader::default();
            for piece in pieces {
                reader.take(&piece);
                while let Ok(Some(frame)) = reader.next_frame() {
                    let _ = frame.reply(request(1));
                }
            }
        }
    }
}
