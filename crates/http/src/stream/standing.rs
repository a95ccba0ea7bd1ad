//! How each channel stands between its samples: its mark, and why it is not simply good.

use std::collections::BTreeMap;
use std::time::Duration;

use zonda_config::ChannelPlan;
use zonda_model::quality::Worth;
use zonda_model::{Cause, Period, Quality, Sample, Stamp};
use zonda_station::board::{Live, Missing};

use super::mark::Mark;

/// No channel is called stale sooner.
pub(super) const STALE_LEAST: Duration = Duration::from_secs(2);

/// How long after its last sample a channel is stale: three ticks, and [`STALE_LEAST`] at least.
pub(super) fn stale_after(period: Period) -> Duration {
    (period.duration() * 3).max(STALE_LEAST)
}

/// What is known of a channel when no sample is at hand.
#[derive(Clone, Debug)]
pub(super) struct Standing {
    stale_after: Duration,
    last: Option<(Stamp, Quality)>,
    missing: Option<Missing>,
}

impl Standing {
    pub(super) fn new(period: Period) -> Self {
        Self {
            stale_after: stale_after(period),
            last: None,
            missing: None,
        }
    }

    pub(super) fn sample(&mut self, sample: &Sample<usize>) {
        self.last = Some((sample.at, sample.quality));
        self.missing = None;
    }

    /// What the board says, once a second.
    pub(super) fn look(&mut self, live: &Live) {
        self.missing.clone_from(&live.missing);
        if let Some(last) = &live.last {
            self.last = Some((last.at, last.quality));
        }
    }

    /// The mark at `now`, on the axis.
    pub(super) fn mark(&self, now: Stamp) -> Mark {
        if self.is_off() {
            return Mark::Off;
        }
        match self.last {
            None => Mark::None,
            Some((at, _)) if now.since(at) > self.stale_after => Mark::Stale,
            Some((_, quality)) => quality.worth().into(),
        }
    }

    /// Why the mark is not [`Mark::Ok`], in words.
    pub(super) fn why(&self, now: Stamp) -> Option<String> {
        match self.mark(now) {
            Mark::Ok => None,
            Mark::Stale | Mark::Off | Mark::None => self.missing.as_ref().map(missing_reason),
            _ => self.last.map(|(_, quality)| reason(quality)),
        }
    }

    fn is_off(&self) -> bool {
        self.missing
            .as_ref()
            .is_some_and(|missing| missing.cause == Cause::Disabled)
    }
}

fn missing_reason(missing: &Missing) -> String {
    let cause = missing.cause.word().replace('_', " ");
    if missing.detail.is_empty() {
        cause
    } else {
        format!("{cause}: {}", missing.detail)
    }
}

/// The flags that speak against a number, as words for people.
pub(crate) fn reason(quality: Quality) -> String {
    let grave = quality.iter().filter(|flag| flag.worth() != Worth::Good);
    let words: Vec<_> = grave
        .flat_map(|flag| flag.words().collect::<Vec<_>>())
        .collect();
    words.join(", ").replace('_', " ")
}

/// Why channels are not good, by their names: the whole object, as it is sent.
pub(super) fn why_of(
    channels: &[ChannelPlan],
    standings: &[Standing],
    now: Stamp,
) -> BTreeMap<String, String> {
    let named = channels.iter().zip(standings);
    named
        .filter_map(|(channel, standing)| {
            Some((channel.name.as_str().to_owned(), standing.why(now)?))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> Stamp {
        Stamp::from_millis(ms)
    }

    fn sample(ms: i64, quality: Quality) -> Sample<usize> {
        Sample {
            channel: 0,
            at: at(ms),
            code: None,
            value: None,
            quality,
        }
    }

    fn live(last: Option<Sample<usize>>, cause: Cause) -> Live {
        let missing = Missing {
            since: at(0),
            cause,
            detail: "no answer within 200 ms".to_owned(),
        };
        Live {
            last,
            age: None,
            missing: Some(missing),
            means: [None; 3],
            spread: None,
        }
    }

    #[test]
    fn a_channel_is_stale_after_three_ticks_and_says_why() {
        let mut standing = Standing::new(Period::SECOND);
        assert_eq!(standing.mark(at(0)), Mark::None);
        let last = sample(1000, Quality::SIMULATED);
        standing.sample(&last);
        assert_eq!(
            (standing.mark(at(4000)), standing.why(at(4000))),
            (Mark::Ok, None)
        );
        assert_eq!(standing.mark(at(4001)), Mark::Stale);
        standing.look(&live(Some(last), Cause::Timeout));
        assert_eq!(
            standing.why(at(3000)),
            None,
            "one missed tick is not worth a word"
        );
        assert_eq!(
            standing.why(at(9000)).unwrap(),
            "timeout: no answer within 200 ms"
        );
        standing.sample(&sample(9500, Quality::empty()));
        assert_eq!(standing.mark(at(9600)), Mark::Ok);
    }

    #[test]
    fn a_fast_channel_is_given_two_seconds() {
        let mut standing = Standing::new(Period::new(Duration::from_millis(10)).unwrap());
        standing.sample(&sample(0, Quality::empty()));
        assert_eq!(
            (standing.mark(at(2000)), standing.mark(at(2001))),
            (Mark::Ok, Mark::Stale)
        );
    }

    #[test]
    fn flags_are_the_reason_and_remarks_are_not() {
        let mut standing = Standing::new(Period::SECOND);
        standing.sample(&sample(
            0,
            Quality::SIMULATED | Quality::UNDER_RANGE | Quality::LATE,
        ));
        assert_eq!(standing.mark(at(0)), Mark::Under);
        assert_eq!(standing.why(at(0)).unwrap(), "under range, late");
    }

    #[test]
    fn a_channel_that_is_switched_off_is_off() {
        let mut standing = Standing::new(Period::SECOND);
        standing.look(&live(None, Cause::Disabled));
        assert_eq!(standing.mark(at(0)), Mark::Off);
    }
}
