//! The ticks of a meter that talks by itself: each is told as missed or has a line, never both. Pure.
//!
//! A meter keeps its own time, so its lines wander over the grid. A line belongs to the tick that its
//! first byte came in; where the tick before has none yet, it also counts for that one if it came
//! within half a period after its end. So a meter of the right pace fills every tick whatever its
//! phase, a slower one leaves gaps, and a faster one gives several lines in one tick.

use std::time::Duration;

use zonda_model::{Period, Stamp};

/// The ticks of one meter.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slots {
    period: Period,
    /// The first tick that has not been told of.
    next: Stamp,
    /// The tick before `next` was told as missed.
    is_missed: bool,
}

/// Ticks in a row that brought no line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Missed {
    pub(crate) first: Stamp,
    pub(crate) ticks: u32,
}

impl Slots {
    /// Ticks from `first` on.
    pub(crate) const fn new(period: Period, first: Stamp) -> Self {
        Self {
            period,
            next: first,
            is_missed: false,
        }
    }

    /// The tick of a line that began at `at`, and the ticks before it that brought none.
    pub(crate) fn line(&mut self, at: Stamp) -> (Option<Missed>, Stamp) {
        let tick = self.tick_of(at);
        let missed = self.close(tick);
        // A line may come for a tick that was told as missed already; it then fills the next one.
        if tick >= self.next || self.is_missed {
            self.next = self.next.plus(self.period.duration());
            self.is_missed = false;
        }
        (missed, self.next.minus(self.period.duration()))
    }

    /// The ticks before `end` that have not been told of: they brought nothing.
    pub(crate) fn close(&mut self, end: Stamp) -> Option<Missed> {
        let ticks = (end.micros() - self.next.micros()).div_euclid(self.period.micros());
        let ticks = u32::try_from(ticks).ok().filter(|ticks| *ticks > 0)?;
        let first = self.next;
        self.next = first.plus(self.period.duration() * ticks);
        self.is_missed = true;
        Some(Missed { first, ticks })
    }

    fn tick_of(&self, at: Stamp) -> Stamp {
        let own = at.floor(self.period);
        let is_early = at < own.plus(self.half());
        if own > self.next && is_early {
            own.minus(self.period.duration())
        } else {
            own
        }
    }

    fn half(&self) -> Duration {
        self.period.duration() / 2
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SECOND: Period = Period::SECOND;

    fn slots() -> Slots {
        Slots::new(SECOND, Stamp::from_millis(0))
    }

    /// The ticks of lines in ms, missed ones as negative numbers of ticks.
    fn told(slots: &mut Slots, lines: &[i64]) -> Vec<i64> {
        let mut told = Vec::new();
        for line in lines {
            let (missed, tick) = slots.line(Stamp::from_millis(*line));
            told.extend(missed.map(|missed| -i64::from(missed.ticks)));
            told.push(tick.millis());
        }
        told
    }

    #[test]
    fn lines_that_wander_over_the_edge_of_a_tick_leave_no_gap() {
        let lines = [990, 2010, 2995, 4005, 4990];
        assert_eq!(told(&mut slots(), &lines), [0, 1000, 2000, 3000, 4000]);
    }

    #[test]
    fn a_slower_meter_leaves_gaps_and_a_faster_one_shares_ticks() {
        assert_eq!(
            told(&mut slots(), &[700, 2700, 4700]),
            [0, -1, 2000, -1, 4000]
        );
        assert_eq!(
            told(&mut slots(), &[100, 600, 1100, 1600]),
            [0, 0, 1000, 1000]
        );
    }

    #[test]
    fn a_line_for_a_tick_told_as_missed_fills_the_next() {
        let mut slots = slots();
        assert_eq!(
            slots.close(Stamp::from_millis(3000)),
            Some(Missed {
                first: Stamp::from_millis(0),
                ticks: 3
            })
        );
        assert_eq!(slots.close(Stamp::from_millis(3000)), None);
        assert_eq!(told(&mut slots, &[2500, 3600, 4600]), [3000, 3000, 4000]);
    }

    #[derive(Clone, Copy, Debug)]
    enum Event {
        Line,
        Tick,
    }

    proptest! {
        #[test]
        fn every_tick_is_missed_or_has_lines_and_never_both(events in proptest::collection::vec((0i64..4000, prop_oneof![Just(Event::Line), Just(Event::Tick)]), 1..200)) {
            let mut slots = slots();
            let mut now = 0;
            let mut next = Stamp::from_millis(0);
            let mut last_has_lines = false;
            for (wait, event) in events {
                now += wait;
                let at = Stamp::from_millis(now);
                let (missed, tick) = match event {
                    Event::Line => {
                        let (missed, tick) = slots.line(at);
                        (missed, Some(tick))
                    }
                    Event::Tick => (slots.close(at.floor(SECOND).minus(SECOND.duration())), None),
                };
                if let Some(missed) = missed {
                    prop_assert_eq!(missed.first, next);
                    next = next.plus(SECOND.duration() * missed.ticks);
                    last_has_lines = false;
                }
                if let Some(tick) = tick {
                    let is_another_of_the_last = last_has_lines && tick.plus(SECOND.duration()) == next;
                    prop_assert!(tick == next || is_another_of_the_last);
                    next = tick.plus(SECOND.duration());
                    last_has_lines = true;
                }
                prop_assert!(next <= at.next(SECOND), "nothing is told ahead of time");
            }
        }
    }
}
