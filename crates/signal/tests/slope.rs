//! The slope of every kind of way, against the way itself walked forwards.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

use proptest::prelude::*;
use zonda_model::written::Span;
use zonda_model::{Code, Quantity, Unit};
use zonda_signal::{
    CodeFormat, ColdJunction, Companion, Interpolation, Mapping, MappingBuilder, Method, Pitot,
    Platinum, Polynomial, Scale, Signal, SquareRoot, Step, Table, certificate_csv,
};

fn span(text: &str) -> Span {
    text.parse().unwrap()
}

/// The code is the signal itself, so that a mapping can be walked forwards from any signal.
fn way(quantity: Quantity, unit: Unit) -> MappingBuilder {
    Mapping::builder(quantity, CodeFormat::Number, Scale::unity(unit))
}

fn by_current(range: &str) -> MappingBuilder {
    way(Quantity::Velocity, Unit::Ampere)
        .signal(Signal::new(span("4-20 mA")).unwrap())
        .range(span(range))
}

fn table(interpolation: Interpolation) -> Mapping {
    let points = vec![(0.0, 1.0), (1.0, 4.2), (2.5, 9.0), (5.0, 30.0)];
    let table = Table::new(Unit::Volt, Unit::MetrePerSecond, points, interpolation).unwrap();
    way(Quantity::Velocity, Unit::Volt)
        .signal(Signal::new(span("0-5 V")).unwrap())
        .step(Step::Table(table))
        .build()
        .unwrap()
}

fn certified(method: Method) -> Mapping {
    let text = "certificate,K-7\nlaboratory,12\ndate,2026-03-02\ndue,2027-03-02\nquantity,velocity\nrange,0-50 m/s\n\
                reference,reading,uncertainty,k\n1,1.1,0.1,2\n10,9.6,0.2,2\n30,31,0.5,2\n45,46,0.7,2\n";
    let certificate = certificate_csv::read(text, method).unwrap();
    by_current("0-50 m/s")
        .step(Step::Certificate(Box::new(certificate)))
        .build()
        .unwrap()
}

/// Every kind of step, with signals (SI) between which it is followed.
fn ways() -> Vec<(&'static str, Mapping, (f64, f64))> {
    let root = SquareRoot::new(span("4-20 mA"), span("0-30 m/s"), 0.01).unwrap();
    let root = way(Quantity::Velocity, Unit::Ampere)
        .signal(Signal::new(span("4-20 mA")).unwrap())
        .step(Step::SquareRoot(root));
    let pitot = Step::Pitot(Pitot::new(0.84, 0.78, 0.5).unwrap());
    let polynomial =
        Polynomial::new(span("0-5 V"), Unit::FootPerMinute, vec![20.0, 300.0, 40.0]).unwrap();
    let polynomial = way(Quantity::Velocity, Unit::Volt)
        .signal(Signal::new(span("0-5 V")).unwrap())
        .step(Step::Polynomial(polynomial));
    let platinum = Platinum::new(100.0, 3.9083e-3, -5.775e-7, -4.183e-12).unwrap();
    let platinum = way(Quantity::Temperature, Unit::Ohm).step(Step::Platinum(platinum));
    let couple = way(Quantity::Temperature, Unit::Volt).step(Step::Thermocouple(
        "K".parse().unwrap(),
        ColdJunction::At(23.0),
    ));
    let reversed = way(Quantity::Temperature, Unit::Ampere)
        .signal(Signal::new(span("4-20 mA")).unwrap())
        .range(span("500-32 °F"));
    vec![
        (
            "line",
            by_current("0-50 m/s").build().unwrap(),
            (0.005, 0.019),
        ),
        ("reversed", reversed.build().unwrap(), (0.005, 0.019)),
        ("root", root.build().unwrap(), (0.0045, 0.019)),
        (
            "pitot",
            by_current("0-250 Pa").step(pitot).build().unwrap(),
            (0.0045, 0.019),
        ),
        ("table, linear", table(Interpolation::Linear), (0.05, 4.9)),
        ("table, cubic", table(Interpolation::Cubic), (0.05, 4.9)),
        ("polynomial", polynomial.build().unwrap(), (0.05, 4.9)),
        ("platinum", platinum.build().unwrap(), (90.0, 250.0)),
        ("thermocouple", couple.build().unwrap(), (0.001, 0.015)),
        (
            "certificate",
            certified(Method::Interpolation),
            (0.0045, 0.018),
        ),
        (
            "certificate, line",
            certified(Method::LeastSquares),
            (0.0045, 0.018),
        ),
    ]
}

fn value(mapping: &Mapping, signal: f64) -> f64 {
    let (value, _) = mapping.map_with(Some(Code::Number(signal)), Companion::good(0.0));
    value.unwrap()
}

proptest! {
    /// The signal is the one that gave the value, and the slope that of the chord about it.
    #[test]
    fn a_slope_is_that_of_the_way_walked_forwards(share in 0.0..1.0f64, which in 0..11usize) {
        let (kind, mapping, (low, high)) = ways().swap_remove(which);
        let signal = low + share * (high - low);
        let half = 1e-5 * (high - low);
        let (below, above) = (value(&mapping, signal - half), value(&mapping, signal + half));
        let found = mapping.slope_at(value(&mapping, signal)).unwrap();
        prop_assert!((found.signal / signal - 1.0).abs() < 1e-6, "{kind}: {found:?} at {signal}");
        let chord = (above - below) / (2.0 * half);
        // A corner of a table lies in few chords; there the slope is one of the two pieces'.
        let sides = [value(&mapping, signal) - below, above - value(&mapping, signal)];
        let is_corner = (sides[0] / sides[1] - 1.0).abs() > 1e-3;
        prop_assert!(is_corner || (found.slope / chord - 1.0).abs() < 2e-4, "{kind}: {found:?}, chord {chord}");
    }
}

/// By hand: half of full scale is a quarter of the pressure, 8 mA; there dv/dI = 30/(2·0.5·16 mA) = 1875 m/s an ampere.
#[test]
fn a_root_by_hand_and_at_its_cut_off() {
    let (_, root, _) = ways().swap_remove(2);
    let found = root.slope_at(15.0).unwrap();
    assert!(
        (found.signal - 0.008).abs() < 1e-12 && (found.slope - 1875.0).abs() < 1e-6,
        "{found:?}"
    );
    // What is cut off reads 0, whatever the signal does: there is no slope, and none is made up.
    assert!(value(&root, 0.0041).abs() < 1e-12);
    assert_eq!(root.slope_at(0.0), None);
    // A mean of some that are cut off and some that are not.
    assert!(root.slope_at(1.5).unwrap().slope > root.slope_at(3.0).unwrap().slope);
}

#[test]
fn what_cannot_come_from_the_way_has_no_slope() {
    let all = ways();
    let polynomial = &all
        .iter()
        .find(|(kind, ..)| *kind == "polynomial")
        .unwrap()
        .1;
    assert_eq!(polynomial.slope_at(500.0), None);
    let platinum = &all.iter().find(|(kind, ..)| *kind == "platinum").unwrap().1;
    assert_eq!(platinum.slope_at(5000.0), None);
    let (low, high) = all[3].1.ends().unwrap();
    // 0.84·√(2·250/0.78) = 21.27 m/s.
    assert!(low.abs() < 1e-12 && (high - 21.268).abs() < 1e-3, "{high}");
}
