//! Budgets against the worked examples of the guide and of EA-4/02, and against what must hold of any.

#![expect(clippy::doc_markdown, reason = "formulae")]
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use proptest::prelude::*;
use zonda_model::Unit;
use zonda_uncertainty::{BadBudget, Budget, Common, Dof, Influence, Level, Origin, Spread, Stated};

fn close(found: f64, expected: f64, tolerance: f64) {
    let away = (found - expected).abs();
    assert!(
        away <= tolerance * expected.abs().max(f64::MIN_POSITIVE),
        "{found}, expected {expected}"
    );
}

fn influence(what: &str, unit: Unit, spread: Spread) -> Influence {
    Influence::new(Origin::new("x", what), unit, spread)
}

fn observed(u: f64, dof: f64) -> Spread {
    Spread::scatter(u, Dof::new(dof).unwrap()).unwrap()
}

fn believed(u: f64, dof: f64) -> Spread {
    Spread::normal(u).unwrap().with_dof(Dof::new(dof).unwrap())
}

/// JCGM 100:2008, H.1: an end gauge against its standard; in nm.
#[test]
fn the_gauge_block_is_as_printed() {
    let nm = |what, spread| influence(what, Unit::Metre, spread);
    let one = |what, spread| influence(what, Unit::One, spread);
    let l_s = 50_000_623.0;
    let kelvin = |what, spread| influence(what, Unit::Kelvin, spread);
    let theta = (0.41f64.powi(2) - 0.2f64.powi(2)).sqrt();
    let budget = Budget::draft("length", l_s + 215.0, Unit::Metre)
        .row(nm("standard", observed(25.0, 18.0)), 1.0)
        .row(nm("repeated readings", observed(5.8, 24.0)), 1.0)
        .row(nm("comparator, random", observed(3.9, 5.0)), 1.0)
        .row(nm("comparator, systematic", observed(6.7, 8.0)), 1.0)
        // Both are nought at first order, as the difference of the coefficients and of the temperatures is.
        .row(
            one("expansion", Spread::rectangular(2e-6).unwrap()),
            -0.0 * l_s,
        )
        .row(
            kelvin("temperature of the bed", Spread::normal(0.2).unwrap()),
            0.0,
        )
        .row(
            kelvin("cycle of the temperature", Spread::normal(theta).unwrap()),
            0.0,
        )
        .row(
            one("difference of expansion", believed(0.58e-6, 50.0)),
            l_s * 0.1,
        )
        .row(
            kelvin("difference of temperature", believed(0.029, 2.0)),
            -l_s * 11.5e-6,
        )
        .finish()
        .unwrap();
    // GTC 1.5.1 for the full digits; the guide prints 32 nm, 16.7 (from rounded terms), 2.92 and 93 nm.
    close(budget.u(), 31.705_1, 3e-5);
    close(budget.dof().value(), 16.644_6, 3e-4);
    let expanded = budget.expanded(Level::P99).unwrap();
    close(expanded.k, 2.920_78, 1e-5);
    assert_eq!(format!("{:.0}", expanded.expanded), "93");
    let contribution = |row: usize| format!("{:.1}", budget.rows()[row].contribution());
    assert_eq!(contribution(7), "2.9");
    assert_eq!(
        contribution(8),
        "16.7",
        "16.675, which the guide prints as 16.6"
    );
}

/// JCGM 100:2008, H.2: resistance, reactance and impedance from five sets of simultaneous readings; u(X) is printed as
/// 0.295 from rounded correlations.
#[test]
fn the_impedance_with_correlated_inputs_is_as_printed() {
    let readings = [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ];
    let mean = |row: usize| readings[row].iter().sum::<f64>() / 5.0;
    let covariance = |a: usize, b: usize| {
        let pairs = readings[a].iter().zip(&readings[b]);
        pairs
            .map(|(x, y)| (x - mean(a)) * (y - mean(b)))
            .sum::<f64>()
            / 20.0
    };
    let [v, i, phi] = [0, 1, 2].map(mean);
    let [u_v, u_i, u_phi] = [0, 1, 2].map(|row| covariance(row, row).sqrt());
    let ties = [
        ("V", "I", covariance(0, 1) / (u_v * u_i)),
        ("V", "phi", covariance(0, 2) / (u_v * u_phi)),
        ("I", "phi", covariance(1, 2) / (u_i * u_phi)),
    ];
    close(ties[0].2, -0.355_311, 1e-5);
    close(ties[1].2, 0.857_624, 1e-5);
    close(ties[2].2, -0.645_111, 1e-5);
    let budget = |what: &str, value: f64, by: [f64; 3]| {
        let rows = [
            ("V", Unit::Volt, u_v),
            ("I", Unit::Ampere, u_i),
            ("phi", Unit::One, u_phi),
        ];
        let mut draft = Budget::draft(what, value, Unit::Ohm);
        for ((name, unit, u), c) in rows.into_iter().zip(by) {
            draft = draft.row(influence(name, unit, observed(u, 4.0)), c);
        }
        for (a, b, r) in ties {
            draft = draft.tied(Origin::new("x", a), Origin::new("x", b), r);
        }
        draft.finish().unwrap()
    };
    let z = v / i;
    let resistance = budget(
        "R",
        z * phi.cos(),
        [phi.cos() / i, -z * phi.cos() / i, -z * phi.sin()],
    );
    let reactance = budget(
        "X",
        z * phi.sin(),
        [phi.sin() / i, -z * phi.sin() / i, z * phi.cos()],
    );
    let impedance = budget("Z", z, [1.0 / i, -z / i, 0.0]);
    // GTC 1.5.1, type_a.multi_estimate_real.
    close(resistance.value(), 127.732_170, 1e-8);
    close(resistance.u(), 0.071_071, 1e-5);
    close(reactance.value(), 219.846_512, 1e-8);
    close(reactance.u(), 0.295_582, 1e-5);
    close(impedance.value(), 254.259_702, 1e-8);
    close(impedance.u(), 0.236_336, 1e-5);
    close(impedance.dof().value(), 4.0, 1e-12);
}

/// EA-4/02 M, example S3: calibration of a resistor of nominally 10 kΩ, published as 10 000.178 Ω with u = 8.33 mΩ and
/// U = 17 mΩ.
#[test]
fn the_resistor_is_as_published() {
    let ohm = |what, spread| influence(what, Unit::Ohm, spread);
    let one = |what, spread| influence(what, Unit::One, spread);
    let (standard, drift, ratio) = (10_000.053, 0.020, 1.000_010_5);
    let value = (standard + drift) * ratio;
    let budget = Budget::draft("resistance", value, Unit::Ohm)
        .row(
            ohm("standard", Spread::expanded(0.005, 2.0).unwrap()),
            ratio,
        )
        .row(
            ohm("drift of the standard", Spread::rectangular(0.010).unwrap()),
            ratio,
        )
        .row(
            ohm(
                "temperature of the standard",
                Spread::rectangular(2.75e-3).unwrap(),
            ),
            ratio,
        )
        .row(
            one("parasitic effects", Spread::triangular(1e-6).unwrap()),
            value,
        )
        .row(
            one("repeated ratio", Spread::of_mean(0.158e-6, 5).unwrap()),
            standard + drift,
        )
        .row(
            ohm(
                "temperature of the resistor",
                Spread::rectangular(5.5e-3).unwrap(),
            ),
            -1.0,
        )
        .finish()
        .unwrap();
    close(budget.u(), 8.328_0e-3, 1e-5);
    let stated = Stated::new(&budget, Level::K2).unwrap();
    assert_eq!(
        stated.to_string(),
        "(10000.178 ± 0.017) Ω (k = 2.00, 95.45 %)"
    );
}

/// u = 3 (ν = 5) and 4 (ν = 10): u_c = 5, ν_eff = 5⁴/(3⁴/5 + 4⁴/10), in closed form.
#[test]
fn two_terms_are_as_by_hand() {
    let budget = Budget::draft("y", 1.0, Unit::Metre)
        .row(influence("a", Unit::Metre, observed(3.0, 5.0)), 1.0)
        .row(influence("b", Unit::Metre, observed(4.0, 10.0)), 1.0)
        .finish()
        .unwrap();
    close(budget.u(), 5.0, 1e-15);
    close(budget.dof().value(), 625.0 / (81.0 / 5.0 + 25.6), 1e-15);
    assert_eq!(budget.shares(), [("b", 0.64), ("a", 0.36)]);
}

fn channel(name: &str, own: f64, common: f64, how: Common) -> Budget {
    let gain = Influence::new(
        Origin::new(name, "converter"),
        Unit::MetrePerSecond,
        Spread::normal(common).unwrap(),
    );
    let noise = Influence::new(
        Origin::new(name, "noise"),
        Unit::MetrePerSecond,
        Spread::normal(own).unwrap(),
    );
    Budget::draft(name, 5.0, Unit::MetrePerSecond)
        .row(noise, 1.0)
        .row(gain.shared("module 1", how), 1.0)
        .finish()
        .unwrap()
}

fn together(a: &Budget, b: &Budget, by: [f64; 2]) -> f64 {
    let value = by[0] * a.value() + by[1] * b.value();
    let draft = Budget::draft("both", value, Unit::MetrePerSecond);
    draft
        .through(a, by[0])
        .through(b, by[1])
        .finish()
        .unwrap()
        .u()
}

/// In closed form: what is common adds up in a mean and cancels in a difference, what is not does neither.
#[test]
fn a_shared_converter_adds_up_in_a_mean_and_cancels_in_a_difference() {
    let pair = |how| (channel("a", 0.3, 0.4, how), channel("b", 0.3, 0.4, how));
    let own = 0.09 * 2.0;
    for (how, r) in [
        (Common::Wholly, 1.0),
        (Common::Partly(0.5), 0.5),
        (Common::Partly(0.0), 0.0),
    ] {
        let (a, b) = pair(how);
        close(
            together(&a, &b, [1.0, 1.0]).powi(2),
            own + 0.32 * (1.0 + r),
            1e-12,
        );
        close(
            together(&a, &b, [1.0, -1.0]).powi(2),
            own + 0.32 * (1.0 - r),
            1e-12,
        );
    }
    let (a, b) = pair(Common::Unknown);
    close(together(&a, &b, [1.0, 1.0]).powi(2), own + 0.64, 1e-12);
    close(together(&a, &b, [1.0, -1.0]).powi(2), own + 0.32, 1e-12);
    // One and the same channel, twice.
    close(together(&a, &a, [1.0, 1.0]), 2.0 * 0.5, 1e-12);
    assert!(together(&a, &a, [1.0, -1.0]).abs() < 1e-15);
}

#[test]
fn one_origin_is_one_error_even_where_its_size_differs() {
    let certificate = |u| {
        influence(
            "certificate",
            Unit::MetrePerSecond,
            Spread::expanded(u, 2.0).unwrap(),
        )
    };
    let budget = Budget::draft("sum", 13.0, Unit::MetrePerSecond)
        .row(certificate(0.2), 1.0)
        .row(certificate(0.4), 1.0)
        .finish()
        .unwrap();
    close(budget.u(), 0.1 + 0.2, 1e-15);
    close(
        budget
            .rows()
            .iter()
            .map(zonda_uncertainty::Row::share)
            .sum(),
        1.0,
        1e-15,
    );
}

#[test]
fn what_contradicts_itself_is_refused_with_a_sentence() {
    let row = |what| influence(what, Unit::Metre, Spread::normal(1.0).unwrap());
    let draft = || {
        Budget::draft("y", 1.0, Unit::Metre)
            .row(row("a"), 1.0)
            .row(row("b"), 1.0)
            .row(row("c"), 1.0)
    };
    let origin = |what| Origin::new("x", what);
    let said = |budget: Result<Budget, BadBudget>| budget.unwrap_err().to_string();
    assert_eq!(
        said(draft().tied(origin("a"), origin("b"), 1.2).finish()),
        "1.2 cannot be a correlation of x: a: it is between -1 and 1, and a share between 0 and 1"
    );
    assert_eq!(
        said(draft().tied(origin("a"), origin("d"), 0.2).finish()),
        "x: a and x: d cannot be tied: they must be two different rows of the budget without a cause in common"
    );
    let all_apart = draft()
        .tied(origin("a"), origin("b"), -0.9)
        .tied(origin("b"), origin("c"), -0.9)
        .tied(origin("a"), origin("c"), -0.9);
    assert_eq!(
        said(all_apart.finish()),
        "the correlations contradict each other: no three errors can go together like that"
    );
    assert_eq!(
        said(
            draft()
                .row(row("a").shared("module 1", Common::Wholly), 1.0)
                .finish()
        ),
        "x: a is said to be shared in two different ways; one error has one cause"
    );
    assert_eq!(
        said(draft().row(row("d"), f64::NAN).finish()),
        "the sensitivity to x: d is NaN: at this value the law has no slope"
    );
    assert_eq!(
        said(Budget::draft("y", f64::NAN, Unit::Metre).finish()),
        "y is NaN, and no budget can be made for that"
    );
}

#[test]
fn a_budget_is_kept_with_every_unit() {
    let budget = channel("a", 0.3, 0.4, Common::Partly(0.5));
    let json = serde_json::to_value(&budget).unwrap();
    assert_eq!(json["stated"], "(5.0 ± 1.0) m/s (k = 2.00, 95.45 %)");
    assert_eq!(json["dof"], "infinite");
    assert_eq!(json["unit"], "m/s");
    let row = &json["rows"][1];
    assert_eq!(row["of"], "a");
    assert_eq!(row["what"], "converter");
    assert_eq!(row["evaluation"], "B");
    assert_eq!(row["distribution"], "normal");
    assert_eq!(row["sensitivity_unit"], "1");
    assert_eq!(
        row["shared"],
        serde_json::json!({"by": "module 1", "common": {"partly": 0.5}})
    );
}

fn any_rows() -> impl Strategy<Value = Vec<(f64, f64, f64)>> {
    prop::collection::vec((0.0..10.0f64, -5.0..5.0f64, 1.0..50.0f64), 1..8)
}

fn budget_of(rows: &[(f64, f64, f64)], correlation: Option<Common>) -> Budget {
    let mut draft = Budget::draft("y", 100.0, Unit::DegreeCelsius);
    for (index, (u, c, dof)) in rows.iter().enumerate() {
        let mut row = influence(&index.to_string(), Unit::Kelvin, observed(*u, *dof));
        if let Some(common) = correlation {
            row = row.shared("one", common);
        }
        draft = draft.row(row, *c);
    }
    draft.finish().unwrap()
}

proptest! {
    #[test]
    fn independent_terms_never_hide_each_other(rows in any_rows()) {
        let budget = budget_of(&rows, None);
        for row in budget.rows() {
            prop_assert!(budget.u() >= row.contribution() * (1.0 - 1e-12));
        }
        let shares: f64 = budget.rows().iter().map(zonda_uncertainty::Row::share).sum();
        prop_assert!(budget.u() <= 0.0 || (shares - 1.0).abs() < 1e-9);
        // Welch and Satterthwaite: between the fewest and the sum.
        let fewest = rows.iter().map(|row| row.2).fold(f64::INFINITY, f64::min);
        let sum: f64 = rows.iter().map(|row| row.2).sum();
        prop_assert!(budget.u() <= 0.0 || (fewest * (1.0 - 1e-9)..=sum * (1.0 + 1e-9)).contains(&budget.dof().value()));
    }

    #[test]
    fn the_order_does_not_matter(rows in any_rows(), share in 0.0..1.0f64) {
        let backwards: Vec<_> = rows.iter().rev().copied().collect();
        for how in [None, Some(Common::Unknown), Some(Common::Partly(share))] {
            let (one, other) = (budget_of(&rows, how), budget_of(&backwards, how));
            prop_assert!((one.u() - other.u()).abs() <= 1e-9 * one.u());
        }
    }

    #[test]
    fn correlation_stays_between_its_limits(rows in any_rows(), share in 0.0..1.0f64) {
        let u = |how| budget_of(&rows, Some(how)).u();
        let none = budget_of(&rows, None).u();
        let signed: f64 = rows.iter().map(|(u, c, _)| c * u).sum();
        prop_assert!((u(Common::Wholly) - signed.abs()).abs() <= 1e-6 * (none + 1.0));
        prop_assert!((u(Common::Partly(0.0)) - none).abs() <= 1e-9 * none);
        // Linear in the share between the two.
        let between = (none * none * (1.0 - share) + signed * signed * share).sqrt();
        prop_assert!((u(Common::Partly(share)) - between).abs() <= 1e-6 * (none + 1.0));
        prop_assert!(u(Common::Unknown) >= none.max(u(Common::Partly(share))).max(signed.abs()) * (1.0 - 1e-9));
    }

    #[test]
    fn units_commute(rows in any_rows()) {
        let celsius = budget_of(&rows, None);
        let fahrenheit = celsius.in_unit(Unit::DegreeFahrenheit).unwrap();
        prop_assert!((fahrenheit.value() - 212.0).abs() < 1e-9);
        prop_assert!((fahrenheit.u() - 1.8 * celsius.u()).abs() <= 1e-9 * celsius.u());
        prop_assert_eq!(fahrenheit.dof(), celsius.dof());
        let draft = Budget::draft("y", 212.0, Unit::DegreeFahrenheit).through(&fahrenheit, 1.0);
        prop_assert!((draft.finish().unwrap().u() - fahrenheit.u()).abs() <= 1e-9 * celsius.u());
    }
}
