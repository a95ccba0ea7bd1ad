//! Every case of the signal chain in `data/signal_chain.json`, and 32-bit numbers in `data/floats.json`.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use common::{Case, cases};
use zonda_model::written::{Amount, Span};
use zonda_model::{Code, Quality, Quantity, Unit};
use zonda_signal::{
    CodeFormat, Coding, EndCodes, Fit, Integer, Line, Mapping, Pitot, Scale, Signal, SquareRoot,
    Step, WordOrder,
};

#[test]
fn every_case_of_the_signal_chain() {
    for case in cases(include_str!("data/signal_chain.json")) {
        check(&case);
    }
}

fn check(case: &Case) {
    let kind = case.id().split('_').next().unwrap_or_default();
    match kind {
        "adc12" if case.has_input("shift") => check_left_justified(case),
        "adc12" | "adc16" | "adc24" => check_converter(case),
        kind if kind.starts_with("iio") => check_iio(case),
        "shunt" => check_shunt(case),
        "scale" => check_scale(case),
        "ne43" if case.has_input("shunt_ohm") => check_bands_through_shunt(case),
        "ne43" => check_bands(case),
        "quant" => check_quantisation(case),
        "sqrt" if case.has_input("rho") => check_order_of_averaging(case),
        "sqrt" => check_square_root(case),
        "loop" if case.inputs("applied_mA").len() == 2 => check_two_points(case),
        "loop" => check_five_points(case),
        other => panic!("no check for {other}"),
    }
}

fn count(value: f64) -> i64 {
    format!("{value}").parse().expect("a whole number")
}

fn bits(case: &Case) -> u8 {
    u8::try_from(count(case.input("bits"))).unwrap()
}

fn volts(format: Integer, full_scale: f64, bits: u8) -> Mapping {
    let amount = Amount {
        value: full_scale,
        unit: Unit::Volt,
    };
    let scale = Scale::full_scale(amount, bits).unwrap();
    Mapping::builder(Quantity::Voltage, CodeFormat::Integer(format), scale)
        .build()
        .unwrap()
}

fn check_converter(case: &Case) {
    let (coding, full_scale) = match case.at("/inputs/coding").as_str().unwrap() {
        "twos_complement" => (
            Coding::Signed,
            2.0 * case.input("vref_V") / case.input("gain"),
        ),
        "straight_binary" => (Coding::Unsigned, case.input("fsr_V")),
        "offset_binary" => (Coding::OffsetBinary, 2.0 * case.input("vref_V")),
        other => panic!("{other}"),
    };
    let format = Integer::converter(coding, bits(case)).unwrap();
    let code = count(case.input("code"));
    let (value, quality) = volts(format, full_scale, bits(case)).map(Some(Code::Count(code)));
    case.close(value.unwrap(), case.expected("volt_V"));
    if case.at("/expected").get("code_signed").is_some() {
        assert_eq!(
            format.count(code),
            Some(count(case.expected("code_signed")))
        );
    }
    let signed = format.count(code).unwrap();
    let (lowest, highest) = format.ends();
    let is_end = signed == lowest || signed == highest;
    assert_eq!(quality.contains(Quality::SATURATED), is_end);
}

fn check_left_justified(case: &Case) {
    let format = Integer::converter(Coding::Unsigned, 12)
        .unwrap()
        .left_justified();
    let code = count(case.input("register16"));
    assert_eq!(format.count(code), Some(count(case.expected("code"))));
    let (value, _) = volts(format, case.input("fsr_V"), 12).map(Some(Code::Count(code)));
    case.close(value.unwrap(), case.expected("volt_V"));
}

fn check_iio(case: &Case) {
    let step = Amount {
        value: case.input("scale"),
        unit: Unit::Millivolt,
    };
    let scale = Scale::per_count(step)
        .and_then(|scale| scale.with_zero(-case.input("offset")))
        .unwrap();
    let mapping = Mapping::builder(Quantity::Voltage, CodeFormat::Count, scale)
        .build()
        .unwrap();
    let (value, _) = mapping.map(Some(Code::Count(count(case.input("raw")))));
    case.close(Unit::Millivolt.from_si(value.unwrap()), case.expected("mV"));
}

fn text(quantity: Quantity, unit: Unit, signal: Signal) -> zonda_signal::MappingBuilder {
    Mapping::builder(quantity, CodeFormat::Number, Scale::unity(unit)).signal(signal)
}

fn four_to_twenty() -> Signal {
    Signal::new("4-20 mA".parse().unwrap()).unwrap()
}

fn check_shunt(case: &Case) {
    let shunt = Amount {
        value: case.input("shunt_ohm"),
        unit: Unit::Ohm,
    };
    let signal = four_to_twenty().through_shunt(shunt).unwrap();
    let mapping = text(Quantity::Current, Unit::Volt, signal).build().unwrap();
    let (value, quality) = mapping.map(Some(Code::Number(case.input("volt_V"))));
    case.close(
        Unit::Milliampere.from_si(value.unwrap()),
        case.expected("current_mA"),
    );
    assert_eq!(quality, Quality::empty());
}

fn check_scale(case: &Case) {
    let unit = if case.id().starts_with("scale_mA") {
        Unit::Milliampere
    } else {
        Unit::Volt
    };
    let span = |from, to, unit| Span { from, to, unit };
    let signal = Signal::new(span(case.input("sig_lo"), case.input("sig_hi"), unit)).unwrap();
    let range = span(
        case.input("eu_lo"),
        case.input("eu_hi"),
        Unit::DegreeCelsius,
    );
    let mapping = text(Quantity::Temperature, unit, signal)
        .range(range)
        .build()
        .unwrap();
    let (value, quality) = mapping.map(Some(Code::Number(case.input("signal"))));
    case.close(value.unwrap(), case.expected("eu"));
    let fraction = case.expected("fraction");
    assert_eq!(quality.is_good(), (0.0..=1.0).contains(&fraction));
}

fn class(name: &str) -> (bool, Quality) {
    match name {
        "FAIL_LOW" => (false, Quality::OPEN_LOOP),
        "UNDEFINED_LOW" | "UNDEFINED_HIGH" => (true, Quality::UNCERTAIN),
        "UNDER_RANGE" => (true, Quality::UNDER_RANGE),
        "NORMAL" => (true, Quality::empty()),
        "OVER_RANGE" => (true, Quality::OVER_RANGE),
        "FAIL_HIGH" => (false, Quality::SHORT),
        other => panic!("{other}"),
    }
}

/// Each current must be judged alike however it is coded: as text in mA, as counts of 1 µA and of
/// 10 nA, as a single-precision number, and as the voltage across a shunt.
fn check_bands(case: &Case) {
    let classes = case.at("/expected/klass").as_array().unwrap();
    for (current, name) in case.inputs("current_mA").into_iter().zip(classes) {
        let expected = class(name.as_str().unwrap());
        for (way, mapping, code) in codings(current) {
            let (value, quality) = mapping.map(Some(code));
            assert_eq!(
                (value.is_some(), quality),
                expected,
                "{current} mA by {way}"
            );
        }
    }
}

fn codings(current: f64) -> Vec<(&'static str, Mapping, Code)> {
    let velocity = |format, scale, signal| {
        Mapping::builder(Quantity::Velocity, format, scale)
            .signal(signal)
            .range("0-50 m/s".parse().unwrap())
            .build()
            .unwrap()
    };
    let step = |amount: &str| Scale::per_count(amount.parse().unwrap()).unwrap();
    let integer = CodeFormat::Integer(Integer::two_registers(
        Coding::Unsigned,
        WordOrder::HighFirst,
    ));
    let float = CodeFormat::Float32(WordOrder::HighFirst);
    let milliampere = Scale::unity(Unit::Milliampere);
    let shunt = |ohm: &str| {
        four_to_twenty()
            .through_shunt(ohm.parse().unwrap())
            .unwrap()
    };
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the nearest count or float is meant"
    )]
    let (micro, ten_nano, single) = (
        (current * 1e3).round() as i64,
        (current * 1e5).round() as i64,
        i64::from((current as f32).to_bits()),
    );
    vec![
        (
            "text",
            velocity(CodeFormat::Number, milliampere, four_to_twenty()),
            Code::Number(current),
        ),
        (
            "1 µA",
            velocity(integer, step("1 µA"), four_to_twenty()),
            Code::Count(micro),
        ),
        (
            "10 nA",
            velocity(integer, step("0.00001 mA"), four_to_twenty()),
            Code::Count(ten_nano),
        ),
        (
            "float",
            velocity(float, milliampere, four_to_twenty()),
            Code::Count(single),
        ),
        (
            "250 Ω",
            velocity(CodeFormat::Number, Scale::unity(Unit::Volt), shunt("250 Ω")),
            Code::Number(current * 0.25),
        ),
        (
            "249 Ω",
            velocity(
                CodeFormat::Number,
                Scale::unity(Unit::Millivolt),
                shunt("249 Ω"),
            ),
            Code::Number(current * 249.0),
        ),
    ]
}

/// The limits of NE 43 across 250 Ω, read back as currents.
fn check_bands_through_shunt(case: &Case) {
    let shunt = Amount {
        value: case.input("shunt_ohm"),
        unit: Unit::Ohm,
    };
    let signal = four_to_twenty().through_shunt(shunt).unwrap();
    let mapping = text(Quantity::Current, Unit::Volt, signal).build().unwrap();
    for (current, volt) in case
        .inputs("current_mA")
        .into_iter()
        .zip(case.expecteds("volt_V"))
    {
        let found = mapping.signal_si(Code::Number(volt)).unwrap();
        case.close(Unit::Milliampere.from_si(found), current);
    }
}

fn check_quantisation(case: &Case) {
    let step = Amount {
        value: case.input("q"),
        unit: Unit::Volt,
    };
    let mapping = Mapping::builder(
        Quantity::Voltage,
        CodeFormat::Count,
        Scale::per_count(step).unwrap(),
    )
    .build()
    .unwrap();
    case.close(
        mapping.quantisation_uncertainty().unwrap(),
        case.expected("u"),
    );
}

#[test]
fn every_32_bit_number_in_every_order() {
    for case in cases(include_str!("data/floats.json")) {
        if case.id() == "float_word_swap_symptom" {
            check_swapped_words(&case);
        } else {
            check_two_registers(&case);
        }
    }
}

const ORDERS: [(&str, WordOrder); 4] = [
    ("ABCD", WordOrder::HighFirst),
    ("CDAB", WordOrder::LowFirst),
    ("BADC", WordOrder::HighFirstBytesSwapped),
    ("DCBA", WordOrder::LowFirstBytesSwapped),
];

fn check_two_registers(case: &Case) {
    for (name, order) in ORDERS {
        let Some(words) = case.at("/expected").get(name) else {
            continue;
        };
        let hex: String = (0..2).map(|i| words[i].as_str().unwrap()).collect();
        let wire = i64::from_str_radix(&hex, 16).unwrap();
        let format = if case.id().starts_with("int32") {
            CodeFormat::Integer(Integer::two_registers(Coding::Signed, order))
        } else {
            CodeFormat::Float32(order)
        };
        let decoded = format.decode(Code::Count(wire)).unwrap();
        assert!(
            (decoded.number - case.input("value")).abs() <= 1e-7 * decoded.number.abs(),
            "{} {name}: {}",
            case.id(),
            decoded.number
        );
    }
}

fn check_swapped_words(case: &Case) {
    let decoded = CodeFormat::Float32(WordOrder::LowFirst)
        .decode(Code::Count(0x42F6_E979))
        .unwrap();
    case.close(decoded.number, case.expected("value"));
}

/// Round numbers read with their words swapped are denormal: no value, rather than a false zero.
#[test]
fn a_denormal_float_is_no_number() {
    for wire in [
        0x3F80,
        0x41AC,
        1,
        0x8000_0001,
        0x7F80_0000,
        0xFF80_0000,
        0x7FC0_0000,
    ] {
        let format = CodeFormat::Float32(WordOrder::HighFirst);
        assert_eq!(format.decode(Code::Count(wire)), None, "{wire:08X}");
    }
}

/// The two-point correction is a line through the two points.
fn check_two_points(case: &Case) {
    let span = |key| {
        let ends = case.inputs(key);
        Span {
            from: ends[0],
            to: ends[1],
            unit: Unit::Milliampere,
        }
    };
    let line = Line::new(span("read_mA"), span("applied_mA")).unwrap();
    let corrected = line.at(Unit::Milliampere.to_si(12.5));
    case.close(
        Unit::Milliampere.from_si(corrected),
        case.expected("corrected_12p5"),
    );
}

fn check_five_points(case: &Case) {
    let (applied, read) = (case.inputs("applied_mA"), case.inputs("read_mA"));
    let points: Vec<_> = applied.iter().copied().zip(read).collect();
    let fit = Fit::new(&points).unwrap();
    let corrected = fit.correct(case.input("new_reading_mA"));
    for (key, found) in [
        ("slope", fit.line().slope()),
        ("intercept_mA", fit.line().intercept()),
        ("s_residual_mA", fit.scatter()),
        ("u_slope", fit.line().slope_u()),
        ("u_intercept_mA", fit.line().intercept_u()),
        ("r_slope_intercept", fit.line().correlation()),
        ("corrected_mA", corrected.value),
        ("u_corrected_mA_one_reading", corrected.uncertainty),
    ] {
        case.close(found, case.expected(key));
    }
    for (found, expected) in fit
        .line()
        .residuals()
        .iter()
        .zip(case.expecteds("residuals_mA"))
    {
        case.close(*found, expected);
    }
    assert!((fit.line().dof() - 3.0).abs() < f64::EPSILON);
}

fn check_square_root(case: &Case) {
    let full_scale = Span {
        from: 0.0,
        to: case.input("v_full_scale"),
        unit: Unit::MetrePerSecond,
    };
    let cut_off = case.input("cutoff_fraction_of_dp");
    let root = SquareRoot::new(four_to_twenty().span(), full_scale, cut_off).unwrap();
    let mapping = text(Quantity::Velocity, Unit::Milliampere, four_to_twenty())
        .step(Step::SquareRoot(root))
        .build()
        .unwrap();
    let (value, quality) = mapping.map(Some(Code::Number(case.input("current_mA"))));
    case.close(value.unwrap(), case.expected("v"));
    let is_cut = case.expected("dp_fraction") < cut_off;
    assert_eq!(quality.contains(Quality::BELOW_THRESHOLD), is_cut);
}

/// Velocities are averaged, never pressures: each pressure must go through the root by itself.
fn check_order_of_averaging(case: &Case) {
    let pitot = Pitot::new(1.0, case.input("rho"), 0.0).unwrap();
    let velocity = |pressure| pitot.at(pressure).value.unwrap();
    let mean = |values: &[f64]| values.iter().sum::<f64>() / 4.0;
    let pressures = case.inputs("dp_Pa");
    let velocities: Vec<f64> = pressures.iter().copied().map(velocity).collect();
    case.close(mean(&velocities), case.expected("mean_of_v"));
    case.close(velocity(mean(&pressures)), case.expected("v_of_mean_dp"));
}

/// v = C·√(2 Δp/ρ) by Bernoulli, densities of dry air: the same collection, topic 05, case `pitot`.
#[test]
fn a_pitot_tube_follows_bernoulli() {
    let cases = [
        (0.05, 1.0, 1.204_128_841_32, 0.288_179_790_051),
        (37.3, 1.0, 0.746_043_262_885, 9.999_710_046_89),
        (100.0, 0.84, 0.577_432_938_097, 15.633_042_450_7),
        (250.0, 0.99, 0.456_561_300_956, 32.762_018_275_2),
    ];
    for (pressure, coefficient, density, velocity) in cases {
        let pitot = Pitot::new(coefficient, density, 0.01).unwrap();
        let found = pitot.at(pressure).value.unwrap();
        assert!((found / velocity - 1.0).abs() < 1e-9, "{found}");
        assert_eq!(pitot.at(-pressure).value, Some(0.0));
        assert_eq!(pitot.at(-pressure).quality, Quality::BELOW_THRESHOLD);
    }
}

#[test]
fn the_ends_of_a_converter_are_flagged_as_asked() {
    let cases = [
        (EndCodes::Both, [true, false, true]),
        (EndCodes::Highest, [false, false, true]),
        (EndCodes::Ignored, [false, false, false]),
    ];
    for (end_codes, expected) in cases {
        let format = Integer::converter(Coding::Unsigned, 12)
            .unwrap()
            .with_end_codes(end_codes);
        let flagged = [0, 1, 4095].map(|code| {
            let decoded = CodeFormat::Integer(format)
                .decode(Code::Count(code))
                .unwrap();
            decoded.quality == Quality::SATURATED
        });
        assert_eq!(flagged, expected, "{end_codes:?}");
    }
}

#[test]
fn bits_that_the_format_cannot_have_are_no_number() {
    let twelve = |coding| Integer::converter(coding, 12).unwrap();
    assert_eq!(twelve(Coding::Unsigned).count(0x1000), None);
    assert_eq!(twelve(Coding::OffsetBinary).count(0xF800), None);
    assert_eq!(twelve(Coding::Signed).count(0x800), Some(-2048));
    assert_eq!(twelve(Coding::Signed).count(0xF800), Some(-2048));
    assert_eq!(twelve(Coding::Signed).count(0xF7FF), None);
    assert_eq!(twelve(Coding::Signed).count(0x1_0000), None);
    assert_eq!(twelve(Coding::Signed).count(-1), None);
    let float = CodeFormat::Float32(WordOrder::HighFirst);
    assert_eq!(float.decode(Code::Number(1.0)), None);
    assert_eq!(CodeFormat::Number.decode(Code::Count(1)), None);
    assert_eq!(CodeFormat::Number.decode(Code::Number(f64::NAN)), None);
}
