//! A loop check from the first signal to the verdict, on loops with known errors.

#![expect(
    clippy::unwrap_used,
    clippy::cast_precision_loss,
    reason = "a test fails by it, and its times are short"
)]

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use zonda_model::Stamp;
use zonda_proof::loop_check::{
    BadPoints, Loop, LoopCheck, News, Outcome, Points, SETTLE_MAX, USUAL, Waiting,
};

const LOOP: Loop = Loop {
    signal: (4e-3, 20e-3),
    tolerance: 0.005,
    step_u: 0.3e-6,
};

/// A calibrator, a cable and an input.
struct Bench {
    check: LoopCheck,
    now_ms: i64,
    dice: StdRng,
    noise: f64,
}

impl Bench {
    fn new(checked: Loop, points: Points) -> Self {
        Self {
            check: LoopCheck::new(checked, points),
            now_ms: 0,
            dice: StdRng::seed_from_u64(5),
            noise: 0.0,
        }
    }

    /// Samples of this signal, four a second, until something is said, and how many that took.
    fn hold(&mut self, signal: impl Fn(f64) -> Option<f64>) -> (News, usize) {
        let began = self.now_ms;
        assert!(self.check.applied(Stamp::from_millis(began)));
        for count in 1.. {
            self.now_ms += 250;
            let noise: f64 = StandardNormal.sample(&mut self.dice);
            let seconds = (self.now_ms - began) as f64 / 1000.0;
            let signal = signal(seconds).map(|signal| signal + self.noise * noise);
            if let Some(news) = self.check.note(Stamp::from_millis(self.now_ms), signal) {
                return (news, count);
            }
            assert!(count < 1000, "nothing was ever said");
        }
        unreachable!()
    }

    fn target(&self) -> f64 {
        match self.check.waiting() {
            Waiting::ForSignal { target, .. } | Waiting::ForRest { target, .. } => target,
            Waiting::ForNothing => panic!("nothing is waited for"),
        }
    }

    /// Takes every point through a loop with this law.
    fn through(mut self, law: impl Fn(f64) -> f64) -> Outcome {
        for _ in 0..self.check.len() {
            let target = self.target();
            let (news, _) = self.hold(|_| Some(law(target)));
            assert!(matches!(news, News::Taken(_)), "{news:?}");
        }
        assert_eq!(self.check.waiting(), Waiting::ForNothing);
        self.check.outcome().unwrap()
    }
}

fn usual() -> Points {
    Points::new(USUAL.to_vec()).unwrap()
}

#[test]
fn a_good_loop_passes_and_its_line_is_told() {
    // 0.2 % too steep, and 16 µA (0.1 % of 16 mA) too high at 4 mA.
    let outcome =
        Bench::new(LOOP, usual()).through(|target| 4e-3 + 16e-6 + 1.002 * (target - 4e-3));
    assert!((outcome.gain.value - 1.002).abs() < 1e-9, "{outcome:?}");
    assert!((outcome.offset.value - 0.001).abs() < 1e-9, "{outcome:?}");
    // 0.1 % + 0.2 % at the top.
    assert!((outcome.error_max - 0.003).abs() < 1e-9, "{outcome:?}");
    assert!(outcome.is_passed);
}

#[test]
fn the_largest_error_decides_with_its_sign() {
    let outcome = Bench::new(LOOP, usual()).through(|target| 4e-3 + 0.99 * (target - 4e-3));
    assert!((outcome.error_max + 0.01).abs() < 1e-9, "{outcome:?}");
    assert!(!outcome.is_passed);
}

/// Draper and Smith's formulae as in JCGM 100:2008, H.3, worked by hand for three points: x = 0, ½, 1 and
/// errors 0, 0.003, 0: b = 1, a = 0.001, s² = 6·10⁻⁶, u(b) = s/√½, u(a) = s·√(1/3 + (½)²/½).
#[test]
fn the_line_is_that_of_least_squares() {
    let outcome = Bench::new(LOOP, Points::even(3).unwrap()).through(|target| {
        target
            + if (target - 12e-3).abs() < 1e-9 {
                0.003 * 16e-3
            } else {
                0.0
            }
    });
    let s = 6e-6_f64.sqrt();
    assert!((outcome.gain.value - 1.0).abs() < 1e-9);
    assert!((outcome.offset.value - 0.001).abs() < 1e-9);
    assert!(
        (outcome.gain.u - s / 0.5_f64.sqrt()).abs() < 1e-9,
        "{outcome:?}"
    );
    assert!(
        (outcome.offset.u - s * (1.0 / 3.0 + 0.5_f64).sqrt()).abs() < 1e-9,
        "{outcome:?}"
    );
}

#[test]
fn two_points_are_enough_and_a_reversed_span_is_one() {
    let reversed = Loop {
        signal: (10.0, 0.0),
        tolerance: 0.01,
        step_u: 0.0,
    };
    let outcome = Bench::new(reversed, Points::even(2).unwrap()).through(|target| target + 0.05);
    // 50 mV more on a span that falls by 10 V: half a per cent too little.
    assert!((outcome.offset.value + 0.005).abs() < 1e-9, "{outcome:?}");
    assert!((outcome.gain.value - 1.0).abs() < 1e-9 && outcome.is_passed);
}

#[test]
fn what_still_moves_is_waited_for() {
    let mut bench = Bench::new(LOOP, usual());
    bench.noise = 1e-6;
    // Runs up over ten seconds, as a damped output does.
    let (news, count) = bench.hold(|seconds| Some(4e-3 - 2e-3 * (-seconds / 2.0).exp()));
    let News::Taken(taken) = news else {
        panic!("{news:?}")
    };
    assert!(count > 40, "taken after {count} samples");
    assert!(taken.error.abs() < 0.000_6, "{taken:?}");
    assert!(taken.found.u < 2e-6 && taken.samples >= 18, "{taken:?}");
}

#[test]
fn what_never_rests_is_refused() {
    let mut bench = Bench::new(LOOP, usual());
    let (news, count) = bench.hold(|seconds| Some(12e-3 + 1e-3 * (seconds * 3.0).sin()));
    assert!(
        matches!(&news, News::Refused(why) if why.contains("not steady within 60 s")),
        "{news:?}"
    );
    assert_eq!(
        count,
        usize::try_from(SETTLE_MAX.as_millis() / 250).unwrap()
    );
    // The same point can be tried again.
    assert!(matches!(
        bench.check.waiting(),
        Waiting::ForSignal { point: 0, .. }
    ));
    assert!(matches!(bench.hold(|_| Some(4e-3)).0, News::Taken(_)));
}

#[test]
fn a_signal_that_was_not_put_on_this_loop_is_refused() {
    let mut bench = Bench::new(LOOP, usual());
    bench.hold(|_| Some(4e-3));
    let (news, _) = bench.hold(|_| Some(4.02e-3));
    assert!(
        matches!(&news, News::Refused(why) if why.contains("has not moved")),
        "{news:?}"
    );
}

#[test]
fn nothing_on_the_loop_is_no_signal() {
    let mut bench = Bench::new(LOOP, usual());
    let (news, _) = bench.hold(|seconds| (seconds > 30.0).then_some(4e-3));
    assert!(
        matches!(news, News::Taken(taken) if taken.at >= Stamp::from_millis(34_500)),
        "{news:?}"
    );
}

#[test]
fn what_was_sampled_before_is_not_counted() {
    let mut check = LoopCheck::new(LOOP, usual());
    assert_eq!(check.note(Stamp::from_millis(0), Some(4e-3)), None);
    assert!(check.applied(Stamp::from_millis(10_000)));
    assert!(
        !check.applied(Stamp::from_millis(10_000)),
        "it is applied already"
    );
    for ms in (0..=10_000).step_by(100) {
        assert_eq!(check.note(Stamp::from_millis(ms), Some(4e-3)), None);
    }
    assert_eq!(check.standing(), None);
    assert_eq!(check.outcome(), None);
}

#[test]
fn points_that_check_nothing_are_refused() {
    assert_eq!(Points::new(vec![0.5]), Err(BadPoints::Count(1)));
    assert_eq!(Points::even(12), Err(BadPoints::Count(12)));
    assert_eq!(Points::even(1), Err(BadPoints::Count(1)));
    assert_eq!(Points::new(vec![0.0, 1.2]), Err(BadPoints::Beyond(120.0)));
    assert!(Points::new(vec![0.0, f64::NAN]).is_err());
    assert_eq!(Points::new(vec![0.4, 0.6, 0.5]), Err(BadPoints::Narrow));
    assert_eq!(Points::even(5).unwrap().shares(), USUAL);
}

/// 300 loops with noise: gain and offset lie within two standard uncertainties as often as n − 2
/// degrees of freedom promise (t-distribution, ν = 9: |t| ≤ 2 in 92.3 %; tables).
#[test]
fn the_uncertainties_are_no_boast() {
    let mut dice = StdRng::seed_from_u64(11);
    let mut covered = 0;
    for seed in 0..300 {
        let (gain, offset) = (
            dice.random_range(0.99..1.01),
            dice.random_range(-0.01..0.01),
        );
        let mut bench = Bench::new(LOOP, Points::even(11).unwrap());
        (bench.noise, bench.dice) = (16e-3 * 0.0005, StdRng::seed_from_u64(seed));
        let outcome = bench.through(|target| 4e-3 + 16e-3 * offset + gain * (target - 4e-3));
        covered += u32::from((outcome.gain.value - gain).abs() <= 2.0 * outcome.gain.u);
        covered += u32::from((outcome.offset.value - offset).abs() <= 2.0 * outcome.offset.u);
    }
    let share = f64::from(covered) / 600.0;
    assert!((0.88..0.97).contains(&share), "{share}");
}
