//! Any bytes at all: nothing panics, nothing grows, and what is believed is what was asked for.
//!
//! Plain tests here; with `cargo bolero test` the same targets run under a fuzzer.
#![allow(clippy::unwrap_used, reason = "tests")]

use zonda_protocol::modbus::rtu::{Awaiting, checksum};
use zonda_protocol::modbus::tcp::Reader;
use zonda_protocol::modbus::{RegisterSpan, Reply, Request, Table, UnitId};

fn request(unit: u8, count: u16) -> Request {
    Request {
        unit: UnitId::tcp(unit),
        table: Table::Holding,
        span: RegisterSpan::new(7, count).unwrap(),
    }
}

/// The frame that a believed reply must have come from.
fn frame_of(request: Request, reply: &Reply) -> Vec<u8> {
    let function = request.table.function();
    let mut frame = vec![request.unit.number()];
    match reply {
        Reply::Registers(registers) => {
            frame.extend([function, u8::try_from(registers.len() * 2).unwrap()]);
            frame.extend(registers.iter().flat_map(|register| register.to_be_bytes()));
        }
        Reply::Exception(exception) => frame.extend([function | 0x80, exception.code()]),
    }
    frame
}

#[test]
fn rtu() {
    bolero::check!()
        .with_type::<(u8, u8, Vec<Vec<u8>>, bool)>()
        .for_each(|(unit, count, pieces, is_signed)| {
            let asked = request(*unit, u16::from(count % 125) + 1);
            let mut awaiting = Awaiting::new(asked);
            let mut all = Vec::new();
            for piece in pieces {
                let mut piece = piece.clone();
                if *is_signed {
                    // Random bytes hardly ever carry a right checksum: give them one.
                    piece.extend(checksum(&piece));
                }
                all.extend_from_slice(&piece);
                if let Some(reply) = awaiting.take(&piece) {
                    let mut frame = frame_of(asked, &reply);
                    frame.extend(checksum(&frame));
                    assert!(all.windows(frame.len()).any(|window| window == frame));
                    return;
                }
            }
        });
}

#[test]
fn tcp() {
    bolero::check!()
        .with_type::<(u8, u8, Vec<Vec<u8>>)>()
        .for_each(|(unit, count, pieces)| {
            let asked = request(*unit, u16::from(count % 125) + 1);
            let mut reader = Reader::default();
            let all: Vec<u8> = pieces.concat();
            for piece in pieces {
                reader.take(piece);
                while let Ok(Some(frame)) = reader.next_frame() {
                    if let Ok(reply) = frame.reply(asked) {
                        let body = frame_of(asked, &reply);
                        assert!(all.windows(body.len()).any(|window| window == body));
                    }
                }
            }
        });
}
