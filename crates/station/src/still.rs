//! Standing still: a reading whose signal has not left a narrow band for longer than it plausibly can.
//!
//! A dead cable of a 0-1 V output looks like still air, a frozen meter like a steady oven: presence
//! is judged apart from the value. Status words and gaps say nothing about it either way.

use zonda_config::StuckPlan;
use zonda_model::Stamp;

/// What one channel's signal has done of late.
#[derive(Clone, Debug)]
pub(crate) struct Still {
    plan: StuckPlan,
    stretch: Option<Stretch>,
    is_stuck: bool,
}

/// Since when the signal is in a band, and how wide that is so far.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    since: Stamp,
    low: f64,
    high: f64,
}

/// What a new reading changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Turn {
    /// It stands still for too long, from this moment.
    Stuck(Stamp),
    /// It moves again.
    Moves,
}

impl Still {
    pub(crate) const fn new(plan: StuckPlan) -> Self {
        Self {
            plan,
            stretch: None,
            is_stuck: false,
        }
    }

    /// Takes a reading's signal (SI); tells whether that changes the judgement.
    pub(crate) fn note(&mut self, at: Stamp, signal: f64) -> Option<Turn> {
        let stretch = self.stretch.get_or_insert(Stretch {
            since: at,
            low: signal,
            high: signal,
        });
        let (low, high) = (stretch.low.min(signal), stretch.high.max(signal));
        // A band of whole counts is met within rounding.
        let rounding = 1e-12 * high.abs().max(low.abs());
        if high - low > self.plan.band + rounding {
            *stretch = Stretch {
                since: at,
                low: signal,
                high: signal,
            };
        } else {
            (stretch.low, stretch.high) = (low, high);
        }
        let (since, was) = (stretch.since, self.is_stuck);
        self.is_stuck = at.since(since) >= self.plan.after;
        match (was, self.is_stuck) {
            (false, true) => Some(Turn::Stuck(since)),
            (true, false) => Some(Turn::Moves),
            _ => None,
        }
    }

    pub(crate) const fn is_stuck(&self) -> bool {
        self.is_stuck
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::time::Duration;

    fn still(band: f64) -> Still {
        Still::new(StuckPlan {
            after: Duration::from_mins(1),
            band,
        })
    }

    fn at(seconds: i64) -> Stamp {
        Stamp::from_millis(seconds * 1000)
    }

    #[test]
    fn a_signal_that_does_not_move_is_stuck_until_it_does() {
        let mut still = still(0.0);
        for second in 0..60 {
            assert_eq!(still.note(at(second), 0.012), None);
        }
        assert_eq!(still.note(at(60), 0.012), Some(Turn::Stuck(at(0))));
        assert!(still.is_stuck());
        assert_eq!(still.note(at(61), 0.012), None);
        assert_eq!(still.note(at(62), 0.012_001), Some(Turn::Moves));
        assert!(!still.is_stuck());
    }

    #[test]
    fn a_converter_s_noise_is_no_movement_but_a_slow_drift_is() {
        let mut noisy = still(4e-6);
        let turns: Vec<_> = (0..=60)
            .filter_map(|second| {
                let count = f64::from(12_000 + i32::try_from(second % 5).unwrap());
                noisy.note(at(second), count * 1e-6)
            })
            .collect();
        assert_eq!(turns, [Turn::Stuck(at(0))]);
        let mut drifting = still(4e-6);
        let mut drift = 0.012;
        for second in 0..600 {
            drift += 0.2e-6;
            assert_eq!(drifting.note(at(second), drift), None);
        }
    }

    proptest! {
        /// Whatever comes, nothing is stuck before its time, and not beyond its band.
        #[test]
        fn stuck_is_never_said_too_early(steps in proptest::collection::vec((1i64..40, 0i32..4), 1..60)) {
            let mut still = still(1.0);
            let (mut now, mut seen) = (0, Vec::new());
            for (wait, count) in steps {
                now += wait;
                seen.push((now, f64::from(count)));
                still.note(at(now), f64::from(count));
                if still.is_stuck() {
                    let window = seen.iter().filter(|(when, _)| *when >= now - 60).map(|(_, x)| *x);
                    let (low, high) = window.fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(x), h.max(x)));
                    prop_assert!(high - low <= 1.0, "{seen:?}");
                }
            }
        }
    }
}
