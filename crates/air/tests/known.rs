//! Laws with budgets: values and slopes against the laws of this crate taken by differences, GTC's figures for a typical
//! channel, and drawing.

#![expect(clippy::doc_markdown, reason = "formulae")]
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use proptest::prelude::*;
use support::{celsius, moist, pascal};
use zonda_air::duct::{Grid, Rule, Shape, Traverse};
use zonda_air::exhaust::ExhaustHeat;
use zonda_air::known::{Beyond, area, exhaust_heat, humidity_ratio, through_points};
use zonda_air::{
    Air, Basis, Humidity, KnownAir, KnownVelocity, LawError, Length, MassFlow, Reference, Velocity,
};
use zonda_model::Unit;
use zonda_uncertainty::slope::gradient;
use zonda_uncertainty::trial::{self, Count};
use zonda_uncertainty::{Budget, Dof, Influence, Level, Origin, Row, Spread, Trial};

fn input(of: &str, value: f64, unit: Unit, u: f64) -> Budget {
    let in_unit = match unit {
        Unit::DegreeCelsius => Unit::Kelvin,
        other => other,
    };
    let influence = Influence::new(Origin::new(of, "all"), in_unit, Spread::normal(u).unwrap());
    Budget::input(value, unit, influence).unwrap()
}

fn air(t: f64, p: f64, w: f64) -> KnownAir {
    KnownAir::new(
        input("T", t, Unit::DegreeCelsius, 2.0),
        input("p", p, Unit::Pascal, 300.0),
        input("W", w, Unit::One, 0.002),
    )
    .unwrap()
}

fn velocity(v: f64, basis: Basis) -> KnownVelocity {
    KnownVelocity::new(input("v", v, Unit::MetrePerSecond, 0.1), basis).unwrap()
}

fn duct() -> Budget {
    area(
        "duct",
        Shape::circular(Length::from_si(0.4).unwrap()),
        [0.001, 0.0],
    )
    .unwrap()
}

/// The budget's sensitivity to an input; nought where it has no such row.
fn sensitivity(budget: &Budget, of: &str) -> f64 {
    let rows = budget
        .rows()
        .iter()
        .filter(|row| row.influence().origin.of == of);
    rows.map(Row::sensitivity).sum()
}

/// Value and slopes by the inputs `names` against the law taken by differences.
fn check(budget: &Budget, names: &[&str], at: &[f64], steps: &[f64], law: impl Fn(&[f64]) -> f64) {
    assert!(
        (budget.value() / law(at) - 1.0).abs() < 1e-9,
        "{}",
        budget.what()
    );
    for ((name, step), expected) in names.iter().zip(steps).zip(gradient(&law, at, steps)) {
        let found = sensitivity(budget, name);
        // A slope that moves the result by less than 10⁻⁶ of itself within a step is nought for all purposes.
        let noise = 1e-6 * budget.value().abs() / step;
        assert!(
            (found - expected).abs() <= 5e-3 * expected.abs() + noise,
            "{} by {name}: {found}, by differences {expected}",
            budget.what()
        );
    }
}

const STANDARD: Basis = Basis::Standard(Reference::FAHRENHEIT_70);
const STEPS: [f64; 4] = [0.05, 1.0, 150.0, 1e-4];

fn slopes_at(t: f64, p: f64, w: f64, v: f64) {
    let (known, area) = (air(t, p, w), duct());
    let names = ["v", "T", "p", "W"];
    let at = [v, t, p, w];
    for (from, to) in [
        (STANDARD, Basis::Actual),
        (Basis::Actual, STANDARD),
        (STANDARD, Basis::Standard(Reference::NORMAL)),
    ] {
        let law = |x: &[f64]| {
            Velocity::from_si(x[0], from)
                .unwrap()
                .to(to, moist(x[1], x[2], x[3]))
                .si()
        };
        let converted = known.velocity(&velocity(v, from), to).unwrap();
        check(converted.budget(), &names, &at, &STEPS, law);
    }
    for basis in [STANDARD, Basis::Actual] {
        let flux = |x: &[f64]| {
            Velocity::from_si(x[0], basis)
                .unwrap()
                .mass_flux(moist(x[1], x[2], x[3]))
        };
        let of = velocity(v, basis);
        check(
            &known.mass_flow(&of, &area).unwrap(),
            &names,
            &at,
            &STEPS,
            |x| flux(x) * area.value(),
        );
        let standard = known.standard_flow(&of, &area, Reference::NORMAL).unwrap();
        check(&standard, &names, &at, &STEPS, |x| {
            flux(x) * area.value() / Reference::NORMAL.density()
        });
        let actual = |x: &[f64]| flux(x) * area.value() / moist(x[1], x[2], x[3]).density().value;
        check(
            &known.actual_flow(&of, &area).unwrap(),
            &names,
            &at,
            &STEPS,
            actual,
        );
    }
    let of_air = ["T", "p", "W"];
    let density = |x: &[f64]| moist(x[0], x[1], x[2]).density().value;
    check(
        &known.density().unwrap(),
        &of_air,
        &at[1..],
        &STEPS[1..],
        density,
    );
    let mass = input("m", 0.5, Unit::KilogramPerSecond, 0.01);
    check(
        &known.dry_part(&mass).unwrap(),
        &["m", "W"],
        &[0.5, w],
        &[0.01, 1e-4],
        |x| x[0] / (1.0 + x[1]),
    );
}

#[test]
fn slopes_are_those_of_the_laws() {
    for t in [20.0, 120.0, 200.0, 350.0, 480.0] {
        for w in [0.0005, 0.01, 0.1] {
            if t > 60.0 || w < 0.012 {
                slopes_at(t, 95_000.0, w, 5.0);
            }
        }
    }
}

#[test]
fn slopes_of_the_exhausts_heat_are_those_of_enthalpy() {
    let inlet = KnownAir::new(
        input("T0", 20.0, Unit::DegreeCelsius, 1.0),
        input("p", 95_000.0, Unit::Pascal, 300.0),
        input("W0", 0.008, Unit::One, 0.001),
    )
    .unwrap();
    let mass = input("m", 0.5, Unit::KilogramPerSecond, 0.01);
    for (t, w) in [(150.0, 0.03), (250.0, 0.01), (400.0, 0.1)] {
        let law = |x: &[f64]| {
            let mass = MassFlow::from_si(x[0]).unwrap();
            ExhaustHeat::of(
                mass,
                moist(x[1], 95_000.0, x[2]),
                moist(x[3], 95_000.0, x[4]),
            )
            .unwrap()
            .total
            .value
        };
        let heat = exhaust_heat(&mass, &inlet, &air(t, 95_000.0, w)).unwrap();
        check(
            &heat,
            &["m", "T0", "W0", "T", "W"],
            &[0.5, 20.0, 0.008, t, w],
            &[0.01, 0.5, 1e-4, 0.5, 1e-4],
            law,
        );
    }
}

#[test]
fn slopes_of_humidity_and_dew_point_are_those_of_saturation() {
    for (relative, t) in [(0.5, 23.0), (0.2, 60.0), (0.9, 5.0)] {
        let state =
            |x: &[f64]| Air::new(celsius(x[1]), pascal(x[2]), Humidity::Relative(x[0])).unwrap();
        let at = [relative, t, 95_000.0];
        let (phi, temperature, pressure) = (
            input("phi", relative, Unit::One, 0.02),
            input("T", t, Unit::DegreeCelsius, 0.5),
            input("p", 95_000.0, Unit::Pascal, 300.0),
        );
        let ratio = humidity_ratio(&phi, &temperature, &pressure).unwrap();
        check(&ratio, &["phi", "T", "p"], &at, &[0.01, 0.1, 100.0], |x| {
            state(x).humidity_ratio()
        });
        // What the pressure does to the ratio, the dew point takes back: the vapour's own pressure is left.
        let known = KnownAir::new(temperature, pressure, ratio).unwrap();
        let dew_point = known.dew_point().unwrap();
        let steps = [0.01, 0.1, 100.0];
        let expected = gradient(|x| state(x).dew_point().unwrap().si(), &at, &steps);
        for (name, expected) in ["phi", "T", "p"].iter().zip(expected) {
            let found = sensitivity(&dew_point, name);
            assert!(
                (found - expected).abs() < 0.01 * expected.abs() + 2e-6,
                "{name}: {found} {expected}"
            );
        }
    }
    let dry = air(200.0, 95_000.0, 0.0);
    assert_eq!(dry.dew_point(), Err(LawError::NoDewPoint));
}

/// GTC 1.5.1 and uncertainties 3.2.3 for v_act = v_std·(T/T_ref)·(p_ref/p), the ideal gas, of a typical channel:
/// 8.574898 m/s, u = 0.238992 m/s, ν_eff = 2346.6, k = 2.0011, U = 0.47824 m/s. Density here is that of the real gas, 0.07 %
/// from it.
#[test]
fn a_typical_actual_velocity_is_as_two_libraries_have_it() {
    let v = Budget::draft("v", 5.0, Unit::MetrePerSecond)
        .row(
            Influence::new(
                Origin::new("v", "all else"),
                Unit::MetrePerSecond,
                Spread::normal((0.136_836f64.powi(2) - 0.15f64.powi(2) / 15.0).sqrt()).unwrap(),
            ),
            1.0,
        )
        .row(
            Influence::new(
                Origin::new("v", "scatter"),
                Unit::MetrePerSecond,
                Spread::scatter(0.15 / 15f64.sqrt(), Dof::new(14.0).unwrap()).unwrap(),
            ),
            1.0,
        )
        .finish()
        .unwrap();
    let standard = KnownVelocity::new(v, STANDARD).unwrap();
    let known = KnownAir::dry(
        input("T", 200.0, Unit::DegreeCelsius, 2.0),
        input("p", 95_000.0, Unit::Pascal, 300.0),
    )
    .unwrap();
    let actual = known.velocity(&standard, Basis::Actual).unwrap();
    let budget = actual.budget();
    let near = |found: f64, expected: f64| {
        assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");
    };
    near(budget.value(), 8.574_898);
    near(sensitivity(budget, "T"), 0.018_123_0);
    near(sensitivity(budget, "p"), -9.026_21e-5);
    near(budget.u(), 0.238_992);
    assert!(
        (budget.dof().value() / 2346.6 - 1.0).abs() < 2e-3,
        "{}",
        budget.dof()
    );
    let expanded = budget.expanded(Level::K2).unwrap();
    assert_eq!(format!("{:.4}", expanded.k), "2.0011");
    near(expanded.expanded, 0.478_24);
    assert_eq!(actual.velocity().basis(), Basis::Actual);
}

/// The laws themselves, drawn.
#[test]
fn drawing_finds_what_the_budgets_say() {
    let trial = Trial {
        count: Count::Fixed(20_000),
        ..Trial::DEFAULT
    };
    let (v, t, p, w) = (
        input("v", 5.0, Unit::MetrePerSecond, 0.15),
        input("T", 200.0, Unit::DegreeCelsius, 2.0),
        input("p", 95_000.0, Unit::Pascal, 300.0),
        input("W", 0.03, Unit::One, 0.004),
    );
    let known = KnownAir::new(t.clone(), p.clone(), w.clone()).unwrap();
    let standard = KnownVelocity::new(v.clone(), STANDARD).unwrap();
    let actual = known.velocity(&standard, Basis::Actual).unwrap();
    let law = |x: &[f64]| {
        Velocity::from_si(x[0], STANDARD)
            .unwrap()
            .to(Basis::Actual, moist(x[1], x[2], x[3].max(0.0)))
            .si()
    };
    let outcome = trial::run(&[&v, &t, &p, &w], &[], law, trial).unwrap();
    assert!(
        (outcome.u / actual.budget().u() - 1.0).abs() < 0.02,
        "{} {}",
        outcome.u,
        actual.budget().u()
    );
    assert!(outcome.against(actual.budget(), 1).unwrap().agrees());
}

/// A probe that is moved brings its certificate to every point: 25 points do not make it better, only its scatter.
#[test]
fn a_moved_probe_keeps_its_calibrations_error() {
    let shape = Shape::circular(Length::from_si(0.4).unwrap());
    let traverse = Traverse::plan(
        shape,
        Rule::LogTchebycheff,
        Grid {
            lines: 2,
            per_line: 6,
        },
    )
    .unwrap();
    let known = air(200.0, 95_000.0, 0.01);
    let count = traverse.points().len();
    let flow_with = |of_point: &dyn Fn(usize) -> String| {
        let flows: Vec<Budget> = (0..count)
            .map(|point| {
                let v = Budget::draft("v", 5.0, Unit::MetrePerSecond)
                    .row(
                        Influence::new(
                            Origin::new(of_point(point), "certificate"),
                            Unit::MetrePerSecond,
                            Spread::normal(0.1).unwrap(),
                        ),
                        1.0,
                    )
                    .row(
                        Influence::new(
                            Origin::new("probe", format!("scatter at {point}")),
                            Unit::MetrePerSecond,
                            Spread::normal(0.2).unwrap(),
                        ),
                        1.0,
                    )
                    .finish()
                    .unwrap();
                known
                    .mass_flow(&KnownVelocity::new(v, STANDARD).unwrap(), &duct())
                    .unwrap()
            })
            .collect();
        let beyond = Beyond {
            integration: 0.01,
            drift: None,
        };
        through_points("mass flow", &traverse, &flows, beyond).unwrap()
    };
    let moved = flow_with(&|_| "probe".to_owned());
    let many = flow_with(&|point| format!("probe {point}"));
    let squares: f64 = traverse
        .points()
        .iter()
        .map(|point| point.weight * point.weight)
        .sum();
    let area_rel = 2.0 * 0.001 / 0.4;
    let expected = |certificate: f64| {
        (certificate + 0.04 * squares + 25.0 * (0.01f64.powi(2) + area_rel * area_rel)).sqrt() / 5.0
    };
    assert!(
        (moved.u_rel() / expected(0.01) - 1.0).abs() < 1e-9,
        "{} {}",
        moved.u_rel(),
        expected(0.01)
    );
    assert!((many.u_rel() / expected(0.01 * squares) - 1.0).abs() < 1e-9);
}

#[test]
fn what_has_no_result_is_refused_with_a_sentence() {
    let in_feet = input("v", 900.0, Unit::FootPerMinute, 20.0);
    assert_eq!(
        KnownVelocity::new(in_feet, STANDARD)
            .unwrap_err()
            .to_string(),
        "v: all is needed in m/s here, not in ft/min"
    );
    let wet = KnownAir::new(
        input("T", 20.0, Unit::DegreeCelsius, 0.5),
        input("p", 95_000.0, Unit::Pascal, 300.0),
        input("W", 0.1, Unit::One, 0.002),
    );
    assert!(matches!(wet, Err(LawError::Air(_))), "{wet:?}");
    let back = input("m", -0.5, Unit::KilogramPerSecond, 0.01);
    let error =
        exhaust_heat(&back, &air(20.0, 95_000.0, 0.0), &air(200.0, 95_000.0, 0.0)).unwrap_err();
    assert!(error.to_string().contains("flows back"), "{error}");
    assert!(
        area(
            "duct",
            Shape::circular(Length::from_si(0.4).unwrap()),
            [-1e-3, 0.0]
        )
        .is_err()
    );
}

proptest! {
    /// There and back is where it was, with the same uncertainty but for the model's.
    #[test]
    fn a_basis_and_back_is_what_it_was(t in 0.0..480.0f64, v in 0.2..40.0f64) {
        let known = air(t, 95_000.0, 0.003);
        let standard = velocity(v, STANDARD);
        let back = known.velocity(&known.velocity(&standard, Basis::Actual).unwrap(), STANDARD).unwrap();
        prop_assert!((back.velocity().si() / v - 1.0).abs() < 1e-12);
        prop_assert!((back.budget().u() / standard.budget().u() - 1.0).abs() < 1e-9);
    }
}
