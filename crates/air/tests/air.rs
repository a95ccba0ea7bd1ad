//! Air against general-purpose libraries (`data/reference.json`) and the trade's check values
//! (`data/check_values.json`). What the docs say about deviations is asserted here.

#![expect(clippy::doc_markdown, reason = "names of libraries and formulae")]
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use proptest::prelude::*;
use serde_json::Value;
use support::{celsius, check_value, deviation_max, dry, moist, number, pascal, reference, rows};
use zonda_air::constants::{GAS_CONSTANT, MOLAR_MASS_DRY, MOLAR_MASS_RATIO, MOLAR_MASS_WATER};
use zonda_air::model::{CONDUCTIVITY, DENSITY, HEAT_CAPACITY, Model, VISCOSITY};
use zonda_air::{Air, AirError, Humidity, RANGE, saturation};

fn air_of(row: &Value) -> Air {
    moist(
        number(row, "t"),
        number(row, "p"),
        row["w"].as_f64().unwrap_or(0.0),
    )
}

/// Asserts |found/expected − 1| ≤ the model's stated deviation in every row, and that the statement is
/// not idle: the worst row needs at least half of it.
fn as_near_as_stated(rows: &[Value], model: Model, compare: impl Fn(Air, &Value) -> (f64, f64)) {
    let worst = rows.iter().map(|row| {
        let air = air_of(row);
        let (found, expected) = compare(air, row);
        let share = (found / expected - 1.0).abs() / model.deviation_max(air.vapour_fraction());
        assert!(share <= 1.0, "{found} {expected} in {row}");
        share
    });
    let worst = worst.fold(0.0, f64::max);
    assert!(
        worst > 0.5,
        "only {worst} of the stated deviation is needed"
    );
}

/// CoolProp 8.0.0, Air (Lemmon et al. 2000; Lemmon and Jacobsen 2004), over the whole range.
#[test]
fn dry_air_is_as_near_to_coolprop_as_stated() {
    let all = reference();
    let rows = rows(&all, "dry");
    as_near_as_stated(rows, DENSITY, |air, row| {
        (air.density().value, number(row, "density"))
    });
    as_near_as_stated(rows, HEAT_CAPACITY, |air, row| {
        (air.heat_capacity().value, number(row, "heat_capacity"))
    });
    as_near_as_stated(rows, VISCOSITY, |air, row| {
        (air.viscosity().value, number(row, "viscosity"))
    });
    as_near_as_stated(rows, CONDUCTIVITY, |air, row| {
        (air.conductivity().value, number(row, "conductivity"))
    });
    for row in rows {
        let found = air_of(row).enthalpy().value;
        assert!(
            (found - number(row, "enthalpy")).abs() < 5.0,
            "{found} in {row}"
        );
    }
}

/// CoolProp 8.0.0, HAPropsSI (after ASHRAE RP-1485), 0 to 350 °C and W to 1.
#[test]
fn moist_air_is_as_near_to_coolprop_as_stated() {
    let all = reference();
    let rows = rows(&all, "moist");
    as_near_as_stated(rows, DENSITY, |air, row| {
        (air.density().value, number(row, "density"))
    });
    as_near_as_stated(rows, HEAT_CAPACITY, |air, row| {
        (
            air.heat_capacity().value * (1.0 + air.humidity_ratio()),
            number(row, "heat_capacity_per_dry"),
        )
    });
    for row in rows {
        let (found, expected) = (air_of(row).enthalpy(), number(row, "enthalpy_per_dry"));
        assert!(
            (found.value - expected).abs() < 1.0 + 2e-4 * expected,
            "{found:?} in {row}"
        );
        assert!(
            (found.value - expected).abs() < 1.0 + found.u,
            "{found:?} in {row}"
        );
    }
}

/// Above 350 °C no library knows moist air as such: N2 + O2 + Ar + H2O by CoolProp's mixture equation.
#[test]
fn moist_air_is_nearly_ideal_up_to_600_degrees() {
    let all = reference();
    let (worst, row) = deviation_max(rows(&all, "mixture"), |row| {
        let air = moist(number(row, "t"), number(row, "p"), ratio(number(row, "x")));
        (air.compressibility(), number(row, "z"))
    });
    assert!(worst < 5e-5, "{worst} in {row}");
}

fn ratio(x: f64) -> f64 {
    MOLAR_MASS_RATIO * x / (1.0 - x)
}

/// Parts by CoolProp 8.0.0, mixed by chemicals 1.5.2: Wilke for viscosity; Lindsay and Bromley for
/// conductivity, another rule than ours.
#[test]
fn transport_of_moist_air_agrees_with_another_mixing() {
    let all = reference();
    let rows: Vec<Value> = rows(&all, "transport")
        .iter()
        .cloned()
        .map(|mut row| {
            row["p"] = 101_325.0.into();
            row["w"] = ratio(number(&row, "x")).into();
            row
        })
        .collect();
    for row in &rows {
        let deviation = (air_of(row).viscosity().value / number(row, "viscosity") - 1.0).abs();
        assert!(
            deviation <= VISCOSITY.deviation_max(number(row, "x")),
            "{deviation} in {row}"
        );
    }
    as_near_as_stated(&rows, CONDUCTIVITY, |air, row| {
        (air.conductivity().value, number(row, "conductivity"))
    });
}

/// iapws 1.5.5: IF97 region 4 and the sublimation line.
#[test]
fn saturation_pressure_is_that_of_iapws() {
    let all = reference();
    let (worst, row) = deviation_max(rows(&all, "saturation"), |row| {
        (
            saturation::pressure(celsius(number(row, "t"))).unwrap(),
            number(row, "p"),
        )
    });
    assert!(worst < 1e-8, "{worst} in {row}");
    assert_eq!(saturation::pressure(celsius(400.0)), None);
}

/// HAPropsSI again; PsychroLib 2.5.0 leaves the enhancement out and is up to 0.7 % drier.
#[test]
fn humidity_of_the_room_agrees_with_the_libraries() {
    let all = reference();
    let (worst, row) = deviation_max(rows(&all, "enhancement"), |row| {
        let (t, p) = (celsius(number(row, "t")), pascal(number(row, "p")));
        let factor = saturation::vapour_fraction_max(t, p).unwrap() * p.si()
            / saturation::pressure(t).unwrap();
        (factor, number(row, "f"))
    });
    assert!(worst < 4e-4, "{worst} in {row}");
    for row in rows(&all, "ambient") {
        let relative = Humidity::Relative(number(row, "rh"));
        let air = Air::new(
            celsius(number(row, "t")),
            pascal(number(row, "p")),
            relative,
        )
        .unwrap();
        assert!(
            (air.humidity_ratio() / number(row, "w") - 1.0).abs() < 2e-4,
            "{row}"
        );
        assert!(
            (air.humidity_ratio() / number(row, "w_ideal") - 1.0).abs() < 1e-2,
            "{row}"
        );
        assert!(
            (air.dew_point().unwrap().si() - number(row, "dew")).abs() < 0.02,
            "{row}"
        );
        assert!(
            (air.dew_point().unwrap().si() - number(row, "dew_ideal")).abs() < 0.05,
            "{row}"
        );
    }
}

/// CIPM-2007 (Picard et al., Metrologia 45 (2008) 149), the air density of mass laboratories.
#[test]
fn density_of_room_air_agrees_with_the_metrologists() {
    for row in rows(&check_value("cipm2007"), "rows") {
        let relative = Humidity::Relative(number(row, "h"));
        let air = Air::new(
            celsius(number(row, "t_C")),
            pascal(number(row, "p_Pa")),
            relative,
        )
        .unwrap();
        let deviation = (air.density().value / number(row, "rho") - 1.0).abs();
        assert!(deviation < 6e-5, "{deviation} in {row}");
        assert!(
            deviation < 2.0 * air.density().u_rel(),
            "{deviation} in {row}"
        );
    }
}

/// What hand calculations use: the ideal gas is good to 0.04 % dry and 0.14 % moist.
#[test]
fn ideal_gas_is_as_good_as_it_is_known_to_be() {
    let moist_rows = check_value("moist_density");
    for row in rows(&moist_rows, "rows") {
        let air = moist(number(row, "t_C"), number(row, "p_Pa"), number(row, "W"));
        assert!(
            (air.density().value / number(row, "rho_coolprop") - 1.0).abs() < 1e-4,
            "{row}"
        );
        assert!(
            (air.density().value / number(row, "rho_ideal") - 1.0).abs() < 1.4e-3,
            "{row}"
        );
        assert!(
            (air.vapour_fraction() - number(row, "x_v")).abs() < 1e-7,
            "{row}"
        );
    }
    let dry_rows = check_value("dry_density");
    for row in rows(&dry_rows, "rows") {
        let air = dry(number(row, "t_C"), number(row, "p_Pa"));
        assert!(
            (air.density().value / number(row, "rho_coolprop") - 1.0).abs() < 2e-5,
            "{row}"
        );
        assert!(
            (air.density().value / number(row, "rho_ideal") - 1.0).abs() < 4e-4,
            "{row}"
        );
    }
}

#[test]
fn constants_are_those_of_the_references() {
    let expected = check_value("constants");
    for (found, key) in [
        (GAS_CONSTANT, "R"),
        (MOLAR_MASS_DRY, "M_dry"),
        (MOLAR_MASS_WATER, "M_water"),
        (MOLAR_MASS_RATIO, "epsilon"),
        (GAS_CONSTANT / MOLAR_MASS_DRY, "R_dry"),
    ] {
        assert!((found / number(&expected, key) - 1.0).abs() < 1e-9, "{key}");
    }
}

/// Prandtl number of dry air by CoolProp 8.0.0 at 101.325 kPa.
#[test]
fn prandtl_number_follows() {
    for row in rows(&check_value("transport"), "rows") {
        let air = dry(number(row, "t_C"), 101_325.0);
        assert!(
            (air.prandtl().value / number(row, "Pr_coolprop") - 1.0).abs() < 1e-4,
            "{row}"
        );
        assert!(air.prandtl().u_rel() > air.conductivity().u_rel());
    }
    // 1.51e-5 m²/s at 20 °C: any table of air.
    assert!((dry(20.0, 101_325.0).kinematic_viscosity().value - 1.511e-5).abs() < 1e-8);
}

#[test]
fn air_that_cannot_be_is_refused_with_a_sentence() {
    let new = |t, p, humidity| Air::new(celsius(t), pascal(p), humidity);
    let says = |t, humidity| new(t, 101_325.0, humidity).unwrap_err().to_string();
    assert!(
        says(20.0, Humidity::Relative(1.2)).starts_with("a relative humidity of 120 % cannot be")
    );
    assert!(says(20.0, Humidity::Relative(f64::NAN)).contains("cannot be"));
    assert!(says(150.0, Humidity::Relative(0.01)).contains("water boils"));
    assert!(says(-5.0, Humidity::Relative(0.5)).contains("state the dew point instead"));
    assert!(
        says(20.0, Humidity::DewPoint(celsius(21.0))).contains("lies above the air's own 20 °C")
    );
    assert!(says(200.0, Humidity::DewPoint(celsius(120.0))).contains("no air left"));
    assert!(says(20.0, Humidity::Ratio(0.02)).contains("would be fog"));
    assert!(says(200.0, Humidity::Ratio(-0.01)).contains("outside 0 to 1 kg"));
    assert!(says(99.9, Humidity::Relative(0.99)).contains("outside 0 to 1 kg"));
    assert!(says(601.0, Humidity::Dry).contains("outside -40 to 600 °C"));
    assert_eq!(
        new(20.0, 1_000.0, Humidity::Dry),
        Err(AirError::PressureOutOfRange(1_000.0))
    );
}

#[test]
fn room_air_carries_its_water_into_the_oven() {
    let room = Air::new(celsius(23.0), pascal(95_000.0), Humidity::Relative(0.5)).unwrap();
    let oven = room.at(celsius(200.0), pascal(95_000.0)).unwrap();
    assert!((oven.humidity_ratio() - room.humidity_ratio()).abs() < 1e-15);
    assert_eq!(oven.relative_humidity(), None);
    assert!((room.relative_humidity().unwrap() - 0.5).abs() < 1e-9);
    assert!(
        oven.at(celsius(5.0), pascal(95_000.0))
            .unwrap_err()
            .to_string()
            .contains("fog")
    );
    assert_eq!(dry(20.0, 95_000.0).dew_point(), None);
}

prop_compose! {
    fn any_air()(t in RANGE.temperature.0..RANGE.temperature.1, p in RANGE.pressure.0..RANGE.pressure.1, share in 0.0..0.999f64) -> Air {
        let max = saturation::vapour_fraction_max(celsius(t), pascal(p)).unwrap_or(1.0);
        let w = ratio((share * max).min(0.61));
        moist(t, p, w)
    }
}

proptest! {
    #[test]
    fn hotter_is_thinner_and_pressed_is_denser_and_humid_is_lighter(t in 0.0..590.0f64, p in 61e3..109e3f64, w in 0.0..0.003f64) {
        let air = moist(t, p, w);
        prop_assert!(moist(t + 1.0, p, w).density().value < air.density().value);
        prop_assert!(moist(t, p + 100.0, w).density().value > air.density().value);
        prop_assert!(moist(t, p, w + 1e-4).density().value < air.density().value);
        prop_assert!(moist(t + 1.0, p, w).viscosity().value > air.viscosity().value);
        prop_assert!(moist(t + 1.0, p, w).conductivity().value > air.conductivity().value);
        prop_assert!(moist(t + 1.0, p, w).enthalpy().value > air.enthalpy().value);
        prop_assert!(moist(t, p, w + 1e-4).enthalpy().value > air.enthalpy().value);
    }

    #[test]
    fn heat_capacity_is_the_slope_of_enthalpy(air in any_air()) {
        let step = |t: f64| air.at(celsius(air.temperature().si() + t), air.pressure());
        if let (Ok(below), Ok(above)) = (step(-0.01), step(0.01)) {
            let slope = (above.enthalpy().value - below.enthalpy().value) / 0.02 / (1.0 + air.humidity_ratio());
            prop_assert!((air.heat_capacity().value / slope - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn dew_point_and_relative_humidity_say_the_same(t in 0.0..60.0f64, p in 70e3..110e3f64, rh in 0.001..1.0f64) {
        let air = Air::new(celsius(t), pascal(p), Humidity::Relative(rh)).unwrap();
        let dew_point = air.dew_point().unwrap();
        prop_assume!(dew_point.si() <= t);
        let same = Air::new(celsius(t), pascal(p), Humidity::DewPoint(dew_point)).unwrap();
        prop_assert!((same.humidity_ratio() / air.humidity_ratio() - 1.0).abs() < 1e-8);
        if t > 0.1 {
            prop_assert!((air.relative_humidity().unwrap() - rh).abs() < 1e-9);
        }
    }

    #[test]
    fn every_property_is_finite_and_positive(air in any_air()) {
        for property in [air.density(), air.viscosity(), air.heat_capacity(), air.conductivity(), air.prandtl()] {
            prop_assert!(property.value > 0.0 && property.u > 0.0 && property.u_rel() < 0.1, "{property:?}");
        }
        prop_assert!((1.0..1.5).contains(&air.isentropic_exponent()));
    }
}
