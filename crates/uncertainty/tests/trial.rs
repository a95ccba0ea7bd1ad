//! Drawing against the worked examples of JCGM 101:2008 and against distributions that are known in closed form.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use zonda_model::Unit;
use zonda_uncertainty::trial::{self, BadTrial, Count};
use zonda_uncertainty::{
    Budget, Common, Dof, Influence, Level, Origin, Outcome, Spread, Tie, Trial,
};

fn fixed(draws: usize) -> Trial {
    Trial {
        count: Count::Fixed(draws),
        ..Trial::DEFAULT
    }
}

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found}, expected {expected}"
    );
}

fn influence(what: &str, spread: Spread) -> Influence {
    Influence::new(Origin::new("x", what), Unit::Metre, spread)
}

fn sum_of(spreads: [Spread; 4]) -> Budget {
    let draft = Budget::draft("sum", 0.0, Unit::Metre);
    let rows = spreads.into_iter().enumerate();
    rows.fold(draft, |draft, (index, spread)| {
        draft.row(influence(&index.to_string(), spread), 1.0)
    })
    .finish()
    .unwrap()
}

/// One input with one error.
fn input(what: &str, value: f64, spread: Spread) -> Budget {
    Budget::draft(what, value, Unit::Metre)
        .row(influence(what, spread), 1.0)
        .finish()
        .unwrap()
}

/// JCGM 101:2008, 9.2.2: four normal inputs, [−3.92, 3.92]; the budget is right.
#[test]
fn four_normal_inputs_are_as_printed() {
    let budget = sum_of([Spread::normal(1.0).unwrap(); 4]);
    let outcome = budget.tried(fixed(200_000)).unwrap();
    near(outcome.mean, 0.0, 0.02);
    near(outcome.u, 2.0, 0.01);
    near(outcome.symmetric.low, -3.92, 0.03);
    near(outcome.symmetric.high, 3.92, 0.03);
    assert!(outcome.against(&budget, 1).unwrap().agrees());
}

/// JCGM 101:2008, 9.2.3: four rectangular inputs, ±2√3·(2 − (3/5)^¼) = ±3.88 in closed form.
#[test]
fn four_rectangular_inputs_are_as_printed() {
    let budget = sum_of([Spread::rectangular(3f64.sqrt()).unwrap(); 4]);
    let outcome = budget.tried(fixed(200_000)).unwrap();
    let end = 2.0 * 3f64.sqrt() * (2.0 - 0.6f64.powf(0.25));
    assert_eq!(format!("{end:.2}"), "3.88");
    near(outcome.symmetric.low, -end, 0.025);
    near(outcome.symmetric.high, end, 0.025);
    assert!(outcome.against(&budget, 1).unwrap().agrees());
    let strict = outcome.against(&budget, 2).unwrap();
    near(strict.tolerance, 0.05, 1e-12);
}

/// JCGM 101:2008, 9.2.4: one rectangle ten times as wide governs, the budget says ±19.9 where ±17.0 holds 95 %.
#[test]
fn a_governing_rectangle_is_as_printed() {
    let small = Spread::rectangular(3f64.sqrt()).unwrap();
    let large = Spread::rectangular(10.0 * 3f64.sqrt()).unwrap();
    let budget = sum_of([small, small, small, large]);
    assert_eq!(format!("{:.1}", budget.u()), "10.1");
    let expanded = budget.expanded(Level::P95).unwrap().expanded;
    assert_eq!(format!("{expanded:.1}"), "19.9");
    let outcome = budget.tried(fixed(200_000)).unwrap();
    near(outcome.symmetric.low, -17.0, 0.06);
    near(outcome.symmetric.high, 17.0, 0.06);
    let verdict = outcome.against(&budget, 2).unwrap();
    near(verdict.tolerance, 0.5, 1e-12);
    assert!(!verdict.agrees(), "{verdict:?}");
}

/// y = x₁² + x₂², in units of 10⁻⁶.
fn loss(values: &[f64]) -> f64 {
    1e6 * (values[0] * values[0] + values[1] * values[1])
}

fn loss_at(x: f64) -> Outcome {
    let spread = Spread::normal(0.005).unwrap();
    let inputs = [input("x1", x, spread), input("x2", 0.0, spread)];
    trial::run(&[&inputs[0], &inputs[1]], &[], loss, fixed(400_000)).unwrap()
}

/// JCGM 101:2008, 9.4.2: comparison loss in microwave metrology. At nought every sensitivity is nought and a first-order
/// budget says u = 0; in truth y is exponential with 50 for mean and u, and [0, 150] is the shortest interval.
#[test]
fn a_law_without_slope_is_as_printed() {
    let outcome = loss_at(0.0);
    near(outcome.mean, 50.0, 0.4);
    near(outcome.u, 50.0, 0.5);
    near(outcome.shortest.low, 0.0, 0.5);
    near(outcome.shortest.high, 150.0, 2.0);
    near(outcome.symmetric.low, -50.0 * 0.975f64.ln(), 0.1);
    near(outcome.symmetric.high, -50.0 * 0.025f64.ln(), 2.5);
}

/// The same at 0.010 and 0.050: mean x² + 2u² and u = 2u·√(x² + u²) in closed form.
#[test]
fn a_law_that_bends_is_as_in_closed_form() {
    for x in [0.010, 0.050f64] {
        let outcome = loss_at(x);
        let mean = 1e6 * (x * x + 2.0 * 0.005 * 0.005);
        let u = 1e6 * 2.0 * 0.005 * (x * x + 0.005 * 0.005f64).sqrt();
        near(outcome.mean, mean, 0.005 * mean);
        near(outcome.u, u, 0.005 * u);
    }
    near(loss_at(0.010).shortest.high, 367.0, 4.0);
}

/// The budget's own formula is the truth for a linear law of normal errors, however they are correlated.
#[test]
fn correlated_errors_are_drawn_as_they_are_budgeted() {
    let input = |name: &str, how| {
        let gain = Influence::new(
            Origin::new(name, "gain"),
            Unit::Metre,
            Spread::normal(0.4).unwrap(),
        );
        let own = Influence::new(
            Origin::new(name, "own"),
            Unit::Metre,
            Spread::normal(0.3).unwrap(),
        );
        Budget::draft(name, 1.0, Unit::Metre)
            .row(gain.shared("module 1", how), 1.0)
            .row(own, 1.0)
            .finish()
            .unwrap()
    };
    let tie = Tie {
        a: Origin::new("a", "own"),
        b: Origin::new("b", "own"),
        r: -0.6,
    };
    for how in [Common::Wholly, Common::Partly(0.3), Common::Unknown] {
        for by in [[1.0, 1.0], [1.0, -1.0], [2.0, -0.5]] {
            let (a, b) = (input("a", how), input("b", how));
            let budget = Budget::draft("y", by[0] + by[1], Unit::Metre)
                .through(&a, by[0])
                .through(&b, by[1])
                .tied(tie.a.clone(), tie.b.clone(), tie.r)
                .finish()
                .unwrap();
            let law = |x: &[f64]| by[0] * x[0] + by[1] * x[1];
            let outcome =
                trial::run(&[&a, &b], std::slice::from_ref(&tie), law, fixed(100_000)).unwrap();
            near(outcome.u / budget.u(), 1.0, 0.01);
            near(
                budget.tried(fixed(100_000)).unwrap().u / budget.u(),
                1.0,
                0.01,
            );
        }
    }
}

/// Student's t with 5 degrees of freedom holds 95 % within ±2.571 u (JCGM 100:2008, table G.2).
#[test]
fn few_degrees_of_freedom_widen_the_interval_as_the_factor_does() {
    let budget = input(
        "x",
        0.0,
        Spread::scatter(1.0, Dof::new(5.0).unwrap()).unwrap(),
    );
    let outcome = budget.tried(fixed(400_000)).unwrap();
    near(outcome.symmetric.high, 2.571, 0.02);
    near(outcome.shortest.width(), 2.0 * 2.571, 0.04);
}

#[test]
fn a_trial_goes_on_until_it_stands_still_and_is_the_same_again() {
    let budget = sum_of([Spread::normal(1.0).unwrap(); 4]);
    let outcome = budget.tried(Trial::DEFAULT).unwrap();
    assert_eq!(outcome.settled, Some(true));
    assert!(
        (20_000..=1_000_000).contains(&outcome.trials),
        "{}",
        outcome.trials
    );
    assert_eq!(budget.tried(Trial::DEFAULT).unwrap(), outcome);
    let other = Trial {
        seed: 2,
        ..Trial::DEFAULT
    };
    assert_ne!(budget.tried(other).unwrap(), outcome);
    let hurried = Trial {
        count: Count::Settled {
            digits: 2,
            max: 20_000,
        },
        ..Trial::DEFAULT
    };
    let outcome = budget.tried(hurried).unwrap();
    assert_eq!((outcome.settled, outcome.trials), (Some(false), 20_000));
}

#[test]
fn what_cannot_be_drawn_is_refused_with_a_sentence() {
    let budget = input("x", 1.0, Spread::normal(1.0).unwrap());
    let said = |outcome: Result<Outcome, BadTrial>| outcome.unwrap_err().to_string();
    assert_eq!(
        said(budget.tried(fixed(100))),
        "100 draws cannot show an interval of that level; it takes 2000"
    );
    assert_eq!(
        said(trial::run(&[&budget], &[], |x| x[0].sqrt(), fixed(2000))),
        "the law gives NaN for values within the uncertainty of its inputs; state smaller uncertainties, or no result"
    );
}
