//! Velocity bases, pitot tubes and barometers against the check values (closed forms, sources beside each in
//! `data/check_values.json`) and general-purpose libraries.

#![expect(clippy::doc_markdown, reason = "names of libraries and formulae")]
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use proptest::prelude::*;
use support::{celsius, check_value, dry, moist, number, pascal, reference, rows};
use zonda_air::barometer::{pressure_at, station_pressure};
use zonda_air::{
    Basis, Density, Pitot, PitotError, PressureDifference, Reference, Velocity, VelocityError,
};
use zonda_model::Unit;

fn named(name: &str) -> Reference {
    match name {
        "0C_101.325" => Reference::NORMAL,
        "15C_101.325" => Reference::CELSIUS_15,
        "20C_101.325" => Reference::CELSIUS_20,
        "70F_101.325" => Reference::FAHRENHEIT_70,
        "25C_101.325" => Reference::CELSIUS_25,
        "0C_100" => Reference::at(celsius(0.0), pascal(100_000.0)).unwrap(),
        "60F_14.696psi" => Reference::at(celsius(15.555_555_555_6), pascal(101_325.0)).unwrap(),
        "68F_29.92inHg" => Reference::at(celsius(20.0), pascal(101_320.758_88)).unwrap(),
        other => panic!("{other}"),
    }
}

/// Compressibility factor of dry air by CoolProp 8.0.0 from the fixtures: real over ideal density.
fn z(t: f64, p: f64) -> f64 {
    let all = reference();
    let row = rows(&all, "dry")
        .iter()
        .find(|row| {
            number(row, "t").to_bits() == t.to_bits() && number(row, "p").to_bits() == p.to_bits()
        })
        .unwrap_or_else(|| panic!("no row at {t} °C, {p} Pa"));
    p * 28.965_46e-3 / (8.314_462_618 * (t + 273.15)) / number(row, "density")
}

#[test]
fn reference_densities_are_the_ideal_ones_but_for_the_real_gas() {
    for row in rows(&check_value("reference_densities"), "rows") {
        let reference = named(row["name"].as_str().unwrap());
        let real_over_ideal = reference.density() / number(row, "rho_dry_ideal");
        assert!(
            (1.000_3..1.000_7).contains(&real_over_ideal),
            "{real_over_ideal} in {row}"
        );
    }
    assert!((Reference::NORMAL.density() / Reference::CELSIUS_25.density() - 1.0915).abs() < 5e-4);
}

/// v_std T/T_ref p_ref/p [closed form], and the same with CoolProp's compressibility where the fixtures have it.
#[test]
fn standard_velocity_becomes_actual() {
    for row in rows(&check_value("std_to_actual"), "rows") {
        let reference = named(row["ref"].as_str().unwrap());
        let (t, p) = (number(row, "t_C"), number(row, "p_Pa"));
        let standard = Velocity::standard(number(row, "v_std"), reference).unwrap();
        let actual = standard.to(Basis::Actual, dry(t, p));
        let real_over_ideal = actual.si() / number(row, "v_act");
        assert!(
            (real_over_ideal - 1.0).abs() < 1e-3,
            "{real_over_ideal} in {row}"
        );
        if (p - 101_325.0).abs() < 0.1
            && ["0C_101.325", "20C_101.325"].contains(&row["ref"].as_str().unwrap())
        {
            let t_ref = if reference == Reference::NORMAL {
                0.0
            } else {
                20.0
            };
            let expected = z(t, 101_325.0) / z(t_ref, 101_325.0);
            assert!((real_over_ideal / expected - 1.0).abs() < 2e-5, "{row}");
        }
    }
}

#[test]
fn a_velocity_says_its_basis() {
    let standard = Velocity::standard(5.0, Reference::FAHRENHEIT_70).unwrap();
    assert_eq!(
        standard.to_string(),
        "5.00 m/s (standard: 21.1 °C, 101.325 kPa, dry)"
    );
    let actual = standard.to(Basis::Actual, dry(200.0, 101_325.0));
    assert_eq!(format!("{actual:.1}"), "8.0 m/s (actual)");
    let by_density = Velocity::standard(5.0, Reference::STANDARD_AIR).unwrap();
    assert_eq!(by_density.to_string(), "5.00 m/s (standard: 1.2014 kg/m³)");
}

#[test]
fn velocities_of_different_bases_do_not_mix() {
    let standard = Velocity::standard(5.0, Reference::FAHRENHEIT_70).unwrap();
    let normal = Velocity::standard(5.0, Reference::NORMAL).unwrap();
    let actual = Velocity::actual(8.0).unwrap();
    for mixed in [[standard, actual], [standard, normal]] {
        let error = Velocity::mean(&mixed).unwrap_err();
        assert!(matches!(error, VelocityError::MixedBases(..)));
        assert!(
            error
                .to_string()
                .contains("convert them to one basis first"),
            "{error}"
        );
        assert!(mixed[0].ratio(mixed[1]).is_err());
    }
    // 21.1 °C and 70 °F are the same reference to everyone but a computer.
    let rounded = Reference::at(celsius(21.1), pascal(101_325.0)).unwrap();
    assert!(Velocity::mean(&[standard, Velocity::standard(7.0, rounded).unwrap()]).is_ok());
    assert_eq!(Velocity::mean(&[]), Err(VelocityError::Empty));
    assert_eq!(
        Velocity::new(1.0, Unit::Pascal, Basis::Actual),
        Err(VelocityError::WrongUnit(Unit::Pascal))
    );
    assert!(Velocity::actual(f64::NAN).is_err());
    assert!(
        Reference::of_density(Density::from_si(0.075).unwrap())
            .unwrap_err()
            .to_string()
            .contains("0.075 lb/ft³")
    );
    assert!(Reference::at(celsius(20.0), pascal(1_013.25)).is_err());
}

/// Bernoulli and the ideal gas [closed form].
#[test]
fn pitot_gives_bernoullis_velocity() {
    for row in rows(&check_value("pitot"), "rows") {
        let pitot = Pitot::new(number(row, "C")).unwrap();
        let difference = PressureDifference::from_si(number(row, "dp_Pa")).unwrap();
        let density = Density::from_si(number(row, "rho")).unwrap();
        let by_hand = pitot.incompressible(difference, density).unwrap().si();
        assert!((by_hand / number(row, "v") - 1.0).abs() < 1e-9, "{row}");
        // Real gas 0.04 %, of which the root takes half, and M²/8.
        let velocity = pitot
            .velocity(difference, dry(number(row, "t_C"), number(row, "p_Pa")))
            .unwrap();
        assert!(
            (velocity.si() / number(row, "v") - 1.0).abs() < 8e-4,
            "{velocity} in {row}"
        );
        assert_eq!(velocity.basis(), Basis::Actual);
    }
    for row in rows(&check_value("pitot_required_dp"), "rows") {
        let difference = Pitot::STANDARD
            .difference_at(
                Velocity::actual(number(row, "v")).unwrap(),
                dry(number(row, "t_C"), 101_325.0),
            )
            .si();
        assert!(
            (difference / number(row, "dp_Pa") - 1.0).abs() < 4e-4,
            "{row}"
        );
    }
}

/// The incompressible formula reads high by M²/8 [closed form].
#[test]
fn pitot_allows_for_compressibility() {
    for row in rows(&check_value("pitot_compressibility"), "rows") {
        let air = dry(number(row, "t_C"), 101_325.0);
        let (high, density) = (number(row, "v_incompressible"), air.density().value);
        let difference = PressureDifference::from_si(density * high * high / 2.0).unwrap();
        let velocity = Pitot::STANDARD.velocity(difference, air).unwrap();
        assert!(
            (velocity.si() / number(row, "v_true") - 1.0).abs() < 3e-5,
            "{velocity} in {row}"
        );
        let by_hand = Pitot::STANDARD
            .incompressible(difference, Density::from_si(density).unwrap())
            .unwrap();
        assert!((by_hand.si() - high).abs() < 1e-9);
    }
}

#[test]
fn pitot_refuses_what_cannot_be_and_says_how_well_it_knows() {
    let air = dry(20.0, 101_325.0);
    let pascals = |p| PressureDifference::from_si(p).unwrap();
    assert_eq!(Pitot::new(84.0), Err(PitotError::Coefficient(84.0)));
    let error = Pitot::STANDARD
        .velocity(pascals(-3.0), air)
        .unwrap_err()
        .to_string();
    assert!(error.contains("tubes are swapped"), "{error}");
    assert!(matches!(
        Pitot::STANDARD.velocity(pascals(9_000.0), air),
        Err(PitotError::TooFast(_))
    ));
    let inputs = zonda_air::PitotUncertainty {
        coefficient_rel: 0.01,
        difference_pa: 1.0,
        density_rel: 0.004,
    };
    let fast = Pitot::STANDARD.u(pascals(60.2), air, inputs).unwrap()
        / Pitot::STANDARD.velocity(pascals(60.2), air).unwrap().si();
    assert!(
        (fast - (0.01f64.powi(2) + (1.0 / 120.4f64).powi(2) + 0.002f64.powi(2)).sqrt()).abs()
            < 1e-9
    );
    let still = Pitot::STANDARD.u(pascals(0.0), air, inputs).unwrap();
    assert!(
        (still - 1.288).abs() < 0.01,
        "one pascal is 1.29 m/s, not {still}"
    );
    assert!(
        Pitot::STANDARD
            .incompressible(pascals(-1.0), Density::from_si(1.2).unwrap())
            .is_err()
    );
}

/// PsychroLib 2.5.0 and MetPy 1.7.1, the latter with the 0.3 hPa of its convention taken off.
#[test]
fn barometer_agrees_with_the_libraries() {
    let all = reference();
    for row in rows(&all["barometer"], "atmosphere") {
        let found = pressure_at(number(row, "z")).unwrap();
        assert!(
            (found.value / number(row, "p") - 1.0).abs() < 2e-5,
            "{found:?} in {row}"
        );
        assert!((found.u_rel() - 0.0173).abs() < 1e-4);
    }
    for row in rows(&all["barometer"], "station") {
        let found = station_pressure(pascal(number(row, "qnh")), number(row, "z"))
            .unwrap()
            .si();
        assert!(
            (found - (number(row, "p") - 30.0)).abs() < 10.0,
            "{found} in {row}"
        );
    }
    assert!(
        pressure_at(9_000.0)
            .unwrap_err()
            .to_string()
            .contains("1000 ft is 304.8 m")
    );
    assert!(
        station_pressure(pascal(1_013.25), 100.0)
            .unwrap_err()
            .to_string()
            .contains("1013.25 hPa")
    );
}

fn any_reference() -> impl Strategy<Value = Reference> {
    prop::sample::select(Reference::USUAL.to_vec())
}

proptest! {
    #[test]
    fn conversion_inverts(v in -50.0..50.0f64, t in 0.0..600.0f64, p in 80e3..105e3f64, w in 0.0..0.003f64, one in any_reference(), two in any_reference()) {
        let air = moist(t, p, w);
        let start = Velocity::standard(v, one).unwrap();
        for way in [Basis::Actual, Basis::Standard(two)] {
            let back = start.to(way, air).to(Basis::Standard(one), air);
            prop_assert!((back.si() - v).abs() <= 1e-12 * v.abs());
            prop_assert_eq!(back.basis(), start.basis());
            prop_assert!((start.to(way, air).mass_flux(air) - start.mass_flux(air)).abs() <= 1e-12 * start.mass_flux(air).abs());
        }
    }

    #[test]
    fn unit_and_basis_commute(fpm in 1.0..9840.0f64, t in 0.0..600.0f64) {
        let air = dry(t, 101_325.0);
        let basis = Basis::Standard(Reference::FAHRENHEIT_70);
        let unit_first = Velocity::new(fpm, Unit::FootPerMinute, basis).unwrap().to(Basis::Actual, air).si();
        let basis_first = Velocity::standard(fpm, Reference::FAHRENHEIT_70).unwrap().to(Basis::Actual, air).si() * 0.005_08;
        prop_assert!((unit_first / basis_first - 1.0).abs() < 1e-12);
    }

    #[test]
    fn hotter_air_of_the_same_mass_is_faster(v in 0.1..50.0f64, t in 0.0..590.0f64) {
        let standard = Velocity::standard(v, Reference::CELSIUS_20).unwrap();
        let at = |t| standard.to(Basis::Actual, dry(t, 101_325.0)).si();
        prop_assert!(at(t + 1.0) > at(t));
    }

    #[test]
    fn pitot_inverts_and_rises(v in 0.5..80.0f64, t in 0.0..500.0f64, c in 0.8..1.1f64) {
        let (pitot, air) = (Pitot::new(c).unwrap(), dry(t, 101_325.0));
        let difference = |v| pitot.difference_at(Velocity::actual(v).unwrap(), air);
        let back = pitot.velocity(difference(v), air).unwrap().si();
        let mach_squared = (v / c).powi(2) / (1.4 * 287.05 * (t + 273.15));
        prop_assert!((back / v - 1.0).abs() < 0.14 * mach_squared + 1e-9);
        prop_assert!(pitot.velocity(difference(v + 0.01), air).unwrap().si() > back);
    }

    #[test]
    fn pressure_falls_with_height_and_sea_level_is_itself(q in 95e3..105e3f64, z in 0.0..4000.0f64) {
        let at = |z| station_pressure(pascal(q), z).unwrap().si();
        prop_assert!((at(0.0) - q).abs() < 1e-6);
        prop_assert!(at(z + 1.0) < at(z));
        let standard = station_pressure(pascal(101_325.0), z).unwrap().si();
        prop_assert!((standard / pressure_at(z).unwrap().value - 1.0).abs() < 1e-9);
    }
}
