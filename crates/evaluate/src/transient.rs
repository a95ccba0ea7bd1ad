//! How fast something rises, how far it overshoots, when it has settled, how it recovers.
//!
//! Each of these words has several definitions that differ by factors; the ones used here stand at the functions,
//! and a report prints them beside the figure ([`Definition`]). They survive noise, since single samples decide nothing: levels and peaks are
//! read off a *smoothed* course: at each sample, the least-squares line through the samples within half a stated span of it
//! (a mean where these lie evenly about it). A ramp stays where it is, while a trailing mean would lag by half the span. With a
//! span of nothing the course is the samples themselves. They survive gaps, since nothing is drawn across one: a
//! level that was passed in a gap has bounds and no moment, and time in gaps is told apart.

mod definition;

use std::time::Duration;

use zonda_model::{Period, Stamp};

use crate::band::Band;
use crate::coverage::{CoverageMin, is_unbroken};
use crate::float;
use crate::local_line::{Line, Sample, smooth};
use crate::moments::Moments;
use crate::reading::{Reading, Sieve, Tally};
use crate::soak::{InBand, Soak, Soaking};
use crate::stretch::Stretch;

pub use definition::Definition;

/// What a course is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CourseRule {
    /// How often the channel is sampled.
    pub period: Period,
    /// Which readings are used.
    pub sieve: Sieve,
    /// The span over which levels and peaks are smoothed; nothing for the samples themselves.
    pub smoothing: Duration,
}

impl CourseRule {
    /// Good readings only, not smoothed.
    pub const fn every(period: Period) -> Self {
        Self {
            period,
            sieve: Sieve::GOOD,
            smoothing: Duration::ZERO,
        }
    }
}

/// The readings of one channel over a transient, in order of time. It holds them: 32 bytes each.
#[derive(Clone, Debug)]
pub struct Course {
    rule: CourseRule,
    tally: Tally,
    samples: Vec<Sample>,
    smooth: Vec<f64>,
}

/// Why readings make no course.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CourseError {
    /// Out of order.
    #[error("a reading at {at} came after one at {last}; sort the readings by time")]
    OutOfOrder {
        /// When it was.
        at: Stamp,
        /// When the one before was.
        last: Stamp,
    },
    /// Hardly any good ones.
    #[error(
        "a course needs two used readings at least ({0}); choose another stretch, or allow flags and say so"
    )]
    TooFew(Box<Tally>),
}

/// Which way a level is passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Way {
    /// From below.
    Up,
    /// From above.
    Down,
}

impl Way {
    /// The way from one value to another.
    pub fn between(from: f64, to: f64) -> Self {
        if to < from { Self::Down } else { Self::Up }
    }

    /// Positive where `value` is beyond `level`.
    fn beyond(self, value: f64, level: f64) -> f64 {
        match self {
            Self::Up => value - level,
            Self::Down => level - value,
        }
    }
}

/// When a level was passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crossing {
    /// By a straight line between the two samples on either side; `None` where something is missing between them, or where the
    /// course began beyond the level.
    pub at: Option<Stamp>,
    /// The last sample short of it; `None` where there is none.
    pub after: Option<Stamp>,
    /// The first sample at or beyond it.
    pub by: Stamp,
}

impl Crossing {
    /// The moment where it is known, else the latest that it can have been.
    pub fn latest(self) -> Stamp {
        self.at.unwrap_or(self.by)
    }
}

/// A rate of change, in the unit of the values per second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// Per second.
    pub per_second: f64,
    /// Over which time.
    pub over: Stretch,
}

impl Rate {
    /// Per minute.
    pub fn per_minute(self) -> f64 {
        60.0 * self.per_second
    }
}

/// A step from one level to another, which is what a transient is measured against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The level before, such as the mean of a stretch before the start.
    pub from: f64,
    /// Where it is to go, and how near is near enough.
    pub to: Band,
}

/// How far the course went beyond the setpoint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Overshoot {
    /// Beyond the setpoint, 0 or more, in the unit of the values.
    pub value: f64,
    /// As a share of the step.
    pub share: f64,
    /// When it was farthest beyond.
    pub at: Stamp,
}

/// The last time that the course entered a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stay {
    /// When it came in.
    pub since: Crossing,
    /// How long it is known to have stayed, up to the end of the course.
    pub known: Duration,
    /// Time in gaps since then, of which nobody knows.
    pub hidden: Duration,
}

/// Whether, and when, it came to stay in band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Settling {
    /// In band at every sample from here to the end of the course, which is known for the asked time at least.
    Settled(Stay),
    /// In band at the end, but not for long enough to say so.
    TooShort(Stay),
    /// Not in band at the end.
    Outside,
}

/// What came of a disturbance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recovery {
    /// The disturbance, such as the door's opening.
    pub event: Stamp,
    /// When the course was farthest from the setpoint after it.
    pub farthest_at: Stamp,
    /// How far that was, with its sign.
    pub farthest: f64,
    /// When it came back to stay.
    pub settling: Settling,
}

impl Recovery {
    /// From the event until it came back to stay; `None` where it did not.
    pub fn time(&self) -> Option<Duration> {
        match self.settling {
            Settling::Settled(stay) => Some(stay.since.latest().since(self.event)),
            Settling::TooShort(_) | Settling::Outside => None,
        }
    }
}

impl Course {
    /// From readings in order of time.
    ///
    /// # Errors
    /// [`CourseError`] for readings out of order, or fewer than two that are used.
    pub fn new(
        rule: CourseRule,
        readings: impl IntoIterator<Item = Reading>,
    ) -> Result<Self, CourseError> {
        let mut tally = Tally::EMPTY;
        let mut samples: Vec<Sample> = Vec::new();
        let mut seen: Option<Stamp> = None;
        // A sample that is left out leaves a gap as one that never came does: the next used one is farther away.
        for reading in readings {
            let at = reading.at;
            if let Some(last) = seen.filter(|last| at < *last) {
                return Err(CourseError::OutOfOrder { at, last });
            }
            seen = Some(at);
            if let Some(value) = rule.sieve.admit(&reading, &mut tally) {
                let before = samples.last().map(|sample| sample.at);
                let follows =
                    before.is_some_and(|before| is_unbroken(at.since(before), rule.period));
                samples.push(Sample { at, value, follows });
            }
        }
        if samples.len() < 2 {
            return Err(CourseError::TooFew(Box::new(tally)));
        }
        let smooth = smooth(&samples, rule.smoothing);
        Ok(Self {
            rule,
            tally,
            samples,
            smooth,
        })
    }

    /// Readings used and left out.
    pub const fn tally(&self) -> &Tally {
        &self.tally
    }

    /// The mean of the samples in `stretch`; `None` without one. For the level before a step.
    pub fn level(&self, stretch: Stretch) -> Option<f64> {
        let inside = self
            .samples
            .iter()
            .filter(|sample| stretch.contains(sample.at));
        inside
            .map(|sample| sample.value)
            .collect::<Moments>()
            .mean()
    }

    /// The first time that the smoothed course is at or beyond `level`, from `start` on.
    ///
    /// `None` where it never is.
    pub fn crossing(&self, level: f64, way: Way, start: Stamp) -> Option<Crossing> {
        let first = self.first_from(start);
        let reached = (first..self.samples.len())
            .find(|index| way.beyond(self.smooth[*index], level) >= 0.0)?;
        Some(self.entered(reached, first, level))
    }

    /// The first time that the smoothed course is in the band, from `start` on: the time to the setpoint.
    ///
    /// `None` where it never is. A course that jumps over the band between two samples is not in it; ask for
    /// the [`Course::crossing`] of the setpoint then.
    pub fn entry(&self, band: Band, start: Stamp) -> Option<Crossing> {
        let first = self.first_from(start);
        let reached =
            (first..self.samples.len()).find(|index| band.contains(self.smooth[*index]))?;
        Some(self.entry_at(reached, first, band))
    }

    /// The steepest slope of a least-squares line through the samples of a window of this length, per second; its sign is
    /// that of `way`. The usual window is 60 s (common practice, no source). The samples are not smoothed for it.
    ///
    /// The window slides from sample to sample, and counts where nine tenths of its samples are there. `None` where that is
    /// so nowhere.
    pub fn steepest(&self, window: Duration, way: Way) -> Option<Rate> {
        let period = self.rule.period.duration();
        let enough = CoverageMin::DEFAULT.share() * window.as_secs_f64() / period.as_secs_f64();
        let mut best: Option<Rate> = None;
        let mut line = Line::new(self.samples[0].at);
        let mut first = 0;
        for sample in &self.samples {
            line.add(*sample);
            while sample.at.since(self.samples[first].at) > window {
                line.remove(self.samples[first]);
                first += 1;
            }
            let Ok(over) = Stretch::new(self.samples[first].at, sample.at) else {
                continue;
            };
            // Samples need not lie on both edges of the window.
            let is_whole =
                over.length() + period > window && float::count(line.count) >= enough.max(3.0);
            let Some(per_second) = line.slope().filter(|_| is_whole) else {
                continue;
            };
            if best.is_none_or(|best| way.beyond(per_second, best.per_second) > 0.0) {
                best = Some(Rate { per_second, over });
            }
        }
        best
    }

    /// The mean rate from 10 to 90 % of a step, from `start` on: 0.8·(to − from)/(t₉₀ − t₁₀), per second.
    ///
    /// Each is the first time that the smoothed course is there. `None` where one of them is never reached or was passed in a
    /// gap.
    pub fn mean_rate(&self, step: Step, start: Stamp) -> Option<Rate> {
        let height = step.to.setpoint() - step.from;
        let way = Way::between(step.from, step.to.setpoint());
        let reached = |share: f64| {
            self.crossing(share.mul_add(height, step.from), way, start)?
                .at
        };
        let over = Stretch::new(reached(0.1)?, reached(0.9)?).ok()?;
        let per_second = 0.8 * height / over.length().as_secs_f64();
        Some(Rate { per_second, over })
    }

    /// How far the smoothed course went beyond the setpoint after it first passed it.
    ///
    /// `None` where it never passed it, or where the step has no height. Sampling hides at most ½·|x″|·(Δt/2)² of a smooth peak.
    pub fn overshoot(&self, step: Step, start: Stamp) -> Option<Overshoot> {
        let (setpoint, height) = (step.to.setpoint(), step.to.setpoint() - step.from);
        let way = Way::between(step.from, setpoint);
        let by = self.crossing(setpoint, way, start)?.by;
        let first = self.first_from(by);
        let beyond = |index: &usize| way.beyond(self.smooth[*index], setpoint);
        let peak = (first..self.samples.len()).reduce(|best, index| {
            if beyond(&index) > beyond(&best) {
                index
            } else {
                best
            }
        })?;
        let value = beyond(&peak);
        (height != 0.0).then(|| Overshoot {
            value,
            share: value / height.abs(),
            at: self.samples[peak].at,
        })
    }

    /// The last time that the smoothed course entered the band, from `start` on, and whether it is known to have stayed
    /// for `dwell` at least.
    pub fn settling(&self, band: Band, dwell: Duration, start: Stamp) -> Settling {
        let first = self.first_from(start);
        let last = self.samples.len() - 1;
        if first > last || !band.contains(self.smooth[last]) {
            return Settling::Outside;
        }
        let (mut entered, mut hidden) = (last, Duration::ZERO);
        while entered > first && band.contains(self.smooth[entered - 1]) {
            if !self.samples[entered].follows {
                hidden += self.samples[entered].at.since(self.samples[entered - 1].at);
            }
            entered -= 1;
        }
        let since = self.entry_at(entered, first, band);
        let known = self.samples[last]
            .at
            .since(since.latest())
            .saturating_sub(hidden);
        let stay = Stay {
            since,
            known,
            hidden,
        };
        if known >= dwell {
            Settling::Settled(stay)
        } else {
            Settling::TooShort(stay)
        }
    }

    /// Time in band by the samples themselves, without smoothing; a reading that is left out breaks it.
    pub fn soak(&self, band: Band) -> Soak {
        let mut soaking = Soaking::new(self.rule.period);
        for sample in &self.samples {
            soaking.push(sample.at, InBand::from(band.contains(sample.value)));
        }
        soaking.soak()
    }

    /// What came of a disturbance at `event`: how far the smoothed course went, and when it came back to stay for
    /// `dwell` at least ([`Course::settling`]).
    ///
    /// `None` where there is no sample after it.
    pub fn recovery(&self, band: Band, dwell: Duration, event: Stamp) -> Option<Recovery> {
        let first = self.first_from(event);
        let off = |index: usize| self.smooth[index] - band.setpoint();
        let farthest = (first..self.samples.len()).reduce(|best, index| {
            if off(index).abs() > off(best).abs() {
                index
            } else {
                best
            }
        })?;
        let farthest_at = self.samples[farthest].at;
        Some(Recovery {
            event,
            farthest_at,
            farthest: off(farthest),
            settling: self.settling(band, dwell, event),
        })
    }

    fn first_from(&self, start: Stamp) -> usize {
        self.samples.partition_point(|sample| sample.at < start)
    }

    /// The crossing of the edge of the band by which the sample at `index` came in.
    fn entry_at(&self, index: usize, first: usize, band: Band) -> Crossing {
        let is_from_below = index > first && self.smooth[index - 1] < band.low();
        let edge = if is_from_below {
            band.low()
        } else {
            band.high()
        };
        self.entered(index, first, edge)
    }

    /// The crossing of `level` just before the sample at `index`.
    fn entered(&self, index: usize, first: usize, level: f64) -> Crossing {
        let by = self.samples[index].at;
        if index == first {
            let (at, after) = (None, None);
            return Crossing { at, after, by };
        }
        let after = self.samples[index - 1].at;
        let at = self.samples[index].follows.then(|| {
            let (low, high) = (self.smooth[index - 1], self.smooth[index]);
            let share = ((level - low) / (high - low)).clamp(0.0, 1.0);
            let share = if share.is_nan() { 1.0 } else { share };
            after.plus(by.since(after).mul_f64(share))
        });
        let after = Some(after);
        Crossing { at, after, by }
    }
}
