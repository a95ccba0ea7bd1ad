//! What one answer costs: encode the request, scan the frame, take the codes.
#![allow(missing_docs, clippy::unwrap_used, reason = "a bench")]

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use zonda_protocol::modbus::rtu::{Awaiting, checksum, encode};
use zonda_protocol::modbus::tcp::Reader;
use zonda_protocol::modbus::{
    PlanLimits, RegisterInput, RegisterPlan, RegisterSpan, Reply, Request, Table, UnitId, Width,
};

fn request(count: u16) -> Request {
    Request {
        unit: UnitId::tcp(17),
        table: Table::Input,
        span: RegisterSpan::new(0, count).unwrap(),
    }
}

fn pdu(count: u16) -> Vec<u8> {
    let mut body = vec![17, 4, u8::try_from(count * 2).unwrap()];
    body.extend((0..count).flat_map(|register| (register * 517).to_be_bytes()));
    body
}

fn decode(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("decode");
    for count in [8, 125] {
        let asked = request(count);
        let body = pdu(count);
        let rtu = [&body[..], &checksum(&body)].concat();
        let length = u16::try_from(body.len()).unwrap().to_be_bytes();
        let tcp = [&[0, 1, 0, 0], &length[..], &body].concat();
        let inputs: Vec<_> = (0..count)
            .map(|register| RegisterInput::new(register, Width::One).unwrap())
            .collect();
        let plan = RegisterPlan::new(&inputs, PlanLimits::without_holes(125));
        group.throughput(Throughput::Elements(u64::from(count)));
        group.bench_function(format!("rtu, {count} registers"), |bencher| {
            bencher.iter(|| {
                black_box(encode(black_box(asked)));
                let Some(Reply::Registers(registers)) = Awaiting::new(asked).take(black_box(&rtu))
                else {
                    panic!("the frame is right")
                };
                plan.codes(&[registers]).unwrap()
            });
        });
        group.bench_function(format!("tcp, {count} registers"), |bencher| {
            bencher.iter(|| {
                let mut reader = Reader::default();
                reader.take(black_box(&tcp));
                let Reply::Registers(registers) =
                    reader.next_frame().unwrap().unwrap().reply(asked).unwrap()
                else {
                    panic!("the frame is right")
                };
                plan.codes(&[registers]).unwrap()
            });
        });
    }
    group.finish();
}

criterion_group!(benches, decode);
criterion_main!(benches);
