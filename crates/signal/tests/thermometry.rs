//! Thermocouples and platinum thermometers against `data/thermometry.json` and `data/curves.json`.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use common::{Case, cases, number};
use proptest::prelude::*;
use zonda_model::{Code, Quality, Quantity, Unit};
use zonda_signal::thermocouple::ToleranceClass;
use zonda_signal::{
    CodeFormat, ColdJunction, Companion, Mapping, Platinum, Scale, Step, Thermocouple,
};

#[test]
fn every_case_of_thermometry() {
    for case in cases(include_str!("data/thermometry.json")) {
        check(&case);
    }
}

#[test]
fn every_type_over_its_whole_range() {
    let all = cases(include_str!("data/curves.json"));
    let ranges: Vec<_> = all
        .iter()
        .filter(|case| case.id().starts_with("tc_"))
        .collect();
    assert_eq!(ranges.len(), Thermocouple::ALL.len());
    for case in ranges {
        check_forward(case);
        check_seebeck(case);
        check_inverse(case);
    }
}

fn check(case: &Case) {
    let id = case.id();
    match id.rsplit('_').next().unwrap() {
        "iec60584" => check_tolerance(case),
        "seebeck" => check_seebeck(case),
        "cjc" => check_cold_junction(case),
        "forward" if id.starts_with("tc_") => {
            check_forward(case);
            check_inverse(case);
            check_printed_table(case);
        }
        "forward" => check_platinum_forward(case),
        "inverse" => check_platinum_inverse(case),
        "sensitivity" => check_platinum_sensitivity(case),
        other => panic!("no check for {other}"),
    }
}

fn kind(case: &Case) -> Thermocouple {
    case.id().split('_').nth(1).unwrap().parse().unwrap()
}

fn pairs<'a>(
    case: &Case,
    key: &str,
    expected: &'a str,
) -> impl Iterator<Item = (f64, f64)> + use<'a> {
    case.inputs(key).into_iter().zip(case.expecteds(expected))
}

fn check_forward(case: &Case) {
    for (celsius, millivolt) in pairs(case, "t_C", "emf_mV") {
        case.close(kind(case).emf(celsius).unwrap() * 1e3, millivolt);
    }
}

/// IEC 60584-1 prints its tables to 1 µV.
fn check_printed_table(case: &Case) {
    for (celsius, millivolt) in pairs(case, "t_C", "emf_mV_table_3dp") {
        let emf = kind(case).emf(celsius).unwrap() * 1e3;
        assert!(
            (emf - millivolt).abs() <= 0.000_501,
            "{} at {celsius}",
            case.id()
        );
    }
}

fn check_seebeck(case: &Case) {
    for (celsius, microvolt) in pairs(case, "t_C", "uV_per_K") {
        let found = kind(case).seebeck(celsius).unwrap() * 1e6;
        assert!(
            (found / microvolt - 1.0).abs() < 1e-6,
            "{} at {celsius}: {found}",
            case.id()
        );
    }
}

/// Back from the e.m.f.s of another library to its temperatures.
fn check_inverse(case: &Case) {
    let (coldest, hottest) = kind(case).invertible();
    for (celsius, millivolt) in pairs(case, "t_C", "emf_mV") {
        if celsius <= coldest || celsius >= hottest {
            continue; // an e.m.f. of 12 digits may lie just outside
        }
        let found = kind(case).temperature(millivolt * 1e-3).unwrap();
        assert!(
            (found - celsius).abs() < 1e-5,
            "{} at {celsius}: {found}",
            case.id()
        );
    }
}

/// Through the function of its own, and through a mapping whose terminals another channel measures.
fn check_cold_junction(case: &Case) {
    let mapping = couple(kind(case), ColdJunction::Measured);
    assert!(mapping.needs_companion());
    for row in case.at("/expected/cases").as_array().unwrap() {
        let field = |key: &str| number(&row[key], key);
        let (emf, terminals) = (field("emf_mV"), field("t_cj_C"));
        case.close(
            kind(case).compensated(emf * 1e-3, terminals).unwrap(),
            field("t_C"),
        );
        let code = Some(Code::Number(emf));
        let (value, quality) = mapping.map_with(code, Companion::good(terminals));
        case.close(value.unwrap(), field("t_C"));
        assert_eq!(quality, Quality::empty());
    }
}

fn couple(kind: Thermocouple, junction: ColdJunction) -> Mapping {
    let scale = Scale::unity(Unit::Millivolt);
    let builder = Mapping::builder(Quantity::Temperature, CodeFormat::Number, scale)
        .step(Step::Thermocouple(kind, junction));
    match junction {
        ColdJunction::At(_) => builder.build(),
        ColdJunction::Measured => builder.companion("terminals".parse().unwrap()).build(),
    }
    .unwrap()
}

#[test]
fn without_its_terminals_a_couple_has_no_value() {
    let measured = couple(Thermocouple::K, ColdJunction::Measured);
    let code = Some(Code::Number(8.0));
    assert_eq!(measured.map(code), (None, Quality::MOVED));
    let flawed = Companion {
        value: Some(23.5),
        quality: Quality::STUCK,
    };
    let (value, quality) = measured.map_with(code, flawed);
    assert!((value.unwrap() - 219.990_396_608).abs() < 1e-6);
    assert_eq!(quality, Quality::MOVED);
    let fixed = couple(Thermocouple::K, ColdJunction::At(23.5));
    assert_eq!(fixed.map(code), (value, Quality::empty()));
}

#[test]
fn beyond_its_reach_a_thermometer_has_no_value() {
    let fixed = couple(Thermocouple::K, ColdJunction::At(0.0));
    assert_eq!(
        fixed.map(Some(Code::Number(60.0))),
        (None, Quality::OVER_RANGE)
    );
    assert_eq!(
        fixed.map(Some(Code::Number(-6.5))),
        (None, Quality::UNDER_RANGE)
    );
    let platinum = Mapping::builder(
        Quantity::Temperature,
        CodeFormat::Number,
        Scale::unity(Unit::Ohm),
    )
    .step(Step::Platinum(Platinum::PT100))
    .build()
    .unwrap();
    assert_eq!(
        platinum.map(Some(Code::Number(1e6))),
        (None, Quality::OVER_RANGE)
    );
    assert_eq!(
        platinum.map(Some(Code::Number(0.0))),
        (None, Quality::UNDER_RANGE)
    );
    let (value, quality) = platinum.map(Some(Code::Number(175.856)));
    assert!((value.unwrap() - 200.0).abs() < 1e-9);
    assert_eq!(quality, Quality::empty());
}

#[test]
fn what_is_out_of_reach_is_said() {
    assert_eq!(
        Thermocouple::T.emf(500.0).unwrap_err().to_string(),
        "type T is defined from -270 to 400 °C, not at 500 °C"
    );
    assert_eq!(
        Thermocouple::K.temperature(0.06).unwrap_err().to_string(),
        "type K gives -5.891 to 54.886 mV, not 60.000 mV: is the wire broken, reversed or of another type?"
    );
    assert_eq!(
        Platinum::PT100.temperature(5.0).unwrap_err().to_string(),
        "this thermometer has 18.52 to 390.48 Ω, not 5.00 Ω: is a wire broken or shorted?"
    );
    assert!(Thermocouple::K.temperature(f64::NAN).is_err());
    assert!(Platinum::PT100.temperature(f64::NAN).is_err());
    assert!(Platinum::PT100.resistance(851.0).is_err());
    assert!(Platinum::new(100.0, -3.9e-3, 0.0, 0.0).is_err());
    assert!(Platinum::new(0.0, 3.9e-3, 0.0, 0.0).is_err());
    assert!("L".parse::<Thermocouple>().is_err());
}

fn check_tolerance(case: &Case) {
    use ToleranceClass::{One, Two};
    let cases = [
        ("K_class1", Thermocouple::K, One),
        ("K_class2", Thermocouple::K, Two),
        ("T_class1", Thermocouple::T, One),
        ("T_class2", Thermocouple::T, Two),
    ];
    for (key, kind, class) in cases {
        for (celsius, tolerance) in pairs(case, "t_C", key) {
            case.close(kind.tolerance(class, celsius).unwrap(), tolerance);
        }
    }
    assert_eq!(Thermocouple::T.tolerance(One, 400.0), None);
    assert_eq!(Thermocouple::B.tolerance(One, 25.0), None);
}

fn platinum(case: &Case) -> Platinum {
    if case.has_input("A") {
        Platinum::new(
            case.input("R0"),
            case.input("A"),
            case.input("B"),
            case.input("C"),
        )
        .unwrap()
    } else if case.has_input("R0") {
        Platinum::PT1000
    } else {
        Platinum::PT100
    }
}

fn check_platinum_forward(case: &Case) {
    for (celsius, ohm) in pairs(case, "t_C", "ohm") {
        case.close(platinum(case).resistance(celsius).unwrap(), ohm);
    }
}

fn check_platinum_inverse(case: &Case) {
    for (ohm, celsius) in pairs(case, "ohm", "t_C") {
        if celsius < -200.0 {
            assert!(platinum(case).temperature(ohm).is_err());
        } else {
            case.close(platinum(case).temperature(ohm).unwrap(), celsius);
        }
    }
}

fn check_platinum_sensitivity(case: &Case) {
    for (celsius, slope) in pairs(case, "t_C", "ohm_per_K") {
        case.close(Platinum::PT100.sensitivity(celsius).unwrap(), slope);
    }
}

/// A converter's count of 10 µV at about 40 µV/K.
#[test]
fn a_count_of_a_thermocouple_has_its_size_in_kelvin() {
    let scale = Scale::per_count("10 µV".parse().unwrap()).unwrap();
    let mapping = Mapping::builder(Quantity::Temperature, CodeFormat::Count, scale)
        .step(Step::Thermocouple(Thermocouple::K, ColdJunction::Measured))
        .companion("terminals".parse().unwrap())
        .build()
        .unwrap();
    // S of type K at 200 °C is 39.965 µV/K (NIST SRD 60)
    assert!((mapping.resolution().unwrap() - 10.0 / 39.965).abs() < 1e-3);
}

proptest! {
    #[test]
    fn a_thermocouple_inverts(index in 0_usize..8, share in 0.001..0.999_f64) {
        let kind = Thermocouple::ALL[index];
        let (from, to) = kind.invertible();
        let celsius = from + share * (to - from);
        let back = kind.temperature(kind.emf(celsius).unwrap()).unwrap();
        prop_assert!((back - celsius).abs() < 1e-7, "{kind} at {celsius}: {back}");
    }

    #[test]
    fn a_hotter_couple_gives_more(index in 0_usize..8, share in 0.0..0.999_f64) {
        let kind = Thermocouple::ALL[index];
        let (from, to) = kind.invertible();
        let celsius = from + share * (to - from);
        prop_assert!(kind.emf(celsius + 0.01).unwrap_or(1.0) > kind.emf(celsius).unwrap());
    }

    /// With both ends at one temperature a couple gives nothing, and reads its terminals.
    #[test]
    fn no_difference_no_emf(terminals in 0.0..80.0_f64) {
        let read = Thermocouple::K.compensated(0.0, terminals).unwrap();
        prop_assert!((read - terminals).abs() < 1e-7);
    }

    #[test]
    fn platinum_inverts(celsius in -200.0..850.0_f64) {
        for platinum in [Platinum::PT100, Platinum::PT500, Platinum::PT1000] {
            let back = platinum.temperature(platinum.resistance(celsius).unwrap()).unwrap();
            prop_assert!((back - celsius).abs() < 1e-9, "{celsius}: {back}");
        }
    }
}
