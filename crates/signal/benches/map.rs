//! How long one code takes through a mapping: linear, through a certificate, through a thermocouple.
#![allow(missing_docs, reason = "the macros make items without")]
#![expect(
    clippy::unwrap_used,
    reason = "a bench stops where it finds something wrong"
)]

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use zonda_model::{Code, Quantity, Unit};
use zonda_signal::{
    Certificate, CodeFormat, Coding, ColdJunction, Integer, Mapping, MappingBuilder, Method, Scale,
    Signal, Step, Thermocouple, certificate_csv,
};

fn converter(quantity: Quantity, per_count: &str) -> MappingBuilder {
    let format = CodeFormat::Integer(Integer::converter(Coding::Signed, 16).unwrap());
    let scale = Scale::per_count(per_count.parse().unwrap()).unwrap();
    Mapping::builder(quantity, format, scale)
}

fn velocity() -> MappingBuilder {
    converter(Quantity::Velocity, "0.3125 mV")
        .signal(Signal::new("0-1 V".parse().unwrap()).unwrap())
        .range("0-50 m/s".parse().unwrap())
}

fn certificate() -> Certificate {
    let text = "certificate,K-1\ndate,2026-01-01\ndue,2027-01-01\nquantity,velocity\nrange,0-50 m/s\n\
                reference,reading,uncertainty,k\n1,1.1,0.1,2\n10,10.2,0.1,2\n20,20.1,0.2,2\n45,44.8,0.4,2\n";
    certificate_csv::read(text, Method::Interpolation).unwrap()
}

fn benches(criterion: &mut Criterion) {
    let thermocouple = Step::Thermocouple(Thermocouple::K, ColdJunction::At(23.5));
    let mappings = [
        ("linear", velocity()),
        (
            "certificate",
            velocity().step(Step::Certificate(Box::new(certificate()))),
        ),
        (
            "thermocouple",
            converter(Quantity::Temperature, "1 µV").step(thermocouple),
        ),
        (
            "number",
            Mapping::builder(
                Quantity::Temperature,
                CodeFormat::Number,
                Scale::unity(Unit::DegreeCelsius),
            ),
        ),
    ];
    for (name, builder) in mappings {
        let mapping = builder.build().unwrap();
        let code = match name {
            "number" => Code::Number(201.5),
            _ => Code::Count(1600),
        };
        criterion.bench_function(name, |bencher| {
            bencher.iter(|| black_box(&mapping).map(Some(black_box(code))));
        });
    }
}

criterion_group!(map, benches);
criterion_main!(map);
