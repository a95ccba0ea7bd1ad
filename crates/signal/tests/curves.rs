//! Curves, tables and polynomials: order kept, agreement with scipy, refusals.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use common::cases;
use proptest::prelude::*;
use zonda_model::written::Span;
use zonda_model::{Quality, Unit};
use zonda_signal::curve::BadCurve;
use zonda_signal::{Curve, Interpolation, Polynomial, Table};

/// scipy.interpolate.PchipInterpolator uses the same slopes.
#[test]
fn cubic_pieces_agree_with_scipy() {
    let all = cases(include_str!("data/curves.json"));
    let curves: Vec<_> = all
        .iter()
        .filter(|case| case.id().starts_with("pchip_"))
        .collect();
    assert_eq!(curves.len(), 4);
    for case in curves {
        let points = case.inputs("x").into_iter().zip(case.inputs("y")).collect();
        let curve = Curve::new(points, Interpolation::Cubic).unwrap();
        for (x, y) in case.inputs("at").into_iter().zip(case.expecteds("y")) {
            case.close(curve.at(x), y);
        }
    }
}

#[test]
fn points_out_of_order_are_refused() {
    let refused =
        |points: &[(f64, f64)]| Curve::new(points.to_vec(), Interpolation::Cubic).unwrap_err();
    assert_eq!(refused(&[(0.0, 0.0)]), BadCurve::TooFew(1));
    assert_eq!(
        refused(&[(0.0, 0.0), (f64::NAN, 1.0)]),
        BadCurve::NotFinite(2)
    );
    assert_eq!(
        refused(&[(0.0, 0.0), (2.0, 1.0), (1.0, 2.0)]),
        BadCurve::NotAscending {
            point: 3,
            x: 1.0,
            before: 2.0
        }
    );
    assert_eq!(
        refused(&[(0.0, 0.0), (1.0, 2.0), (2.0, 1.0)]),
        BadCurve::NotMonotone(3)
    );
    assert_eq!(refused(&[(0.0, 5.0), (1.0, 5.0)]), BadCurve::NotMonotone(2));
}

#[test]
fn a_table_goes_on_in_a_straight_line_and_says_so() {
    let points = vec![(1.0, 0.0), (2.0, 10.0), (4.0, 40.0)];
    let table = Table::new(
        Unit::Volt,
        Unit::FootPerMinute,
        points,
        Interpolation::Linear,
    )
    .unwrap();
    let read = |volt| {
        let stepped = table.at(volt);
        (
            Unit::FootPerMinute.from_si(stepped.value.unwrap()).round(),
            stepped.quality,
        )
    };
    assert_eq!(read(1.0), (0.0, Quality::empty()));
    assert_eq!(read(3.0), (25.0, Quality::empty()));
    assert_eq!(read(0.9), (-1.0, Quality::UNDER_RANGE));
    assert_eq!(read(5.0), (55.0, Quality::OVER_RANGE));
}

fn domain(text: &str) -> Span {
    text.parse().unwrap()
}

#[test]
fn a_polynomial_holds_over_its_domain() {
    let square = vec![1.0, 0.0, 2.0];
    let rising = Polynomial::new(domain("1-3 V"), Unit::Pascal, square.clone()).unwrap();
    assert_eq!(rising.at(2.0).value, Some(9.0));
    assert_eq!(rising.at(0.9).value, None);
    assert_eq!(rising.at(0.9).quality, Quality::UNDER_RANGE);
    assert_eq!(rising.at(3.1).quality, Quality::OVER_RANGE);
    let turning = Polynomial::new(domain("-1 to 3 V"), Unit::Pascal, square).unwrap_err();
    assert_eq!(
        turning.to_string(),
        "the polynomial must rise or fall throughout -1 to 3 V: near -1 V it turns"
    );
    assert!(Polynomial::new(domain("0-1 V"), Unit::Pascal, vec![1.0]).is_err());
    assert!(Polynomial::new(domain("0-1 V"), Unit::Pascal, vec![1.0, f64::NAN]).is_err());
    assert!(Polynomial::new(domain("1-0 V"), Unit::Pascal, vec![0.0, 1.0]).is_err());
    assert!(Polynomial::new(domain("0-1 V"), Unit::Pascal, vec![1.0; 21]).is_err());
}

fn rising_points() -> impl Strategy<Value = Vec<(f64, f64)>> {
    proptest::collection::vec((0.01..10.0_f64, 0.001..10.0_f64), 2..12).prop_map(|steps| {
        let mut at = (-5.0, -5.0);
        let take = |step: &(f64, f64)| {
            at = (at.0 + step.0, at.1 + step.1);
            at
        };
        steps.iter().map(take).collect()
    })
}

proptest! {
    #[test]
    fn a_curve_keeps_the_order_of_its_points(
        points in rising_points(),
        is_cubic in any::<bool>(),
        falls in any::<bool>(),
        mut xs in proptest::collection::vec(-20.0..130.0_f64, 2..60),
    ) {
        let sign = if falls { -1.0 } else { 1.0 };
        let points: Vec<_> = points.into_iter().map(|(x, y)| (x, sign * y)).collect();
        let interpolation = if is_cubic { Interpolation::Cubic } else { Interpolation::Linear };
        let curve = Curve::new(points.clone(), interpolation).unwrap();
        for (x, y) in points {
            prop_assert!((curve.at(x) - y).abs() < 1e-12 * y.abs().max(1.0));
        }
        xs.sort_by(f64::total_cmp);
        let ys: Vec<f64> = xs.iter().map(|x| sign * curve.at(*x)).collect();
        // rounding may turn two neighbours around by a few units in the last place
        prop_assert!(ys.windows(2).all(|y| y[1] >= y[0] - 1e-12 * y[0].abs().max(1.0)), "{:?}", ys);
    }

    /// What is accepted is monotone on a grid, and what turns on a grid is refused.
    #[test]
    fn a_polynomial_is_judged_as_a_grid_shows_it(
        coefficients in proptest::collection::vec(-10.0..10.0_f64, 2..7),
        from in -3.0..3.0_f64,
        width in 0.1..4.0_f64,
    ) {
        let at = |x: f64| coefficients.iter().rev().fold(0.0, |y, c| y * x + c);
        let ys: Vec<f64> = (0..=2000).map(|i| at(from + width * f64::from(i) / 2000.0)).collect();
        let rises = ys.windows(2).all(|y| y[1] > y[0]);
        let falls = ys.windows(2).all(|y| y[1] < y[0]);
        let span = Span { from, to: from + width, unit: Unit::Volt };
        let is_accepted = Polynomial::new(span, Unit::Pascal, coefficients).is_ok();
        // a turn narrower than the grid may hide from it, never the other way round
        prop_assert!(!is_accepted || rises || falls);
        if !is_accepted && (rises || falls) {
            let step = |i: usize| (ys[i + 1] - ys[i]).abs();
            let smallest = (0..2000).map(step).fold(f64::MAX, f64::min);
            let largest = (0..2000).map(step).fold(0.0, f64::max);
            prop_assert!(smallest < 1e-2 * largest, "refused though it rises everywhere");
        }
    }
}
