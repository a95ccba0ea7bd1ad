//! A loop check: known signals are put on a loop one after the other, and what arrives is compared.
//!
//! What is checked is everything from the terminals to the code: cable, shunt, input, scale. The
//! source of the signal is a calibrator, or the meter's own output test. A *point* is one known
//! signal, as a share of the loop's span; at each, [`LoopCheck`] waits until the signal is steady and
//! takes the mean. From the points follow gain and offset by least squares, and a verdict.
//!
//! The verdict is by simple acceptance: every error within the stated tolerance passes. How well the
//! source of the signal is known is not in it; it should be three times better than the tolerance.

use std::collections::VecDeque;
use std::time::Duration;

use zonda_model::Stamp;
use zonda_uncertainty::Line;
use zonda_uncertainty::line::Known;

use crate::float;

/// How many points a check has.
pub const POINTS: std::ops::RangeInclusive<usize> = 2..=11;
/// The usual points: up in quarters (common practice, no source).
pub const USUAL: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];
/// Points may lie this much beyond the span, as a share of it: 3.8 and 20.5 mA on 4-20 mA (NAMUR NE 43).
pub const BEYOND: f64 = 0.05;
/// The points must span this much of the loop's span, or they say nothing of its gain.
pub const SPREAD_MIN: f64 = 0.5;
/// The signal is steady when it was over this long, and its mean over this long is taken.
pub const STEADY_OVER: Duration = Duration::from_secs(5);
/// Fewer samples make no mean; a slow line takes longer for them.
pub const SAMPLES_MIN: usize = 5;
/// A signal that is not steady by then is not going to be; somebody has to look.
pub const SETTLE_MAX: Duration = Duration::from_mins(1);
/// At most this many samples are kept of the stretch that is looked at.
const KEPT_MAX: usize = 10_000;
/// A signal drifts where it moves by more than this share of the tolerance over the stretch …
const DRIFT_MAX: f64 = 0.1;
/// … and is restless where its standard deviation is more than this share of it.
const SCATTER_MAX: f64 = 0.5;
/// Two targets farther apart than this, as a share of the span, …
const APART_MIN: f64 = 0.1;
/// … must not be found this near to each other: then the signal was not put on this loop.
const MOVED_MIN: f64 = 0.01;

/// What is checked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loop {
    /// The signal at the ends of its span, SI; the first may be the larger one.
    pub signal: (f64, f64),
    /// The largest error that passes, as a share of the span.
    pub tolerance: f64,
    /// Standard uncertainty of one code by the size of its step, SI of the signal; zero where there are no steps.
    pub step_u: f64,
}

/// Points that a check can be made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Points(Vec<f64>);

/// Why points are none.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadPoints {
    /// Too few, or too many.
    #[error("a loop check has {least} to {most} points, not {0}", least = POINTS.start(), most = POINTS.end())]
    Count(usize),
    /// Beyond the span.
    #[error(
        "a point at {0} % of the span is beyond what a loop carries; points lie between -5 and 105 %"
    )]
    Beyond(f64),
    /// Too near together.
    #[error(
        "the points must span at least half of the loop's span, or its gain is not checked; begin at 0 % and end at 100 %"
    )]
    Narrow,
}

impl Points {
    /// Points as shares of the span, in the order in which they are to be applied.
    ///
    /// # Errors
    /// [`BadPoints`].
    pub fn new(shares: Vec<f64>) -> Result<Self, BadPoints> {
        if !POINTS.contains(&shares.len()) {
            return Err(BadPoints::Count(shares.len()));
        }
        let is_there = |share: &f64| (-BEYOND..=1.0 + BEYOND).contains(share);
        if let Some(beyond) = shares.iter().find(|share| !is_there(share)) {
            return Err(BadPoints::Beyond(100.0 * beyond));
        }
        let (low, high) = shares
            .iter()
            .fold((f64::MAX, f64::MIN), |(low, high), share| {
                (low.min(*share), high.max(*share))
            });
        if high - low < SPREAD_MIN {
            return Err(BadPoints::Narrow);
        }
        Ok(Self(shares))
    }

    /// Evenly from nothing to the whole span; 5 points are 0, 25, 50, 75 and 100 %.
    ///
    /// # Errors
    /// [`BadPoints::Count`].
    pub fn even(count: usize) -> Result<Self, BadPoints> {
        if !POINTS.contains(&count) {
            return Err(BadPoints::Count(count));
        }
        Self::new(
            (0..count)
                .map(|k| float::count(k) / float::count(count - 1))
                .collect(),
        )
    }

    /// The shares, in their order.
    pub fn shares(&self) -> &[f64] {
        &self.0
    }
}

/// A point that was taken. Signals in SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Taken {
    /// Where it lies, as a share of the span.
    pub share: f64,
    /// What was to be applied.
    pub target: f64,
    /// The mean of what arrived; its standard uncertainty by scatter and step.
    pub found: Known,
    /// found − target, as a share of the span.
    pub error: f64,
    /// How many samples.
    pub samples: usize,
    /// When the last of them was.
    pub at: Stamp,
}

/// What a whole check says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    /// Found per target; 1 is perfect. Standard uncertainty by the points' scatter about the line,
    /// of two points by their own.
    pub gain: Known,
    /// At the beginning of the span, as a share of the span.
    pub offset: Known,
    /// The error largest in size, with its sign, as a share of the span.
    pub error_max: f64,
    /// Every error is within the tolerance.
    pub is_passed: bool,
}

/// What a check waits for.
#[derive(Clone, Debug, PartialEq)]
pub enum Waiting {
    /// That somebody applies this signal, SI, and says so.
    ForSignal {
        /// The point's number, from 0.
        point: usize,
        /// As a share of the span.
        share: f64,
        /// SI.
        target: f64,
    },
    /// That the signal is steady.
    ForRest {
        /// The point's number, from 0.
        point: usize,
        /// As a share of the span.
        share: f64,
        /// SI.
        target: f64,
    },
    /// Nothing: it is complete.
    ForNothing,
}

/// Something that became of a sample.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// A point was taken.
    Taken(Taken),
    /// The point could not be taken; it has to be applied again.
    Refused(String),
}

/// A loop check under way.
#[derive(Clone, Debug)]
pub struct LoopCheck {
    checked: Loop,
    points: Points,
    taken: Vec<Taken>,
    /// Since when the signal of the next point is said to stand, and what arrived since.
    settling: Option<Settling>,
}

#[derive(Clone, Debug)]
struct Settling {
    since: Stamp,
    /// Since when there is a signal at all.
    there_since: Stamp,
    recent: VecDeque<(Stamp, f64)>,
}

impl LoopCheck {
    /// A check that begins.
    pub const fn new(checked: Loop, points: Points) -> Self {
        Self {
            checked,
            points,
            taken: Vec::new(),
            settling: None,
        }
    }

    /// What it waits for.
    pub fn waiting(&self) -> Waiting {
        let point = self.taken.len();
        let Some(share) = self.points.0.get(point).copied() else {
            return Waiting::ForNothing;
        };
        let target = self.target(share);
        match self.settling {
            None => Waiting::ForSignal {
                point,
                share,
                target,
            },
            Some(_) => Waiting::ForRest {
                point,
                share,
                target,
            },
        }
    }

    /// The points taken so far.
    pub fn taken(&self) -> &[Taken] {
        &self.taken
    }

    /// How many points it has.
    pub fn len(&self) -> usize {
        self.points.0.len()
    }

    /// Never: it has two points at least.
    pub fn is_empty(&self) -> bool {
        self.points.0.is_empty()
    }

    /// The mean and the standard deviation of what stands on the loop, SI, over the stretch looked at.
    pub fn standing(&self) -> Option<(f64, f64)> {
        let recent = &self.settling.as_ref()?.recent;
        let values: Vec<f64> = recent.iter().map(|(_, value)| *value).collect();
        (!values.is_empty()).then(|| (float::mean(&values), deviation(&values)))
    }

    /// The signal of the next point is said to stand since then. Samples until then say nothing of it.
    /// False where nothing is waited for.
    pub fn applied(&mut self, since: Stamp) -> bool {
        let is_wanted = matches!(self.waiting(), Waiting::ForSignal { .. });
        if is_wanted {
            self.settling = Some(Settling {
                since,
                there_since: since,
                recent: VecDeque::new(),
            });
        }
        is_wanted
    }

    /// Takes a sample of the loop in: its signal in SI, where the code stands for one.
    pub fn note(&mut self, at: Stamp, signal: Option<f64>) -> Option<News> {
        let Waiting::ForRest { share, target, .. } = self.waiting() else {
            return None;
        };
        let checked = self.checked;
        let settling = self.settling.as_mut()?;
        if at <= settling.since {
            return None;
        }
        settling.note(at, signal);
        if let Some(found) = settling.steady(&checked) {
            let samples = settling.recent.len();
            self.settling = None;
            return Some(self.take(Taken {
                share,
                target,
                error: (found.value - target) / (checked.signal.1 - checked.signal.0),
                found,
                samples,
                at,
            }));
        }
        if at.since(settling.since) < SETTLE_MAX {
            return None;
        }
        self.settling = None;
        Some(News::Refused(format!(
            "the signal was not steady within {} s; wait until it stands still, then say again that it is applied",
            SETTLE_MAX.as_secs()
        )))
    }

    /// The outcome, once every point is taken.
    pub fn outcome(&self) -> Option<Outcome> {
        if self.taken.len() < self.points.0.len() {
            return None;
        }
        let span = (self.checked.signal.1 - self.checked.signal.0).abs();
        let line = match self.taken.as_slice() {
            two @ [_, _] => {
                let points: Vec<_> = two
                    .iter()
                    .map(|point| {
                        (
                            point.share,
                            point.share + point.error,
                            (point.found.u / span).max(f64::EPSILON),
                        )
                    })
                    .collect();
                Line::weighted(&points)
            }
            all => {
                let points: Vec<_> = all
                    .iter()
                    .map(|point| (point.share, point.share + point.error))
                    .collect();
                Line::ordinary(&points)
            }
        };
        // Points that span half of the loop's span always tell a line.
        let line = line.ok()?;
        let errors = self.taken.iter().map(|point| point.error);
        let error_max = errors.fold(0.0_f64, |worst, error| {
            if error.abs() > worst.abs() {
                error
            } else {
                worst
            }
        });
        Some(Outcome {
            gain: Known {
                value: line.slope(),
                u: line.slope_u(),
            },
            offset: Known {
                value: line.intercept(),
                u: line.intercept_u(),
            },
            error_max,
            is_passed: error_max.abs() <= self.checked.tolerance,
        })
    }

    fn target(&self, share: f64) -> f64 {
        let (from, to) = self.checked.signal;
        from + share * (to - from)
    }

    /// Keeps a point, unless the signal was plainly not put on this loop.
    fn take(&mut self, point: Taken) -> News {
        let has_not_moved = self.taken.last().is_some_and(|last| {
            let found = (point.share + point.error) - (last.share + last.error);
            (point.share - last.share).abs() > APART_MIN && found.abs() < MOVED_MIN
        });
        if has_not_moved {
            return News::Refused(
                "the signal has not moved since the last point; is it on this loop, and was it applied?".to_owned(),
            );
        }
        self.taken.push(point);
        News::Taken(point)
    }
}

impl Settling {
    /// A sample without a signal begins the wait anew.
    fn note(&mut self, at: Stamp, signal: Option<f64>) {
        match signal {
            Some(signal) if signal.is_finite() => self.recent.push_back((at, signal)),
            _ => {
                self.recent.clear();
                self.there_since = at;
            }
        }
        let oldest = at.minus(STEADY_OVER);
        while self.recent.len() > KEPT_MAX
            || (self.recent.len() > SAMPLES_MIN
                && self.recent.front().is_some_and(|(at, _)| *at < oldest))
        {
            self.recent.pop_front();
        }
    }

    /// The mean, if the signal stood still over the stretch.
    fn steady(&self, checked: &Loop) -> Option<Known> {
        let (first, last) = (self.recent.front()?, self.recent.back()?);
        // A tenth less: five samples a second apart span four seconds and some.
        let is_long =
            last.0.since(self.there_since) >= STEADY_OVER.mul_f64(0.9) && last.0 > first.0;
        if !is_long || self.recent.len() < SAMPLES_MIN {
            return None;
        }
        let limit = checked.tolerance * (checked.signal.1 - checked.signal.0).abs();
        let values: Vec<f64> = self.recent.iter().map(|(_, value)| *value).collect();
        let half = values.len() / 2;
        let drift = float::mean(&values[half..]) - float::mean(&values[..half]);
        let scatter = deviation(&values);
        // Noise alone moves the mean of half the samples, too. How large it is say the differences from
        // sample to sample, which a drift hardly touches.
        let chance = 2.0 * restlessness(&values) * (4.0 / float::count(values.len())).sqrt();
        if scatter > SCATTER_MAX * limit || drift.abs() > (DRIFT_MAX * limit).max(chance.min(limit))
        {
            return None;
        }
        let by_scatter = scatter / float::count(values.len()).sqrt();
        Some(Known {
            value: float::mean(&values),
            u: by_scatter.hypot(checked.step_u),
        })
    }
}

/// Standard deviation by the differences of neighbours, √(Σd²/(2·(n − 1))): von Neumann, *Distribution of the
/// ratio of the mean square successive difference to the variance*, Ann. Math. Stat. 12 (1941).
fn restlessness(values: &[f64]) -> f64 {
    let squares: f64 = values
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).powi(2))
        .sum();
    (squares / (2.0 * float::count(values.len().saturating_sub(1).max(1)))).sqrt()
}

/// Standard deviation (n − 1); zero of a single value.
fn deviation(values: &[f64]) -> f64 {
    let mean = float::mean(values);
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (squares / float::count(values.len().saturating_sub(1).max(1))).sqrt()
}
