//! Two readings of one air, made up with a known delay, gain and noise: what is found must be that.

#![expect(
    clippy::unwrap_used,
    clippy::cast_precision_loss,
    reason = "a test fails by it, and its times are short"
)]

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use zonda_model::{Quality, Quantity, Stamp, Unit};
use zonda_proof::agreement::cause::Expected;
use zonda_proof::agreement::{
    Agreement, Comparison, Grounds, News, Relation, Side, Standing, Watch,
};

/// One tick of the air, ms.
const TICK_MS: i64 = 100;

/// Air and instruments of one trial.
#[derive(Clone, Copy, Debug)]
struct Trial {
    /// Analog per text.
    gain: f64,
    /// m/s.
    offset: f64,
    /// By how much the analog output comes later, ms.
    delay_ms: i64,
    /// Standard deviations of both readings' own noise, m/s.
    noise: (f64, f64),
    /// Standard deviation of the turbulence, m/s, and its time constant, s.
    turbulence: (f64, f64),
    mean: f64,
    seconds: i64,
}

const CALM: Trial = Trial {
    gain: 1.0,
    offset: 0.0,
    delay_ms: 700,
    noise: (0.01, 0.01),
    turbulence: (0.3, 1.5),
    mean: 3.0,
    seconds: 300,
};

fn normal(dice: &mut StdRng) -> f64 {
    StandardNormal.sample(dice)
}

/// An exponentially forgetting random walk about a mean, read once a second both ways. The meter
/// refreshes once a second, as real ones do.
fn play(trial: Trial, seed: u64) -> Comparison {
    let mut dice = StdRng::seed_from_u64(seed);
    let (spread, time) = trial.turbulence;
    let forget = (-0.1 / time).exp();
    let lead = trial.delay_ms.abs() / TICK_MS + 20;
    let ticks = trial.seconds * 10 + 2 * lead;
    let mut away = spread * normal(&mut dice);
    let air: Vec<f64> = (0..ticks)
        .map(|_| {
            away = forget * away + spread * (1.0 - forget * forget).sqrt() * normal(&mut dice);
            trial.mean + away
        })
        .collect();
    // What the display shows at a time: the air at its last refresh.
    let refresh = dice.random_range(0..10);
    let shown = |ms: i64| {
        let tick = (ms / TICK_MS + lead - refresh).div_euclid(10) * 10 + refresh;
        air[usize::try_from(tick.clamp(0, ticks - 1)).unwrap()]
    };
    let mut comparison = Comparison::default();
    let (text_at, analog_at) = (dice.random_range(0..1000), dice.random_range(0..1000));
    for second in 0..trial.seconds {
        let text_ms = second * 1000 + text_at;
        let text = shown(text_ms) + trial.noise.0 * normal(&mut dice);
        comparison.note(
            Side::Text,
            Stamp::from_millis(text_ms),
            text,
            Quality::empty(),
        );
        let analog_ms = second * 1000 + analog_at;
        let analog = trial.offset
            + trial.gain * shown(analog_ms - trial.delay_ms)
            + trial.noise.1 * normal(&mut dice);
        comparison.note(
            Side::Analog,
            Stamp::from_millis(analog_ms),
            analog,
            Quality::empty(),
        );
    }
    comparison
}

fn slope(seen: &Agreement) -> Option<(f64, f64)> {
    match seen.relation {
        Relation::Line { slope, .. } => Some((slope.value, slope.u)),
        _ => None,
    }
}

/// 400 trials of any gain, delay and noise: the expanded uncertainty (k = 2) covers the true slope in
/// at least 95 of 100 (JCGM 100:2008, 6.3.3), and is no larger than it need be to say something.
#[test]
fn the_stated_uncertainty_covers_the_truth() {
    let mut dice = StdRng::seed_from_u64(20_261_125);
    let (mut told, mut covered, mut delays, mut widths) = (0, 0, 0, Vec::new());
    for seed in 0..400 {
        let gain = dice.random_range(0.3..3.0);
        let trial = Trial {
            gain,
            offset: dice.random_range(-1.0..1.0),
            delay_ms: dice.random_range(-3000..6000),
            noise: (
                dice.random_range(0.0..0.1),
                gain * dice.random_range(0.0..0.1),
            ),
            turbulence: (0.3, dice.random_range(0.8..10.0)),
            ..CALM
        };
        let seen = play(trial, seed).look();
        let Some((slope, u)) = slope(&seen) else {
            continue;
        };
        told += 1;
        covered += u32::from((slope - trial.gain).abs() <= 2.0 * u);
        widths.push(2.0 * u / trial.gain);
        // Both ways are sampled once a second from a display that refreshes once a second.
        let off_ms = (seen.delay_s.unwrap() * 1000.0 - trial.delay_ms as f64).abs();
        delays += u32::from(off_ms <= 1100.0);
    }
    widths.sort_by(f64::total_cmp);
    println!(
        "{told} told, {covered} covered, {delays} delays; median width {}",
        widths[widths.len() / 2]
    );
    assert!(told >= 300, "{told} of 400 were told");
    assert!(
        f64::from(covered) >= 0.95 * f64::from(told),
        "{covered} of {told}"
    );
    assert!(
        f64::from(delays) >= 0.98 * f64::from(told),
        "{delays} of {told}"
    );
    assert!(
        widths[widths.len() / 2] < 0.1,
        "the median width is {}",
        widths[widths.len() / 2]
    );
}

fn expected() -> Expected {
    Expected {
        quantity: Quantity::Velocity,
        signal: "4-20 mA".parse().unwrap(),
        range: "0-50 m/s".parse().unwrap(),
        text_unit: Unit::MetrePerSecond,
    }
}

fn news(expected: Expected, trial: Trial) -> (Option<News>, Standing) {
    let mut watch = Watch::new(expected);
    let seen = play(trial, 7).look();
    let told: Vec<News> = (0..20).filter_map(|_| watch.note(&seen)).collect();
    assert!(told.len() <= 1, "{told:?}");
    (told.into_iter().next(), watch.standing())
}

fn words(expected: Expected, trial: Trial) -> String {
    match news(expected, trial) {
        (Some(News::Apart(words)), Standing::Apart(_)) => words,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_range_set_differently_is_named() {
    let half = Trial {
        gain: 0.5,
        mean: 12.0,
        turbulence: (2.0, 1.5),
        ..CALM
    };
    let words = words(expected(), half);
    assert_eq!(
        words,
        "analog reads 0.50 × the text line: the meter's output range may be set to 0–100 m/s while the channel expects 0–50 m/s"
    );
}

#[test]
fn common_mistakes_are_named() {
    let air = Trial {
        mean: 12.0,
        turbulence: (2.0, 1.5),
        ..CALM
    };
    // 0-20 mA driven where 4-20 mA is expected: 20/16 of the span, from -4/16 of it on.
    let zero = words(
        expected(),
        Trial {
            gain: 1.25,
            offset: -12.5,
            ..air
        },
    );
    assert!(
        zero.contains("analog reads 1.25 × the text line − 12.5 m/s"),
        "{zero}"
    );
    assert!(
        zero.contains("output may be set to 0–20 mA while the channel expects 4–20 mA"),
        "{zero}"
    );
    // 1 ft/min = 0.00508 m/s exactly.
    let feet = words(
        expected(),
        Trial {
            gain: 0.00508,
            mean: 2400.0,
            turbulence: (200.0, 1.5),
            noise: (1.0, 0.01),
            ..air
        },
    );
    assert!(
        feet.contains("the text line may speak of ft/min while it is taken for m/s"),
        "{feet}"
    );
    let odd = words(expected(), Trial { gain: 0.7, ..air });
    assert!(
        odd.contains("as if the meter's output range were 0.00 to 71"),
        "{odd}"
    );
    let turned = words(
        expected(),
        Trial {
            gain: -1.0,
            offset: 50.0,
            ..air
        },
    );
    assert!(turned.contains("the other way"), "{turned}");
}

#[test]
fn two_that_agree_are_left_in_peace() {
    for seed in 0..100 {
        let mut watch = Watch::new(Expected {
            range: "0-10 m/s".parse().unwrap(),
            ..expected()
        });
        // Every meter has errors of its own, well below what a wrong range does.
        let trial = Trial {
            gain: 1.005,
            offset: 0.01,
            noise: (0.02, 0.02),
            ..CALM
        };
        let seen = play(trial, seed).look();
        for _ in 0..10 {
            assert_eq!(watch.note(&seen), None, "{seed}: {seen:?}");
        }
    }
}

#[test]
fn still_air_tells_no_factor_but_a_difference() {
    let still = Trial {
        turbulence: (0.0, 1.0),
        mean: 20.0,
        ..CALM
    };
    let seen = play(still, 1).look();
    assert!(matches!(seen.relation, Relation::Level(_)), "{seen:?}");
    assert_eq!(seen.delay_s, None);
    let (told, standing) = news(expected(), Trial { gain: 0.5, ..still });
    let Some(News::Apart(words)) = told else {
        panic!("{standing:?}")
    };
    assert!(
        words.contains("vary too little to tell a factor from an offset"),
        "{words}"
    );
    assert!(
        words.contains("0–100 m/s while the channel expects 0–50 m/s"),
        "{words}"
    );
    assert_eq!(standing, Standing::Apart(Grounds::Difference));
    // Near nought a wrong factor makes no difference, and nothing is claimed.
    assert_eq!(
        news(
            expected(),
            Trial {
                gain: 0.5,
                mean: 0.2,
                ..still
            }
        ),
        (None, Standing::Unknown)
    );
}

#[test]
fn it_is_said_once_and_taken_back_once() {
    let mut watch = Watch::new(expected());
    let wrong = play(
        Trial {
            gain: 0.5,
            mean: 12.0,
            turbulence: (2.0, 1.5),
            ..CALM
        },
        3,
    )
    .look();
    let right = play(
        Trial {
            mean: 12.0,
            turbulence: (2.0, 1.5),
            ..CALM
        },
        3,
    )
    .look();
    let mut told = Vec::new();
    // A look now and then that says otherwise changes nothing.
    for look in [
        &wrong, &right, &wrong, &right, &wrong, &wrong, &wrong, &wrong, &right, &wrong, &right,
        &right, &right, &right,
    ] {
        told.extend(watch.note(look));
    }
    assert!(
        matches!(&told[..], [News::Apart(_), News::Again(_)]),
        "{told:?}"
    );
    assert_eq!(watch.standing(), Standing::Agree);
}

#[test]
fn memory_is_bounded_and_unfit_readings_are_passed_over() {
    let mut comparison = Comparison::default();
    for ms in 0..600_000 {
        comparison.note(Side::Text, Stamp::from_millis(ms), 1.0, Quality::empty());
        comparison.note(
            Side::Analog,
            Stamp::from_millis(ms),
            1.0,
            Quality::OVER_RANGE,
        );
    }
    assert!(matches!(
        comparison.look().relation,
        Relation::Few { pairs: 0 }
    ));
    assert!(comparison.kept() <= zonda_proof::agreement::KEPT_MAX);
}
