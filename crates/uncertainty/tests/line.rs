//! Straight lines against NIST's certified data, the GUM's thermometer, Pearson's data with York's weights, and the
//! trade's check values.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use proptest::prelude::*;
use zonda_uncertainty::{BadLine, Line, NoisyPoint};

fn close(found: f64, expected: f64, tolerance: f64) {
    let away = (found - expected).abs();
    assert!(
        away <= tolerance * expected.abs(),
        "{found}, expected {expected}"
    );
}

/// NIST Statistical Reference Datasets, linear regression, "Norris" (calibration of ozone monitors): (y, x), 36 points.
const NORRIS: [(f64, f64); 36] = [
    (0.1, 0.2),
    (338.8, 337.4),
    (118.1, 118.2),
    (888.0, 884.6),
    (9.2, 10.1),
    (228.1, 226.5),
    (668.5, 666.3),
    (998.5, 996.3),
    (449.1, 448.6),
    (778.9, 777.0),
    (559.2, 558.2),
    (0.3, 0.4),
    (0.1, 0.6),
    (778.1, 775.5),
    (668.8, 666.9),
    (339.3, 338.0),
    (448.9, 447.5),
    (10.8, 11.6),
    (557.7, 556.0),
    (228.3, 228.1),
    (998.0, 995.8),
    (888.8, 887.6),
    (119.6, 120.2),
    (0.3, 0.3),
    (0.6, 0.3),
    (557.6, 556.8),
    (339.3, 339.1),
    (888.0, 887.2),
    (998.5, 999.0),
    (778.9, 779.0),
    (10.2, 11.1),
    (117.6, 118.3),
    (228.9, 229.2),
    (668.4, 669.1),
    (449.2, 448.9),
    (0.2, 0.5),
];

#[test]
fn norris_is_as_nist_certified_it() {
    let points = NORRIS.map(|(y, x)| (x, y));
    let line = Line::ordinary(&points).unwrap();
    close(line.intercept(), -0.262_323_073_774_029, 1e-12);
    close(line.slope(), 1.002_116_818_020_45, 1e-14);
    close(line.intercept_u(), 0.232_818_234_301_152, 1e-13);
    close(line.slope_u(), 0.429_796_848_199_937e-3, 1e-13);
    close(line.residual_sd().unwrap(), 0.884_796_396_144_373, 1e-13);
    close(line.dof(), 34.0, 0.0);
}

/// JCGM 100:2008, H.3: corrections of a thermometer, fitted over t − 20 °C; figures as printed there.
#[test]
fn the_gums_thermometer_is_as_printed() {
    let readings = [
        (21.521, -0.171),
        (22.012, -0.169),
        (22.512, -0.166),
        (23.003, -0.159),
        (23.507, -0.164),
        (23.999, -0.165),
        (24.513, -0.156),
        (25.002, -0.157),
        (25.503, -0.159),
        (26.010, -0.161),
        (26.511, -0.160),
    ];
    let line = Line::ordinary(&readings.map(|(t, b)| (t - 20.0, b))).unwrap();
    assert_eq!(format!("{:.4}", line.intercept()), "-0.1712");
    assert_eq!(format!("{:.4}", line.intercept_u()), "0.0029");
    assert_eq!(format!("{:.5}", line.slope()), "0.00218");
    assert_eq!(format!("{:.5}", line.slope_u()), "0.00067");
    assert_eq!(format!("{:.3}", line.correlation()), "-0.930");
    assert_eq!(format!("{:.4}", line.residual_sd().unwrap()), "0.0035");
    let at_30 = line.at(10.0);
    assert_eq!(format!("{:.4}", at_30.value), "-0.1494");
    assert_eq!(format!("{:.4}", at_30.u), "0.0041");
}

/// Pearson's ten points (Phil. Mag. 2 (1901) 559).
const PEARSON: [(f64, f64); 10] = [
    (0.0, 5.9),
    (0.9, 5.4),
    (1.8, 4.4),
    (2.6, 4.6),
    (3.3, 3.5),
    (4.4, 3.7),
    (5.2, 2.8),
    (6.1, 2.8),
    (6.5, 2.4),
    (7.4, 1.5),
];

/// Pearson's data with York's weights (York, Can. J. Phys. 44 (1966) 1079): slope and intercept as York et al. (2004)
/// and Cantrell, Atmos. Chem. Phys. 8 (2008) 5477 print them.
#[test]
fn pearsons_points_with_yorks_weights_are_as_printed() {
    let weights_x = [
        1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0,
    ];
    let weights_y = [1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0];
    let points: Vec<NoisyPoint> = PEARSON
        .iter()
        .zip(weights_x.iter().zip(&weights_y))
        .map(|((x, y), (wx, wy))| NoisyPoint {
            u_x: f64::sqrt(1.0 / wx),
            ..NoisyPoint::in_y(*x, *y, f64::sqrt(1.0 / wy))
        })
        .collect();
    let line = Line::york(&points).unwrap();
    close(line.intercept(), 5.479_910_22, 1e-9);
    close(line.slope(), -0.480_533_407, 1e-9);
    assert_eq!(format!("{:.4}", line.slope_u()), "0.0580");
    assert_eq!(format!("{:.4}", line.intercept_u()), "0.2950");
    assert_eq!(format!("{:.4}", line.birge().unwrap().powi(2)), "1.4833");
}

/// Pearson's own orthogonal line through them: y = 5.784 − 0.546·x as printed in 1901.
#[test]
fn pearsons_own_line_is_as_printed() {
    let line = Line::deming(&PEARSON, 1.0).unwrap();
    assert_eq!(format!("{:.3}", line.intercept()), "5.784");
    assert_eq!(format!("{:.3}", line.slope()), "-0.546");
}

/// A loop checked at five currents: numpy, scipy and GTC agree on these figures.
#[test]
fn a_loop_check_is_as_three_libraries_have_it() {
    let points = [
        (4.0, 4.0061),
        (8.0, 8.0048),
        (12.0, 12.0029),
        (16.0, 16.0012),
        (20.0, 19.9987),
    ];
    let line = Line::ordinary(&points).unwrap();
    close(line.slope(), 0.99954, 1e-12);
    close(line.intercept(), 0.00826, 1e-11);
    close(line.slope_u(), 2.872_281_322_7e-5, 1e-7);
    close(line.intercept_u(), 3.810_512e-4, 1e-6);
    close(line.correlation(), -0.904_534, 1e-6);
    close(line.residual_sd().unwrap(), 3.633_18e-4, 1e-6);
    let expected = [-0.00032, 0.00022, 0.00016, 0.00030, -0.00036];
    for (found, expected) in line.residuals().iter().zip(expected) {
        close(*found, expected, 1e-9);
    }
    let back = line.back(12.5, line.residual_sd().unwrap()).unwrap();
    assert_eq!(format!("{:.7}", back.value), "12.4974888");
    assert_eq!(format!("{:.6}", back.u), "0.000398");
}

#[test]
fn what_is_no_line_is_refused_with_a_sentence() {
    let said = |line: Result<Line, BadLine>| line.unwrap_err().to_string();
    assert_eq!(
        said(Line::ordinary(&[(0.0, 0.0), (1.0, 1.0)])),
        "a line and its scatter need at least 3 points, there are 2; two points can be adjusted to, not checked"
    );
    assert_eq!(
        said(Line::weighted(&[(1.0, 0.0, 0.1)])),
        "a line needs at least 2 points, there are 1"
    );
    assert_eq!(
        said(Line::ordinary(&[(1.0, 0.0), (1.0, 1.0), (1.0, 2.0)])),
        "the points do not spread: all stand at one place, and no slope can be told"
    );
    assert_eq!(
        said(Line::weighted(&[(1.0, 0.0, 0.1), (2.0, 1.0, 0.0)])),
        "the uncertainties of point 2 cannot be: they are 0 or more, not both 0, with a correlation between -1 and 1"
    );
    assert_eq!(
        said(Line::ordinary(&[(1.0, 0.0), (2.0, f64::NAN), (3.0, 1.0)])),
        "point 2 is not a pair of finite numbers"
    );
    assert_eq!(
        said(Line::deming(&PEARSON, 0.0)),
        "0 is not a ratio of variances: it is above zero, and 1 where both sides are alike"
    );
}

#[test]
fn a_round_cloud_is_no_line() {
    let around = |k: u32| (f64::from(k) * std::f64::consts::TAU / 8.0).sin_cos();
    let cloud: Vec<(f64, f64)> = (0..8).map(around).collect();
    match Line::deming(&cloud, 1.0) {
        Err(BadLine::NotSettled | BadLine::NoSpread) => (),
        // Rounding may tell one direction from another; then nothing is known about it.
        line => assert!(line.unwrap().slope_u() > 0.1),
    }
}

#[test]
fn a_level_line_leads_back_to_nothing() {
    let line = Line::ordinary(&[(0.0, 5.0), (1.0, 5.0), (2.0, 5.0)]).unwrap();
    assert_eq!(line.back(5.0, 0.1), None);
    close(line.at(7.0).value, 5.0, 0.0);
}

fn noisy() -> impl Strategy<Value = Vec<NoisyPoint>> {
    let point = (-5.0..5.0f64, 0.01..0.2f64, 0.01..0.2f64, -0.9..0.9f64);
    prop::collection::vec(point, 4..20).prop_map(|points| {
        points
            .into_iter()
            .enumerate()
            .map(|(index, (error, u_x, u_y, r))| {
                let x = f64::from(u32::try_from(index).unwrap());
                let y = 3.0 - 0.7 * x + 0.1 * error;
                NoisyPoint { x, u_x, y, u_y, r }
            })
            .collect()
    })
}

proptest! {
    /// Exchanged axes give the same line: only a fit that takes both as noisy does that.
    #[test]
    fn the_axes_can_be_exchanged(points in noisy()) {
        let there = Line::york(&points).unwrap();
        let exchanged = |p: &NoisyPoint| NoisyPoint { x: p.y, u_x: p.u_y, y: p.x, u_y: p.u_x, r: p.r };
        let back = Line::york(&points.iter().map(exchanged).collect::<Vec<_>>()).unwrap();
        prop_assert!((there.slope() * back.slope() - 1.0).abs() < 1e-9);
        prop_assert!((there.intercept() + back.intercept() * there.slope()).abs() < 1e-8);
    }

    /// Order and units do not matter.
    #[test]
    fn order_and_units_commute(points in noisy(), by in 0.01..100.0f64) {
        let line = Line::york(&points).unwrap();
        let scaled = |p: &NoisyPoint| NoisyPoint { y: p.y * by, u_y: p.u_y * by, ..*p };
        let scaled = Line::york(&points.iter().rev().map(scaled).collect::<Vec<_>>()).unwrap();
        prop_assert!((scaled.slope() / line.slope() / by - 1.0).abs() < 1e-9);
        prop_assert!((scaled.slope_u() / line.slope_u() / by - 1.0).abs() < 1e-9);
        prop_assert!((scaled.correlation() - line.correlation()).abs() < 1e-9);
    }

    /// A line read at x and taken back is at x.
    #[test]
    fn there_and_back(points in noisy(), x in -10.0..10.0f64) {
        let line = Line::york(&points).unwrap();
        prop_assert!((line.back(line.at(x).value, 0.0).unwrap().value - x).abs() < 1e-9);
    }
}
