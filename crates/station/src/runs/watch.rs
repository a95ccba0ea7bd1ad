//! Watching live samples for a condition. Pure: what it is shown is all it knows.
//!
//! *Stays* needs evidence: a reading without a number to be used, or a hole in the samples, and the
//! waiting begins anew. So does every start of the daemon.

use std::time::Duration;

use zonda_evaluate::{Reading, Sieve, Steadiness, SteadyRule};
use zonda_model::quality::Worth;
use zonda_model::run::{Condition, Turn};
use zonda_model::{Period, Quality, Sample, Stamp};

use super::error::RunError;
use super::scene::Scene;

/// Ticks without a sample after which nobody can say that a value stayed; never less than a second,
/// as a fast line may be late by some ticks.
const HOLE_TICKS: u32 = 3;
const HOLE_LEAST: Duration = Duration::from_secs(1);

/// Flags that do not keep a reading out of the question whether it moves.
const NO_MATTER: Quality = Quality::UNCALIBRATED
    .union(Quality::CALIBRATION_OVERDUE)
    .union(Quality::LATE)
    .union(Quality::UNCERTAIN);

/// A condition that is being watched.
#[derive(Debug)]
pub(crate) enum Watch {
    Passes(Passing),
    Steady(Vec<Member>),
}

/// A value that has to stand above or below a limit.
#[derive(Debug)]
pub(crate) struct Passing {
    channel: usize,
    turn: Turn,
    /// In the SI unit of the channel.
    limit: f64,
    stay: Duration,
    hole: Duration,
    was_on_other_side: bool,
    since: Option<Stamp>,
    last: Option<Stamp>,
}

/// A channel that has to be steady together with others.
#[derive(Debug)]
pub(crate) struct Member {
    channel: usize,
    steadiness: Steadiness,
    hole: Duration,
    last: Option<Stamp>,
}

impl Watch {
    /// Begins to watch for `condition`; `None` where the configuration no longer has one of its channels.
    ///
    /// # Errors
    /// The time over which a channel has to be steady holds too few of its readings.
    pub(crate) fn new(condition: &Condition, scene: &Scene) -> Result<Option<Self>, RunError> {
        let places: Option<Vec<_>> = condition
            .channels()
            .iter()
            .map(|name| scene.place(name))
            .collect();
        let Some(places) = places else {
            return Ok(None);
        };
        match condition {
            Condition::Passes {
                turn, limit, stay, ..
            } => {
                let channel = places[0];
                Ok(Some(Self::Passes(Passing {
                    channel,
                    turn: *turn,
                    limit: limit.unit.to_si(limit.value),
                    stay: *stay,
                    hole: hole(scene.channels()[channel].period),
                    was_on_other_side: false,
                    since: None,
                    last: None,
                })))
            }
            Condition::Steady { within, over, .. } => {
                let negligible = within.unit.difference_to_si(within.value);
                let member = |channel: usize| {
                    let period = scene.channels()[channel].period;
                    let rule = SteadyRule {
                        sieve: Sieve::allowing(NO_MATTER),
                        negligible,
                        ..SteadyRule::over(*over, period)
                    };
                    Ok(Member {
                        channel,
                        steadiness: Steadiness::new(rule).map_err(RunError::Steady)?,
                        hole: hole(period),
                        last: None,
                    })
                };
                let members: Result<_, RunError> = places.into_iter().map(member).collect();
                Ok(Some(Self::Steady(members?)))
            }
        }
    }

    /// Looks at a sample; gives its time where with it the condition is met.
    pub(crate) fn take(&mut self, sample: &Sample<usize>) -> Option<Stamp> {
        match self {
            Self::Passes(passing) if passing.channel == sample.channel => passing.take(sample),
            Self::Passes(_) => None,
            Self::Steady(members) => take(members, sample),
        }
    }
}

fn hole(period: Period) -> Duration {
    (period.duration() * HOLE_TICKS).max(HOLE_LEAST)
}

impl Passing {
    fn take(&mut self, sample: &Sample<usize>) -> Option<Stamp> {
        let usable = sample
            .value
            .filter(|_| sample.quality.worth() != Worth::Fault);
        let Some(value) = usable else {
            self.since = None;
            return None;
        };
        let is_torn = self
            .last
            .is_some_and(|last| sample.at.since(last) > self.hole);
        self.last = Some(sample.at);
        if is_torn {
            self.since = None;
        }
        if !self.turn.is_met(value, self.limit) {
            self.was_on_other_side = true;
            self.since = None;
            return None;
        }
        if self.turn.must_pass() && !self.was_on_other_side {
            return None;
        }
        let since = *self.since.get_or_insert(sample.at);
        (sample.at.since(since) >= self.stay).then_some(sample.at)
    }
}

fn take(members: &mut [Member], sample: &Sample<usize>) -> Option<Stamp> {
    let member = members
        .iter_mut()
        .find(|member| member.channel == sample.channel)?;
    // One that is out of order is none that this channel's steadiness could use.
    member.steadiness.push(&Reading::from(sample)).ok()?;
    member.last = Some(sample.at);
    let is_steady = |member: &Member| {
        let is_fresh = member
            .last
            .is_some_and(|last| sample.at.since(last) <= member.hole);
        is_fresh && member.steadiness.state().is_steady()
    };
    members.iter().all(is_steady).then_some(sample.at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::runs::scene::tests::scene;
    use proptest::prelude::*;

    fn sample(channel: usize, s: i64, value: f64) -> Sample<usize> {
        Sample {
            channel,
            at: Stamp::from_millis(s * 1000),
            code: None,
            value: Some(value),
            quality: Quality::SIMULATED,
        }
    }

    fn watch(condition: &str) -> Watch {
        Watch::new(&condition.parse().unwrap(), &scene())
            .unwrap()
            .unwrap()
    }

    /// The second at which the condition is met by these values, one a second.
    fn met(condition: &str, values: &[f64]) -> Option<usize> {
        let mut watch = watch(condition);
        (0..)
            .zip(values)
            .position(|(s, value)| watch.take(&sample(0, s, *value)).is_some())
    }

    #[test]
    fn a_value_above_the_limit_has_to_stay_there() {
        let values = [
            190.0, 170.0, 181.0, 182.0, 179.0, 181.0, 182.0, 183.0, 184.0,
        ];
        assert_eq!(met("Z1 above 180 °C", &values), Some(0));
        assert_eq!(met("Z1 above 180 °C for 3 s", &values), Some(8));
        assert_eq!(met("Z1 rises above 180 °C", &values), Some(2));
        assert_eq!(met("Z1 rises above 180 °C", &[190.0, 191.0]), None);
        assert_eq!(
            met("Z1 falls below 338 °F", &[190.0, 170.0, 169.9]),
            Some(2)
        );
    }

    #[test]
    fn a_hole_or_a_fault_begins_the_waiting_anew() {
        let mut torn = watch("Z1 above 180 °C for 3 s");
        let seen: Vec<_> = [0, 1, 2, 6, 7, 8, 9]
            .into_iter()
            .filter_map(|s| torn.take(&sample(0, s, 200.0)))
            .collect();
        assert_eq!(seen, [Stamp::from_millis(9000)]);
        let mut faulty = watch("Z1 above 180 °C for 2 s");
        for s in 0..5 {
            let mut sample = sample(0, s, 200.0);
            if s == 2 {
                sample.quality = Quality::OPEN_LOOP;
            }
            assert_eq!(faulty.take(&sample), None, "at {s} s");
        }
        assert!(faulty.take(&sample(0, 5, 200.0)).is_some());
    }

    #[test]
    fn a_zone_is_steady_when_all_of_it_is() {
        let mut watch = watch("Z1, Z2 steady within 2 K over 2 min");
        let noise = |s: i64| 0.1 * f64::from(u8::try_from(s * 7919 % 13).unwrap());
        let mut met = None;
        for s in 0..900 {
            // The second zone is still heating for the first five minutes.
            let heating = 0.5 * (300.0 - f64::from(i32::try_from(s).unwrap())).max(0.0);
            let first = watch.take(&sample(0, s, 180.0 + noise(s)));
            let second = watch.take(&sample(1, s, 180.0 - heating + noise(s + 5)));
            met = met.or(first).or(second);
        }
        let met = met.unwrap().seconds();
        // A window after the heating, whose last 2 K took 4 s; a window moves on in steps of 3.75 s.
        assert!((412.0..480.0).contains(&met), "steady at {met} s");
    }

    #[test]
    fn a_time_too_short_to_judge_and_a_channel_that_is_gone() {
        let short = Watch::new(&"Z1 steady within 2 K over 10 s".parse().unwrap(), &scene());
        assert!(matches!(short, Err(RunError::Steady(_))));
        let gone = Watch::new(&"Z9 above 180 °C".parse().unwrap(), &scene());
        assert!(gone.unwrap().is_none());
    }

    proptest! {
        /// By a plain search over the whole row, which the watch cannot do.
        #[test]
        fn it_is_met_where_a_search_finds_it(values in prop::collection::vec(170.0..190.0f64, 0..60), stay in 0usize..6) {
            let condition = if stay == 0 { "Z1 above 180 °C".to_owned() } else { format!("Z1 above 180 °C for {stay} s") };
            let found = (stay..values.len()).find(|end| values[end - stay..=*end].iter().all(|value| *value > 180.0));
            prop_assert_eq!(met(&condition, &values), found);
        }
    }
}
