//! Steadiness on noise with and without a memory, on movement, on frozen channels and across gaps.
//!
//! The noise is first-order autoregressive, seeded, with lag-one correlations of 0, 0.5 and 0.9; the rates are binomial, and
//! each bound leaves three standard deviations of that.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use std::time::Duration;

use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use support::second;
use zonda_evaluate::mean::PushError;
use zonda_evaluate::{Reading, State, Steadiness, SteadyRule, Stretch, steady_stretches};
use zonda_model::{Period, Quality};

/// Readings in a window.
const WINDOW: u32 = 640;

fn rule() -> SteadyRule {
    SteadyRule::over(Duration::from_secs(u64::from(WINDOW)), Period::SECOND)
}

/// Stationary first-order autoregressive noise of unit variance.
fn noise(seed: u64, memory: f64) -> impl Iterator<Item = f64> {
    let mut draws = ChaCha8Rng::seed_from_u64(seed);
    let fresh = (1.0 - memory * memory).sqrt();
    let mut value: f64 = StandardNormal.sample(&mut draws);
    std::iter::repeat_with(move || {
        let draw: f64 = StandardNormal.sample(&mut draws);
        value = memory * value + fresh * draw;
        value
    })
}

fn states(values: impl IntoIterator<Item = f64>) -> Vec<State> {
    states_by(rule(), values)
}

fn states_by(rule: SteadyRule, values: impl IntoIterator<Item = f64>) -> Vec<State> {
    let mut steadiness = Steadiness::new(rule).unwrap();
    let push = |(k, value)| {
        steadiness
            .push(&Reading::good(second(f64::from(k)), value))
            .unwrap()
    };
    (0..).zip(values).map(push).collect()
}

fn stretches(values: impl IntoIterator<Item = f64>) -> Vec<(f64, f64)> {
    let readings = (0..)
        .zip(values)
        .map(|(k, value)| Reading::good(second(f64::from(k)), value));
    let found = steady_stretches(Steadiness::new(rule()).unwrap(), readings).unwrap();
    found
        .iter()
        .map(|stretch: &Stretch| (stretch.from().seconds(), stretch.to().seconds()))
        .collect()
}

/// The plain ratio of variances after each value but the first, with its usual constants (0.2, 0.1, 0.1).
/// Cao and Rhinehart, J. Process Control 5 (1995).
fn plain_ratios(values: &[f64]) -> Vec<f64> {
    let (mut filtered, mut before) = (values[0], values[0]);
    let (mut about, mut between) = (0.0, 0.0);
    let ratio = |x: &f64| {
        about = 0.1 * (x - filtered).powi(2) + 0.9 * about;
        filtered = 0.2 * x + 0.8 * filtered;
        between = 0.1 * (x - before).powi(2) + 0.9 * between;
        before = *x;
        1.8 * about / between
    };
    values[1..].iter().map(ratio).collect()
}

/// How often it speaks against steadiness at its usual critical value, 1.44.
fn plain_ratio_alarms(values: &[f64]) -> f64 {
    let ratios = plain_ratios(values);
    let alarms = ratios.iter().filter(|ratio| **ratio > 1.44).count();
    support::float(alarms) / support::float(ratios.len())
}

/// Check values `rhinehart_z` and `rhinehart_y` (numpy), so that the comparison is with the published recursion.
#[test]
fn the_plain_ratio_is_as_checked() {
    for (id, values) in [
        ("rhinehart_z", support::white()),
        ("rhinehart_y", support::remembering()),
    ] {
        let check = support::check_value(id)["expected"].clone();
        let last = *plain_ratios(&values).last().unwrap();
        support::assert_rel(last, support::number(&check, "R_last"), 1e-9);
    }
}

#[test]
fn a_steady_window_is_let_in_at_the_stated_rate_whatever_the_noise_remembers() {
    for memory in [0.0, 0.5, 0.9] {
        let windows: u32 = 2000;
        let refused = (0..windows)
            .filter(|seed| {
                let values = noise(u64::from(*seed), memory).take(WINDOW as usize + 1);
                !states(values).last().unwrap().is_steady()
            })
            .count();
        let share = support::float(refused) / f64::from(windows);
        assert!((0.035..0.065).contains(&share), "{memory}: {share}");
    }
}

#[test]
fn a_steady_night_is_broken_less_often_than_stated_where_the_plain_ratio_never_rests() {
    let alarming = SteadyRule {
        false_alarms: 0.01,
        ..rule()
    };
    for (memory, plain_least) in [(0.0, 0.0), (0.5, 0.6), (0.9, 0.95)] {
        let windows = 3000;
        let values: Vec<f64> = noise(7, memory).take(WINDOW as usize * windows).collect();
        let states = states_by(alarming, values.iter().copied());
        let breaks = states
            .windows(2)
            .filter(|pair| pair[0].is_steady() && !pair[1].is_steady())
            .count();
        let share = support::float(breaks) / support::float(windows);
        let plain = plain_ratio_alarms(&values);
        assert!(breaks > 0 && share < 0.0155, "{memory}: {share}");
        assert!(plain > plain_least, "{memory}: {plain}");
    }
}

/// Noise with a memory about a course.
fn course(memory: f64, of: impl Fn(f64) -> f64) -> Vec<f64> {
    let along = |(k, z): (u32, f64)| of(f64::from(k)) + z;
    (0..6400).zip(noise(5, memory)).map(along).collect()
}

#[test]
fn a_ramp_is_seen_before_it_has_moved_by_twice_the_noise() {
    for memory in [0.0, 0.5] {
        let ramp = course(memory, |at| 0.004 * (at - 3200.0).max(0.0));
        let [(_, to)] = stretches(ramp)[..] else {
            panic!("one steady stretch")
        };
        assert!((3200.0..3700.0).contains(&to), "{memory}: {to}");
    }
}

#[test]
fn a_step_ends_one_steady_stretch_and_begins_the_next() {
    for memory in [0.0, 0.5, 0.9] {
        let step = course(memory, |at| if at < 3200.0 { 0.0 } else { 8.0 });
        let [(_, to), (from, _)] = stretches(step)[..] else {
            panic!("two steady stretches")
        };
        assert!((to - 3200.0).abs() <= 80.0, "{memory}: {to}");
        assert!((from - 3200.0).abs() <= 80.0, "{memory}: {from}");
    }
}

/// First order, 180 K with a time constant of 300 s: at the beginning of the steady stretch what is left is less than
/// twice the noise.
#[test]
fn an_oven_is_steady_when_the_rest_of_its_rise_is_lost_in_noise() {
    let rise = course(0.5, |at| -180.0 * (-at / 300.0).exp());
    let [(from, to)] = stretches(rise)[..] else {
        panic!("one steady stretch")
    };
    assert!((1300.0..1900.0).contains(&from), "{from}");
    assert!(to > 6300.0, "{to}");
}

#[test]
fn the_swings_of_a_controller_are_noise() {
    let swings = course(0.5, |at| 2.0 * (at * std::f64::consts::TAU / 50.0).sin());
    assert_eq!(stretches(swings).len(), 1);
}

#[test]
fn a_movement_that_does_not_matter_is_none() {
    let drift: Vec<f64> = course(0.0, |at| 0.002 * at);
    let count = |negligible| {
        let rule = SteadyRule {
            negligible,
            ..rule()
        };
        let readings = (0..)
            .zip(&drift)
            .map(|(k, value)| Reading::good(second(f64::from(k)), *value));
        steady_stretches(Steadiness::new(rule).unwrap(), readings)
            .unwrap()
            .len()
    };
    assert_eq!(count(0.0), 0);
    assert_eq!(count(3.0), 1);
}

#[test]
fn a_frozen_channel_is_not_steady() {
    assert_eq!(
        states([182.4; 2000]).last(),
        Some(&State::Frozen { since: second(0.0) })
    );

    let hangs: Vec<f64> = noise(1, 0.5).take(2000).chain([0.3; 1000]).collect();
    let found = states(hangs.iter().copied());
    assert!(found[1999].is_steady());
    let told = found
        .iter()
        .position(|state| matches!(state, State::Frozen { .. }))
        .unwrap();
    assert!(told <= 2000 + 120, "{told}");
    assert_eq!(
        found.last(),
        Some(&State::Frozen {
            since: second(2000.0)
        })
    );
    assert!(stretches(hangs)[0].1 <= 2000.0);

    let thaws = noise(1, 0.5)
        .take(2000)
        .chain([0.3; 1000])
        .chain(noise(2, 0.5).take(1000));
    assert!(states(thaws).last().unwrap().is_steady());
}

/// A display that shows tenths of which the last jumps once a minute or so.
#[test]
fn a_coarse_channel_is_steady_and_does_not_move_by_less_than_it_shows() {
    let shown = |value: f64| (10.0 * (180.0 + 0.03 * value)).round() / 10.0;
    let coarse = noise(9, 0.9).take(3000).map(shown);
    assert!(states(coarse).last().unwrap().is_steady());
}

#[test]
fn after_a_gap_a_whole_new_window_must_pass() {
    let values: Vec<f64> = noise(4, 0.5).take(3000).collect();
    let mut steadiness = Steadiness::new(rule()).unwrap();
    let mut state = steadiness.state();
    assert_eq!(state, State::Gathering { since: None });
    for (k, value) in (0..).zip(&values) {
        let quality = if (1500..1560).contains(&k) {
            Quality::NOISY
        } else {
            Quality::empty()
        };
        let reading = Reading {
            at: second(f64::from(k)),
            value: Some(*value),
            quality,
        };
        state = steadiness.push(&reading).unwrap();
        match k {
            1499 | 2999 => assert!(state.is_steady(), "{k}"),
            1570..2100 => assert!(
                matches!(state, State::Gathering { since: Some(_) }),
                "{k} {state:?}"
            ),
            _ => {}
        }
    }
    let State::Steady { since, until } = state else {
        panic!("{state:?}")
    };
    assert!((1560.0..1580.0).contains(&since.seconds()), "{since}");
    assert!(until.seconds() > 2960.0, "{until}");
    assert_eq!(steadiness.tally().left_out_for(Quality::NOISY), 60);

    let silent = steadiness.reach(second(3050.0)).unwrap();
    assert_eq!(silent, State::Gathering { since: None });
    assert_eq!(steadiness.window(), None);
}

/// A few readings that are missing here and there are no gap.
#[test]
fn single_losses_do_not_matter() {
    let mut steadiness = Steadiness::new(rule()).unwrap();
    for (k, value) in (0..1000).zip(noise(4, 0.0)).filter(|(k, _)| k % 7 != 0) {
        steadiness
            .push(&Reading::good(second(f64::from(k)), value))
            .unwrap();
    }
    assert!(steadiness.state().is_steady());
    let window = steadiness.window().unwrap();
    assert!(window.climb.abs() < 4.0 * window.u_climb && window.mean.abs() < 0.2);
}

#[test]
fn a_rule_says_its_definition() {
    assert_eq!(
        rule().to_string(),
        "within 10 min 40 s nothing moves beyond its noise and by more than 0, one false alarm in 1000 windows"
    );
}

#[test]
fn rules_that_cannot_be_followed_are_refused_with_a_sentence() {
    let refusal = |rule: SteadyRule| Steadiness::new(rule).unwrap_err().to_string();
    let short = SteadyRule::over(Duration::from_secs(30), Period::SECOND);
    assert_eq!(
        refusal(short),
        "a window of 30s holds fewer than 64 readings at one every 1s, too few to tell noise from movement; make it at least 64s"
    );
    assert_eq!(
        refusal(SteadyRule {
            negligible: f64::NAN,
            ..rule()
        }),
        "a negligible movement of NaN cannot be: it is a number of 0 or more"
    );
    assert_eq!(
        refusal(SteadyRule {
            false_alarms: 5.0,
            ..rule()
        }),
        "false alarms in 5 of the windows cannot be: it is above 0 and at most 0.5, such as 0.01"
    );
}

#[test]
fn a_reading_out_of_order_is_refused_and_changes_nothing() {
    let mut steadiness = Steadiness::new(rule()).unwrap();
    steadiness.push(&Reading::good(second(5.0), 1.0)).unwrap();
    let early = steadiness
        .push(&Reading::good(second(4.0), 1.0))
        .unwrap_err();
    assert!(matches!(early, PushError::OutOfOrder { .. }), "{early}");
    assert_eq!(steadiness.tally().used(), 1);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]

    /// Another unit changes nothing but the unit. Powers of two keep the arithmetic exact.
    #[test]
    fn another_unit_gives_the_same_states(seed in 0u64..1000, memory in 0.0..0.9f64, power in -8i32..8) {
        let factor = 2f64.powi(power);
        let values: Vec<f64> = noise(seed, memory).take(1500).collect();
        let scaled: Vec<f64> = values.iter().map(|value| factor * value).collect();
        prop_assert_eq!(states(values), states(scaled));
    }

    /// Any readings at all: steady stretches come in order and do not overlap.
    #[test]
    fn stretches_come_in_order(
        parts in prop::collection::vec((1u32..900, -5.0..5.0f64, -0.02..0.02f64, 0u8..4), 1..12),
    ) {
        let mut hiss = noise(1, 0.3);
        let mut at = 0;
        let mut readings = Vec::new();
        for (length, level, slope, kind) in parts {
            for k in 0..length {
                at += 1;
                let value = match kind {
                    0 => None,
                    1 => Some(level),
                    _ => hiss.next().map(|z| level + slope * f64::from(k) + z),
                };
                readings.push(Reading { at: second(f64::from(at)), value, quality: Quality::empty() });
            }
        }
        let found = steady_stretches(Steadiness::new(rule()).unwrap(), readings).unwrap();
        for pair in found.windows(2) {
            prop_assert!(pair[0].to() <= pair[1].from());
        }
    }
}
