//! Envelopes against `data/envelope.json`: common practice, no source.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use common::{cases, number};
use proptest::prelude::*;
use zonda_model::written::{Amount, Span};
use zonda_model::{Code, Quality, Quantity, Unit};
use zonda_signal::envelope::Band;
use zonda_signal::{CodeFormat, Companion, Description, Envelope, Mapping, MappingError, Scale};

fn band(temperature: &str, min: &str, max: &str) -> Band {
    Band {
        temperature: temperature.parse().unwrap(),
        velocity_min: min.parse().unwrap(),
        velocity_max: max.parse().unwrap(),
    }
}

fn bands() -> [Band; 3] {
    [
        band("0-100 °C", "40 ft/min", "9840 ft/min"),
        band("100-300 °C", "80 ft/min", "9840 ft/min"),
        band("300-500 °C", "138 ft/min", "9840 ft/min"),
    ]
}

#[test]
fn bands_as_written_in_fahrenheit_and_feet_per_minute() {
    for case in cases(include_str!("data/envelope.json")) {
        let written: Vec<Band> = case
            .at("/inputs/bands_example")
            .as_array()
            .unwrap()
            .iter()
            .map(|row| {
                let field = |key: &str| number(&row[key], key);
                let speed = |key| Amount {
                    value: field(key),
                    unit: Unit::FootPerMinute,
                };
                Band {
                    temperature: Span {
                        from: field("t_lo_F"),
                        to: field("t_hi_F"),
                        unit: Unit::DegreeFahrenheit,
                    },
                    velocity_min: speed("v_min_fpm"),
                    velocity_max: speed("v_max_fpm"),
                }
            })
            .collect();
        let envelope = Envelope::new(&written, None).unwrap();
        let expected = case.at("/expected/bands_SI").as_array().unwrap();
        for (found, row) in envelope.bands().iter().zip(expected) {
            let close = |found: f64, key: &str| {
                assert!((found - number(&row[key], key)).abs() < 1e-9, "{key}");
            };
            close(found.from, "t_lo_C");
            close(found.to, "t_hi_C");
            close(found.velocity_min, "v_min");
            close(found.velocity_max, "v_max");
        }
        let judged = case.at("/expected/cases").as_array().unwrap();
        assert_eq!(judged.len(), 14);
        for row in judged {
            let (celsius, velocity) = (number(&row["t_C"], "t_C"), number(&row["v"], "v"));
            let expected = match row["flag"].as_str().unwrap() {
                "VALID" => Quality::empty(),
                "VEL_BELOW" => Quality::BELOW_THRESHOLD,
                "VEL_ABOVE" => Quality::ABOVE_ENVELOPE,
                "TEMP_BELOW" | "TEMP_ABOVE" => Quality::OUTSIDE_ENVELOPE,
                other => panic!("{other}"),
            };
            let found = envelope.judge_velocity(velocity, Companion::good(celsius));
            assert_eq!(found, expected, "{velocity} m/s at {celsius} °C");
        }
    }
}

#[test]
fn a_doubtful_temperature_moves_the_judgement() {
    let envelope = Envelope::new(&bands(), None).unwrap();
    let flawed = |value, quality| Companion { value, quality };
    assert_eq!(
        envelope.judge_velocity(5.0, Companion::NONE),
        Quality::MOVED
    );
    assert_eq!(
        envelope.judge_velocity(5.0, flawed(None, Quality::OPEN_LOOP)),
        Quality::MOVED
    );
    assert_eq!(
        envelope.judge_velocity(5.0, flawed(Some(200.0), Quality::STUCK)),
        Quality::MOVED
    );
    assert_eq!(
        envelope.judge_velocity(0.3, flawed(Some(200.0), Quality::STUCK)),
        Quality::MOVED | Quality::BELOW_THRESHOLD
    );
    assert_eq!(
        envelope.judge_velocity(5.0, flawed(Some(200.0), Quality::SIMULATED)),
        Quality::empty()
    );
    assert_eq!(
        envelope.judge_velocity(5.0, Companion::good(f64::NAN)),
        Quality::MOVED | Quality::OUTSIDE_ENVELOPE
    );
}

#[test]
fn the_temperature_may_reach_further_than_the_velocity() {
    let envelope = Envelope::new(&bands(), Some("-20 to 600 °C".parse().unwrap())).unwrap();
    assert_eq!(envelope.judge_temperature(550.0), Quality::empty());
    assert_eq!(envelope.judge_temperature(601.0), Quality::OUTSIDE_ENVELOPE);
    assert_eq!(
        envelope.judge_velocity(5.0, Companion::good(550.0)),
        Quality::OUTSIDE_ENVELOPE
    );
    let plain = Envelope::new(&bands(), None).unwrap();
    assert_eq!(plain.judge_temperature(550.0), Quality::OUTSIDE_ENVELOPE);
}

#[test]
fn bands_that_make_no_envelope_are_refused() {
    let [cold, warm, hot] = bands();
    let refused = |bands: &[Band], temperature: Option<&str>| {
        let temperature = temperature.map(|text| text.parse().unwrap());
        Envelope::new(bands, temperature).unwrap_err().to_string()
    };
    let sentences = [
        refused(&[], None),
        refused(&[cold, hot], None),
        refused(&[cold, band("90-300 °C", "80 ft/min", "9840 ft/min")], None),
        refused(&[warm, cold], None),
        refused(&[cold, warm, hot], Some("0-400 °C")),
        refused(&[band("0-100 Pa", "40 ft/min", "9840 ft/min")], None),
        refused(&[band("100-0 °C", "40 ft/min", "9840 ft/min")], None),
        refused(&[band("0-100 °C", "50 m/s", "9840 ft/min")], None),
        refused(&[band("0-100 °C", "-1 m/s", "9840 ft/min")], None),
    ];
    let expected = [
        "an envelope needs at least one temperature band",
        "between bands 1 and 2 there is a hole from 100 to 300 °C: let the next band begin where the one before it ends",
        "bands 1 and 2 overlap at 90 °C: write them from cold to hot, each beginning where the one before it ends",
        "bands 1 and 2 overlap at 0 °C: write them from cold to hot, each beginning where the one before it ends",
        "the temperature is valid from 0 to 400 °C, but the velocity's bands reach further",
        "band 1: Pa is a unit of pressure, expected a unit of temperature such as °C",
        "band 1: write its temperatures from cold to hot",
        "band 1: its lowest velocity must be 0 or more and less than its highest",
        "band 1: its lowest velocity must be 0 or more and less than its highest",
    ];
    assert_eq!(sentences, expected);
}

#[test]
fn edges_written_in_two_units_meet() {
    let mixed = [
        band("0-100 °C", "40 ft/min", "50 m/s"),
        band("212-572 °F", "80 ft/min", "50 m/s"),
    ];
    let envelope = Envelope::new(&mixed, None).unwrap();
    assert_eq!(
        envelope.judge_velocity(0.3, Companion::good(100.0)),
        Quality::BELOW_THRESHOLD
    );
}

proptest! {
    #[test]
    fn every_temperature_between_the_ends_has_a_band(celsius in 0.0..=500.0_f64) {
        let envelope = Envelope::new(&bands(), None).unwrap();
        prop_assert!(envelope.band_at(celsius).is_some());
    }
}

/// What a mapping says of a code beside its companion, and what it says once it was described and
/// built again.
fn judged(quantity: Quantity, value: f64, companion: Companion) -> Quality {
    let envelope = Envelope::new(&bands(), Some("0-600 °C".parse().unwrap())).unwrap();
    let mut builder = Mapping::builder(quantity, CodeFormat::Number, Scale::unity(quantity.si()))
        .envelope(envelope);
    if quantity == Quantity::Velocity {
        builder = builder.companion("Z1-left.temperature".parse().unwrap());
    }
    let mapping = builder.build().unwrap();
    let text = mapping.describe().to_string();
    let again = text.parse::<Description>().unwrap().rebuild().unwrap();
    assert_eq!(again, mapping, "{text}");
    let (found, quality) = again.map_with(Some(Code::Number(value)), companion);
    assert_eq!(found, Some(value), "a flag never changes the number");
    quality
}

#[test]
fn a_mapping_judges_its_values_and_keeps_them() {
    let at = Companion::good;
    let velocity = |value, companion| judged(Quantity::Velocity, value, companion);
    assert_eq!(velocity(5.0, at(150.0)), Quality::empty());
    assert_eq!(velocity(0.3, at(150.0)), Quality::BELOW_THRESHOLD);
    assert_eq!(velocity(0.3, at(50.0)), Quality::empty());
    assert_eq!(velocity(51.0, at(150.0)), Quality::ABOVE_ENVELOPE);
    assert_eq!(velocity(5.0, at(550.0)), Quality::OUTSIDE_ENVELOPE);
    assert_eq!(velocity(5.0, Companion::NONE), Quality::MOVED);
    let temperature = |value| judged(Quantity::Temperature, value, Companion::NONE);
    assert_eq!(temperature(550.0), Quality::empty());
    assert_eq!(temperature(650.0), Quality::OUTSIDE_ENVELOPE);
}

#[test]
fn who_is_read_beside_a_channel_must_be_said_and_be_needed() {
    let builder = |quantity: Quantity| {
        Mapping::builder(quantity, CodeFormat::Number, Scale::unity(quantity.si()))
    };
    let envelope = || Envelope::new(&bands(), None).unwrap();
    let beside = || "Z1-left.temperature".parse().unwrap();
    let error = |built: Result<Mapping, MappingError>| built.unwrap_err().to_string();
    assert_eq!(
        error(builder(Quantity::Velocity).envelope(envelope()).build()),
        "the channel that reads the temperature beside this one is missing"
    );
    assert_eq!(
        error(builder(Quantity::Velocity).companion(beside()).build()),
        "nothing here looks at `Z1-left.temperature`: leave it out"
    );
    assert_eq!(
        error(builder(Quantity::Pressure).envelope(envelope()).build()),
        "an envelope judges velocity and temperature, not pressure"
    );
}
