//! Means, their uncertainty and robust statements against NIST's certified series, numpy, scipy, AllanTools
//! (`data/reference.json`) and the trade's check values (`data/check_values.json`).

#![expect(clippy::doc_markdown, reason = "names of libraries and formulae")]
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use std::time::Duration;

use proptest::prelude::*;
use support::{
    assert_abs, assert_rel, check_value, number, numbers, reference, remembering, rows, second,
    series, white,
};
use zonda_evaluate::coverage::CoverageMin;
use zonda_evaluate::effective::{ar1, ar1_finite, clamped};
use zonda_evaluate::mean::{JoinError, PushError};
use zonda_evaluate::moments::{c4, u_rel_of_sd};
use zonda_evaluate::moving::Moving;
use zonda_evaluate::robust::Ordered;
use zonda_evaluate::weighted::TimeWeighted;
use zonda_evaluate::{Averaging, Mean, MeanRule, Moments, Reading, Stretch, allan};
use zonda_model::{Period, Quality};

fn mean_of(values: &[f64]) -> Mean {
    let end = second(support::float(values.len()));
    let stretch = Stretch::new(second(0.0), end).unwrap();
    let mut averaging = Averaging::new(stretch, MeanRule::every(Period::SECOND));
    for reading in series(values, 1.0) {
        averaging.push(&reading).unwrap();
    }
    averaging.finish().unwrap()
}

/// NIST Statistical Reference Datasets, univariate summary statistics: certified mean, standard deviation and lag-one
/// autocorrelation of `NumAcc1` to `NumAcc4`, made so that careless arithmetic fails.
/// The decimal inputs are not exact in binary; the tolerances of the last two allow for that and no more.
#[test]
fn nist_made_series_are_as_certified() {
    let swinging = |middle: f64, low: f64, high: f64| {
        let pairs = (0..500).flat_map(|_| [low, high]);
        std::iter::once(middle).chain(pairs).collect::<Vec<_>>()
    };
    for (values, mean, sd, lag_one, tolerance) in [
        (
            vec![10_000_001.0, 10_000_003.0, 10_000_002.0],
            10_000_002.0,
            1.0,
            -0.5,
            1e-15,
        ),
        (swinging(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-14),
        (
            swinging(1e6 + 0.2, 1e6 + 0.1, 1e6 + 0.3),
            1e6 + 0.2,
            0.1,
            -0.999,
            1e-9,
        ),
        (
            swinging(1e7 + 0.2, 1e7 + 0.1, 1e7 + 0.3),
            1e7 + 0.2,
            0.1,
            -0.999,
            1e-8,
        ),
    ] {
        let found = mean_of(&values);
        assert_rel(found.mean, mean, 1e-15);
        assert_rel(found.sd.unwrap(), sd, tolerance);
        assert_rel(found.lag_one.unwrap(), lag_one, tolerance);
    }
}

/// NIST's observed series (`data/nist_univariate.json`): 200, 50 and 100 values with 15 certified digits. The values of the
/// second have a spread of 2·10⁻⁴ of their size and are not exact in binary, which leaves twelve.
#[test]
fn nist_observed_series_are_as_certified() {
    let table: serde_json::Value =
        serde_json::from_str(include_str!("data/nist_univariate.json")).unwrap();
    for (set, count) in rows(&table["datasets"]).iter().zip([200, 50, 100]) {
        let values = numbers(&set["values"]);
        assert_eq!(values.len(), count);
        let found = mean_of(&values);
        assert_rel(found.mean, number(set, "mean"), 1e-15);
        assert_rel(found.sd.unwrap(), number(set, "sd"), 1e-12);
        assert_rel(found.lag_one.unwrap(), number(set, "lag_one"), 1e-12);
    }
}

/// numpy 2.4.6 and scipy 1.17.1.
#[test]
fn series_of_all_kinds_are_as_numpy_and_scipy_say() {
    for row in rows(&reference()["statistics"]) {
        let values = numbers(&row["values"]);
        let found = mean_of(&values);
        assert_rel(found.mean, number(row, "mean"), 1e-15);
        assert_rel(found.sd.unwrap(), number(row, "sd"), 1e-12);
        assert_abs(found.lag_one.unwrap(), number(row, "lag_one"), 1e-8);
        let ordered = Ordered::new(values).unwrap();
        assert_rel(ordered.median(), number(row, "median"), 1e-15);
        let mad = ordered.median_absolute_deviation();
        assert_rel(mad, number(row, "mad"), 1e-12);
        for (share, key) in [(0.1, "trimmed_10"), (0.25, "trimmed_25")] {
            assert_rel(
                ordered.trimmed_mean(share).unwrap(),
                number(row, key),
                1e-14,
            );
        }
    }
}

/// Check values `white_series`, `ar1_series` (numpy).
#[test]
fn the_test_series_are_as_checked() {
    let check = check_value("white_series")["expected"].clone();
    let found = mean_of(&white());
    assert_rel(found.mean, number(&check, "mean"), 1e-9);
    assert_rel(found.sd.unwrap(), number(&check, "sd_sample"), 1e-9);
    assert_rel(found.lag_one.unwrap(), number(&check, "lag1"), 1e-9);
    assert_rel(found.min.value, number(&check, "min"), 1e-9);
    assert_rel(found.max.value, number(&check, "max"), 1e-9);

    let check = check_value("ar1_series")["expected"].clone();
    let found = mean_of(&remembering());
    let lag_one = found.lag_one.unwrap();
    assert_rel(lag_one, number(&check, "lag1"), 1e-9);
    assert_rel(ar1(200, lag_one), number(&check, "n_eff"), 1e-9);
    let batches: Moments = remembering()
        .chunks(20)
        .map(|batch| mean_of(batch).mean)
        .collect();
    let by_batches = batches.sd().unwrap() / 10f64.sqrt();
    assert_rel(by_batches, number(&check, "se_batch_means"), 1e-9);
    // Ours is neither formula; it must lie with both, and far from the naive one.
    let u = found.standard_error.unwrap().u;
    let (naive, by_lag) = (number(&check, "se_naive"), number(&check, "se_neff"));
    assert!(u > 1.25 * naive && (u / by_lag - 1.0).abs() < 0.25, "{u}");
}

/// Check values `n_eff`, `n_eff_clamp` (closed forms) and `s_over_c4` (JCGM 100:2008, E.4.3).
#[test]
fn effective_sizes_and_bias_factors_are_as_checked() {
    let check = check_value("n_eff");
    for row in rows(&check["expected"]["rows"]) {
        let (n, r) = (row["n"].as_u64().unwrap(), number(row, "r"));
        assert_rel(ar1(n, r), number(row, "asymptotic"), 1e-9);
        assert_rel(ar1_finite(n, r), number(row, "exact_finite"), 1e-9);
    }
    let clamp = check_value("n_eff_clamp");
    let least = number(&clamp["expected"], "use_at_least");
    assert_rel(clamped(ar1(10, 0.9), 10), least, 1e-12);

    let check = check_value("s_over_c4");
    let sizes = numbers(&check["inputs"]["n"]);
    let factors = numbers(&check["expected"]["c4"]);
    let percents = numbers(&check["expected"]["rel_u_of_s_percent"]);
    for ((n, factor), percent) in sizes.iter().zip(factors).zip(percents) {
        let n = [2u64, 3, 5, 10, 30]
            .into_iter()
            .find(|k| (*n - support::float(usize::try_from(*k).unwrap())).abs() < 0.5)
            .unwrap();
        assert_rel(c4(n).unwrap(), factor, 1e-9);
        assert_rel(100.0 * u_rel_of_sd(n).unwrap(), percent, 1e-9);
    }
    assert_eq!((c4(1), u_rel_of_sd(1)), (None, None));
}

/// Check values `allan` and AllanTools 2024.6.
#[test]
fn allan_deviations_are_as_allantools_says() {
    let check = check_value("allan");
    for (name, values) in [("z", white()), ("y", remembering())] {
        let expected = rows(&check["expected"]["rows"]);
        let row = expected.iter().find(|row| row["series"] == name).unwrap();
        for (k, m) in [1, 2, 4, 8, 16].into_iter().enumerate() {
            let (plain, overlapping) = (numbers(&row["adev"])[k], numbers(&row["oadev"])[k]);
            assert_rel(allan::deviation(&values, m).unwrap(), plain, 1e-9);
            assert_rel(
                allan::overlapping_deviation(&values, m).unwrap(),
                overlapping,
                1e-9,
            );
        }
    }
    for row in rows(&reference()["allan"]) {
        let values = numbers(&row["values"]);
        for (k, m) in [1, 2, 3, 5, 10, 40].into_iter().enumerate() {
            assert_rel(
                allan::deviation(&values, m).unwrap(),
                numbers(&row["adev"])[k],
                1e-9,
            );
            let overlapping = allan::overlapping_deviation(&values, m).unwrap();
            assert_rel(overlapping, numbers(&row["oadev"])[k], 1e-9);
        }
        assert_eq!(allan::deviation(&values, 201), None);
        assert_eq!(allan::overlapping_deviation(&values, 0), None);
    }
}

/// Check value `moving_mean`: a trailing window of three samples, two of which are enough where one is missing.
#[test]
fn a_moving_mean_survives_a_missing_sample() {
    let check = check_value("moving_mean");
    let expected = &check["expected"];
    let trailing = |values: &serde_json::Value, share| {
        let coverage_min = CoverageMin::new(share).unwrap();
        let rule = MeanRule {
            coverage_min,
            ..MeanRule::every(Period::SECOND)
        };
        let mut moving = Moving::new(Duration::from_secs(3), rule).unwrap();
        let means = rows(values).iter().enumerate().map(|(k, value)| {
            let at = second(support::float(k));
            let quality = Quality::empty();
            let value = value.as_f64();
            moving.push(&Reading { at, value, quality }).unwrap().mean
        });
        means.skip(2).map(Option::unwrap).collect::<Vec<_>>()
    };
    assert_eq!(
        trailing(&check["inputs"]["x"], 1.0),
        numbers(&expected["trailing"])
    );
    let found = trailing(&expected["x_with_gap"], 0.6);
    assert_eq!(found, numbers(&expected["trailing_min_count_2"]));
}

/// Check values `irregular_mean` and `mean_of_means`.
#[test]
fn uneven_steps_and_uneven_blocks_are_weighted() {
    let check = check_value("irregular_mean");
    let period = Period::new(Duration::from_secs(20)).unwrap();
    let mut mean = TimeWeighted::new(period);
    let times = numbers(&check["inputs"]["t_s"]);
    for (at, value) in times.iter().zip(numbers(&check["inputs"]["v"])) {
        mean.push(second(*at), value);
    }
    let expected = &check["expected"];
    assert_rel(
        mean.by_lines().unwrap(),
        number(expected, "trapezoid_time_weighted"),
        1e-12,
    );
    assert_rel(
        mean.by_holding().unwrap(),
        number(expected, "previous_value_hold"),
        1e-12,
    );

    let check = check_value("mean_of_means");
    let mut all: Moments = std::iter::repeat_n(10.0, 60).collect();
    all.join(&std::iter::repeat_n(16.0, 12).collect());
    assert_rel(
        all.mean().unwrap(),
        number(&check["expected"], "pooled_mean"),
        1e-12,
    );
}

#[test]
fn too_little_is_refused_with_a_sentence() {
    let stretch = Stretch::new(second(0.0), second(60.0)).unwrap();
    let mut averaging = Averaging::new(stretch, MeanRule::every(Period::SECOND));
    for (k, reading) in series(&[20.0; 60], 1.0).enumerate() {
        let quality = if k < 20 {
            Quality::BELOW_THRESHOLD
        } else {
            Quality::empty()
        };
        averaging.push(&Reading { quality, ..reading }).unwrap();
    }
    assert_eq!(
        averaging.finish().unwrap_err().to_string(),
        "good readings cover 67.5 % of the stretch 1970-01-01T00:00:00.000000Z to 1970-01-01T00:01:00.000000Z, \
         and at least 90.0 % are asked for (40 used, 20 left out: below_threshold 20); \
         choose another stretch, or ask for less and say so"
    );
}

#[test]
fn readings_out_of_order_or_place_are_refused() {
    let stretch = Stretch::new(second(0.0), second(60.0)).unwrap();
    let mut averaging = Averaging::new(stretch, MeanRule::every(Period::SECOND));
    averaging.push(&Reading::good(second(5.0), 1.0)).unwrap();
    let early = averaging
        .push(&Reading::good(second(4.0), 1.0))
        .unwrap_err();
    assert!(matches!(early, PushError::OutOfOrder { .. }), "{early}");
    let outside = averaging
        .push(&Reading::good(second(60.0), 1.0))
        .unwrap_err();
    assert!(matches!(outside, PushError::Outside { .. }), "{outside}");

    let later = Stretch::new(second(61.0), second(70.0)).unwrap();
    let apart = averaging.join(Averaging::new(later, MeanRule::every(Period::SECOND)));
    assert!(matches!(apart, Err(JoinError::Apart { .. })));
}

/// A night of a slow wave (100 s) that carries fast noise of the same size: the lag-one formula claims a
/// sixth of the true uncertainty; ours does not. The truth is the scatter of the means over many such nights.
#[test]
fn a_slow_wave_under_fast_noise_is_seen() {
    let (mut means, mut claimed, mut by_lag_one) =
        (Moments::default(), Moments::default(), Moments::default());
    let mut noise = support::Noise::new();
    let memory: f64 = 0.99;
    let fresh = (1.0 - memory * memory).sqrt();
    for _ in 0..100 {
        let mut wave = 0.0;
        let night: Vec<f64> = (0..5000)
            .map(|_| {
                wave = memory * wave + fresh * noise.next().unwrap();
                wave + noise.next().unwrap()
            })
            .collect();
        let mean = mean_of(&night);
        means.push(mean.mean);
        claimed.push(mean.standard_error.unwrap().u);
        let n_eff = ar1(5000, mean.lag_one.unwrap());
        by_lag_one.push(mean.sd.unwrap() / n_eff.sqrt());
    }
    let truth = means.sd().unwrap();
    let (claimed, by_lag_one) = (claimed.mean().unwrap(), by_lag_one.mean().unwrap());
    assert!(
        claimed > 0.8 * truth && claimed < 1.25 * truth,
        "{claimed} {truth}"
    );
    assert!(by_lag_one < 0.25 * truth, "{by_lag_one} {truth}");
}

fn readings() -> impl Strategy<Value = Vec<Reading>> {
    let one = (0i64..3_000_000, -300.0..900.0f64, 0u8..12);
    prop::collection::vec(one, 2..300).prop_map(|all| {
        let mut at = 0;
        let reading = |(step, value, kind)| {
            at += step;
            let quality = if kind == 0 {
                Quality::NOISY
            } else {
                Quality::empty()
            };
            let value = (kind != 1).then_some(value);
            let at = zonda_model::Stamp::from_micros(at);
            Reading { at, value, quality }
        };
        all.into_iter().map(reading).collect()
    })
}

proptest! {
    /// However the stream is cut, every figure is the same to the last bit.
    #[test]
    fn it_does_not_matter_how_the_stream_was_cut(
        readings in readings(),
        cuts in prop::collection::btree_set(1usize..300, 0..6),
    ) {
        let coverage_min = CoverageMin::new(1e-6).unwrap();
        let rule = MeanRule { coverage_min, ..MeanRule::every(Period::SECOND) };
        let end = readings.last().unwrap().at.plus(Duration::from_secs(1));
        let whole = Stretch::new(second(0.0), end).unwrap();
        let mut at_once = Averaging::new(whole, rule);
        for reading in &readings {
            at_once.push(reading).unwrap();
        }
        let mut parts: Option<Averaging> = None;
        let mut from = whole.from();
        let mut bounds: Vec<_> = cuts.iter().filter_map(|k| readings.get(*k)).map(|r| r.at).collect();
        bounds.push(end);
        for to in bounds {
            let Ok(piece) = Stretch::new(from, to) else { continue };
            let mut part = Averaging::new(piece, rule);
            for reading in readings.iter().filter(|r| piece.contains(r.at)) {
                part.push(reading).unwrap();
            }
            from = to;
            match &mut parts {
                Some(before) => before.join(part).unwrap(),
                None => parts = Some(part),
            }
        }
        let joined = parts.unwrap();
        prop_assert_eq!(joined.finish(), at_once.finish());
    }

    /// The mean lies between the extremes, and moving all readings moves it as far and nothing else.
    #[test]
    fn a_shift_shifts(values in prop::collection::vec(-50.0..50.0f64, 8..80), shift in -1000.0..1000.0f64) {
        let here = mean_of(&values);
        let moved: Vec<f64> = values.iter().map(|value| value + shift).collect();
        let there = mean_of(&moved);
        prop_assert!(here.min.value <= here.mean && here.mean <= here.max.value);
        prop_assert!((there.mean - here.mean - shift).abs() < 1e-10);
        prop_assert!((there.sd.unwrap() - here.sd.unwrap()).abs() < 1e-9);
    }
}
