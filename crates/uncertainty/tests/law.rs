//! Laws without physics: slopes against differences, results against closed forms.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use proptest::prelude::*;
use zonda_model::Unit;
use zonda_uncertainty::law::{self, BadLaw};
use zonda_uncertainty::slope::gradient;
use zonda_uncertainty::{Budget, Common, Influence, Origin, Spread};

fn input(of: &str, value: f64, unit: Unit, u: f64) -> Budget {
    let in_unit = match unit {
        Unit::DegreeCelsius => Unit::Kelvin,
        other => other,
    };
    let spread = Spread::normal(u).unwrap();
    Budget::input(
        value,
        unit,
        Influence::new(Origin::new(of, "all"), in_unit, spread),
    )
    .unwrap()
}

fn inputs(values: &[f64]) -> Vec<Budget> {
    let one = |(index, value): (usize, &f64)| {
        input(&index.to_string(), *value, Unit::MetrePerSecond, 1.0)
    };
    values.iter().enumerate().map(one).collect()
}

fn slopes(budget: &Budget) -> Vec<f64> {
    budget
        .rows()
        .iter()
        .map(zonda_uncertainty::Row::sensitivity)
        .collect()
}

/// The budget's slopes and value against the law itself.
fn check(budget: &Budget, values: &[f64], law: impl Fn(&[f64]) -> f64) {
    assert!((budget.value() - law(values)).abs() < 1e-12);
    let expected = gradient(&law, values, &vec![1e-3; values.len()]);
    for (found, expected) in slopes(budget).iter().zip(&expected) {
        assert!((found - expected).abs() < 1e-7, "{found} {expected}");
    }
}

#[test]
fn a_difference_of_temperatures_has_no_zero() {
    let (a, b) = (
        input("a", 200.0, Unit::DegreeCelsius, 0.3),
        input("b", 196.0, Unit::DegreeCelsius, 0.4),
    );
    let difference = law::difference("a - b", &a, &b).unwrap();
    assert_eq!(difference.unit(), Unit::Kelvin);
    assert!((difference.u() - 0.5).abs() < 1e-12);
    assert_eq!(law::range("range", &[&b, &a]).unwrap().unit(), Unit::Kelvin);
    let in_fahrenheit = difference.in_unit(Unit::FahrenheitDegree).unwrap();
    assert!((in_fahrenheit.value() - 7.2).abs() < 1e-12);
}

/// Nine probes against one reference: the mean keeps what they share, u²/9 and the square of that.
#[test]
fn a_mean_keeps_what_is_shared() {
    let probe = |index: u32| {
        let own = Influence::new(
            Origin::new(index.to_string(), "own"),
            Unit::Kelvin,
            Spread::normal(0.3).unwrap(),
        );
        let reference = Influence::new(
            Origin::new(index.to_string(), "certificate"),
            Unit::Kelvin,
            Spread::normal(0.4).unwrap(),
        );
        Budget::draft(index.to_string(), 200.0, Unit::DegreeCelsius)
            .row(own, 1.0)
            .row(reference.shared("certificate 0815", Common::Wholly), 1.0)
            .finish()
            .unwrap()
    };
    let probes: Vec<Budget> = (0..9).map(probe).collect();
    let weighted: Vec<(f64, &Budget)> = probes.iter().map(|probe| (1.0, probe)).collect();
    let mean = law::mean("zone", &weighted).unwrap();
    assert!((mean.u() - f64::sqrt(0.09 / 9.0 + 0.16)).abs() < 1e-12);
    let shares = mean.shares();
    assert_eq!(shares[0].0, "certificate");
    assert!((shares[0].1 - 0.16 / 0.17).abs() < 1e-12);
}

#[test]
fn what_has_no_result_is_refused_with_a_sentence() {
    let said = |budget: Result<Budget, BadLaw>| budget.unwrap_err().to_string();
    let (a, b) = (
        input("a", 5.0, Unit::MetrePerSecond, 0.1),
        input("b", 200.0, Unit::DegreeCelsius, 0.1),
    );
    assert_eq!(
        said(law::difference("a - b", &a, &b)),
        "a - b needs values in one unit; these are in m/s and °C"
    );
    assert_eq!(
        said(law::mean("the zone", &[])),
        "the zone needs 1 or more values, there are 0"
    );
    assert_eq!(
        said(law::mean("the zone", &[(0.0, &a)])),
        "the weights of the zone are zero or more, and not all zero"
    );
    assert_eq!(
        said(law::spread("spread", &[&a, &a])),
        "the sensitivity to a: all is NaN: at this value the law has no slope"
    );
    let nought = input("c", 0.0, Unit::MetrePerSecond, 0.1);
    assert_eq!(
        said(law::ratio("share", &a, &nought)),
        "share is inf, and no budget can be made for that"
    );
}

proptest! {
    #[test]
    fn slopes_are_those_of_the_law(values in prop::collection::vec(1.0..10.0f64, 2..6), weights in prop::collection::vec(0.1..1.0f64, 6)) {
        let budgets = inputs(&values);
        let all: Vec<&Budget> = budgets.iter().collect();
        let n = f64::from(u32::try_from(values.len()).unwrap());
        let weighted: Vec<(f64, &Budget)> = weights.iter().copied().zip(all.iter().copied()).collect();
        let mean = |x: &[f64]| {
            let weight: f64 = weights.iter().take(x.len()).sum();
            x.iter().zip(&weights).map(|(x, w)| x * w).sum::<f64>() / weight
        };
        check(&law::mean("mean", &weighted).unwrap(), &values, mean);
        check(&law::sum("sum", &all).unwrap(), &values, |x| x.iter().sum());
        let product = law::product("product", all[0], all[1], Unit::One).unwrap();
        check(&product, &values[..2], |x| x[0] * x[1]);
        check(&law::ratio("ratio", all[0], all[1]).unwrap(), &values[..2], |x| x[0] / x[1]);
        let spread = |x: &[f64]| {
            let mean = x.iter().sum::<f64>() / n;
            (x.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
        };
        prop_assume!(spread(&values) > 0.5);
        check(&law::spread("spread", &all).unwrap(), &values, spread);
    }
}
