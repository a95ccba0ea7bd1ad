//! Transients against analytic courses of first and second order, clean, noisy and with gaps.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use std::time::Duration;

use proptest::prelude::*;
use support::{assert_abs, assert_rel, check_value, number, numbers, second, series};
use zonda_evaluate::transient::{CourseRule, Definition, Settling, Step, Way};
use zonda_evaluate::{Band, Course, Reading, Stretch};
use zonda_model::{Period, Quality};

fn seconds(seconds: f64) -> Duration {
    Duration::from_secs_f64(seconds)
}

fn every(step: f64) -> CourseRule {
    CourseRule::every(Period::new(seconds(step)).unwrap())
}

fn course(values: &[f64], step: f64) -> Course {
    Course::new(every(step), series(values, step)).unwrap()
}

/// 25 °C with 180 K to go, a dead time of 30 s and a time constant of 300 s; check value `fopdt_heatup`.
fn heat_up(at: f64) -> f64 {
    if at < 30.0 {
        25.0
    } else {
        25.0 + 180.0 * (1.0 - (-(at - 30.0) / 300.0).exp())
    }
}

fn sampled(of: impl Fn(f64) -> f64, step: f64, count: usize) -> Vec<f64> {
    (0..count).map(|k| of(support::float(k) * step)).collect()
}

/// Check value `fopdt_heatup`: analytic for the course, numpy for what 10 s samples of it show.
#[test]
fn a_first_order_rise_is_as_analysed() {
    let check = check_value("fopdt_heatup")["expected"].clone();
    let rise = course(&sampled(heat_up, 10.0, 200), 10.0);
    let start = second(0.0);
    let passed = |level| rise.crossing(level, Way::Up, start).unwrap();
    for (level, key) in [(197.0, "197"), (200.0, "200")] {
        let crossing = passed(level);
        let at = crossing.at.unwrap().seconds();
        assert_abs(at, number(&check, &format!("sampled_interp_{key}")), 1e-5);
        let by = number(&check, &format!("sampled_first_sample_{key}"));
        assert_abs(crossing.by.seconds(), by, 1e-9);
    }
    let entry = rise
        .entry(Band::around(200.0, 3.0).unwrap(), start)
        .unwrap();
    assert_eq!(entry, passed(197.0));

    let steepest = rise.steepest(seconds(60.0), Way::Up).unwrap().per_minute();
    assert_rel(
        steepest,
        number(&check, "sampled_max_60s_window_LS_rate_K_min"),
        1e-7,
    );

    let to = Band::around(205.0, 3.0).unwrap();
    let step = Step { from: 25.0, to };
    let mean = rise.mean_rate(step, start).unwrap();
    assert_rel(
        mean.per_minute(),
        number(&check, "mean_rate_10_90_K_min"),
        2e-4,
    );
    assert_eq!(rise.overshoot(step, start), None);
}

/// Check value `second_order_overshoot`: analytic for the course; 10 s samples show a little less.
#[test]
fn a_second_order_rise_is_as_analysed() {
    let check = check_value("second_order_overshoot")["expected"].clone();
    let (zeta, omega) = (0.4f64, 0.01f64);
    let root = (1.0 - zeta * zeta).sqrt();
    let swing = |at: f64| {
        let turns = omega * root * at;
        let rest = (-zeta * omega * at).exp() * (turns.cos() + zeta / root * turns.sin());
        25.0 + 175.0 * (1.0 - rest)
    };
    let to = Band::around(200.0, 5.0).unwrap();
    let step = Step { from: 25.0, to };
    let start = second(0.0);

    let coarse = course(&sampled(swing, 10.0, 200), 10.0);
    let peak = coarse.overshoot(step, start).unwrap();
    assert_rel(peak.value + 200.0, number(&check, "sampled_peak_T"), 1e-9);
    assert_rel(
        peak.at.seconds(),
        number(&check, "sampled_peak_time_s"),
        1e-9,
    );
    let Settling::Settled(stay) = coarse.settling(to, seconds(600.0), start) else {
        panic!("settles")
    };
    let by = number(&check, "sampled_settling_first_sample_after_last_exit_s");
    assert_rel(stay.since.by.seconds(), by, 1e-9);
    assert_eq!(stay.hidden, Duration::ZERO);

    let fine = course(&sampled(swing, 0.5, 4000), 0.5);
    let peak = fine.overshoot(step, start).unwrap();
    // What sampling can hide: ½·|x″|·(Δt/2)², with |x″| below 175 K·ω².
    let hidden = 0.5 * 175.0 * omega * omega * 0.25 * 0.25;
    assert_abs(peak.value, number(&check, "overshoot_K"), hidden);
    let share = number(&check, "overshoot_fraction");
    assert_abs(peak.share, share, hidden / 175.0);
    let Settling::Settled(stay) = fine.settling(to, seconds(600.0), start) else {
        panic!("settles")
    };
    let settled = number(&check, "settling_time_exact_s");
    assert_abs(stay.since.at.unwrap().seconds(), settled, 1e-2);
    let passed = fine.crossing(200.0, Way::Up, start).unwrap().at.unwrap();
    assert_abs(
        passed.seconds(),
        number(&check, "first_reach_setpoint_s"),
        1e-2,
    );
}

/// Check value `door_recovery`: 200 °C, 160 °C at the door's opening, back with a time constant of 120 s.
#[test]
fn a_zone_recovers_from_an_open_door() {
    let check = check_value("door_recovery")["expected"].clone();
    let door = |at: f64| {
        if at < 300.0 {
            200.0
        } else {
            200.0 - 40.0 * (-(at - 300.0) / 120.0).exp()
        }
    };
    let course = course(&sampled(door, 1.0, 1800), 1.0);
    let band = Band::around(200.0, 2.0).unwrap();
    let recovery = course
        .recovery(band, seconds(300.0), second(300.0))
        .unwrap();
    let time = recovery.time().unwrap().as_secs_f64();
    assert_abs(time, number(&check, "recovery_s"), 1e-2);
    assert_rel(recovery.farthest, -40.0, 1e-12);
    assert_eq!(recovery.farthest_at, second(300.0));

    let calm = course
        .recovery(band, seconds(200.0), second(1500.0))
        .unwrap();
    assert_eq!(calm.time(), Some(Duration::ZERO));
}

/// Check value `soak_runs`.
#[test]
fn soak_is_time_whose_both_ends_are_in_band() {
    let check = check_value("soak_runs");
    let low_high = ["band_low", "band_high"].map(|key| number(&check["inputs"], key));
    let band = Band::around(
        f64::midpoint(low_high[0], low_high[1]),
        (low_high[1] - low_high[0]) / 2.0,
    );
    let soak = course(&numbers(&check["inputs"]["values"]), 60.0).soak(band.unwrap());
    let expected = &check["expected"];
    assert_rel(
        soak.total.as_secs_f64(),
        number(expected, "cumulative_in_band_intervals_s"),
        1e-12,
    );
    let longest = soak.longest.unwrap().length().as_secs_f64();
    assert_rel(longest, number(expected, "longest_contiguous_s"), 1e-12);
    assert_eq!(Some(soak.excursions), expected["excursions"].as_u64());
}

/// Noise of 2 K about the rise, and a reading in ten flagged: what is read off a smoothed course stays where it was. Without smoothing,
/// single samples decide, and the rise seems to arrive a minute early and to settle never or late.
#[test]
fn noise_and_losses_do_not_move_what_is_found() {
    let noisy = |count: usize| {
        let noise = support::Noise::new();
        let values: Vec<f64> = sampled(heat_up, 1.0, count)
            .iter()
            .zip(noise)
            .map(|(x, z)| x + 2.0 * z)
            .collect();
        let flag = |(k, reading): (usize, Reading)| {
            let quality = if k % 10 == 3 {
                Quality::NOISY
            } else {
                Quality::empty()
            };
            Reading { quality, ..reading }
        };
        series(&values, 1.0)
            .enumerate()
            .map(flag)
            .collect::<Vec<_>>()
    };
    let band = Band::around(205.0, 4.0).unwrap();
    let start = second(0.0);
    let enters = 30.0 + 300.0 * (180.0f64 / 4.0).ln();

    let rule = CourseRule {
        smoothing: seconds(60.0),
        ..every(1.0)
    };
    let smooth = Course::new(rule, noisy(3600)).unwrap();
    let entry = smooth.entry(band, start).unwrap().latest().seconds();
    assert!((entry - enters).abs() < 45.0, "{entry} {enters}");
    let Settling::Settled(stay) = smooth.settling(band, seconds(600.0), start) else {
        panic!("settles")
    };
    let settled = stay.since.latest().seconds();
    assert!((settled - enters).abs() < 45.0, "{settled} {enters}");
    assert!(stay.hidden > seconds(100.0), "{:?}", stay.hidden);
    let steepest = smooth
        .steepest(seconds(60.0), Way::Up)
        .unwrap()
        .per_minute();
    assert!((steepest / 32.6 - 1.0).abs() < 0.12, "{steepest}");

    let raw = Course::new(every(1.0), noisy(3600)).unwrap();
    let entry = raw.entry(band, start).unwrap().latest().seconds();
    assert!(entry < enters - 100.0, "{entry} {enters}");
    assert!(raw.settling(band, seconds(600.0), start) != Settling::Settled(stay));
}

#[test]
fn a_level_that_was_passed_in_a_gap_has_bounds() {
    let values = sampled(heat_up, 1.0, 2000);
    let all = series(&values, 1.0);
    let holed = all.filter(|reading| !(900.0..1200.0).contains(&reading.at.seconds()));
    let course = Course::new(every(1.0), holed).unwrap();
    let crossing = course.crossing(200.0, Way::Up, second(0.0)).unwrap();
    assert_eq!(crossing.at, None);
    assert_eq!(crossing.after, Some(second(899.0)));
    assert_eq!(crossing.by, second(1200.0));
    let band = Band::around(205.0, 8.0).unwrap();
    let Settling::TooShort(stay) = course.settling(band, seconds(3600.0), second(0.0)) else {
        panic!("too short")
    };
    assert_eq!(stay.hidden, Duration::ZERO);
    let wide = Band::around(205.0, 30.0).unwrap();
    let Settling::Settled(stay) = course.settling(wide, seconds(600.0), second(0.0)) else {
        panic!("settles")
    };
    assert_eq!(stay.hidden, seconds(301.0));
}

#[test]
fn a_figure_says_its_definition() {
    let window = Duration::from_mins(1);
    assert_eq!(
        Definition::Steepest { window }.to_string(),
        "the steepest least-squares line through 1 min of samples, not smoothed"
    );
    assert_eq!(every(1.0).to_string(), "of the samples as they are");
}

#[test]
fn what_never_happens_is_none() {
    let flat = course(&[20.0; 50], 1.0);
    let to = Band::around(180.0, 3.0).unwrap();
    let start = second(0.0);
    assert_eq!(flat.crossing(180.0, Way::Up, start), None);
    assert_eq!(flat.entry(to, start), None);
    assert_eq!(flat.mean_rate(Step { from: 20.0, to }, start), None);
    assert_eq!(flat.steepest(seconds(60.0), Way::Up), None);
    assert_eq!(flat.settling(to, seconds(1.0), start), Settling::Outside);
    assert_eq!(
        flat.settling(to, seconds(1.0), second(100.0)),
        Settling::Outside
    );
    assert_eq!(flat.recovery(to, seconds(1.0), second(100.0)), None);
    assert_eq!(
        flat.level(Stretch::new(second(100.0), second(200.0)).unwrap()),
        None
    );
    let step = Step {
        from: 20.0,
        to: Band::around(20.0, 1.0).unwrap(),
    };
    assert_eq!(flat.overshoot(step, start), None);
}

#[test]
fn too_few_readings_are_refused_with_a_sentence() {
    let flagged = series(&[1.0, 2.0, 3.0], 1.0).map(|reading| Reading {
        quality: Quality::STUCK,
        ..reading
    });
    let error = Course::new(every(1.0), flagged).unwrap_err();
    assert_eq!(
        error.to_string(),
        "a course needs two used readings at least (0 used, 3 left out: stuck 3); choose another stretch, or allow flags and say so"
    );
    let backwards = [
        Reading::good(second(5.0), 1.0),
        Reading::good(second(4.0), 1.0),
    ];
    assert!(Course::new(every(1.0), backwards).is_err());
}

proptest! {
    /// A ramp is a ramp however it is smoothed, and whatever is lost of it.
    #[test]
    fn a_ramp_stays_where_it_is(
        rate in 0.01..2.0f64,
        span in 0.0..60.0f64,
        lost in prop::collection::btree_set(1usize..399, 0..20),
    ) {
        let values = sampled(|at| 20.0 + rate * at, 1.0, 400);
        let all = series(&values, 1.0).enumerate();
        let kept = all.filter(|(k, _)| !lost.contains(k)).map(|(_, reading)| reading);
        let rule = CourseRule { smoothing: seconds(span), ..every(1.0) };
        let ramp = Course::new(rule, kept).unwrap();
        let level = 20.0 + rate * 200.5;
        let crossing = ramp.crossing(level, Way::Up, second(0.0)).unwrap();
        match crossing.at {
            Some(at) => prop_assert!((at.seconds() - 200.5).abs() < 1e-4, "{at}"),
            None => prop_assert!(crossing.after.unwrap() < second(200.5) && crossing.by > second(200.5)),
        }
        let steepest = ramp.steepest(seconds(100.0), Way::Up).unwrap();
        prop_assert!((steepest.per_second / rate - 1.0).abs() < 1e-9);
    }

    /// Upside down, everything happens at the same time the other way.
    #[test]
    fn cooling_is_heating_upside_down(seed in 0u64..100) {
        let noise = support::Noise::new().skip(usize::try_from(seed).unwrap() * 100);
        let up: Vec<f64> = sampled(heat_up, 1.0, 1200).iter().zip(noise).map(|(x, z)| x + z).collect();
        let down: Vec<f64> = up.iter().map(|x| -x).collect();
        let rule = CourseRule { smoothing: seconds(30.0), ..every(1.0) };
        let (heats, cools) = (Course::new(rule, series(&up, 1.0)).unwrap(), Course::new(rule, series(&down, 1.0)).unwrap());
        let (start, window) = (second(0.0), seconds(60.0));
        prop_assert_eq!(heats.crossing(120.0, Way::Up, start), cools.crossing(-120.0, Way::Down, start));
        let (rise, fall) = (heats.steepest(window, Way::Up).unwrap(), cools.steepest(window, Way::Down).unwrap());
        prop_assert_eq!(rise.over, fall.over);
        prop_assert!((rise.per_second + fall.per_second).abs() < 1e-9);
        let step = |sign: f64| Step { from: sign * 25.0, to: Band::around(sign * 150.0, 3.0).unwrap() };
        let (over, under) = (heats.overshoot(step(1.0), start).unwrap(), cools.overshoot(step(-1.0), start).unwrap());
        prop_assert!(over.at == under.at && (over.value - under.value).abs() < 1e-9 && over.value > 40.0);
        prop_assert_eq!(
            heats.settling(step(1.0).to, window, start),
            cools.settling(step(-1.0).to, window, start)
        );
    }

    /// In °F as in °C: the times are the same, the rates are 1.8 times as large.
    #[test]
    fn another_unit_changes_no_time(seed in 0u64..100) {
        let noise = support::Noise::new().skip(usize::try_from(seed).unwrap() * 100);
        let celsius: Vec<f64> = sampled(heat_up, 1.0, 2400).iter().zip(noise).map(|(x, z)| x + z).collect();
        let fahrenheit: Vec<f64> = celsius.iter().map(|t| 1.8 * t + 32.0).collect();
        let rule = CourseRule { smoothing: seconds(30.0), ..every(1.0) };
        let (c, f) = (Course::new(rule, series(&celsius, 1.0)).unwrap(), Course::new(rule, series(&fahrenheit, 1.0)).unwrap());
        let start = second(0.0);
        let (in_c, in_f) = (c.crossing(180.0, Way::Up, start).unwrap(), f.crossing(356.0, Way::Up, start).unwrap());
        prop_assert_eq!(in_c.by, in_f.by);
        prop_assert!((in_c.at.unwrap().seconds() - in_f.at.unwrap().seconds()).abs() < 1e-5);
        let (in_c, in_f) = (c.steepest(seconds(60.0), Way::Up).unwrap(), f.steepest(seconds(60.0), Way::Up).unwrap());
        prop_assert!((1.8 * in_c.per_second / in_f.per_second - 1.0).abs() < 1e-9);
    }
}
