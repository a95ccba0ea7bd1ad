//! One probe, many points: when a moved probe has read a point, and which point is next.
//!
//! The operator puts the probe at a point and *confirms* it: that is a *visit*. From then on the readings are watched until
//! they are steady by a [`SteadyRule`], then taken for the *dwell*, and the point is read. A hole in the readings, or one that
//! cannot be used, while it dwells begins the settling anew. Where nothing becomes steady within the *patience*, the dwell
//! begins all the same and the reading says that it was not steady: at some points of some ducts nothing ever is.
//!
//! Every point is read once, then the first again: what has changed there meanwhile is the *drift* of the whole. Any point may be visited
//! again at any time; its newest reading holds.
//!
//! Everything follows from the confirmations and the readings, so that it can be worked out anew at any time, after a restart too.
//! Left to others: where the points are, who confirms, and what flows.

use std::time::Duration;

use zonda_model::quality::Worth;
use zonda_model::{Quality, Stamp};

use crate::reading::Reading;
use crate::steadiness::{State, Steadiness, SteadyRule, SteadyRuleError};

/// Ticks without a reading that are a hole.
const HOLE_TICKS: u32 = 3;
/// The least share of the dwell's readings that must be there.
const COVERAGE_LEAST: f64 = 0.9;

/// When a point is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DwellRule {
    /// What is to be called steady.
    pub steady: SteadyRule,
    /// For how long readings are taken.
    pub dwell: Duration,
    /// For how long steadiness is waited for.
    pub patience: Duration,
}

/// Where a visit stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Visit {
    /// Not steady yet.
    Settling {
        /// Since the probe was put there, or since the last hole.
        since: Stamp,
    },
    /// Readings are being taken.
    Dwelling {
        /// Since when.
        since: Stamp,
        /// Of those so far.
        mean: f64,
    },
    /// The point is read.
    Read(PointRead),
}

/// What a visit brought.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointRead {
    /// When the dwell began.
    pub from: Stamp,
    /// When it was over.
    pub to: Stamp,
    /// The mean of its readings, SI.
    pub mean: f64,
    /// How many.
    pub count: u32,
    /// Whether it was steady before.
    pub is_steady: bool,
}

/// Watches the readings of one visit in order of time.
#[derive(Clone, Debug)]
pub struct Watch {
    rule: DwellRule,
    steadiness: Steadiness,
    confirmed: Stamp,
    since: Stamp,
    dwell: Option<Dwell>,
    last: Option<Stamp>,
    read: Option<PointRead>,
}

#[derive(Clone, Copy, Debug)]
struct Dwell {
    from: Stamp,
    mean: f64,
    count: u32,
    is_steady: bool,
}

impl Watch {
    /// The probe was put there at `confirmed`.
    ///
    /// # Errors
    /// [`SteadyRuleError`] for a rule that cannot be followed.
    pub fn new(rule: DwellRule, confirmed: Stamp) -> Result<Self, SteadyRuleError> {
        Ok(Self {
            steadiness: Steadiness::new(rule.steady)?,
            rule,
            confirmed,
            since: confirmed,
            dwell: None,
            last: None,
            read: None,
        })
    }

    /// Where it stands.
    pub fn visit(&self) -> Visit {
        match (self.read, self.dwell) {
            (Some(read), _) => Visit::Read(read),
            (None, Some(dwell)) if dwell.count > 0 => Visit::Dwelling {
                since: dwell.from,
                mean: dwell.mean,
            },
            (None, Some(dwell)) => Visit::Settling { since: dwell.from },
            (None, None) => Visit::Settling { since: self.since },
        }
    }

    /// Looks at the next reading; one from before the probe was there, or out of order, says nothing.
    pub fn take(&mut self, reading: &Reading) {
        let is_early =
            reading.at < self.confirmed || self.last.is_some_and(|last| reading.at <= last);
        if self.read.is_some() || is_early {
            return;
        }
        let torn = self
            .last
            .is_some_and(|last| reading.at.since(last) > self.hole());
        self.last = Some(reading.at);
        let is_steady = matches!(self.steadiness.push(reading), Ok(State::Steady { .. }));
        let usable = reading.value.filter(|_| is_usable(reading.quality));
        if torn || usable.is_none() {
            self.since = reading.at;
            self.dwell = None;
        }
        let Some(value) = usable else { return };
        self.begin_dwell(reading.at, is_steady);
        self.dwell_on(reading.at, value);
    }

    fn hole(&self) -> Duration {
        self.rule.steady.period.duration() * HOLE_TICKS
    }

    fn begin_dwell(&mut self, at: Stamp, is_steady: bool) {
        let is_patient = at.since(self.confirmed) < self.rule.patience;
        if self.dwell.is_none() && (is_steady || !is_patient) {
            self.dwell = Some(Dwell {
                from: at,
                mean: 0.0,
                count: 0,
                is_steady,
            });
        }
    }

    fn dwell_on(&mut self, at: Stamp, value: f64) {
        let (rule, confirmed) = (self.rule, self.confirmed);
        let Some(dwell) = &mut self.dwell else {
            return;
        };
        let to = dwell.from.plus(rule.dwell);
        if at < to {
            dwell.count += 1;
            dwell.mean += (value - dwell.mean) / f64::from(dwell.count);
            return;
        }
        let expected = rule.dwell.as_secs_f64() / rule.steady.period.duration().as_secs_f64();
        if f64::from(dwell.count) < COVERAGE_LEAST * expected.floor() {
            // Too little of it is there to stand for it.
            (self.since, self.dwell) = (at.max(confirmed), None);
            return;
        }
        self.read = Some(PointRead {
            from: dwell.from,
            to,
            mean: dwell.mean,
            count: dwell.count,
            is_steady: dwell.is_steady,
        });
    }
}

/// A reading that can stand for the air at the point; what a calibration lacks is the budget's affair.
fn is_usable(quality: Quality) -> bool {
    quality.worth() != Worth::Fault
}

/// What the operator is to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// Put the probe at this point, counted from 0.
    Point(usize),
    /// Put it at the first again: the last visit, for the drift.
    Again,
    /// Nothing: every point is read, and the first twice.
    Done,
}

/// One visit, as far as it has come: which point (from 0), and what it brought.
pub type Visited = (usize, Option<PointRead>);

/// The points' readings that hold, and the last one of the first point.
#[derive(Clone, Debug, PartialEq)]
pub struct Tour {
    /// Of each point the newest.
    pub points: Vec<Option<PointRead>>,
    /// Of the first, after all were read.
    pub again: Option<PointRead>,
}

impl Tour {
    /// Of so many points, by the visits in their order.
    pub fn of(points: usize, visits: &[Visited]) -> Self {
        let mut tour = Self {
            points: vec![None; points],
            again: None,
        };
        for (point, read) in visits {
            let Some(read) = read.filter(|_| *point < points) else {
                continue;
            };
            if *point == 0 && tour.is_whole() {
                tour.again = Some(read);
            } else {
                tour.points[*point] = Some(read);
                // What was read anew has changed what the last visit is compared with.
                tour.again = tour.again.filter(|_| *point != 0);
            }
        }
        tour
    }

    /// Whether every point is read.
    pub fn is_whole(&self) -> bool {
        self.points.iter().all(Option::is_some)
    }

    /// What is to be done next.
    pub fn next(&self) -> Next {
        let unread = self.points.iter().position(Option::is_none);
        match (unread, self.again) {
            (Some(point), _) => Next::Point(point),
            (None, None) => Next::Again,
            (None, Some(_)) => Next::Done,
        }
    }

    /// By what share the first point has changed from its reading to its last visit.
    pub fn drift(&self) -> Option<f64> {
        let (first, again) = (self.points.first()?.as_ref()?, self.again?);
        let drift = again.mean / first.mean - 1.0;
        drift.is_finite().then_some(drift)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use zonda_model::Period;

    fn rule() -> DwellRule {
        DwellRule {
            steady: SteadyRule {
                negligible: 0.3,
                ..SteadyRule::over(Duration::from_secs(64), Period::SECOND)
            },
            dwell: Duration::from_secs(20),
            patience: Duration::from_mins(10),
        }
    }

    fn at(s: i64) -> Stamp {
        Stamp::from_millis(s * 1000)
    }

    /// Invented: white noise of some per cent about the level.
    fn noisy(s: i64, level: f64) -> Reading {
        let noise = f64::from(u8::try_from(s * 7919 % 13).unwrap()) / 13.0 - 0.46;
        Reading::good(at(s), level + 0.2 * noise)
    }

    fn watched(rule: DwellRule, readings: impl IntoIterator<Item = Reading>) -> Watch {
        let mut watch = Watch::new(rule, at(10)).unwrap();
        for reading in readings {
            watch.take(&reading);
        }
        watch
    }

    #[test]
    fn a_point_is_read_when_it_was_steady_and_then_dwelt_on() {
        let watch = watched(rule(), (0..200).map(|s| noisy(s, 6.0)));
        let Visit::Read(read) = watch.visit() else {
            panic!("{:?}", watch.visit())
        };
        assert!(read.is_steady && read.count == 20, "{read:?}");
        assert!(
            read.from >= at(10 + 60) && read.from < at(10 + 80),
            "{read:?}"
        );
        assert_eq!(read.to, read.from.plus(Duration::from_secs(20)));
        assert!((read.mean - 6.0).abs() < 0.05, "{read:?}");
    }

    #[test]
    fn a_hole_or_a_fault_while_it_dwells_begins_the_settling_anew() {
        let steady_from = |readings: Vec<Reading>| match watched(rule(), readings).visit() {
            Visit::Read(read) => Some(read.from),
            _ => None,
        };
        let whole: Vec<_> = (0..250).map(|s| noisy(s, 6.0)).collect();
        let from = steady_from(whole.clone()).unwrap();
        let inside = |s: i64| (5..15).contains(&(at(s).since(from).as_secs()));
        let torn = (0..250).filter(|s| at(*s) < from || !inside(*s));
        let torn = steady_from(torn.map(|s| noisy(s, 6.0)).collect()).unwrap();
        assert!(
            torn > from.plus(Duration::from_secs(15)),
            "{torn} after {from}"
        );
        let mut faulty = whole;
        for reading in &mut faulty {
            if reading.at == from.plus(Duration::from_secs(7)) {
                reading.quality = Quality::OPEN_LOOP;
            }
        }
        assert!(steady_from(faulty).unwrap() > from.plus(Duration::from_secs(7)));
    }

    #[test]
    fn what_never_settles_is_read_when_patience_ends_and_says_so() {
        let climbing = |s: i64| noisy(s, 0.05 * f64::from(i32::try_from(s).unwrap()));
        let watch = watched(rule(), (0..600).map(climbing));
        assert!(matches!(watch.visit(), Visit::Settling { .. }));
        let watch = watched(rule(), (0..700).map(climbing));
        let Visit::Read(read) = watch.visit() else {
            panic!("{:?}", watch.visit())
        };
        assert!(!read.is_steady);
        assert_eq!(read.from, at(610));
    }

    fn read(mean: f64) -> PointRead {
        PointRead {
            from: at(0),
            to: at(1),
            mean,
            count: 1,
            is_steady: true,
        }
    }

    #[test]
    fn the_first_point_comes_last_again_and_tells_the_drift() {
        let mut visits = vec![(0, Some(read(6.0))), (1, None), (1, Some(read(7.0)))];
        assert_eq!(Tour::of(3, &visits).next(), Next::Point(2));
        visits.push((2, Some(read(5.0))));
        assert_eq!(Tour::of(3, &visits).next(), Next::Again);
        visits.push((1, Some(read(7.5))));
        visits.push((0, Some(read(6.3))));
        let tour = Tour::of(3, &visits);
        assert_eq!(tour.next(), Next::Done);
        assert!((tour.drift().unwrap() - 0.05).abs() < 1e-12);
        assert!(
            (tour.points[1].unwrap().mean - 7.5).abs() < 1e-12,
            "its newest holds"
        );
    }

    proptest! {
        /// However the readings are handed over, one by one or after a restart all at once, the same comes out.
        #[test]
        fn what_is_worked_out_anew_is_the_same(cut in 0..200i64, level in 1.0..20.0f64) {
            let all = watched(rule(), (0..200).map(|s| noisy(s, level)));
            let mut again = watched(rule(), (0..cut).map(|s| noisy(s, level)));
            for s in 0..200 {
                again.take(&noisy(s, level));
            }
            prop_assert_eq!(all.visit(), again.visit());
        }
    }
}
