//! The mapping as a whole: what it refuses, what it promises, and its text.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

use proptest::prelude::*;
use zonda_model::written::{Amount, Span};
use zonda_model::{Code, Quality, Quantity, Unit};
use zonda_signal::{
    CodeFormat, Coding, ColdJunction, Description, EndCodes, FailureBands, Integer, Interpolation,
    Mapping, MappingBuilder, Method, Outside, Pitot, Platinum, Polynomial, Reaction, Scale, Signal,
    SpanRule, SquareRoot, Step, Table, Thermocouple, WordOrder, certificate_csv,
};

fn span(text: &str) -> Span {
    text.parse().unwrap()
}

fn scale(text: &str) -> Scale {
    Scale::per_count(text.parse().unwrap()).unwrap()
}

fn signal(text: &str) -> Signal {
    Signal::new(span(text)).unwrap()
}

fn sixteen_bits() -> CodeFormat {
    CodeFormat::Integer(Integer::converter(Coding::Signed, 16).unwrap())
}

fn velocity(scale_text: &str) -> MappingBuilder {
    Mapping::builder(Quantity::Velocity, sixteen_bits(), scale(scale_text))
}

#[test]
fn a_meter_on_an_analog_module() {
    let mapping = velocity("0.3125 mV")
        .signal(signal("0-1 V"))
        .range(span("0-50 m/s"))
        .build()
        .unwrap();
    assert_eq!(
        mapping.map(Some(Code::Count(1600))),
        (Some(25.0), Quality::empty())
    );
    assert_eq!(mapping.map(None), (None, Quality::NO_NUMBER));
    let resolution = mapping.resolution().unwrap();
    assert!((resolution - 0.015_625).abs() < 1e-12, "{resolution}");
}

#[test]
fn a_device_that_speaks_in_units() {
    let format = CodeFormat::Integer(Integer::register(Coding::Signed));
    let mapping = Mapping::builder(Quantity::Temperature, format, scale("0.1 °C"))
        .build()
        .unwrap();
    assert_eq!(
        mapping.map(Some(Code::Count(2000))),
        (Some(200.0), Quality::empty())
    );
    assert_eq!(mapping.resolution(), Some(0.1));
    let text = Mapping::builder(
        Quantity::Temperature,
        CodeFormat::Number,
        Scale::unity(Unit::DegreeFahrenheit),
    )
    .build()
    .unwrap();
    assert_eq!(
        text.map(Some(Code::Number(32.0))),
        (Some(0.0), Quality::empty())
    );
    assert_eq!(text.resolution(), None);
}

#[test]
fn what_does_not_fit_together_is_said() {
    let refused = |builder: MappingBuilder| builder.build().unwrap_err().to_string();
    let sentences = [
        refused(
            velocity("1 mV")
                .signal(signal("0-1 V"))
                .range(span("0-500 °C")),
        ),
        refused(velocity("1 mV").signal(signal("0-1 V"))),
        refused(velocity("1 mV").range(span("0-50 m/s"))),
        refused(velocity("1 mV")),
        refused(
            velocity("1 mV")
                .signal(signal("4-20 mA"))
                .range(span("0-50 m/s")),
        ),
        refused(
            velocity("1 µA")
                .signal(
                    signal("4-20 mA")
                        .through_shunt("249 Ω".parse().unwrap())
                        .unwrap(),
                )
                .range(span("0-50 m/s")),
        ),
        refused(
            velocity("1 µA")
                .signal(signal("0-1 V"))
                .range(span("0-50 m/s")),
        ),
        refused(
            velocity("1 °C")
                .signal(signal("0-1 V"))
                .range(span("0-50 m/s")),
        ),
        refused(
            velocity("1 mV")
                .signal(signal("0-1 V"))
                .step(Step::Pitot(Pitot::new(1.0, 1.2, 0.0).unwrap())),
        ),
        refused(
            Mapping::builder(Quantity::Temperature, sixteen_bits(), scale("1 mV"))
                .signal(signal("0-1 V"))
                .range(span("0-100 Pa"))
                .step(Step::Pitot(Pitot::new(1.0, 1.2, 0.0).unwrap())),
        ),
    ];
    let expected = [
        "°C is a unit of temperature, but the channel's quantity is velocity, in m/s for example",
        "the range is missing: say what 0-1 V stands for, such as `0-50 m/s`",
        "a range needs the signal it belongs to, such as `0-1 V` or `4-20 mA`",
        "without a signal and a range the code is the value itself, but mV is a unit of voltage, not of velocity",
        "the module measures mV and the signal is a current: give the shunt's resistance, such as `249 Ω`",
        "the module measures µA itself: leave the shunt out, or state the scale in volts",
        "the scale is stated in µA, a unit of current, but the signal is a voltage",
        "the scale is stated in °C, a unit of temperature, but the signal is a voltage",
        "step 1 takes pressure, but what comes before it gives voltage",
        "the last step gives velocity, but the channel's quantity is temperature",
    ];
    assert_eq!(sentences.as_slice(), expected.as_slice());
}

#[test]
fn parts_that_cannot_be_are_refused() {
    let shunt = |text: &str| text.parse::<Amount>().unwrap();
    let bands = FailureBands {
        fail_low: 3.9,
        ..FailureBands::NE43
    };
    let nothing = Span {
        from: 1.0,
        to: 1.0,
        unit: Unit::Volt,
    };
    let sentences = [
        Signal::new(span("0-50 m/s")).unwrap_err(),
        Signal::new(span("5-1 V")).unwrap_err(),
        Signal::new(nothing).unwrap_err(),
        signal("0-1 V").through_shunt(shunt("249 Ω")).unwrap_err(),
        signal("4-20 mA").through_shunt(shunt("0 Ω")).unwrap_err(),
        signal("4-20 mA")
            .with_outside(Outside::Bands(bands))
            .unwrap_err(),
        signal("0-1 V")
            .with_outside(Outside::Span(SpanRule {
                tolerance: -1.0,
                ..SpanRule::default()
            }))
            .unwrap_err(),
    ]
    .map(|error| error.to_string());
    let expected = [
        "a signal is a voltage or a current, such as `0-1 V` or `4-20 mA`; m/s is a unit of velocity",
        "write the signal from low to high, `1-5 V`, and turn the range around instead",
        "the signal's span from 1 to 1 V is empty",
        "a shunt turns a current into a voltage, but the signal 0-1 V is a voltage: leave the shunt out",
        "a shunt is a positive resistance, such as `249 Ω`, not 0 Ω",
        "the limits 3.9 ≤ 3.8 ≤ span ≤ 20.5 ≤ 21 must lie in this order around the span 4-20 mA",
        "the tolerance around the span must be 0 or more, not -1",
    ];
    assert_eq!(sentences, expected);
    assert!(Scale::per_count(shunt("0 Ω")).is_err());
    assert!(scale("1 mV").with_zero(f64::NAN).is_err());
    assert!(Integer::converter(Coding::Signed, 7).is_err());
    assert!(Integer::converter(Coding::Signed, 33).is_err());
}

/// A 1-5 V output judged by its span: each reaction, on either side, and the tolerance around it.
#[test]
fn a_voltage_outside_its_span() {
    use Reaction::{Accept, Fault, Flag};
    let read = |tolerance, under, over, volt| {
        let rule = SpanRule {
            tolerance,
            under,
            over,
        };
        let signal = signal("1-5 V").with_outside(Outside::Span(rule)).unwrap();
        let (value, quality) = Mapping::builder(
            Quantity::Velocity,
            CodeFormat::Number,
            Scale::unity(Unit::Volt),
        )
        .signal(signal)
        .range(span("0-40 m/s"))
        .build()
        .unwrap()
        .map(Some(Code::Number(volt)));
        (value.map(|value| (value * 1e6).round() / 1e6), quality)
    };
    assert_eq!(
        read(0.0, Flag, Flag, 0.9),
        (Some(-1.0), Quality::UNDER_RANGE)
    );
    assert_eq!(
        read(0.0, Flag, Flag, 5.1),
        (Some(41.0), Quality::OVER_RANGE)
    );
    assert_eq!(read(0.0, Fault, Flag, 0.9), (None, Quality::OPEN_LOOP));
    assert_eq!(read(0.0, Flag, Fault, 5.1), (None, Quality::SHORT));
    assert_eq!(
        read(0.0, Accept, Accept, 0.9),
        (Some(-1.0), Quality::empty())
    );
    assert_eq!(read(0.1, Fault, Fault, 0.9), (Some(-1.0), Quality::empty()));
    assert_eq!(read(0.1, Fault, Fault, 0.899), (None, Quality::OPEN_LOOP));
    assert_eq!(read(0.0, Fault, Fault, 1.0), (Some(0.0), Quality::empty()));
    assert_eq!(read(0.0, Fault, Fault, 5.0), (Some(40.0), Quality::empty()));
}

/// Bands can be widened, moved to another signal, and switched off.
#[test]
fn failure_bands_can_be_set() {
    let read = |outside, milliampere| {
        Mapping::builder(
            Quantity::Velocity,
            CodeFormat::Number,
            Scale::unity(Unit::Milliampere),
        )
        .signal(signal("4-20 mA").with_outside(outside).unwrap())
        .range(span("0-50 m/s"))
        .build()
        .unwrap()
        .map(Some(Code::Number(milliampere)))
        .1
    };
    let off = Outside::Span(SpanRule::default());
    assert_eq!(read(off, 0.0), Quality::UNDER_RANGE);
    assert_eq!(read(off, 24.0), Quality::OVER_RANGE);
    let wide = Outside::Bands(FailureBands {
        fail_low: 3.5,
        ..FailureBands::NE43
    });
    assert_eq!(read(wide, 3.55), Quality::UNCERTAIN);
    assert_eq!(read(wide, 3.5), Quality::OPEN_LOOP);
}

#[test]
fn nothing_is_clamped_at_a_saturated_end() {
    let mapping = velocity("0.3125 mV")
        .signal(signal("0-10 V"))
        .range(span("0-50 m/s"))
        .build()
        .unwrap();
    let (value, quality) = mapping.map(Some(Code::Count(0x7FFF)));
    assert!((value.unwrap() - 51.198_437_5).abs() < 1e-9);
    assert_eq!(quality, Quality::SATURATED | Quality::OVER_RANGE);
    let (value, quality) = mapping.map(Some(Code::Count(0x8000)));
    assert!(value.unwrap() < -51.0);
    assert_eq!(quality, Quality::SATURATED | Quality::UNDER_RANGE);
}

#[test]
fn the_text_of_a_mapping_stays_as_it_is() {
    let mapping = velocity("0.3125 mV")
        .signal(
            signal("4-20 mA")
                .through_shunt("249 Ω".parse().unwrap())
                .unwrap(),
        )
        .range(span("0-50 m/s"))
        .build()
        .unwrap();
    let expected = concat!(
        r#"{"form":1,"quantity":"velocity","code":{"read_as":"integer","coding":"signed","bits":16,"left_justified":false,"end_codes":"both"},"#,
        r#""scale":{"per_count":0.3125,"unit":"mV","zero_count":0.0},"#,
        r#""signal":{"span":{"from":4.0,"to":20.0,"unit":"mA"},"shunt":{"value":249.0,"unit":"Ω"},"#,
        r#""outside":{"judged_by":"bands","fail_low":3.6,"measure_low":3.8,"measure_high":20.5,"fail_high":21.0}},"#,
        r#""steps":[{"step":"line","from":{"from":4.0,"to":20.0,"unit":"mA"},"to":{"from":0.0,"to":50.0,"unit":"m/s"}}]}"#
    );
    assert_eq!(mapping.describe().to_string(), expected);
}

#[test]
fn a_mapping_reads_as_one_line() {
    let meter = velocity("0.3125 mV")
        .signal(
            signal("4-20 mA")
                .through_shunt("249 Ω".parse().unwrap())
                .unwrap(),
        )
        .range(span("-20 to 50 m/s"))
        .build()
        .unwrap();
    assert_eq!(
        meter.to_string(),
        "16 bit two's complement, 0.3125 mV a count, 4-20 mA across 249 Ω, -20 to 50 m/s"
    );
    let couple = Mapping::builder(
        Quantity::Temperature,
        CodeFormat::Number,
        Scale::unity(Unit::Millivolt),
    )
    .step(Step::Thermocouple(Thermocouple::K, ColdJunction::Measured))
    .companion("terminals".parse().unwrap())
    .build()
    .unwrap();
    assert_eq!(
        couple.to_string(),
        "number in mV, thermocouple type K, terminals measured by terminals"
    );
}

#[test]
fn a_text_of_another_form_is_refused() {
    let error = |text: &str| text.parse::<Description>().unwrap_err().to_string();
    assert_eq!(
        error(r#"{"form":2,"colour":"blue"}"#),
        "the mapping is described in form 2, this program knows form 1: use a newer program"
    );
    let unknown = error(
        r#"{"form":1,"quantity":"velocity","code":{"read_as":"count"},"scale":{"per_count":1.0,"unit":"mV","zero_count":0.0},"colour":"blue"}"#,
    );
    assert!(unknown.contains("unknown field `colour`"), "{unknown}");
}

fn orders() -> impl Strategy<Value = WordOrder> {
    proptest::sample::select(WordOrder::ALL.to_vec())
}

/// What an integer is made of, so that a test can encode what the crate decodes.
#[derive(Clone, Copy, Debug)]
struct Shape {
    coding: Coding,
    bits: u8,
    /// Of two registers; `None` for one.
    order: Option<WordOrder>,
    is_left: bool,
    ends: EndCodes,
}

impl Shape {
    fn integer(self) -> Integer {
        let integer = Integer::converter(self.coding, self.bits)
            .unwrap()
            .with_end_codes(self.ends);
        let integer = self
            .order
            .map_or(integer, |order| integer.in_two_registers(order));
        if self.is_left {
            integer.left_justified()
        } else {
            integer
        }
    }

    fn encode(self, count: i64) -> i64 {
        let zero = if self.coding == Coding::OffsetBinary {
            1 << (self.bits - 1)
        } else {
            0
        };
        let field = (count + zero).rem_euclid(1 << self.bits);
        let width = if self.order.is_some() { 32 } else { 16 };
        let word = if self.is_left {
            field << (width - self.bits)
        } else {
            field
        };
        let order = self.order.unwrap_or_default();
        // each order undoes itself
        i64::from(order.restore(u32::try_from(word).unwrap()))
    }
}

fn shapes() -> impl Strategy<Value = Shape> {
    let codings = [Coding::Unsigned, Coding::Signed, Coding::OffsetBinary];
    let ends = [EndCodes::Both, EndCodes::Highest, EndCodes::Ignored];
    (
        proptest::sample::select(codings.to_vec()),
        8_u8..=32,
        proptest::option::of(orders()),
        any::<bool>(),
        proptest::sample::select(ends.to_vec()),
    )
        .prop_map(|(coding, bits, order, is_left, ends)| Shape {
            coding,
            bits,
            order: order.or((bits > 16).then_some(WordOrder::HighFirst)),
            is_left,
            ends,
        })
}

fn integers() -> impl Strategy<Value = Integer> {
    shapes().prop_map(Shape::integer)
}

fn formats() -> impl Strategy<Value = CodeFormat> {
    prop_oneof![
        4 => integers().prop_map(CodeFormat::Integer),
        2 => orders().prop_map(CodeFormat::Float32),
        1 => Just(CodeFormat::Count),
        1 => Just(CodeFormat::Number),
    ]
}

/// Any scale a person could write, and many that nobody would.
fn scales(unit: Unit) -> impl Strategy<Value = Scale> {
    let step = prop_oneof![
        1e-9..1e3,
        -1e3..-1e-9,
        Just(f64::MIN_POSITIVE),
        Just(f64::MAX)
    ];
    (step, -1e5..1e5).prop_map(move |(value, zero)| {
        Scale::per_count(Amount { value, unit })
            .unwrap()
            .with_zero(zero)
            .unwrap()
    })
}

fn rules() -> impl Strategy<Value = SpanRule> {
    let reactions = || proptest::sample::select(vec![Reaction::Flag, Reaction::Fault]);
    (0.0..0.5, reactions(), reactions()).prop_map(|(tolerance, under, over)| SpanRule {
        tolerance,
        under,
        over,
    })
}

/// Spans whose ends are not closer together than a millionth of their size.
fn ends() -> impl Strategy<Value = (f64, f64)> {
    (-1e4..1e4, -1e4..1e4).prop_filter("empty", |(a, b): &(f64, f64)| (a - b).abs() > 1e-2)
}

fn mappings() -> impl Strategy<Value = Mapping> {
    let with_signal = (
        formats(),
        any::<bool>(),
        any::<bool>(),
        rules(),
        ends(),
        0_u8..4,
    )
        .prop_flat_map(|(format, is_current, has_shunt, rule, (from, to), steps)| {
            let signal = match (is_current, has_shunt) {
                (true, true) => signal("4-20 mA")
                    .through_shunt("249 Ω".parse().unwrap())
                    .unwrap(),
                (true, false) => signal("4-20 mA"),
                _ => signal("-1 to 10 V")
                    .with_outside(Outside::Span(rule))
                    .unwrap(),
            };
            let unit = if is_current && !has_shunt {
                Unit::Microampere
            } else {
                Unit::Millivolt
            };
            scales(unit).prop_map(move |scale| {
                let builder = Mapping::builder(Quantity::Velocity, format, scale).signal(signal);
                match steps {
                    0 => builder
                        .range(span("0-100 inH2O"))
                        .step(Step::Pitot(Pitot::new(0.84, 0.7, 0.5).unwrap())),
                    1 => builder.step(Step::SquareRoot(
                        SquareRoot::new(signal.span(), span("0-9840 ft/min"), 0.01).unwrap(),
                    )),
                    _ => builder.range(Span {
                        from,
                        to,
                        unit: Unit::FootPerMinute,
                    }),
                }
                .build()
                .unwrap()
            })
        });
    let direct = (formats(), scales(Unit::DegreeFahrenheit)).prop_map(|(format, scale)| {
        Mapping::builder(Quantity::Temperature, format, scale)
            .build()
            .unwrap()
    });
    let sensor = (formats(), 0_usize..5).prop_flat_map(|(format, which)| {
        let (unit, step) = sensors().swap_remove(which);
        scales(unit).prop_map(move |scale| {
            Mapping::builder(Quantity::Temperature, format, scale)
                .step(step.clone())
                .build()
                .unwrap()
        })
    });
    prop_oneof![3 => with_signal, 1 => direct, 3 => sensor]
}

/// One step of each kind that leads to a temperature without a signal's span.
fn sensors() -> Vec<(Unit, Step)> {
    let points = vec![(0.1, -3.0), (0.7, 20.1), (1.0, 99.9)];
    let certificate = "certificate,T-7\ndate,2026-01-05\ndue,2027-01-05\nquantity,temperature\nrange,0-500 °C\n\
                       reference,reading,uncertainty,k\n0,0.3,0.2,2\n100,100.9,0.3,2\n400,398.7,0.7,2\n";
    let certificate = certificate_csv::read(certificate, Method::LeastSquares).unwrap();
    let polynomial = vec![-1.3, 0.7, 0.03, 1e-7 / 3.0];
    vec![
        (Unit::Ohm, Step::Platinum(Platinum::PT500)),
        (
            Unit::Microvolt,
            Step::Thermocouple(Thermocouple::N, ColdJunction::At(0.1 + 0.2)),
        ),
        (
            Unit::Volt,
            Step::Table(
                Table::new(
                    Unit::Millivolt,
                    Unit::DegreeFahrenheit,
                    points,
                    Interpolation::Cubic,
                )
                .unwrap(),
            ),
        ),
        (
            Unit::Ampere,
            Step::Polynomial(
                Polynomial::new(span("0-20 mA"), Unit::DegreeCelsius, polynomial).unwrap(),
            ),
        ),
        (
            Unit::DegreeFahrenheit,
            Step::Certificate(Box::new(certificate)),
        ),
    ]
}

fn codes() -> impl Strategy<Value = Code> {
    prop_oneof![
        any::<u16>().prop_map(|bits| Code::Count(bits.into())),
        any::<u32>().prop_map(|bits| Code::Count(bits.into())),
        any::<i64>().prop_map(Code::Count),
        any::<f64>().prop_map(Code::Number),
        (-1e3..1e3).prop_map(Code::Number),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_mapping_is_rebuilt_from_its_text(mapping in mappings()) {
        let text = mapping.describe().to_string();
        let read: Description = text.parse().unwrap();
        prop_assert_eq!(read.to_string(), text);
        prop_assert_eq!(read.rebuild().unwrap(), mapping);
    }

    #[test]
    fn no_text_panics(text in "\\PC{0,80}") {
        let _ = text.parse::<Description>();
    }

    #[test]
    fn a_value_is_finite_and_its_absence_is_explained(mapping in mappings(), code in codes()) {
        let (value, quality) = mapping.map(Some(code));
        match value {
            Some(value) => prop_assert!(value.is_finite()),
            None => prop_assert!(!quality.is_good()),
        }
    }

    /// A higher number never gives a lower value, or never a higher one where the range is reversed.
    #[test]
    fn a_line_is_monotone((from, to) in ends(), volts in proptest::collection::vec(-2.0..12.0, 2..20)) {
        let mapping = Mapping::builder(Quantity::Velocity, CodeFormat::Number, Scale::unity(Unit::Volt))
            .signal(signal("0-10 V"))
            .range(Span { from, to, unit: Unit::FootPerMinute })
            .build()
            .unwrap();
        let mut volts: Vec<f64> = volts;
        volts.sort_by(f64::total_cmp);
        let values: Vec<f64> = volts.iter().map(|volt| mapping.map(Some(Code::Number(*volt))).0.unwrap()).collect();
        let is_monotone = if from < to { values.is_sorted() } else { values.is_sorted_by(|a, b| a >= b) };
        prop_assert!(is_monotone, "{:?}", values);
    }

    /// The inverse of a line is the line between the exchanged spans.
    #[test]
    fn a_line_inverts((from, to) in ends(), x in -1.0..2.0) {
        let (volts, speeds) = (span("1-5 V"), Span { from, to, unit: Unit::FootPerMinute });
        let there = zonda_signal::Line::new(volts, speeds).unwrap();
        let back = zonda_signal::Line::new(speeds, volts).unwrap();
        let volt = 1.0 + 4.0 * x;
        let scale = from.abs().max(to.abs()) / (to - from).abs();
        prop_assert!((back.at(there.at(volt)) - volt).abs() < 1e-13 * (1.0 + scale) * 10.0);
    }

    /// A reversed range is the mirror image of the range.
    #[test]
    fn a_reversed_range_is_a_mirror((from, to) in ends(), x in -1.0..2.0) {
        let line = |from, to| zonda_signal::Line::new(span("0-1 V"), Span { from, to, unit: Unit::Pascal }).unwrap();
        let (plain, mirrored) = (line(from, to).at(x), line(to, from).at(1.0 - x));
        prop_assert!((plain - mirrored).abs() <= 1e-11 * from.abs().max(to.abs()));
    }

    #[test]
    fn outside_the_span_is_always_flagged(milliampere in -5.0..30.0_f64, volt in -5.0..15.0_f64) {
        let read = |span: &str, unit, number| {
            Mapping::builder(Quantity::Velocity, CodeFormat::Number, Scale::unity(unit))
                .signal(signal(span))
                .range("0-50 m/s".parse().unwrap())
                .build()
                .unwrap()
                .map(Some(Code::Number(number)))
                .1
        };
        let is_inside = (4.0..=20.0).contains(&milliampere);
        prop_assert_eq!(read("4-20 mA", Unit::Milliampere, milliampere).is_empty(), is_inside);
        let is_inside = (1.0..=5.0).contains(&volt);
        prop_assert_eq!(read("1-5 V", Unit::Volt, volt).is_empty(), is_inside);
    }

    /// Encoding by hand and reading back gives the count again, whatever the format.
    #[test]
    fn an_encoded_count_reads_back(shape in shapes(), share in 0.0..=1.0_f64) {
        let integer = shape.integer();
        let (lowest, highest) = integer.ends();
        #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "any count will do")]
        let count = lowest + ((highest - lowest) as f64 * share) as i64;
        prop_assert_eq!(integer.count(shape.encode(count)), Some(count));
    }
}
